"""Evaporators that do not get cold, or not as cold as they did: `weak-freeze`."""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings.evidence.case import NS_PER_MIN, Case
from pipeline.findings.evidence.courses import change_of
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.methods.change import Change
from pipeline.findings.methods.statistics import middle
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import CONTACT, NEEDS_COLD, CannotTell, Rule, Seen, cycles_needed

_WEAK_SINCE = phrase(
    "finding.weak-freeze.since",
    "The evaporator no longer gets as cold: freezes end at {after_c}, {rise_k} warmer than before",
)
_WEAK_ALL = phrase(
    "finding.weak-freeze.all", "The evaporator does not get cold enough: freezes end at {freeze_end_c}"
)
_WEAK_OR_CLIP = phrase(
    "finding.weak-freeze.or-clip",
    "Freezes are long and end at {freeze_end_c}: the evaporator does not get cold enough, or the probe reads part of the room's air",
)
_WEAK_SUPERHEAT = phrase(
    "finding.weak-freeze.superheat",
    "The evaporator is starved: superheat is {superheat_k} over the last third of the freeze",
)


def _weak(case: Case):
    t = case.thresholds
    short_of = cycles_needed("band_cycles")(case)
    if short_of:
        return short_of
    if case.slipping is not None:
        return CannotTell(needs=CONTACT())
    ends = np.where(case.steady, case.column("freeze_end_c"), np.nan)
    slope, slope_sd = t["freeze_end_k_per_k"], t["freeze_end_k_per_k_sd"]
    warmed = change_of(case, ends, least=t["freeze_end_rise_k"], slope=slope, slope_sd=slope_sd)
    if warmed is not None and warmed.after > t["runs_below_c"]:
        return CannotTell(needs=CONTACT())  # no freeze ends so warm: the probe reads the room's air
    if warmed is not None and warmed.total > 0 and not _ended_early(case, warmed):
        return _weaker(case, warmed)
    return _weak_throughout(case, ends)


def _weaker(case: Case, warmed: Change) -> Seen:
    early, late = warmed.ends
    at = np.flatnonzero(warmed.late)
    return Seen(
        severity=Severity.ACT if _longer(case, late, early) else Severity.WATCH,
        title=_WEAK_SINCE(after_c=round(warmed.after, 1), rise_k=round(warmed.total, 1)),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=late,
        usual=early,
        evidence={
            "before_c": round(warmed.before, 1),
            "after_c": round(warmed.after, 1),
            "rise_k": round(warmed.total, 1),
            "rise_low_k": round(warmed.low, 1),
            "rise_high_k": round(warmed.high, 1),
            "how": warmed.kind,
            "cycles_judged": int(warmed.judged.sum()),
        },
        confidence=min(
            statistics.phi(2 * warmed.total / case.thresholds["freeze_end_rise_k"] - 1), warmed.sure
        ),
    )


def _weak_throughout(case: Case, ends: np.ndarray) -> Seen | CannotTell | None:
    """Whether the evaporator is too warm, or starved, from the log's beginning to its end."""
    t = case.thresholds
    superheats = np.where(case.steady, case.refrigeration.superheat_k, np.nan)
    typical, superheat = middle(ends), middle(superheats)
    # A suction line far from the plate reads warmer than the plate: only a probe on the evaporator has a fixed level.
    given = case.unit.expected.freeze_end_c
    limit = (
        given[1] if given else t["slab_end_high_c"] if case.unit.kind == "slab" else t["freeze_end_high_c"]
    )
    if case.timeline.get("evaporator") is not None and typical > limit:
        pulled = case.level("harvest_peak_c", case.harvests) > t["pulled_peak_c"]
        slow = case.level("freeze_min", case.steady) > t["weak_slow_min"]
        if (
            pulled and not slow
        ):  # no ice grows so warm, and it grew as fast as it should: the clip reads part of the room's air
            return CannotTell(needs=CONTACT())
        title = (_WEAK_OR_CLIP if pulled else _WEAK_ALL)(freeze_end_c=round(typical, 1))
        judged, beyond = np.isfinite(ends), typical - limit
    elif superheat > t["superheat_high_k"]:
        title = _WEAK_SUPERHEAT(superheat_k=round(superheat, 1))
        judged, beyond = np.isfinite(superheats), superheat - t["superheat_high_k"]
    else:
        return None
    at = np.flatnonzero(judged)
    return Seen(
        severity=Severity.WATCH if beyond > t["clip_sigma_k"] / 2 else Severity.NOTE,
        title=title,
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=judged,
        evidence={
            "freeze_end_c": round(typical, 1) if math.isfinite(typical) else None,
            "superheat_k": round(superheat, 1) if math.isfinite(superheat) else None,
            "cycles_judged": len(at),
        },
        confidence=statistics.phi(beyond / t["clip_sigma_k"]),
    )


def _ended_early(case: Case, warmed: Change) -> bool:
    """Whether the freezes end warm only because they end early: as far into the freeze, they are as cold as before."""
    early, late = warmed.judged & ~warmed.late, warmed.late
    before, after = case.level("freeze_min", early), case.level("freeze_min", late)
    t = case.thresholds
    if not after < (1 - t["ended_early_pct"] / 100) * before:
        return False
    reached = case.cold_at(case.start_ns + round(0.9 * after * NS_PER_MIN))
    then, now = reached[early], reached[late]
    return not np.nanmedian(now) - np.nanmedian(then) > t["ended_early_k"]


def _longer(case: Case, late: np.ndarray, early: np.ndarray) -> bool:
    """Whether the warm freezes also take longer, so that ice is being lost."""
    if not early.any():
        return False
    longer = 1 + case.thresholds["weak_act_pct"] / 100
    return case.level("freeze_min", late) > longer * case.level("freeze_min", early)


RULES = (
    Rule(
        code="weak-freeze",
        test=_weak,
        needs=(NEEDS_COLD,),
        shows=Shows(about="freeze", telling="warmest"),
        causes=("charge-low", "metering", "hot-gas-leaks", "compressor-worn", "water-leaks-in", "condenser-dirty"),
    ),
)  # fmt: skip
