"""Evaporators that do not get cold, or not as cold as they did: `weak-freeze`."""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.case import NS_PER_MIN, Case
from pipeline.findings.changes import Change, change_of
from pipeline.findings.finding import Severity
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import NEEDS_COLD, Rule, Seen, cycles_needed
from pipeline.logs.timeline import Channel

_WEAK_SINCE = phrase(
    "finding.weak-freeze.since",
    "The evaporator no longer gets as cold: freezes end at {after_c}, {rise_k} warmer than before",
)
_WEAK_ALL = phrase(
    "finding.weak-freeze.all", "The evaporator does not get cold enough: freezes end at {freeze_end_c}"
)
_WEAK_SUPERHEAT = phrase(
    "finding.weak-freeze.superheat",
    "The evaporator is starved: superheat is {superheat_k} at the end of the freeze",
)


def _weak(case: Case):
    t = case.thresholds
    ends = np.where(case.steady, case.column("freeze_end_c"), np.nan)
    if np.isfinite(ends).sum() < t["band_cycles"]:
        return cycles_needed("band_cycles")(case)
    warmed = change_of(case, ends, least=t["freeze_end_rise_k"], air_slope=0.1, air_slope_sd=0.15)
    if warmed is not None and warmed.total > 0 and not _ended_early(case, warmed):
        late = warmed.late
        at = np.flatnonzero(late)
        return Seen(
            severity=Severity.ACT if _longer(case, late, warmed.judged & ~late) else Severity.WATCH,
            title=_WEAK_SINCE(after_c=round(warmed.after, 1), rise_k=round(warmed.total, 1)),
            start_ns=int(case.start_ns[at[0]]),
            end_ns=int(case.end_ns[at[-1]]),
            cycles=late,
            usual=warmed.judged & ~late,
            evidence={
                "before_c": round(warmed.before, 1),
                "after_c": round(warmed.after, 1),
                "rise_k": round(warmed.total, 1),
                "rise_low_k": round(warmed.low, 1),
                "rise_high_k": round(warmed.high, 1),
                "how": warmed.kind,
                "cycles_judged": int(warmed.judged.sum()),
            },
            confidence=statistics.phi(2 * warmed.total / t["freeze_end_rise_k"] - 1),
        )
    return _weak_throughout(case, ends)


def _weak_throughout(case: Case, ends: np.ndarray):
    t = case.thresholds
    judged = np.isfinite(ends)
    typical = float(np.median(ends[judged]))
    at = np.flatnonzero(judged)
    superheat = (
        float(np.nanmedian(case.refrigeration.superheat_k))
        if np.isfinite(case.refrigeration.superheat_k).any()
        else math.nan
    )
    # A suction line far from the plate reads warmer than the plate: only a probe on the evaporator has a fixed level.
    warm = case.timeline.get("evaporator") is not None and typical > t["freeze_end_high_c"]
    starved = superheat > t["superheat_high_k"]
    if not warm and not starved:
        return None
    title = (
        _WEAK_ALL(freeze_end_c=round(typical, 1))
        if warm
        else _WEAK_SUPERHEAT(superheat_k=round(superheat, 1))
    )
    sigma = 2.0  # K: how far the level of a clipped probe is off (common practice, no source)
    margin = typical - t["freeze_end_high_c"] if warm else (superheat - t["superheat_high_k"]) / 2
    return Seen(
        severity=Severity.WATCH,
        title=title,
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=judged,
        evidence={
            "freeze_end_c": round(typical, 1),
            "superheat_k": round(superheat, 1) if math.isfinite(superheat) else None,
            "cycles_judged": len(at),
        },
        confidence=statistics.phi(margin / sigma),
    )


def _ended_early(case: Case, warmed: Change) -> bool:
    """Whether the freezes end warm only because they end early: as far into the freeze, they are as cold as before."""
    early, late = warmed.judged & ~warmed.late, warmed.late
    before, after = case.level("freeze_min", early), case.level("freeze_min", late)
    cold = case.timeline.get("evaporator", "suction")
    if not after < 0.93 * before or cold is None:
        return False
    reached = _reading_at(cold, case.start_ns + round(0.9 * after * NS_PER_MIN))
    then, now = reached[early], reached[late]
    return not np.nanmedian(now) - np.nanmedian(then) > 0.6 * case.thresholds["freeze_end_rise_k"]


def _reading_at(channel: Channel, at_ns: np.ndarray) -> np.ndarray:
    """The trusted reading at or before each moment, NaN where there is none."""
    time_ns, values = channel.time_ns[channel.trusted], channel.values[channel.trusted]
    at = np.searchsorted(time_ns, at_ns, side="right") - 1
    return (
        np.where(at >= 0, values[np.maximum(at, 0)], np.nan) if len(values) else np.full(len(at_ns), np.nan)
    )


def _longer(case: Case, late: np.ndarray, early: np.ndarray) -> bool:
    """Whether the warm freezes also take longer, so that ice is being lost."""
    if not early.any():
        return False
    return case.level("freeze_min", late) > 1.1 * case.level("freeze_min", early)


RULES = (
    Rule(
        code="weak-freeze",
        test=_weak,
        needs=(NEEDS_COLD,),
        thresholds=("freeze_end_high_c", "freeze_end_rise_k", "superheat_high_k", "drift_p", "band_cycles"),
        causes=("charge-low", "metering", "hot-gas-leaks", "compressor-worn", "water-leaks-in", "condenser-dirty"),
    ),
)  # fmt: skip
