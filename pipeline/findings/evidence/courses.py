"""Every measure of a cycle with its course over the log: one engine for all of them, set to the same air where that is known.

A measure that no rule names is here as well: `drift` reads them all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings.evidence.change import Change, comes_and_goes, lasting_change
from pipeline.findings.evidence.conditions import level_at_usual_conditions

if TYPE_CHECKING:
    from pipeline.findings.evidence.case import Case

_NS_PER_DAY, _NS_PER_H = 86_400_000_000_000, 3_600_000_000_000

READS = (
    "change_sharp_pct", "short_log_times", "short_ramp_days", "drift_days", "drift_pct", "drift_harvest_pct", "drift_k", "drift_peak_k", "drift_discharge_k",
    "drift_rate_pct", "drift_swing_pct", "air_pct_per_k", "air_pct_per_k_sd", "harvest_pct_per_k", "harvest_pct_per_k_sd", "freeze_end_k_per_k",
    "freeze_end_k_per_k_sd", "split_k_per_k_sd", "discharge_k_per_k", "discharge_k_per_k_sd", "current_pct_per_k",
    "current_pct_per_k_sd",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Measure:
    """A measure of a cycle: which cycles tell it, how its change is scaled, what air does to it, which way is worse."""

    column: str
    threshold: str  # row of the table: the lasting change that matters
    slope: str = ""  # row: what a kelvin of air does to it; "": nothing is expected
    slope_sd: str  # row: give or take, one sigma
    relative: bool = False  # judged as a share of itself
    of: str = "freeze"  # "harvest": told by whole harvests, else by steady freezes
    worse: int = 0  # 1: higher is worse; −1: lower is worse; 0: either


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
            slope_sd="harvest_pct_per_k_sd", worse=-1),
    Measure(column="line_swing_k", threshold="drift_swing_pct", relative=True, of="harvest", slope_sd="harvest_pct_per_k_sd", worse=-1),
    Measure(column="pull_down_k_per_min", threshold="drift_rate_pct", relative=True, slope="harvest_pct_per_k",
            slope_sd="harvest_pct_per_k_sd", worse=-1),
)  # fmt: skip


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
        return self.measure.worse == 0 or self.measure.worse * self.change.total > 0

    def scaled(self, value: float) -> float:
        return 100 * math.expm1(value) if self.measure.relative else value

    @property
    def levels(self) -> tuple[float, float]:
        """Before and after, in the measure's own unit."""
        a, b = self.change.before, self.change.after
        return (math.exp(a), math.exp(b)) if self.measure.relative else (a, b)


def courses(case: Case) -> Mapping[str, Course]:
    """The course of every measure that changed for good: column -> Course."""
    found = {}
    for measure in MEASURES:
        t = case.thresholds
        least = t[measure.threshold]
        changed = change_of_measure(
            case, measure, least=math.log1p(least / 100) if measure.relative else least
        )
        if changed is not None:
            found[measure.column] = Course(measure=measure, change=changed)
    return found


def change_of_measure(case: Case, measure: Measure, *, least: float) -> Change | None:
    """The lasting change of a measure of at least `least` (natural log where it is relative), None where there is none."""
    if measure.column == "freeze_min":  # set to air, water and time of day
        found = lasting_change(
            case.start_ns, case.adjusted.log_length, least=least, thresholds=case.thresholds
        )
        return found if case.adjusted.corrected_for else not_the_time_of_day(case, found, least=least)
    t, per_k = case.thresholds, 100 if measure.relative else 1
    values = np.where(
        case.harvests if measure.of == "harvest" else case.steady, column_of(case, measure.column), np.nan
    )
    if measure.of == "harvest":
        values[case.repeats | case.stalls.stalled] = np.nan
    if measure.relative:
        values = np.log(np.where(values > 0, values, np.nan))
    slope, sd = t[measure.slope] / per_k if measure.slope else 0.0, t[measure.slope_sd] / per_k
    level = at_usual_air(case, values, slope=slope, slope_sd=sd)
    known = bool(np.isfinite(case.air_c[np.isfinite(values)]).any())
    if measure.of == "harvest":  # so short that a boundary in the wrong place gives it a second level
        return _lasting(case, level, known, least=least)
    return _course(case, level, known, least=least)


def column_of(case: Case, name: str) -> np.ndarray:
    """A measure of every cycle (n,): a column of the record, or the line's rise from the end of freeze to its warmest in harvest [K]."""
    if name == "line_swing_k":
        return case.column("harvest_peak_c") - case.column("freeze_end_c")
    return case.column(name)


def change_of(
    case: Case, values: np.ndarray, *, least: float, slope: float, slope_sd: float
) -> Change | None:
    """`lasting_change` of `values` (n,; NaN: not judged), set to the usual air first.

    `slope` ± `slope_sd` is what a kelvin of air does to it [unit per K].
    """
    level = at_usual_air(case, values, slope=slope, slope_sd=slope_sd)
    return _lasting(case, level, np.isfinite(case.air_c[np.isfinite(values)]).any(), least=least)


def at_usual_air(case: Case, values: np.ndarray, *, slope: float, slope_sd: float) -> np.ndarray:
    """`values` (n,) set to the log's usual air, by `slope` ± `slope_sd` [unit per K]."""
    hour = case.start_ns / _NS_PER_H
    return level_at_usual_conditions(
        values, case.air_c, hour, mean=slope, sd=slope_sd, thresholds=case.thresholds
    )


def _lasting(case: Case, level: np.ndarray, air_known: bool, *, least: float) -> Change | None:
    found = lasting_change(case.start_ns, level, least=least, thresholds=case.thresholds)
    return found if air_known else not_the_time_of_day(case, found, least=least)


def _course(case: Case, level: np.ndarray, air_known: bool, *, least: float) -> Change | None:
    """The lasting change, else what comes and goes."""
    found = _lasting(case, level, air_known, least=least)
    return found or comes_and_goes(case.start_ns, level, least=least, thresholds=case.thresholds)


def not_the_time_of_day(case: Case, found: Change | None, *, least: float) -> Change | None:
    """`found`, or None where the log is too short to tell it from the time of day.

    Half a day's swing looks like a ramp, and like a step that explains 8/π² = 0.81 of it, no more. So a short log must
    show more, or a step that is sharper than that; and a ramp only where it goes one way for longer than a day.
    """
    days = (case.timeline.end_ns - case.timeline.start_ns) / _NS_PER_DAY
    t = case.thresholds
    if found is None or days >= t["drift_days"]:
        return found
    sharp, large = (
        100 * found.explained > t["change_sharp_pct"],
        abs(found.total) >= t["short_log_times"] * least,
    )
    if found.kind == "ramp":  # over more than a day no swing goes one way only
        return found if sharp and large and days >= t["short_ramp_days"] else None
    return found if sharp or large else None
