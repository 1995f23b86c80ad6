"""Every measure of a cycle, and of what goes on beside it (rests, starts, the supply), with its course over the log: one engine for all of
them, set to the same air where that is known.

A measure that no rule names is here as well: `drift` reads them all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.masks.columns import NS_PER_DAY, NS_PER_H, NS_PER_MIN, Columns
from pipeline.findings.methods.change import Change, comes_and_goes, lasting_change
from pipeline.findings.methods.conditions import Adjusted, level_at_usual_conditions
from pipeline.findings.methods.statistics import middle


@dataclass(frozen=True, kw_only=True)
class Measure:
    """A measure of a cycle: which cycles tell it, how its change is scaled, what air does to it, which way is worse."""

    column: str
    threshold: str  # row of the table: the lasting change that matters
    slope: str = ""  # row: what a kelvin of air does to it; "": nothing is expected
    slope_sd: str = ""  # row: give or take, one sigma; "": air does nothing to it
    relative: bool = False  # judged as a share of itself
    of: str = (
        "freeze"  # "harvest": told by whole harvests; "freeze": by steady freezes; "cycle": by every cycle
    )
    worse: int = 0  # 1: higher is worse; −1: lower is worse; 0: either
    aside: bool = False  # by itself worth a note: nothing that is lost follows from it


MEASURES: tuple[Measure, ...] = (
    Measure(column="freeze_min", threshold="drift_pct", relative=True, slope="air_pct_per_k", slope_sd="air_pct_per_k_sd", worse=1),
    Measure(column="harvest_min", threshold="drift_harvest_pct", relative=True, of="harvest", slope="harvest_pct_per_k",
            slope_sd="harvest_pct_per_k_sd", worse=1),
    Measure(column="freeze_end_c", threshold="drift_k", slope="freeze_end_k_per_k", slope_sd="freeze_end_k_per_k_sd", worse=1),
    Measure(column="harvest_peak_c", threshold="drift_peak_k", of="harvest", slope_sd="freeze_end_k_per_k_sd"),
    Measure(column="condenser_split_k", threshold="drift_k", slope_sd="split_k_per_k_sd", worse=1),
    Measure(column="discharge_peak_c", threshold="drift_discharge_k", slope="discharge_k_per_k", slope_sd="discharge_k_per_k_sd", worse=1),
    Measure(column="freeze_current_a", threshold="drift_pct", relative=True, slope="current_pct_per_k", slope_sd="current_pct_per_k_sd"),
    Measure(column="harvest_current_a", threshold="drift_rate_pct", relative=True, of="harvest", slope="current_pct_per_k",
            slope_sd="current_pct_per_k_sd"),
    Measure(column="harvest_rise_k_per_min", threshold="drift_rate_pct", relative=True, of="harvest", slope="harvest_pct_per_k",
            slope_sd="harvest_pct_per_k_sd", worse=-1, aside=True),
    Measure(column="line_swing_k", threshold="drift_swing_pct", relative=True, of="harvest", slope_sd="harvest_pct_per_k_sd", worse=-1),
    Measure(column="pull_down_k_per_min", threshold="drift_rate_pct", relative=True, slope="harvest_pct_per_k",
            slope_sd="harvest_pct_per_k_sd", worse=-1, aside=True),
    Measure(column="line_waves_k", threshold="drift_k", worse=1, aside=True),
    Measure(column="supply_v", threshold="drift_supply_pct", relative=True, of="cycle", aside=True),
    Measure(column="rest_min", threshold="drift_rest_min", of="cycle", aside=True),
    Measure(column="starts_per_day", threshold="drift_starts_per_day", of="cycle", aside=True),
)  # fmt: skip
_COME_AND_GO = ("rest_min", "starts_per_day")


@dataclass(frozen=True, kw_only=True)
class Course:
    """How one measure went over the log. `change` is None where it stayed, in the measure's own unit or as natural log."""

    measure: Measure
    change: Change

    @property
    def total(self) -> float:
        """The change in the measure's own unit, or in percent of its level before."""
        return self.scaled(self.change.total)

    @property
    def worse(self) -> bool:
        """Whether the measure went the way in which it is worse, where it has one."""
        return self.measure.worse == 0 or self.measure.worse * self.change.total > 0

    def scaled(self, value: float) -> float:
        """A difference of the kind of `change.total` in the measure's own unit, or in percent where it is compared as a ratio."""
        return 100 * math.expm1(value) if self.measure.relative else value

    @property
    def levels(self) -> tuple[float, float]:
        """Before and after, in the measure's own unit."""
        a, b = self.change.before, self.change.after
        return (math.exp(a), math.exp(b)) if self.measure.relative else (a, b)


def courses(
    columns: Columns, *, steady: np.ndarray, finished: np.ndarray, adjusted: Adjusted, waves_k: np.ndarray
) -> Mapping[str, Course]:
    """The course of every measure that changed for good: column -> Course.

    steady: freezes that may be compared with each other, bool (n,); finished: harvests that did their work, bool (n,);
    adjusted: the freezes' lengths at the usual air and water; waves_k: how far the line swings to and fro in each freeze (n,) [K].
    """
    found = {}
    told_by = {"freeze": steady, "harvest": finished, "cycle": np.ones(columns.n, bool)}
    for measure in MEASURES:
        least = columns.thresholds[measure.threshold]
        least = math.log1p(least / 100) if measure.relative else least
        if measure.column == "freeze_min":  # set to air, water and time of day
            changed = _freeze_change(columns, adjusted, least=least)
        else:
            values = waves_k if measure.column == "line_waves_k" else column_of(columns, measure.column)
            changed = _change(columns, measure, np.where(told_by[measure.of], values, np.nan), least=least)
        if changed is not None:
            found[measure.column] = Course(measure=measure, change=changed)
    return found


def _freeze_change(columns: Columns, adjusted: Adjusted, *, least: float) -> Change | None:
    """The lasting change of the freezes' length, of at least `least` (natural log)."""
    found = _moved(columns, adjusted.log_length, least=least)
    return found if adjusted.corrected_for else not_the_time_of_day(columns, found, least=least)


def _change(columns: Columns, measure: Measure, values: np.ndarray, *, least: float) -> Change | None:
    """The change of a measure, `values` (n,; NaN: not judged), of at least `least` (natural log where it is relative)."""
    t, per_k = columns.thresholds, 100 if measure.relative else 1
    if measure.relative:
        values = np.log(np.where(values > 0, values, np.nan))
    level, known = values, False
    if measure.slope_sd:
        slope, sd = t[measure.slope] / per_k if measure.slope else 0.0, t[measure.slope_sd] / per_k
        level = at_usual_air(columns, values, slope=slope, slope_sd=sd)
        known = bool(np.isfinite(columns.air_c[np.isfinite(values)]).any())
    found = _lasting(columns, level, known, least=least)
    # A harvest is so short that a boundary in the wrong place gives it a second level; rests and starts come and go by nature.
    if found is not None or measure.of == "harvest" or measure.column in _COME_AND_GO:
        return found
    return comes_and_goes(columns.start_ns, level, least=least, thresholds=t)


def of_the_room(columns: Columns, late: np.ndarray, early: np.ndarray) -> bool:
    """Whether freezes and harvests went opposite ways from `early` to `late` (bool (n,)), by no more than another room or other water makes, where
    the air was not logged: warmer air makes freezes longer and harvests, by hotter gas, shorter."""
    t, moved = columns.thresholds, []
    if np.isfinite(columns.air_c[late | early]).any():
        return False
    for name in ("freeze_min", "harvest_min"):
        before, after = columns.level(name, early), columns.level(name, late)
        moved.append(math.log(after / before) if min(before, after) > 0 else 0.0)
    least, most = math.log1p(t["day_swing_pct"] / 100), math.log1p(t["weather_most_pct"] / 100)
    return moved[0] * moved[1] < 0 and least < min(map(abs, moved)) and abs(moved[0]) < most


def column_of(columns: Columns, name: str) -> np.ndarray:
    """A measure of every cycle (n,): a column of the record, or what is made of the rest of it: the line's rise from the end of freeze to its
    warmest in harvest [K], rest since the cycle before [min], starts [a day], the supply's voltage [V]."""
    if name == "line_swing_k":
        return columns.column("harvest_peak_c") - columns.column("freeze_end_c")
    if name == "rest_min":
        rests = [p for p in columns.record.phases if p.kind is PhaseKind.IDLE]
        return _in_cycles(
            columns, [p.end_ns for p in rests], [(p.end_ns - p.start_ns) / NS_PER_MIN for p in rests]
        )
    if name == "starts_per_day":
        at_ns = (
            columns.record.starts["start_ns"].to_numpy().astype(np.int64) if columns.clamped else np.empty(0)
        )
        lasts_days = np.diff(columns.end_ns, prepend=columns.start_ns[:1]) / NS_PER_DAY
        return _in_cycles(columns, at_ns, np.ones(len(at_ns))) / np.where(lasts_days > 0, lasts_days, np.nan)
    if name == "supply_v":
        return _supply_v(columns)
    return columns.column(name)


def _in_cycles(columns: Columns, at_ns: Sequence[int], weights: Sequence[float]) -> np.ndarray:
    """The sum of `weights` (k,) at moments `at_ns` (k,) from each cycle's predecessor's end to its own (n,); NaN of the first, which was not
    seen whole, and where a stop was not seen from start to end."""
    at = np.searchsorted(columns.end_ns, np.asarray(at_ns, np.int64))
    inside = at < columns.n
    total = np.bincount(at[inside], np.asarray(weights, float)[inside], minlength=columns.n).astype(float)
    total[:1] = np.nan
    return total


def _supply_v(columns: Columns) -> np.ndarray:
    """The middle of the trusted readings of the supply's voltage over each cycle (n,) [V], NaN where there is none."""
    channel, found = columns.timeline.get("voltage"), np.full(columns.n, np.nan)
    if channel is None:
        return found
    first, stop = (np.searchsorted(channel.time_ns, ns) for ns in (columns.start_ns, columns.end_ns))
    for i, (a, b) in enumerate(zip(first, stop, strict=True)):
        found[i] = middle(channel.values[a:b][channel.trusted[a:b]])
    return found


def change_of(
    columns: Columns, values: np.ndarray, *, least: float, slope: float, slope_sd: float
) -> Change | None:
    """`lasting_change` of `values` (n,; NaN: not judged), set to the usual air first.

    `slope` ± `slope_sd` is what a kelvin of air does to it [unit per K].
    """
    level = at_usual_air(columns, values, slope=slope, slope_sd=slope_sd)
    return _lasting(columns, level, np.isfinite(columns.air_c[np.isfinite(values)]).any(), least=least)


def at_usual_air(columns: Columns, values: np.ndarray, *, slope: float, slope_sd: float) -> np.ndarray:
    """`values` (n,) set to the log's usual air, by `slope` ± `slope_sd` [unit per K]."""
    hour = columns.start_ns / NS_PER_H
    return level_at_usual_conditions(
        values, columns.air_c, hour, mean=slope, sd=slope_sd, thresholds=columns.thresholds
    )


def _lasting(columns: Columns, level: np.ndarray, air_known: bool, *, least: float) -> Change | None:
    found = _moved(columns, level, least=least)
    return found if air_known else not_the_time_of_day(columns, found, least=least)


def _moved(columns: Columns, level: np.ndarray, *, least: float) -> Change | None:
    """`lasting_change` of `level` (n,), which knows of the visits that unit.toml names."""
    t, worked = columns.thresholds, []
    for visit in columns.unit.visits:
        day = datetime.combine(visit.on, visit.at or time(0), tzinfo=columns.unit.tz).timestamp() * 1e9
        last = day if visit.at is not None else day + NS_PER_DAY
        worked.append((day - t["visit_near_h"] * NS_PER_H, last + t["visit_near_h"] * NS_PER_H))
    return lasting_change(columns.start_ns, level, least=least, thresholds=t, worked=worked)


def log_days(columns: Columns) -> float:
    """How long the log is [days], to the quarter of an hour: one of 60 h has its last reading an interval before."""
    return round((columns.timeline.end_ns - columns.timeline.start_ns) / NS_PER_DAY, 2)


def not_the_time_of_day(columns: Columns, found: Change | None, *, least: float) -> Change | None:
    """`found`, or None where the log is too short to tell it from the time of day.

    Half a day's swing looks like a ramp, and like a step that explains 8/π² = 0.81 of it, no more. So a short log must
    show more, or a step that is sharper than that; and a ramp only where it goes one way for longer than a day.
    """
    days = log_days(columns)
    t = columns.thresholds
    if found is None or days >= t["drift_days"]:
        return found
    sharp, large = (
        100 * found.explained > t["change_sharp_pct"],
        abs(found.total) >= t["short_log_times"] * least,
    )
    if found.kind == "ramp":  # over more than a day no swing goes one way only
        return found if sharp and large and days >= t["short_ramp_days"] else None
    return found if sharp or large else None
