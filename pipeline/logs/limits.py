"""The numbers at which the reader changes its mind, in one table.

Each can be overridden for a unit: `[thresholds]` in its `unit.toml`, by the names used here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

PRACTICE = "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One row of the table."""

    value: float
    unit: str
    what: str
    source: str = PRACTICE


LIMITS: Mapping[str, Limit] = MappingProxyType(
    {
        "probe_coldest_c": Limit(value=-60.0, unit="°C", what="a colder reading is an open or shorted probe"),
        "probe_hottest_c": Limit(value=170.0, unit="°C", what="a hotter reading is an open or shorted probe"),
        "clamp_below_zero_a": Limit(value=-0.5, unit="A", what="a current below this is no current"),
        "spike_k": Limit(
            value=6.0, unit="K", what="least jump there and back that counts as a spike, in kelvin"
        ),
        "spike_pct": Limit(
            value=30.0,
            unit="%",
            what="least jump there and back that counts as a spike, as a share of the channel's usual swing",
        ),
        "flat_min": Limit(
            value=25.0,
            unit="min",
            what="how long a trace must stand still, while others cycle, to be doubted",
        ),
        "loose_pct": Limit(
            value=35.0, unit="%", what="share of its own swing under which a probe follows no more"
        ),
        "loose_window_min": Limit(value=60.0, unit="min", what="least time over which a swing is judged"),
        "clamp_dead_a": Limit(
            value=0.3, unit="A", what="a clamp that never passes this while the machine cycles is dead"
        ),
        "clamp_dead_pct": Limit(
            value=12.0,
            unit="%",
            what="a clamp that never passes this share of its own running current is dead",
        ),
        "coarse_interval_s": Limit(value=90.0, unit="s", what="an interval that can't time a harvest"),
        "coarse_step_k": Limit(value=2.0, unit="K", what="a temperature step that hides a freeze's slope"),
        "gap_min": Limit(value=3.0, unit="min", what="least hole in a log that is told, in minutes"),
        "gap_intervals": Limit(
            value=5.0, unit="intervals", what="least hole in a log that is told, in the logger's intervals"
        ),
        "gap_silences": Limit(
            value=1.5,
            unit="silences",
            what="least hole that is told in the log of a logger that writes changes only, in its own longest silences",
        ),
        "offset_s": Limit(
            value=10.0, unit="s", what="least disagreement of two clocks that is told and corrected"
        ),
        "together_pct": Limit(
            value=35.0,
            unit="%",
            what="share of what two loggers show that must fall together at the best offset: with less they are of two machines",
        ),
    }
)


def in_force(limits: Mapping[str, Limit], overrides: Mapping[str, float]) -> dict[str, float]:
    """name -> value in force. Names that are not of `limits` are left alone: they are other rooms'."""
    return {name: float(overrides.get(name, limit.value)) for name, limit in limits.items()}


def limits_of(overrides: Mapping[str, float]) -> dict[str, float]:
    """name -> value in force of the numbers of this table."""
    return in_force(LIMITS, overrides)


USUAL: Mapping[str, float] = MappingProxyType(limits_of({}))
