"""The one table of thresholds: every number at which a rule changes its mind, with its unit and where it is from.

Any of them can be overridden for a unit: `[thresholds]` in its `unit.toml`, by the names used here.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from pipeline.errors import UnitConfigError
from pipeline.logs.limits import LIMITS
from pipeline.unit import Unit

PRACTICE = "common practice, no source"
MODIFIED_Z = "Iglewicz & Hoaglin's limit: NIST/SEMATECH e-Handbook 1.3.5.17"
RATING_POINT = "AHRI 810 rating point (from memory, to be confirmed)"


@dataclass(frozen=True, kw_only=True)
class Threshold:
    """One row of the table."""

    name: str
    value: float
    unit: str
    source: str
    what: str


def _row(name: str, value: float, unit: str, what: str, source: str = PRACTICE) -> Threshold:
    return Threshold(name=name, value=value, unit=unit, source=source, what=what)


# fmt: off
TABLE: tuple[Threshold, ...] = (
    # Lengths
    _row("outlier_z", 3.5, "", "modified z beyond which a length is out; raised with the number of cycles", MODIFIED_Z),
    _row("freeze_out_pct", 20.0, "%", "and by how much a freeze must differ to matter"),
    _row("harvest_out_pct", 50.0, "%", "and by how much a harvest must differ to matter"),
    _row("harvest_out_min", 0.5, "min", "least difference of a harvest that matters"),
    _row("run_out_pct", 12.0, "%", "least difference of eight freezes in a row that matters (run rule)"),
    _row("spread_floor_pct", 1.5, "%", "least spread of freeze lengths that is believed: no machine is steadier for long"),
    _row("own_cycles", 8, "cycles", "least cycles for a centre and a spread of the unit's own"),
    _row("band_cycles", 3, "cycles", "least cycles to be set beside the expected band"),
    _row("rare_pct", 1.0, "%", "share of cycles under which odd ones are noted, no more"),
    _row("lost_act_pct", 8.0, "%", "share of running time lost to long freezes at which to act"),
    _row("plate_out_pct", 30.0, "%", "how far a freeze may be from what nameplate and weighed slab ask for"),
    # Freezes that end on a timer
    _row("timer_cycles", 12, "cycles", "least freezes to tell a timer from a steady machine"),
    _row("timer_spread_s", 3.0, "s", "spread of freezes that a timer ends, sampling aside"),
    _row("timer_share_pct", 80.0, "%", "share of the freezes of a stretch that must bunch at one length"),
    _row("natural_spread_pct", 0.5, "%", "least spread of freezes that water level or temperature end, conditions aside"),
    _row("timer_match_pct", 3.0, "%", "how near the bunch must be to the timer's length in unit.toml"),
    _row("timer_excess", 1.4, "", "how many times more the freezes should vary than they do"),
    # Harvests
    _row("stall_peak_c", 3.0, "°C", "a harvest that stays below this never warmed the evaporator"),
    _row("stall_peak_share", 0.45, "", "… or that rises less than this share of the unit's own usual rise"),
    _row("stall_plateau_min", 2.0, "min", "time near 0 °C, beyond the usual, in which the slab does not let go"),
    _row("stall_times", 2.2, "×", "times the usual harvest at which one counts as stalled"),
    _row("stall_limit_min", 7.0, "min", "a harvest this long has run into a limit whatever the usual one is"),
    _row("repeat_freeze_share", 0.35, "", "a freeze shorter than this share of the usual one repeats a harvest"),
    _row("stall_act_cycles", 2, "cycles", "stalled harvests at which to act"),
    # Starts
    _row("start_off_min", 3.0, "min", "least off-time before a restart: the pressures must equalise"),
    _row("starts_per_hour", 8.0, "starts an hour", "most starts an hour (6 to 12 are named in the trade)"),
    _row("starts_needed", 3, "starts", "quick restarts that make a pattern"),
    _row("starts_act", 6, "starts", "quick restarts at which to act"),
    _row("overload_off_min", 1.5, "min", "an overload needs at least this long to cool down"),
    _row("overload_discharge_c", 95.0, "°C", "discharge line before a restart that points at an overload"),
    # No ice
    _row("no_ice_h", 4.0, "h", "running without a cycle that means no ice"),
    _row("runs_below_c", 10.0, "°C", "an evaporator colder than this, colder than rooms are, shows that the compressor runs"),
    # Heat rejection
    _row("condenser_split_k", 20.0, "K", "condenser out minus in, air-cooled, at which rejection is poor"),
    _row("condenser_rise_k", 5.0, "K", "rise of the condenser split within a log that matters"),
    _row("discharge_rise_k", 15.0, "K", "rise of the discharge line at the same air that does by itself"),
    _row("current_rise_pct", 10.0, "%", "rise of the freeze current at the same air that speaks for a higher head pressure"),
    _row("discharge_hot_c", 110.0, "°C", "discharge line that breaks down oil"),
    _row("condensing_over_air_k", 22.0, "K", "condensing temperature over the air it is given"),
    # Cold side
    _row("freeze_end_high_c", -2.0, "°C", "a freeze that ends warmer than this makes little ice"),
    _row("freeze_end_rise_k", 3.0, "K", "rise of the end-of-freeze temperature within a log that matters"),
    _row("superheat_high_k", 15.0, "K", "suction superheat at the end of freeze that starves the evaporator"),
    # Water
    _row("water_rated_c", 21.1, "°C", "supply water at which capacities are rated", RATING_POINT),
    _row("air_rated_c", 32.2, "°C", "air at which capacities are rated", RATING_POINT),
    _row("warm_water_c", 30.0, "°C", "supply water that takes a good part of the capacity"),
    _row("warm_water_watch_pct", 10.0, "%", "capacity lost to warm water at which to do something"),
    _row("water_rise_k", 6.0, "K", "rise of the supply water within a log that matters"),
    _row("unknown_air_c", 38.0, "°C", "air assumed for the expected band where none was logged: a hot kitchen"),
    _row("unknown_water_c", 28.0, "°C", "supply water assumed for the expected band where none was logged: summer"),
    _row("air_pct_per_k", 1.2, "%/K", "capacity lost for each kelvin of warmer air"),
    # Output and energy
    _row("output_low_pct", 20.0, "%", "how far under the expected output matters"),
    _row("output_act_pct", 40.0, "%", "how far under the expected output to act"),
    _row("slab_heat_share_low", 0.45, "", "least share of the cold produced that ends up as ice"),
    # Drift
    _row("drift_cycles", 40, "cycles", "least cycles to speak of drift"),
    _row("drift_days", 2.5, "days", "least length of log: shorter ones show the time of day"),
    _row("drift_pct", 12.0, "%", "change of a freeze over the log that matters"),
    _row("drift_k", 3.0, "K", "change of a temperature over the log that matters"),
    _row("drift_p", 0.001, "", "chance of such a trend in a steady machine"),
)
# fmt: on

_BY_NAME: Mapping[str, Threshold] = MappingProxyType({t.name: t for t in TABLE})


class InForce(Mapping[str, float]):
    """The thresholds of one unit: name -> value, overrides applied. `rows` is what the page shows."""

    def __init__(self, overrides: Mapping[str, float]) -> None:
        self._values = {name: float(overrides.get(name, row.value)) for name, row in _BY_NAME.items()}
        self._overridden = frozenset(overrides)
        self._reading = {name: float(value) for name, value in overrides.items() if name in LIMITS}

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def rows(self) -> tuple[tuple[str, float, str, str], ...]:
        """(name, value in force, unit, source) of every threshold, the reading room's after this table's."""
        own = [(t.name, self[t.name], t.unit, t.source) for t in TABLE]
        reading = [(name, self._reading.get(name, x.value), x.unit, x.source) for name, x in LIMITS.items()]
        overridden = self._overridden | set(self._reading)
        return tuple(
            (n, v, u, "unit.toml" if n in overridden else source) for n, v, u, source in (*own, *reading)
        )


def resolve(unit: Unit) -> InForce:
    """The thresholds in force for `unit`.

    Raises UnitConfigError where `unit.thresholds` names one that is neither in this table nor among the reading room's
    limits, with the nearest names.
    """
    known = (*_BY_NAME, *LIMITS)
    for name in unit.thresholds:
        if name not in known:
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
