"""The one table of thresholds: every number at which a rule changes its mind, with its unit and where it is from. To it belong
the limits of reading (`logs/limits.py`) and of the cycles (`cycles/limits.py`).

Any of them can be overridden for a unit: `[thresholds]` in its `unit.toml`, by the names used here.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from pipeline.cycles.limits import LIMITS as CYCLE_LIMITS
from pipeline.errors import UnitConfigError
from pipeline.logs.limits import LIMITS as LOG_LIMITS
from pipeline.logs.limits import Limit, in_force
from pipeline.unit import Unit

PRACTICE = "common practice, no source"
MODIFIED_Z = "usual limit of the modified z-score: NIST/SEMATECH e-Handbook 1.3.5.17"
RUN_RULE = (
    "eight in a row on one side of the centre: NIST/SEMATECH e-Handbook 6.3.2 (from memory, to be confirmed)"
)
NEMA_VOLTAGE = "NEMA MG 1, 12.44: motors run at rated voltage ± 10 % (from memory, to be confirmed)"
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
    _row("harvest_out_min", 1.0, "min", "least difference of a harvest that matters"),
    _row("run_out_pct", 12.0, "%", "least difference of eight freezes in a row that matters (run rule)"),
    _row("run_cycles", 8, "cycles", "freezes of a run that its smaller limit may judge", RUN_RULE),
    _row("run_z", 2.5, "", "and how far out its middle must be, by modified z"),
    _row("spread_floor_pct", 1.5, "%", "least spread of freeze lengths that counts: no machine is steadier for long"),
    _row("own_cycles", 8, "cycles", "least cycles for a centre and a spread of the unit's own"),
    _row("level_cycles", 6, "cycles", "least cycles of a level that may serve as the standard"),
    _row("band_cycles", 3, "cycles", "least cycles to be set beside the expected band"),
    _row("rare_pct", 1.0, "%", "share of cycles under which odd ones are noted, no more"),
    _row("single_sure_pct", 95.0, "%", "confidence that a single odd cycle must have to be more than a note"),
    _row("single_far_pct", 30.0, "%", "by which a single freeze must be out to be looked at however many there are …"),
    _row("single_far_z", 8.0, "", "… and by how many sigmas of the others"),
    _row("weather_most_pct", 35.0, "%", "lasting change of the freezes that another room may make, where the air was not logged: no reason to act"),
    _row("pull_down_long_pct", 45.0, "%", "by which a freeze after a rest must exceed the others after one"),
    _row("levels_least", 4, "cycles", "least freezes of a second level that comes and goes"),
    _row("levels_apart", 5.0, "", "by how many of their scatters two levels must differ"),
    _row("levels_most_pct", 40.0, "%", "of the freezes at most at the second level: else nobody can tell which is the usual one"),
    _row("lost_act_pct", 8.0, "%", "share of running time lost to long freezes at which to act"),
    _row("short_act_pct", 30.0, "%", "share of short freezes at which to act"),
    _row("plate_out_pct", 30.0, "%", "how far a freeze may be from what nameplate and weighed slab ask for"),
    _row("sheet_out_pct", 12.0, "%", "how far a freeze may be from the service sheet's"),
    _row("earlier_out_pct", 15.0, "%", "how far a freeze may be from what it was at earlier visits, at the same air and water"),
    _row("sister_out_pct", 10.0, "%", "how far a freeze may be from those of sister machines, at the same air and water"),
    _row("unlike_pct", 15.0, "%", "on top where the air of one of the visits is not known"),
    _row("sister_z", 3.0, "", "or so many times the scatter of the sister machines themselves"),
    _row("sister_harvest_pct", 40.0, "%", "how far a harvest may be from those of sister machines"),
    _row("sisters_least", 3, "machines", "of one model, besides the unit itself, to hold it against"),
    _row("sisters_most", 40, "machines", "of one model that a unit is held against: more tell no more"),
    _row("sisters_moved_pct", 2.0, "%", "by which the usual freeze of the sister machines must move for a unit to be judged anew"),
    _row("slab_low_min", 20.0, "min", "shortest freeze of the small slab machine of the trade …"),
    _row("slab_high_min", 25.0, "min", "… and longest"),
    _row("slab_tolerance_pct", 10.0, "%", "beyond which it is out"),
    _row("slab_unknown_pct", 5.0, "%", "the same where the air is not known, on top"),
    _row("slab_short_pct", 25.0, "%", "below which it is out"),
    _row("slab_harvest_low_min", 1.5, "min", "shortest harvest of the small slab machine …"),
    _row("slab_harvest_high_min", 4.0, "min", "… and longest"),
    _row("slab_harvest_tolerance_pct", 25.0, "%", "beyond which it is out"),
    _row("band_sigma_pct", 25.0, "%", "how well the band of a kind is known, one sigma"),
    _row("band_sure_pct", 97.0, "%", "confidence that a band alone can give at the most"),
    _row("band_air_c", 24.0, "°C", "air for which the bands of the kinds are meant"),
    _row("band_water_c", 16.0, "°C", "supply water for which the bands of the kinds are meant"),
    # Freezes that end on a timer
    _row("timer_cycles", 12, "cycles", "least freezes to tell a timer from a steady machine"),
    _row("timer_spread_s", 3.0, "s", "spread of freezes that a timer ends, sampling aside"),
    _row("timer_near", 2.5, "×", "of that spread and the sampling's together: so near do freezes lie that bunch"),
    _row("timer_share_pct", 80.0, "%", "share of the freezes of a stretch that must bunch at one length"),
    _row("timer_added_pct", 50.0, "%", "of the freezes added to such a stretch that must bunch as exactly"),
    _row("natural_spread_pct", 0.5, "%", "least spread of freezes that water level or temperature end, conditions aside"),
    _row("timer_match_pct", 3.0, "%", "how near the bunch must be to the timer's length in unit.toml"),
    _row("timer_sooner_pct", 5.0, "%", "by which the freezes beside a bunch must have ended sooner: what the weather bunches leads up to it"),
    _row("timer_excess", 1.4, "", "how many times more the freezes should vary than they do"),
    _row("timer_nature_excess", 2.52, "", "the same where nothing shows that conditions vary: regularity alone speaks"),
    _row("timer_p", 0.00135, "", "chance that a machine is so regular by luck over a whole log (three sigma)"),
    _row("timer_part_p", 3.4e-6, "", "the same for a stretch that was picked out of a log (four and a half sigma)"),
    _row("timer_whole_pct", 80.0, "%", "share of all freezes from which a stretch is the whole log"),
    _row("timer_pct_per_k", 1.0, "%/K", "by which a kelvin of air or water lengthens a freeze at the least"),
    _row("timer_varied_times", 2.0, "×", "the spread of the freezes: so much must harvests, or other freezes, vary to show varied conditions"),
    _row("timer_harvests_pct", 1.5, "%", "and at least so much of their own length must harvests vary"),
    _row("timer_told_times", 2.0, "×", "the spread of a timer: so much may freezes vary that bunch at the timer's length in unit.toml"),
    _row("timer_alike_times", 1.2, "×", "the same for freezes that look like a timer's, though nothing proves it"),
    _row("timer_like_times", 1.5, "×", "the same for freezes that are too regular for the conditions: what varies more ends by nature"),
    _row("timer_follow_pct", 30.0, "%", "of what air and water ask for: freezes that follow them so far end by nature"),
    _row("timer_others", 20, "cycles", "least other freezes of the unit whose spread can stand for its nature"),
    _row("timer_others_h", 12.0, "h", "least time that they cover"),
    _row("timer_own_pct", 50.0, "%", "part of that spread that is taken for nature's"),
    _row("timer_own_most_pct", 2.0, "%", "and no more than this: freezes that vary more have another fault"),
    # Harvests
    _row("stall_peak_c", 3.0, "°C", "a harvest that stays below this never warmed the evaporator"),
    _row("stall_peak_share", 0.45, "", "… or that rises less than this share of the unit's own usual rise"),
    _row("stall_frozen_c", 0.0, "°C", "a stalled harvest that stays below this never warmed either: ice melts at 0 °C"),
    _row("peak_intervals", 5.0, "intervals", "of the logger that a harvest must last for its peak to be seen"),
    _row("peak_loss_k", 3.0, "K", "least by which a peak falls short of the usual one …"),
    _row("peak_loss_pct", 25.0, "%", "… and least share of the usual one [°C]"),
    _row("given_up_pct", 120.0, "%", "of the usual freeze: one that goes on so long and then stops had a harvest that never warmed …"),
    _row("given_up_warm_pct", 30.0, "%", "… if it stayed so cold, as a part of the usual rise"),
    _row("given_up_colder_k", 3.0, "K", "… and became by so much colder than a usual freeze ends: pump and fan stand"),
    _row("given_up_rest_min", 15.0, "min", "… and the control then rests at least so long"),
    _row("stall_least_pct", 85.0, "%", "of the usual harvest: what stays cold and ends sooner was no harvest"),
    _row("stall_times", 2.2, "×", "times the usual harvest at which one counts as stalled"),
    _row("stall_limit_min", 7.0, "min", "a harvest this long has run into a limit whatever the usual one is"),
    _row("limit_harvests", 3, "harvests", "that ran into a limit, at least, before one acts by a current alone …"),
    _row("limit_blind_pct", 3.0, "%", "… and least share of the cycles"),
    _row("repeat_freeze_share", 0.35, "", "a freeze shorter than this share of the usual one repeats a harvest"),
    _row("repeat_after_long_share", 0.49, "", "the same where the harvest before ran long"),
    _row("ran_long_pct", 150.0, "%", "of the usual harvest: from here on one ran long"),
    _row("whole_harvest_pct", 70.0, "%", "of the usual harvest: two in a row that last so long make a repeat"),
    _row("repeats_most_pct", 34.0, "%", "share of cycles from which repeats are the machine's own way"),
    _row("left_short_pct", 85.0, "%", "of the usual freeze round it: a shorter one after an unusual harvest grew onto ice that was left"),
    _row("left_grown_pct", 120.0, "%", "of the usual freeze, with the freeze before it: less is one freeze that a stop cut in two"),
    _row("left_excess_times", 1.3, "×", "what the harvest had too much: so much must such a freeze lack, else a boundary is out of place"),
    _row("left_alone_cycles", 2, "cycles", "least short freezes that show stalls by themselves, where no probe shows the harvests …"),
    _row("left_alone_pct", 75.0, "%", "… and part of them that must stand alone: sensing that acts early does so in a row"),
    _row("stall_act_cycles", 2, "cycles", "stalled harvests at which to act"),
    _row("harvest_level_pct", 25.0, "%", "lasting change of the harvests after which the earlier ones are the usual"),
    _row("harvest_spread_pct", 4.0, "%", "least spread of harvest lengths that counts"),
    # Starts
    _row("start_off_min", 3.0, "min", "least off-time before a restart: the pressures must equalise"),
    _row("starts_per_hour", 8.0, "starts an hour", "most starts an hour (6 to 12 are named in the trade)"),
    _row("short_run_min", 5.0, "min", "run so short, again and again, that a protection ended it and no control"),
    _row("starts_needed", 3, "starts", "quick restarts that make a pattern"),
    _row("starts_act", 6, "starts", "quick restarts at which to act"),
    _row("tripping_act_h", 1.0, "h", "time spent tripping at which to act, where the starts were not seen one by one"),
    _row("stop_seen_min", 0.5, "min", "shortest stop that a probe shows"),
    _row("failed_start_s", 5.0, "s", "slowest clamp that shows failed starts: they hum for 3 to 20 s"),
    _row("start_least_pct", 30.0, "%", "of the freeze current: what draws less for a while is another load on the clamp"),
    _row("chatter_run_min", 0.3, "min", "contacts that chatter let it run for less than this …"),
    _row("chatter_off_min", 0.5, "min", "… and stop it for less than this"),
    _row("low_pressure_run_min", 1.0, "min", "a low-pressure switch opens within this …"),
    _row("low_pressure_off_min", 4.0, "min", "… and closes again within this, as the pressures equalise"),
    _row("low_pressure_draw_pct", 10.0, "%", "or opens sooner than an overload, on a motor that draws so much less than in freezes"),
    _row("overload_run_min", 1.8, "min", "a hot motor's overload opens within this, unless it draws …"),
    _row("overload_draw_pct", 20.0, "%", "… so much more than in freezes"),
    _row("overload_off_min", 1.5, "min", "an overload needs at least this long to cool down"),
    _row("overload_off_times", 1.6, "×", "the run before it: so long, too, an overload needs to cool down"),
    _row("overload_discharge_c", 95.0, "°C", "discharge line before a restart that points at an overload"),
    # Stops
    _row("stopped_h", 12.0, "h", "stop that no full bin makes overnight …"),
    _row("stopped_mid_h", 4.0, "h", "… or that came in mid-freeze, where the unit otherwise rests after harvests …"),
    _row("stopped_times", 2.5, "×", "… and so many times the unit's longest rest otherwise"),
    _row("stopped_act_times", 5.0, "×", "its longest rest otherwise: a stop so long that lasts to the log's end"),
    _row("runs_on_pct", 5.0, "%", "of the freeze current, over that of other rests: a fan or pump runs on through a stop, and no bin is full"),
    _row("stop_bridge_min", 30.0, "min", "longest gap or unclear stretch within one stop"),
    _row("stood_times", 2.5, "×", "the usual freeze: a longer one in which the line was warm was a stop"),
    _row("broken_off_min", 15.0, "min", "longest stop in mid-freeze that a protection makes; a full bin lasts longer"),
    _row("broken_brief_pct", 60.0, "%", "of the stops in mid-freeze that must be so short: else the unit rests at any moment"),
    _row("broken_stops", 2, "stops", "in mid-freeze at which to look; a single one is a note"),
    _row("broken_act_pct", 15.0, "%", "of the freezes that stops break at which to act"),
    _row("hours_days", 1.5, "days", "least log that shows that something keeps to hours of the day"),
    _row("hours_share_pct", 80.0, "%", "of the events that must lie in one part of the day"),
    # Visits
    _row("visit_stop_min", 5.0, "min", "shortest stop in which somebody worked on the machine"),
    _row("visit_near_h", 3.0, "h", "how far from the time in unit.toml it may lie"),
    _row("visit_changed_pct", 4.0, "%", "change of the freezes over a visit that is told as one"),
    _row("visit_p", 0.001, "", "chance of such a change by luck (by ranks before and after)"),
    _row("visit_beside_cycles", 2, "cycles", "from a stop within which another level must begin to be its doing"),
    # The suction line's swing
    _row("hunting_k", 3.0, "K", "swing of the line in freeze, trough to crest, at which the metering hunts"),
    _row("hunting_waves", 3.0, "waves", "least number of waves in a freeze"),
    _row("hunting_cycles", 6, "cycles", "least freezes that swing"),
    _row("hunting_times", 2.0, "×", "the swing of the unit's other freezes"),
    _row("hunting_slowest_s", 45.0, "s", "slowest logger that shows waves of some minutes"),
    # Supply
    _row("voltage_out_pct", 10.0, "%", "how far the voltage may be from the nameplate's", NEMA_VOLTAGE),
    _row("voltage_act_pct", 13.0, "%", "how far from it to act"),
    _row("voltage_share_pct", 3.0, "%", "of the time in which it must be out"),
    _row("voltage_live_pct", 40.0, "%", "of the nameplate's: under this the mains are off, not low"),
    _row("room_high_c", 38.0, "°C", "warmest air that such machines are made for"),
    _row("room_low_c", 7.0, "°C", "coldest air that such machines are made for"),
    _row("sheet_current_pct", 20.0, "%", "how far the running current may be from the service sheet's"),
    # Parts with a clamp of their own
    _row("part_on_pct", 25.0, "%", "of its usual draw at which a part runs"),
    _row("part_least_a", 0.05, "A", "usual draw: less is what a clamp reads of nothing"),
    _row("part_cycles", 4, "cycles", "in a row in which a part must not have run"),
    # No ice
    _row("no_ice_h", 4.0, "h", "running without a cycle that means no ice"),
    _row("endless_times", 6.0, "×", "the usual freeze: from here on one has no end …"),
    _row("endless_band_pct", 120.0, "%", "… if it is also longer than this share of its kind's longest"),
    _row("no_water_c", -22.0, "°C", "a line so cold without end shows a dry plate"),
    _row("gas_open_c", 0.0, "°C", "a line so warm without end shows hot gas that never shuts, or next to no charge"),
    _row("runs_below_c", 10.0, "°C", "an evaporator colder than this, colder than rooms are, shows that the compressor runs"),
    _row("idle_peak_k", 3.0, "K", "below a usual harvest's peak: a span as warm as this was an idle"),
    _row("cycling_swing_k", 8.0, "K", "a line that swings so far …"),
    _row("cycling_draw_pct", 6.0, "%", "… or a current that swings by so much of itself …"),
    _row("cycling_turn_h", 2.0, "h", "… and turns at least once in this, cycles, though its cycles could not be read"),
    # Heat rejection
    _row("condenser_split_k", 20.0, "K", "condenser out minus in, air-cooled, at which rejection is poor"),
    _row("condenser_rise_k", 5.0, "K", "rise of the condenser air rise within a log that matters"),
    _row("discharge_rise_k", 15.0, "K", "rise of the discharge line at the same air that does by itself"),
    _row("current_rise_pct", 10.0, "%", "rise of the freeze current at the same air that speaks for a higher head pressure"),
    _row("sign_least_pct", 35.0, "%", "part of these at which a measure counts as a second sign"),
    _row("sign_most_pct", 150.0, "%", "part of these that a single sign counts for at the most"),
    _row("hot_act_pct", 15.0, "%", "longer freezes at which to act on poor heat rejection"),
    _row("over_pct", 15.0, "%", "of the log's cycles at its end without it: it is over"),
    _row("discharge_hot_c", 110.0, "°C", "discharge line that breaks down oil"),
    _row("discharge_watch_c", 95.0, "°C", "discharge line that is hot for any machine of this kind …"),
    _row("discharge_watch_cycles", 6, "cycles", "least cycles in which it is so hot"),
    _row("discharge_over_air_k", 65.0, "K", "… if it is also so far above the air, where that is known"),
    _row("condensing_over_air_k", 22.0, "K", "condensing temperature over the air it is given"),
    _row("clip_sigma_k", 2.0, "K", "how far the level of a clipped probe is off, one sigma"),
    _row("split_k_per_k_sd", 0.15, "K/K", "by which a kelvin of air moves the condenser air rise, one sigma round nothing"),
    _row("discharge_k_per_k", 1.2, "K/K", "by which a kelvin of air warms the discharge line …"),
    _row("discharge_k_per_k_sd", 0.5, "K/K", "… give or take, one sigma"),
    _row("current_pct_per_k", 0.8, "%/K", "by which a kelvin of air raises the current …"),
    _row("current_pct_per_k_sd", 0.8, "%/K", "… give or take, one sigma"),
    # Cold side
    _row("freeze_end_high_c", -1.0, "°C", "a freeze that ends warmer than this makes hardly any ice: it melts at 0 °C"),
    _row("slab_end_high_c", -6.0, "°C", "the same for the small slab machine, whose plate ends far colder"),
    _row("freeze_end_rise_k", 3.0, "K", "rise of the end-of-freeze temperature within a log that matters"),
    _row("freeze_end_k_per_k", 0.1, "K/K", "by which a kelvin of air warms the end of freeze …"),
    _row("freeze_end_k_per_k_sd", 0.15, "K/K", "… give or take, one sigma"),
    _row("weak_act_pct", 10.0, "%", "longer freezes at which to act on a warmer evaporator"),
    _row("ended_early_pct", 7.0, "%", "shorter freezes that may end warm only because they end early …"),
    _row("ended_early_k", 1.8, "K", "… if as far into the freeze they are no warmer than this"),
    _row("pulled_peak_c", 14.0, "°C", "a plate that lets its ice go is hardly warmer: the probe reads the room as well"),
    _row("weak_slow_min", 35.0, "min", "freezes so long that end so warm are more than the clip's doing"),
    _row("superheat_high_k", 15.0, "K", "suction superheat over the last third of the freeze that starves the evaporator"),
    # Water
    _row("water_rated_c", 21.1, "°C", "supply water at which capacities are rated", RATING_POINT),
    _row("air_rated_c", 32.2, "°C", "air at which capacities are rated", RATING_POINT),
    _row("water_small_c", 10.0, "°C", "supply water for which plates of small machines often hold, taken where a plate does not say and that asks for less …"),
    _row("air_small_c", 21.0, "°C", "… and the air"),
    _row("warm_water_c", 30.0, "°C", "supply water that takes a good part of the capacity"),
    _row("warm_water_watch_pct", 10.0, "%", "capacity lost to warm water at which to do something"),
    _row("warm_share_pct", 20.0, "%", "share of cycles that must have warm water"),
    _row("water_rise_k", 6.0, "K", "rise of the supply water within a log that matters"),
    _row("water_k_per_k", 0.1, "K/K", "by which a kelvin of air warms the supply water …"),
    _row("water_k_per_k_sd", 0.2, "K/K", "… give or take, one sigma"),
    _row("unknown_air_c", 38.0, "°C", "air assumed for the expected band where none was logged: a hot kitchen"),
    _row("unknown_water_c", 28.0, "°C", "supply water assumed for the expected band where none was logged: summer"),
    _row("air_pct_per_k", 1.2, "%/K", "capacity lost for each kelvin of warmer air"),
    _row("air_pct_per_k_sd", 0.8, "%/K", "give or take, one sigma: a log that shows more moves it so far"),
    _row("air_pct_per_k_most", 4.0, "%/K", "and no further than this"),
    _row("water_pct_per_k_sd", 0.4, "%/K", "how far the cost of a kelvin of water may be from what its heat alone asks, one sigma"),
    _row("water_most_times", 1.15, "×", "what its heat alone asks: no more counts"),
    _row("day_swing_pct", 4.0, "%", "swing of freezes over a day, one sigma, where no air was logged …"),
    _row("day_swing_k", 3.0, "K", "… and of temperatures"),
    _row("day_swing_days", 3.0, "days", "least length of log that shows the swing over a day"),
    # Output and energy
    _row("output_low_pct", 20.0, "%", "how far under the expected output matters"),
    _row("output_act_pct", 40.0, "%", "how far under the expected output to act"),
    _row("slab_heat_share_low", 0.45, "", "least share of the cold produced that ends up as ice"),
    _row("plate_tolerance_pct", 10.0, "%", "how far a machine may beat its nameplate"),
    _row("slab_sigma_pct", 3.0, "%", "by which slabs of one machine differ, one sigma"),
    _row("slab_odd_pct", 10.0, "%", "by which a slab must differ from the usual one to be called probably thin or thick"),
    _row("plate_sigma_pct", 8.0, "%", "how well a nameplate can be carried to other conditions, one sigma; twice that with the air unknown"),
    _row("limit_near_k", 4.0, "K", "of its rating point within which the published limit of energy is shown"),
    _row("demand_rest_h", 1.0, "h", "of rest after harvests that shows that demand was met"),
    # Drift
    _row("drift_cycles", 40, "cycles", "least cycles to speak of drift"),
    _row("drift_days", 2.5, "days", "least length of log: shorter ones show the time of day"),
    _row("drift_pct", 12.0, "%", "change of a freeze over the log that matters"),
    _row("drift_k", 3.0, "K", "change of a temperature over the log that matters"),
    _row("drift_harvest_pct", 20.0, "%", "change of a harvest over the log that matters"),
    _row("drift_peak_k", 4.0, "K", "change of the warmest of a harvest over the log that matters"),
    _row("drift_discharge_k", 12.0, "K", "change of the discharge line at the same air that matters"),
    _row("drift_rate_pct", 40.0, "%", "change of a rate, or of the harvest's current, that matters"),
    _row("drift_supply_pct", 4.0, "%", "change of the supply's voltage that matters"),
    _row("drift_rest_min", 15.0, "min", "change of the rest before a freeze that matters"),
    _row("drift_starts_per_day", 12.0, "starts a day", "change of the compressor's starts that matters"),
    _row("drift_swing_pct", 30.0, "%", "change of the line's swing from freeze to harvest that matters"),
    _row("slip_unmoved_pct", 10.0, "%", "by which freezes and harvests may change where only the clip's seat did"),
    _row("harvest_pct_per_k", -1.0, "%/K", "by which a kelvin of air shortens a harvest: more hot gas …"),
    _row("harvest_pct_per_k_sd", 1.0, "%/K", "… give or take, one sigma"),
    _row("drift_p", 0.001, "", "chance of such a trend in a steady machine"),
    _row("change_cycles", 16, "cycles", "least cycles that can carry a lasting change with its date"),
    _row("step_p", 0.001, "", "chance of such a step in a steady machine (by ranks, at the likeliest moment)"),
    _row("change_explained_pct", 40.0, "%", "share of the squares that a lasting change must take away"),
    _row("change_plain_pct", 75.0, "%", "share from which a ramp needs no test"),
    _row("drift_better_pct", 97.0, "%", "of the squares that a step leaves: a ramp must leave less"),
    _row("ramp_least_days", 0.5, "days", "for so long at least must a change go on to have come little by little"),
    _row("drift_better_visit_pct", 70.0, "%", "the same where the step falls on a visit"),
    _row("drift_first_pct", 25.0, "%", "first part of a log that drifts from its start: its standard"),
    _row("change_sharp_pct", 87.0, "%", "share that a step explains and no swing over a day does (a sine: 81 %)"),
    _row("short_log_times", 1.5, "×", "what would matter: so large must a change be in a log too short to tell it from the time of day"),
    _row("short_ramp_days", 1.25, "days", "least log that shows a ramp: over that a swing over the day turns back"),
    _row("levels_stay", 5.0, "cycles", "at a level on the whole before it changes: else the cycles differ by nature"),
    _row("levels_rare_stay", 2.0, "cycles", "and at the rarer one: else it is single odd readings"),
    # Where the record itself is in doubt
    _row("scrap_pct", 10.0, "%", "of the usual freeze: shorter ones are none"),
    _row("adds_up_pct", 8.0, "%", "of the usual freeze: how near lengths must be to add up to it"),
    _row("split_short_pct", 85.0, "%", "of the usual freeze: two shorter ones that add up to it may be one"),
    _row("spell_freeze_pct", 35.0, "%", "of the usual freeze: several in a row that are shorter are a compressor that stops and starts"),
    _row("spell_blind", 2, "freezes", "so short in a row, where no clamp shows stops and the log has longer rows"),
    _row("splits_few", 2, "pairs", "most such pairs that are the record's fault, where nothing speaks against their harvest …"),
    _row("splits_few_pct", 2.0, "%", "… or most of the cycles"),
    _row("harvest_never_min", 20.0, "min", "no control lets a harvest run so long"),
    _row("misplaced_harvest_pct", 200.0, "%", "of the usual harvest: a longer one beside …"),
    _row("misplaced_freeze_pct", 90.0, "%", "… a freeze under this share of the usual one, adding up: a boundary is out of place"),
    _row("taken_pct", 55.0, "%", "of what harvests have too much, missing in the freezes beside them: a boundary is out of place"),
    _row("taken_most_pct", 200.0, "%", "and where far more is missing than that, ice was left on the plate instead"),
    _row("harvest_out_intervals", 3.0, "intervals", "of the logger: by less harvests cannot be told apart"),
    _row("seen_intervals", 2.0, "intervals", "of the logger: what is shorter was hardly seen"),
    _row("no_harvest_pct", 30.0, "%", "of the usual harvest: no slab releases so soon"),
    _row("cut_rise_pct", 60.0, "%", "of the usual rise: a short harvest that rises less was hardly one"),
    _row("sewn_pct", 290.0, "%", "of the usual freeze: without a probe, a longer one may be several with their harvests missed"),
    _row("hump_from_pct", 160.0, "%", "of the usual freeze: a longer one is searched for a harvest or an idle in it"),
    _row("hump_k", 1.2, "K", "least rise within a freeze that is no noise …"),
    _row("hump_noise", 8.0, "×", "… also in multiples of the noise from reading to reading …"),
    _row("hump_uneven", 2.0, "×", "… and of what usual freezes rise by"),
    _row("leaves_pct", 10.0, "%", "of a current's range in usual freezes: so far beyond that it leaves it"),
    _row("hump_min", 12.0, "min", "a harvest that does not warm is over, or given up, by then"),
    _row("hump_begins_pct", 60.0, "%", "of the usual rise above the end of freeze: it begins colder"),
    _row("hump_falls_pct", 50.0, "%", "part of its rise that it must lose again"),
    _row("whole_rise_pct", 60.0, "%", "of the usual rise: from here on it was a harvest that the record missed"),
    _row("idle_inside_pct", 25.0, "%", "part of a freeze as warm as a harvest's end: an idle lies in it"),
    _row("stood_share_pct", 50.0, "%", "of what a freeze is too long, with the line too warm for a freeze: the compressor stood"),
    _row("melting_c", 6.0, "°C", "from 0 °C within which a line stands while ice melts on the plate"),
    _row("stood_warm_pct", 35.0, "%", "of the usual rise above the end of freeze: so warm a line is too warm for a freeze …"),
    _row("stood_near_pct", 20.0, "%", "of the usual freeze before and after the end of that …"),
    _row("stood_falls_pct", 20.0, "%", "… between which the line falls by so much of the usual rise: the compressor started"),
    _row("unread_pct", 25.0, "%", "of a log that could not be read: then nobody says that all is well"),
    # Before and after
    _row("compare_cycles", 5, "cycles", "least cycles on each side: the interval of fewer is as wide as the data"),
    _row("compare_thin_k", 2.0, "K", "warmer end of shorter freezes: thinner ice, and no improvement"),
    _row("same_air_k", 1.5, "K", "air that differs by less is called the same"),
)
# fmt: on

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
