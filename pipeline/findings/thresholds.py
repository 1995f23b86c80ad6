"""The thresholds in force for a unit: those of the table (`threshold_table.py`), with the limits of reading (`logs/limits.py`) and of the
cycles (`cycles/limits.py`).

Any of them can be overridden for a unit: `[thresholds]` in its `unit.toml`, by the names used there.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping
from types import MappingProxyType

from pipeline.cycles.limits import LIMITS as CYCLE_LIMITS
from pipeline.errors import UnitConfigError
from pipeline.findings.threshold_table import TABLE, Threshold
from pipeline.logs.limits import LIMITS as LOG_LIMITS
from pipeline.logs.limits import Limit, in_force
from pipeline.unit import Unit

_BY_NAME: Mapping[str, Threshold] = MappingProxyType({t.name: t for t in TABLE})
# What the rooms before this one decide by.
BEFORE: Mapping[str, Limit] = MappingProxyType({**LOG_LIMITS, **CYCLE_LIMITS})


class InForce(Mapping[str, float]):
    """The thresholds of one unit: name -> value, overrides applied. `rows` is what the page shows."""

    def __init__(self, overrides: Mapping[str, float]) -> None:
        self._values = {name: float(overrides.get(name, row.value)) for name, row in _BY_NAME.items()}
        self._overridden = frozenset(overrides)
        self._before = in_force(BEFORE, overrides)

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def rows(self) -> tuple[tuple[str, float, str, str], ...]:
        """(name, value in force, unit, source) of every threshold, those of the rooms before after this table's."""
        own = [(t.name, self[t.name], t.unit, t.source) for t in TABLE]
        before = [(name, self._before[name], x.unit, x.source) for name, x in BEFORE.items()]
        return tuple(
            (n, v, u, "unit.toml" if n in self._overridden else source) for n, v, u, source in (*own, *before)
        )


def resolve(unit: Unit) -> InForce:
    """The thresholds in force for `unit`.

    Raises UnitConfigError where `unit.thresholds` names one that is neither in this table nor among the limits of
    reading and of the cycles, with the nearest names, or gives it a value that it cannot have.
    """
    known = (*_BY_NAME, *BEFORE)
    for name, value in unit.thresholds.items():
        if name in known:
            _check(name, value, unit)
        else:
            near = difflib.get_close_matches(name, known, n=2, cutoff=0.5)
            meant = " or ".join(f'"{n}"' for n in near)
            raise UnitConfigError(
                f'"{name}" is not a threshold',
                file=f"{unit.name}/unit.toml",
                remedy=f"did you mean {meant}?"
                if meant
                else "the method section of the unit's page lists the thresholds",
            )
    return InForce(unit.thresholds)


_WHOLE = (
    "machines",
    "stops",
    "cycles",
    "harvests",
    "starts",
    "pairs",
    "runs",
)  # counts: nothing is proved by none


def _check(name: str, value: float, unit: Unit) -> None:
    row = _BY_NAME.get(name) or BEFORE[name]
    least = 1.0 if row.unit in _WHOLE else -math.inf if row.unit == "°C" or row.value < 0 else 0.0
    most = 1.0 if name.endswith(("_p", "_share")) else math.inf
    if math.isfinite(value) and least <= value <= most and (value > 0 or least < 0):
        return
    span = (
        f"from {least:g} to {most:g}" if most < math.inf else f"of {least:g} or more" if least else "above 0"
    )
    raise UnitConfigError(
        f'"{name}" cannot be {value:g}',
        file=f"{unit.name}/unit.toml",
        remedy=f"give a number {span if least > -math.inf else 'that is finite'}; left out, it is {row.value:g} {row.unit}".rstrip(),
    )
