"""What to do next on site: each check with its instrument, the number to expect, what each answer means, and what can hurt.

The table is `checks.toml`. Cheapest and safest stand first: what is seen or measured from outside before what needs a cover
off, that before a live panel, and the refrigerant circuit last.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from pipeline.findings.evidence.refrigerant import is_flammable
from pipeline.findings.finding import Step
from pipeline.findings.phrase import Phrase, phrase
from pipeline.unit import Unit

STEPS = ("look", "measure", "cover", "live", "circuit")
_WITHOUT_PORTS = {"pressures": ("circuit-temperatures", "weigh-charge")}
"""Checks that need service ports, and what stands for them on a machine that is likely to have none."""


@dataclass(frozen=True, kw_only=True)
class Check:
    """One thing to do. `values`: what its sentences need, named with their units; `minutes` of work, about."""

    step: str  # of STEPS
    minutes: int
    text: Phrase
    instrument: Phrase
    expect: Phrase
    if_so: Phrase
    if_not: Phrase
    hazards: tuple[str, ...]
    bring: Mapping[str, int]  # of TOOLS, how many
    logged: frozenset[str]  # roles whose readings answer it, all together; empty where no log does
    values: Mapping[str, float]

    @property
    def rank(self) -> tuple[int, int]:
        """Safest first, then cheapest."""
        return STEPS.index(self.step), self.minutes


def _read() -> tuple[Mapping[str, Check], Mapping[str, Phrase], Mapping[str, Phrase]]:
    table = tomllib.loads((Path(__file__).parent / "checks.toml").read_text(encoding="utf-8"))
    hazards, tools = (
        MappingProxyType({key: phrase(f"{kind}.{key}", english) for key, english in table[kind].items()})
        for kind in ("hazard", "tool")
    )
    checks = {
        key: Check(
            step=row["step"],
            minutes=row["minutes"],
            text=phrase(f"check.{key}", row["do"]),
            instrument=phrase(f"check.{key}.instrument", row["instrument"]),
            expect=phrase(f"check.{key}.expect", row["expect"]),
            if_so=phrase(f"check.{key}.if_so", row["if_so"]),
            if_not=phrase(f"check.{key}.if_not", row["if_not"]),
            hazards=tuple(row.get("hazards", ())),
            bring=MappingProxyType(row.get("bring", {})),
            logged=frozenset(row.get("logged", ())),
            values=MappingProxyType(row.get("values", {})),
        )
        for key, row in table["check"].items()
    }
    return MappingProxyType(checks), hazards, tools


CHECKS, HAZARDS, TOOLS = _read()

_SHEET = phrase("check.by-sheet", "the unit's own sheet")
_PRACTICE = phrase("check.by-practice", "common practice, no source: the service sheet goes before it")


_BY_WATER = dict.fromkeys(("fan-runs", "air-path", "condenser-air", "clean-condenser"), "water-regulator")


def fitting(keys: tuple[str, ...], unit: Unit, logged: Collection[str] = ()) -> tuple[str, ...]:
    """`keys` as this unit allows them and as its log leaves them open: what the roles in `logged` answer is not asked again, unless
    nothing else is to be done. A machine with a flammable refrigerant seldom has service ports, and its circuit is told by
    temperatures from outside, else by recovering and weighing (common practice, no source); one cooled by water has no fan, no air path and no
    fins to clean: its regulating valve stands for them."""
    if unit.cooling == "water":
        keys = tuple(dict.fromkeys(_BY_WATER.get(k, k) for k in keys))
    keys = tuple(k for k in keys if not CHECKS[k].logged or not CHECKS[k].logged <= set(logged)) or keys
    named = unit.nameplate.refrigerant
    if named is None or not is_flammable(named):
        return keys
    return tuple(dict.fromkeys(k for key in keys for k in _WITHOUT_PORTS.get(key, (key,))))


def step_of(key: str, unit: Unit, **values: float | str) -> Step:
    """The check `key` as a step for this unit. `values`: what the log says, in place of the table's. Raises KeyError."""
    check = CHECKS[key]
    sheet = _by_sheet(key, unit)
    known = {**check.values, **sheet, **values}
    named = unit.nameplate.refrigerant
    hazards = [h for h in check.hazards if h != "burns" or named is None or is_flammable(named)]
    return Step(
        check=key,
        text=check.text(**known),
        instrument=check.instrument(**known),
        expect=check.expect(**known),
        basis=_SHEET() if sheet else _PRACTICE(),
        if_so=check.if_so(**known),
        if_not=check.if_not(**known),
        cautions=tuple(HAZARDS[h]() for h in hazards),
        minutes=check.minutes,
        bring=tuple((TOOLS[tool](), count) for tool, count in check.bring.items()),
        licensed=check.step == "circuit",
        live=check.step == "live" or "live" in check.hazards,
    )


def _by_sheet(key: str, unit: Unit) -> dict[str, float]:
    """What the unit's own sheet says of the numbers of a check; {} where it says nothing."""
    expected = unit.expected
    if key == "watch-cycle" and expected.freeze_min is not None and expected.harvest_min is not None:
        return {
            "freeze_low_min": expected.freeze_min[0],
            "freeze_high_min": expected.freeze_min[1],
            "harvest_low_min": expected.harvest_min[0],
            "harvest_high_min": expected.harvest_min[1],
        }
    if key == "plate-temperature" and expected.freeze_end_c is not None:
        return {"low_c": expected.freeze_end_c[0], "high_c": expected.freeze_end_c[1]}
    if key == "discharge-temperature" and expected.discharge_c is not None:
        return {"high_c": expected.discharge_c}
    if key in ("condenser-air", "clean-condenser") and expected.split_k is not None:
        return {"high_k" if key == "condenser-air" else "most_k": expected.split_k}
    return {}
