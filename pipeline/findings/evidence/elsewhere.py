"""What is known of a machine from outside its log: its earlier visits, and its sisters."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

_GOOD = ("well", "note")  # verdicts of a machine that may stand as its own standard
_FIGURES = ("freeze_min", "harvest_min", "air_c", "water_c")


@dataclass(frozen=True, kw_only=True)
class Known:
    """The usual lengths of one machine at its conditions: an earlier visit of this unit, or a sister machine."""

    name: str  # the unit, or the day of the visit
    freeze_min: float
    harvest_min: float = math.nan
    air_c: float = math.nan
    water_c: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Elsewhere:
    """What is known from outside this log."""

    earlier: tuple[Known, ...] = ()  # visits of this unit that were judged good
    sisters: tuple[Known, ...] = ()  # machines of the same model, as the user labels them


def known_of(name: str, figures: Mapping[str, Any]) -> Known | None:
    """The usual lengths of a machine by the figures of a report (`freeze_min`, `harvest_min` [min], `air_c`, `water_c` [°C]; None: not
    known); None where its freezes are not known."""
    values = {k: math.nan if figures.get(k) is None else float(figures[k]) for k in _FIGURES}
    return Known(name=name, **values) if values["freeze_min"] > 0 else None


def elsewhere_of(
    past: Iterable[Mapping[str, Any]], sisters: tuple[Known, ...], *, start_ns: int
) -> Elsewhere:
    """What is known from outside a log that starts at `start_ns`: its unit's earlier reports, and its sisters.

    past: of each earlier report `log_end` (ISO 8601 with its offset), `level` and the figures. Of them those count that found
    nothing grave and whose log had ended before.
    """
    begins = datetime.fromtimestamp(start_ns / 1e9, UTC)
    known = (
        known_of(report["log_end"][:10], report)
        for report in past
        if report["level"] in _GOOD and datetime.fromisoformat(report["log_end"]) <= begins
    )
    return Elsewhere(earlier=tuple(k for k in known if k is not None), sisters=sisters)
