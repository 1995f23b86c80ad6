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
            what="least hole that is a gap, in the logger's intervals; it may miss two readings",
        ),
        "hole_min": Limit(
            value=2.0,
            unit="min",
            what="least hole that is a gap, in minutes: nothing that a machine does ends so soon unseen",
        ),
        "bridged_min": Limit(
            value=3.0, unit="min", what="longest hole in one channel that is drawn straight"
        ),
        "untimed_interval_s": Limit(
            value=150.0, unit="s", what="interval from which no harvest can be timed, whatever it lasts"
        ),
        "untimed_times": Limit(
            value=1.5,
            unit="×",
            what="interval from which a logger cannot time a harvest, in multiples of the usual one",
        ),
        # What a machine does
        "freeze_least_s": Limit(value=75.0, unit="s", what="shortest freeze: no water freezes in less"),
        "harvest_most_min": Limit(value=60.0, unit="min", what="longest harvest: what lasts longer is none"),
        "room_coldest_c": Limit(
            value=10.0, unit="°C", what="coldest room that a machine stands in: a colder line is being frozen"
        ),
        "room_swing_k": Limit(
            value=12.0, unit="K", what="most by which a line without ice on it swings over a day"
        ),
        # What no batch machine is
        "warmed_least_k_per_min": Limit(
            value=2.5,
            unit="K/min",
            what="slowest warming of a line by hot gas while a clamp shows the compressor running",
        ),
        "warmed_alone_k_per_min": Limit(
            value=2.3,
            unit="K/min",
            what="slowest warming of a line by hot gas where there is no clamp; faster where the line falls faster",
        ),
        "freezes_c": Limit(
            value=8.0, unit="°C", what="line temperature above which no ice forms, however loose its clip"
        ),
        "harvests_apart_min": Limit(
            value=180.0,
            unit="min",
            what="longest time between harvests that only a line shows: defrosts lie farther apart",
        ),
        "thermostat_turns": Limit(value=6, unit="runs", what="least runs for a log to repeat"),
        "thermostat_least_min": Limit(
            value=6.0,
            unit="min",
            what="least time from start to start of a thermostat: what is shorter trips",
        ),
        "one_speed_spread": Limit(
            value=0.5,
            unit="×",
            what="largest spread of the running current of a compressor of one speed, as a multiple of it",
        ),
        "standing_share_pct": Limit(
            value=75.0,
            unit="%",
            what="least share of the runs that end in a harvest, where the compressor stands in them: no plate is let go without",
        ),
        "standing_falls_pct": Limit(
            value=3.0,
            unit="%",
            what="least fall of the current over a run before such a harvest, by a clamp alone, as the plate gets cold",
        ),
        "sure_pct": Limit(
            value=55.0,
            unit="%",
            what="least share of the time that looks like harvest which is one for sure: with less, no batch machine is seen",
        ),
        # Runs that are cut short
        "trip_run_min": Limit(value=4.0, unit="min", what="length under which a run makes no ice"),
        "trip_run_pct": Limit(
            value=35.0, unit="%", what="share of the usual freeze under which a run makes no ice"
        ),
        "trip_run_most_min": Limit(
            value=10.0, unit="min", what="longest run that this share can call too short"
        ),
        "trip_off_min": Limit(
            value=20.0, unit="min", what="longest stop between such runs: a longer one is a rest"
        ),
        "trip_runs": Limit(value=2, unit="runs", what="least such runs in a row that are tripping"),
        # Starts
        "inrush_s": Limit(value=3.0, unit="s", what="longest time that a starting current lasts"),
        "inrush_seen_s": Limit(value=2.0, unit="s", what="slowest clamp that meets a starting current"),
        "inrush_times": Limit(
            value=1.15, unit="×", what="least starting current, in multiples of the running current"
        ),
        "failed_run_s": Limit(
            value=20.0, unit="s", what="longest hum of a motor that does not start before its protector opens"
        ),
        # Measures
        "pull_down_pct": Limit(
            value=25.0, unit="%", what="first part of a freeze, over which its first fall is taken"
        ),
        "rise_pct": Limit(value=50.0, unit="%", what="first part of a harvest, over which its rise is taken"),
        "rise_most_s": Limit(value=60.0, unit="s", what="longest time over which a harvest's rise is taken"),
        "top_late_s": Limit(
            value=60.0, unit="s", what="time after a harvest's end within which a clip shows how warm it got"
        ),
        "plateau_k": Limit(
            value=1.5, unit="K", what="distance from 0 °C within which a plate stays while its ice melts off"
        ),
    }
)


def limits_of(overrides: Mapping[str, float]) -> dict[str, float]:
    """name -> value in force of the numbers of this table."""
    return in_force(LIMITS, overrides)


USUAL = MappingProxyType(limits_of({}))
