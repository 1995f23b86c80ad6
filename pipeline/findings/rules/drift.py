"""A steady change over the log: dirt, scale or a slow leak, before it becomes a fault of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings.evidence import statistics
from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.changes import Change, change_of
from pipeline.findings.finding import Severity
from pipeline.findings.phrase import Phrase, phrase
from pipeline.findings.rule import CannotTell, Rule, Seen, cycles_needed

_LONG_LOG = phrase("needs.long-log", "a log of at least {least_days}: a shorter one shows the time of day")


@dataclass(frozen=True, kw_only=True)
class _Measure:
    """A measure that may drift: how its change is scaled and said. `slope` and `slope`_sd are rows of the table."""

    column: str
    title: Phrase
    threshold: str
    slope: str  # what a kelvin of air does to it; "" where nothing is expected
    slope_sd: str
    relative: bool  # judged as a share of itself


_MEASURES = (
    _Measure(column="freeze_min", threshold="drift_pct", relative=True, slope="air_pct_per_k", slope_sd="air_pct_per_k_sd",
             title=phrase("finding.drift.freeze", "Freezes change steadily: {change_pct} over the log, {per_day_pct} a day")),
    _Measure(column="freeze_end_c", threshold="drift_k", relative=False, slope="freeze_end_k_per_k", slope_sd="freeze_end_k_per_k_sd",
             title=phrase("finding.drift.freeze-end", "The evaporator's end-of-freeze temperature changes steadily: {change_k} over the log")),
    _Measure(column="condenser_split_k", threshold="drift_k", relative=False, slope="", slope_sd="split_k_per_k_sd",
             title=phrase("finding.drift.split", "The condenser split changes steadily: {change_k} over the log")),
    _Measure(column="freeze_current_a", threshold="drift_pct", relative=True, slope="current_pct_per_k", slope_sd="current_pct_per_k_sd",
             title=phrase("finding.drift.current", "The current changes steadily: {change_pct} over the log")),
)  # fmt: skip


def _drift(case: Case):
    t = case.thresholds
    short = cycles_needed("drift_cycles")(case)
    if short:
        return short
    if (case.timeline.end_ns - case.timeline.start_ns) / 8.64e13 < t["drift_days"]:
        return CannotTell(needs=_LONG_LOG(least_days=t["drift_days"]))
    found = [(m, c) for m in _MEASURES if (c := _change(case, m)) is not None and c.kind == "drift"]
    if not found:
        return None
    measure, moved = found[0]
    at = np.flatnonzero(moved.late)
    days = (case.start_ns[at[-1]] - case.start_ns[at[0]]) / 8.64e13
    third = max(len(at) // 3, 1)
    early, late = moved.judged & ~moved.late, np.zeros(case.n, bool)
    early[at[:third]], late[at[-third:]] = True, True
    return Seen(
        severity=Severity.WATCH,
        title=_title(measure, moved, days),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=late,
        usual=early,
        evidence={"days": round(days, 2), "cycles_judged": int(moved.judged.sum()), **_evidence(found, days)},
        confidence=statistics.phi(abs(_scaled(measure, moved)) / t[measure.threshold] + 0.5),
        flag_cycles=False,
    )


def _change(case: Case, measure: _Measure) -> Change | None:
    values = case.column(measure.column)
    values = np.where(case.steady & (values > 0) if measure.relative else case.steady, values, np.nan)
    t, per_k = case.thresholds, 100 if measure.relative else 1
    least = t[measure.threshold]
    if measure.relative:
        values, least = np.log(values), math.log1p(least / 100)
    slope = t[measure.slope] / per_k if measure.slope else 0.0
    return change_of(case, values, least=least, slope=slope, slope_sd=t[measure.slope_sd] / per_k)


def _scaled(measure: _Measure, moved: Change) -> float:
    return 100 * math.expm1(moved.total) if measure.relative else moved.total


def _title(measure: _Measure, moved: Change, days: float):
    total = round(_scaled(measure, moved), 1)
    if not measure.relative:
        return measure.title(change_k=total)
    return measure.title(change_pct=total, per_day_pct=round(total / days, 1))


def _evidence(found: list[tuple[_Measure, Change]], days: float) -> dict[str, float]:
    said: dict[str, float] = {}
    for measure, moved in found:
        name = measure.column.rsplit("_", 1)[0]
        if measure.relative:
            said[f"{name}_change_pct"] = round(_scaled(measure, moved), 1)
            said[f"{name}_change_low_pct"] = round(100 * math.expm1(moved.low), 1)
            said[f"{name}_change_high_pct"] = round(100 * math.expm1(moved.high), 1)
        else:
            said[f"{name}_change_k"] = round(moved.total, 2)
            said[f"{name}_change_k_per_day"] = round(moved.total / days, 3)
    return said


RULES = (
    Rule(
        code="drift",
        test=_drift,
        thresholds=("drift_cycles", "drift_days", "drift_pct", "drift_k", "air_pct_per_k", "air_pct_per_k_sd", "freeze_end_k_per_k",
                    "freeze_end_k_per_k_sd", "split_k_per_k_sd", "current_pct_per_k", "current_pct_per_k_sd"),
        causes=("fouling", "slow-leak", "season", "water-leaks-in"),
    ),
)  # fmt: skip
