"""How freezes end and how cold they get: `freeze-at-timeout` and `weak-freeze`."""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.case import Case, spread_of
from pipeline.findings.changes import change
from pipeline.findings.finding import Severity
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import NEEDS_COLD, CannotTell, Rule, Seen, cycles_needed

_AT_TIMER = phrase("finding.freeze-at-timeout.title", "{count} of {of} freezes end at {length_min}, whatever the conditions: a timer ends them")
_NOT_VARIED = phrase("needs.varied-conditions", "a longer log, a faster one, or air and water temperatures: in this one, steady freezes and a timer look alike")
_WEAK_SINCE = phrase("finding.weak-freeze.since", "The evaporator no longer gets as cold: freezes end at {after_c}, {rise_k} warmer than before")
_WEAK_ALL = phrase("finding.weak-freeze.all", "The evaporator does not get cold enough: freezes end at {freeze_end_c}")
_WEAK_SUPERHEAT = phrase("finding.weak-freeze.superheat", "The evaporator is starved: superheat is {superheat_k} at the end of the freeze")


def _at_timeout(case: Case):
    """Do freezes bunch at one length although the conditions should make them vary?"""
    t = case.thresholds
    lengths = np.where(case.stalls_aside, case.freeze_min, np.nan)
    known = np.isfinite(lengths)
    if known.sum() < t["timer_cycles"]:
        return cycles_needed("timer_cycles")(case) or None
    tolerance = _tolerance_min(case)
    length, bunched = _bunch(lengths, tolerance)
    share = bunched.sum() / known.sum()
    if 100 * share < t["timer_share_pct"]:
        return None
    at = np.flatnonzero(bunched)
    longer = known & (lengths > length + 2 * tolerance)
    if longer.sum() > 0.1 * known.sum():
        return None  # a timer lets nothing run longer
    found = math.hypot(spread_of(lengths[bunched]), 0.0)
    foreseen = _foreseen_min(case, bunched, length)
    told = case.unit.nameplate.freeze_timer_min
    at_told = told is not None and abs(length / told - 1) <= t["timer_match_pct"] / 100
    believed = math.hypot(case.sigma_min, t["timer_spread_s"] / 60)
    excess = foreseen / max(found, believed)
    pulled = _pull_down_excess(case, length, believed)
    proofs = {
        "conditions": excess >= t["timer_excess"],
        "pull-down freezes": pulled,
        "told length": at_told and found <= 2 * believed,
    }
    if not any(proofs.values()):
        return CannotTell(needs=_NOT_VARIED()) if found <= 1.2 * believed and excess >= 1 else None
    return Seen(
        severity=Severity.ACT,
        title=_AT_TIMER(count=len(at), of=int(known.sum()), length_min=round(length, 2)),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=bunched,
        usual=known & ~bunched if (known & ~bunched).sum() >= 3 else None,
        evidence={
            "length_min": round(length, 2),
            "bunched": len(at),
            "freezes_judged": int(known.sum()),
            "spread_found_s": round(60 * found, 1),
            "spread_foreseen_s": round(60 * foreseen, 1),
            "timer_told_min": told,
            "proofs": ", ".join(name for name, holds in proofs.items() if holds),
        },
        confidence=1 - 0.5 * math.exp(-max(excess - 1, 0) / 2) * 0.5 ** (sum(proofs.values()) - 1),
    )


def _tolerance_min(case: Case) -> float:
    """How far two freezes that one timer ends may seem to differ [min]."""
    return 2.5 * math.hypot(case.sigma_min, case.thresholds["timer_spread_s"] / 60)


def _bunch(lengths: np.ndarray, tolerance: float) -> tuple[float, np.ndarray]:
    """The length round which most freezes lie within ± `tolerance`, and which those are, bool (n,)."""
    at = np.flatnonzero(np.isfinite(lengths))
    values = np.sort(lengths[at])
    count = np.searchsorted(values, values + 2 * tolerance, "right") - np.arange(len(values))
    best = int(np.argmax(count))
    length = float(np.median(values[best : best + count[best]]))
    return length, np.isfinite(lengths) & (np.abs(lengths - length) <= tolerance)


def _foreseen_min(case: Case, bunched: np.ndarray, length: float) -> float:
    """By how much the conditions of these freezes should make them vary [min], 0 where none were logged."""
    total = 0.0
    for values, per_k in ((case.air_c, 0.010), (case.water_c, 0.010)):
        sigma = spread_of(values[bunched])
        if math.isfinite(sigma):
            total = math.hypot(total, sigma * per_k * length)
    return total


def _pull_down_excess(case: Case, length: float, believed: float) -> bool:
    """Whether freezes after an idle end at the same length too, though they start warm and should take longer."""
    pulled = case.freeze_min[case.flag("after_idle") & np.isfinite(case.freeze_min) & ~case.flag("broken")]
    if len(pulled) < 3:
        return False
    near = np.abs(pulled - length) <= 2.5 * believed
    return bool(near.mean() >= 0.8 and 0.03 * length > 2 * believed)


def _weak(case: Case):
    t = case.thresholds
    ends = np.where(case.steady, case.column("freeze_end_c"), np.nan)
    if np.isfinite(ends).sum() < t["band_cycles"]:
        return cycles_needed("band_cycles")(case)
    warmed = change(case, ends, least=t["freeze_end_rise_k"], p=t["drift_p"], air_slope=0.1, air_slope_sd=0.15)
    if warmed is not None and warmed.total > 0:
        late = warmed.judged & (np.arange(case.n) >= warmed.first)
        if warmed.kind == "drift":
            late &= ends > warmed.before + warmed.total / 2
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
    superheat = float(np.nanmedian(case.refrigeration.superheat_k)) if np.isfinite(case.refrigeration.superheat_k).any() else math.nan
    # A suction line far from the plate reads warmer than the plate: only a probe on the evaporator has a fixed level.
    warm = case.timeline.get("evaporator") is not None and typical > t["freeze_end_high_c"]
    starved = superheat > t["superheat_high_k"]
    if not warm and not starved:
        return None
    title = _WEAK_ALL(freeze_end_c=round(typical, 1)) if warm else _WEAK_SUPERHEAT(superheat_k=round(superheat, 1))
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


def _longer(case: Case, late: np.ndarray, early: np.ndarray) -> bool:
    """Whether the warm freezes also take longer, so that ice is being lost."""
    if not early.any():
        return False
    return case.level("freeze_min", late) > 1.1 * case.level("freeze_min", early)


RULES = (
    Rule(
        code="freeze-at-timeout",
        test=_at_timeout,
        thresholds=("timer_cycles", "timer_spread_s", "timer_share_pct", "timer_match_pct", "timer_excess"),
        causes=("end-of-freeze-sensing", "capacity-short", "water-leaks-in", "water-short"),
        quiet_when=("no-ice",),
    ),
    Rule(
        code="weak-freeze",
        test=_weak,
        needs=(NEEDS_COLD,),
        thresholds=("freeze_end_high_c", "freeze_end_rise_k", "superheat_high_k", "drift_p", "band_cycles"),
        causes=("charge-low", "metering", "hot-gas-leaks", "compressor-worn", "water-leaks-in", "condenser-dirty"),
        quiet_when=("no-ice",),
    ),
)
