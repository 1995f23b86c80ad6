"""What a machine can do and a logger can show: the numbers by which phases are called what they are, and measured.

Each can be overridden for a unit: `[thresholds]` in its `unit.toml`, by the names used here. How the change points, the
labels and the moments are estimated is no matter of a machine's: those constants stand at the heads of their modules.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from pipeline.logs.limits import Limit, in_force

LIMITS: Mapping[str, Limit] = MappingProxyType(
    {
        # What was logged
        "hole_intervals": Limit(
            value=3.5,
            unit="intervals",
            what="of the logger: a longer hole is a gap; it may miss two readings",
        ),
        "hole_min": Limit(
            value=2.0,
            unit="min",
            what="and its least length: nothing that a machine does ends so soon unseen",
        ),
        "bridged_min": Limit(value=3.0, unit="min", what="hole in one channel that is drawn straight"),
        "absent_min": Limit(value=60.0, unit="min", what="a probe that is gone for longer is done without"),
        "untimed_interval_s": Limit(
            value=150.0, unit="s", what="interval from which no harvest can be timed, whatever it lasts"
        ),
        "untimed_times": Limit(
            value=1.5, unit="×", what="the usual harvest: nor can it by a logger whose interval is longer"
        ),
        # What a machine does
        "freeze_least_s": Limit(value=75.0, unit="s", what="no water freezes in less"),
        "harvest_least_s": Limit(value=20.0, unit="s", what="no slab lets go in less"),
        "harvest_most_min": Limit(value=60.0, unit="min", what="what lasts longer is no harvest"),
        "room_coldest_c": Limit(
            value=10.0, unit="°C", what="no machine stands in a colder room: a colder line is being frozen"
        ),
        "room_swing_k": Limit(
            value=12.0, unit="K", what="a line without ice on it swings by less over a day"
        ),
        # What no batch machine is
        "warmed_least_k_per_min": Limit(
            value=2.5,
            unit="K/min",
            what="at which hot gas warms a line at least, while a clamp shows the compressor running …",
        ),
        "warmed_alone_k_per_min": Limit(
            value=2.3,
            unit="K/min",
            what="… and where there is no clamp; faster still where it falls faster …",
        ),
        "warmed_standing_k_per_min": Limit(
            value=4.0,
            unit="K/min",
            what="… or where a clamp shows the compressor standing: a heater, or warm water",
        ),
        "freezes_c": Limit(
            value=8.0, unit="°C", what="no ice forms on a line that stays warmer, however loose its clip"
        ),
        "harvests_apart_min": Limit(
            value=180.0, unit="min", what="between which only a line shows them: defrosts lie farther apart"
        ),
        "thermostat_turns": Limit(value=6, unit="runs", what="from so many on, a log repeats"),
        "thermostat_least_min": Limit(
            value=6.0,
            unit="min",
            what="from start to start: a thermostat waits longer, what is shorter trips",
        ),
        "one_speed_spread": Limit(
            value=0.5, unit="×", what="the running current: what varies by more is no compressor of one speed"
        ),
        # By a clamp alone: stops that are harvests without hot gas, and no thermostat's
        "standing_run_min": Limit(value=7.0, unit="min", what="runs: no plate full of ice freezes in less"),
        "standing_stop_min": Limit(value=7.0, unit="min", what="and stands between them for no longer …"),
        "standing_part_pct": Limit(value=45.0, unit="%", what="… nor for more than this part of a run …"),
        "standing_alike_pct": Limit(
            value=8.0, unit="%", what="… each alike, with a standard deviation of this …"
        ),
        "standing_falls_pct": Limit(
            value=3.0, unit="%", what="… while its current falls over each run as the plate gets cold"
        ),
        # Runs that are cut short
        "trip_run_min": Limit(value=4.0, unit="min", what="a run so short makes no ice …"),
        "trip_run_pct": Limit(
            value=35.0, unit="%", what="… nor does one under this part of the usual freeze …"
        ),
        "trip_run_most_min": Limit(value=10.0, unit="min", what="… if it is no longer than this"),
        "trip_off_min": Limit(
            value=20.0, unit="min", what="longest stop between such runs: a longer one is a rest"
        ),
        "trip_runs": Limit(value=2, unit="runs", what="so short in a row: it trips …"),
        "trip_runs_blind": Limit(value=3, unit="runs", what="… and where no clamp shows the stops"),
        # Starts
        "inrush_s": Limit(value=3.0, unit="s", what="within which a starting current is over"),
        "inrush_seen_s": Limit(value=2.0, unit="s", what="slowest clamp that meets a starting current"),
        "inrush_times": Limit(value=1.15, unit="×", what="the running current: a starting one is higher"),
        "failed_run_s": Limit(
            value=20.0, unit="s", what="longest hum of a motor that does not start before its protector opens"
        ),
        # Measures
        "pull_down_pct": Limit(
            value=25.0, unit="%", what="first part of a freeze, over which it is pulled down"
        ),
        "rise_pct": Limit(
            value=50.0, unit="%", what="first part of a harvest, over which its rise is taken …"
        ),
        "rise_most_s": Limit(value=60.0, unit="s", what="… and no more than this"),
        "top_late_s": Limit(
            value=60.0, unit="s", what="after a harvest's end, within which a clip shows how warm it got"
        ),
        "plateau_k": Limit(value=1.5, unit="K", what="so near 0 °C a plate stays while its ice melts off"),
    }
)


def limits_of(overrides: Mapping[str, float]) -> dict[str, float]:
    """name -> value in force of the numbers of this table."""
    return in_force(LIMITS, overrides)


USUAL = MappingProxyType(limits_of({}))
