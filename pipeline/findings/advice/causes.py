"""The table of causes: what each does to each measure, how it comes, and what to check. Data: `signatures.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Literal

import numpy as np

from pipeline.findings.finding import SOMETHING_ELSE
from pipeline.findings.phrase import Phrase, phrase

MEASURES = (
    "freeze_pct", "harvest_pct", "cold_k", "pull_pct", "current_pct", "gas_pct", "peak_k", "rise_pct", "plateau_min",
    "air_rise_k", "discharge_k", "over_air_k", "superheat_k", "subcooling_k", "evaporating_k", "air_k", "water_k",
    "spread_pct", "swing_k", "begin_k", "mid_k",
)  # fmt: skip
"""What a cause may change; said at the head of `signatures.toml`. `_pct`: 100 times the natural log of a ratio."""

Size = tuple[float, float]
"""(size, standard deviation between machines)"""
End = Literal["level", "temperature", "delay", "timer"]
"""What ends a freeze: level or thickness, a plate temperature, a time after one, a timer alone."""
COURSES = ("always", "step", "ramp", "now-and-then")


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One row. `effects`: measure -> (size at severity 1, standard deviation between machines)."""

    key: str
    text: Phrase
    prior: float  # relative
    course: Mapping[str, float]  # of COURSES -> share
    effects: Mapping[str, Size]
    by_temperature: Mapping[str, Size]  # in place of `effects`, where a plate temperature ends the freeze
    by_delay: Mapping[str, Size]  # where a time after a plate temperature ends it
    events: Mapping[str, float]  # event -> chance
    codes: frozenset[str]  # findings that it can bring about
    logger: Mapping[str, float]  # finding of the logger -> chance; {} for a cause in the machine
    checks: tuple[str, ...]
    few: bool  # it touches a few cycles of a log at most
    cooling: str  # "air" or "water" where only such a machine can have it, else ""
    why: str
    source: str
    simulated: str

    def sizes(self, end: End) -> dict[str, Size]:
        """Measure -> (size, standard deviation) at severity 1 where a freeze ends by `end`; a timer waits for nothing."""
        other = {"temperature": self.by_temperature, "delay": self.by_delay}.get(end, {})
        sizes = {**self.effects, **other}
        return {m: s for m, s in sizes.items() if m != "freeze_pct"} if end == "timer" else sizes

    @property
    def of_the_logger(self) -> bool:
        """Whether it lies with the logger, a probe or the log, and not with the machine."""
        return bool(self.logger)


@dataclass(frozen=True, kw_only=True)
class Table:
    """All rows."""

    causes: Mapping[str, Cause]
    chance: Mapping[str, float]  # event -> chance where the cause has nothing to do with it
    stands_for: Mapping[str, tuple[str, ...]]

    @cached_property
    def machine(self) -> tuple[str, ...]:
        """The causes in the machine, something else aside."""
        return tuple(k for k, c in self.causes.items() if not c.of_the_logger and k != SOMETHING_ELSE)

    @cached_property
    def broad(self) -> np.ndarray:
        """How far a cause that nobody thought of may move each measure, one standard deviation (measures,)."""
        sizes = [[c.effects.get(m, (0.0, 0.0))[0] for m in MEASURES] for c in self.causes.values()]
        values = np.array(sizes)
        counted = np.maximum((values != 0).sum(axis=0), 1)
        return np.sqrt((values**2).sum(axis=0) / counted)

    def standing_for(self, key: str) -> tuple[str, ...]:
        """The rows that a name used by a rule means. Raises KeyError for a name that the table does not have."""
        if key in self.stands_for:
            return self.stands_for[key]
        return (self.causes[key].key,)


def _read() -> Table:
    raw = tomllib.loads((Path(__file__).parent / "signatures.toml").read_text(encoding="utf-8"))
    causes = {
        key: Cause(
            key=key,
            text=phrase(f"cause.{key}", row["text"]),
            prior=row["prior"],
            course=MappingProxyType(row.get("course", {})),
            effects=MappingProxyType({m: tuple(row[m]) for m in MEASURES if m in row}),
            by_temperature=MappingProxyType({m: tuple(v) for m, v in row.get("by_temperature", {}).items()}),
            by_delay=MappingProxyType({m: tuple(v) for m, v in row.get("by_delay", {}).items()}),
            events=MappingProxyType(row.get("events", {})),
            codes=frozenset(row.get("codes", ())),
            logger=MappingProxyType(row.get("logger", {})),
            checks=tuple(row["checks"]),
            few=row.get("few", False),
            cooling=row.get("cooling", ""),
            why=row.get("why", ""),
            source=row["source"],
            simulated=row["simulated"],
        )
        for key, row in raw["cause"].items()
    }
    return Table(
        causes=MappingProxyType(causes),
        chance=MappingProxyType(raw["chance"]),
        stands_for=MappingProxyType({k: tuple(v) for k, v in raw["stands-for"].items()}),
    )


TABLE = _read()
CAUSES = TABLE.causes
