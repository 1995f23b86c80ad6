"""Harvests that stalled, and harvests that were long but did finish."""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.courses import Course, of_the_room
from pipeline.findings.evidence.standards import harvest_standard
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.masks.stalls import lengths_tell
from pipeline.findings.methods import statistics
from pipeline.findings.methods.change import period
from pipeline.findings.methods.statistics import middle, rounded
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import (
    CONTACT,
    NEEDS_STARTS,
    NEEDS_TIMED_HARVESTS,
    TIMED,
    CannotTell,
    Rule,
    Seen,
    cycles_needed,
)

_NEVER_WARMED = phrase(
    "finding.harvest-stalled.never-warmed", "{count} of {of} harvests stalled: the evaporator never warmed"
)
_PLATEAU = phrase(
    "finding.harvest-stalled.plateau",
    "{count} of {of} harvests stalled: the evaporator warmed too little and the slab did not release",
)
_AT_LIMIT = phrase(
    "finding.harvest-stalled.at-limit", "{count} of {of} harvests stalled: they ran into their limit"
)
_REPEATED = phrase(
    "finding.harvest-stalled.repeated", "{count} of {of} harvests stalled and had to be repeated"
)
_LEFT = phrase(
    "finding.harvest-stalled.ice-left",
    "{count} of {of} harvests stalled: ice stayed on the plate, as the freezes after them show",
)
_LONG = phrase(
    "finding.harvest-long.some", "{count} of {of} harvests took long: {found_min}, where {usual_min} is usual"
)
_LONG_SINCE = phrase(
    "finding.harvest-long.since", "Harvests have become {excess_pct} longer: {found_min} after {usual_min}"
)
_LONG_GROWING = phrase(
    "finding.harvest-long.growing",
    "Harvests grow longer: {excess_pct} over the log, to {found_min} from {usual_min}",
)
_LONG_ALL = phrase("finding.harvest-long.all", "All harvests are long: {found_min}, where {expected_min} is the most to expect")  # fmt: skip


def _stalled(case: Case):
    s = case.stalls
    stalled = s.stalled
    if not math.isfinite(s.usual_min) and not stalled.any():
        return cycles_needed("band_cycles")(case)
    if case.slipping is not None and not (s.at_limit | s.repeated).any():
        return CannotTell(needs=CONTACT())  # how warm a harvest became cannot be told
    if not stalled.any():
        return None if lengths_tell(case, s.usual_min) else CannotTell(needs=TIMED())
    kinds = {
        "never-warmed": s.never_warmed,
        "plateau": s.plateau,
        "at-limit": s.at_limit,
        "repeated": s.repeated,
        "ice-left": s.left,
    }
    counts = {kind: int(mask.sum()) for kind, mask in kinds.items()}
    # One kind names the finding: the most frequent, those that say why before those that say how it ended, and those
    # before what is only known by the freeze after it.
    weight = dict.fromkeys(kinds, 1.0) | {"never-warmed": 1.1, "plateau": 1.1, "ice-left": 0.5}
    leading = max(counts, key=lambda kind: weight[kind] * counts[kind])
    # Where the ice demonstrably stayed, it was not the end of a finished harvest that went unnoticed.
    stayed = leading in ("at-limit", "repeated") and 2 * counts["ice-left"] >= stalled.sum()
    titles = {
        "never-warmed": _NEVER_WARMED,
        "plateau": _PLATEAU,
        "at-limit": _AT_LIMIT,
        "repeated": _REPEATED,
        "ice-left": _LEFT,
    }
    of = int((case.harvests | stalled).sum())
    at = np.flatnonzero(stalled)
    lengths = case.harvest_min[stalled]
    confidence = _confidence(case, stalled)
    return Seen(
        severity=_severity(case, stalled, confidence),
        title=titles[leading](count=len(at), of=of),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=stalled,
        usual=case.harvests & ~stalled & ~s.long,
        evidence={
            "kind": leading,
            **{f"{kind.replace('-', '_')}_count": count for kind, count in counts.items() if count},
            "harvests_judged": of,
            "found_min": rounded(middle(lengths)),
            "longest_min": round(float(np.nanmax(lengths)), 2) if np.isfinite(lengths).any() else None,
            "every_cycles": every
            if (every := period(stalled, least=case.thresholds["levels_least"])) > 1
            else None,
            "hidden_count": int(s.hidden.sum()) or None,
            "usual_plateau_min": rounded(s.usual_plateau_min),
            "usual_min": rounded(s.usual_min),
            "peak_c": rounded(middle(case.column("harvest_peak_c")[stalled])),
            "usual_peak_c": round(s.usual_peak_c, 1) if math.isfinite(s.usual_peak_c) else None,
            "plateau_min": rounded(middle(case.column("harvest_plateau_min")[stalled])),
        },
        confidence=confidence,
        causes=_CAUSES["stayed" if stayed else leading],
    )


def _severity(case: Case, stalled: np.ndarray, confidence: float) -> Severity:
    several = stalled.sum() >= case.thresholds["stall_act_cycles"]
    if case.timeline.get("evaporator", "suction") is None:
        # By current alone a boundary in the wrong place looks like a stall: it takes a limit that shows again and again.
        t = case.thresholds
        several = case.stalls.at_limit.sum() >= max(t["limit_harvests"], t["limit_blind_pct"] / 100 * case.n)
    if case.rare(stalled, confidence):
        # Of so few, those count that the harvest itself shows; a line alone warms as long in a stop after its harvest.
        s, none = case.stalls, np.zeros(case.n, bool)
        seen = s.never_warmed | s.plateau | (s.at_limit if case.clamped else none) | s.repeated
        return (
            Severity.WATCH if several and seen.sum() >= case.thresholds["stall_act_cycles"] else Severity.NOTE
        )
    return Severity.ACT if several else Severity.WATCH


def _confidence(case: Case, stalled: np.ndarray) -> float:
    """The chance that not every one of these harvests is a trick of sampling."""
    s = case.stalls
    matters = s.usual_min * (1 + case.thresholds["harvest_out_pct"] / 100)
    z = (case.harvest_min[stalled] - matters) / max(s.sigma_min, 1e-6)
    z = np.where((s.never_warmed | s.repeated | s.left)[stalled], np.maximum(np.nan_to_num(z), 1.3), z)
    doubt = np.array([1 - statistics.phi(float(v)) for v in z if math.isfinite(v)])
    return 1 - float(np.prod(doubt[:6])) if len(doubt) else 0.5


def _long(case: Case):
    s = case.stalls
    if not math.isfinite(s.usual_min):
        return cycles_needed("band_cycles")(case)
    most = harvest_standard(case).high
    whole = case.harvests & ~s.stalled
    typical = float(np.median(case.harvest_min[whole])) if whole.any() else math.nan
    if typical > most:
        return _all_long(case, whole, typical, most)
    if cycles_needed("own_cycles")(case):
        return cycles_needed("own_cycles")(case)
    if not lengths_tell(case, s.usual_min):
        return CannotTell(needs=TIMED())
    grown = case.courses.get("harvest_min")
    if (
        grown is not None
        and grown.change.kind != "comes-and-goes"
        and grown.change.total > 0
        and not case.rare(grown.change.late)
    ):
        return _grown(case, grown)
    if not s.long.any():
        return None
    at = np.flatnonzero(s.long)
    found = float(np.median(case.harvest_min[s.long]))
    margin = (found - s.usual_min * (1 + case.thresholds["harvest_out_pct"] / 100)) / s.sigma_min
    confidence = statistics.phi(max(margin, 0.3) * math.sqrt(min(len(at), 4)))
    return Seen(
        severity=Severity.NOTE if case.rare(s.long, confidence) else Severity.WATCH,
        title=_LONG(
            count=len(at),
            of=int(case.harvests.sum()),
            found_min=round(found, 2),
            usual_min=round(s.usual_min, 2),
        ),
        start_ns=int(case.harvest_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=s.long,
        usual=case.harvests & ~s.long & ~s.stalled,
        evidence={
            "judged_against": "this unit's own harvests",
            "count": len(at),
            "harvests_judged": int(case.harvests.sum()),
            "found_min": round(found, 2),
            "usual_min": round(s.usual_min, 2),
            "longest_min": round(float(np.max(case.harvest_min[s.long])), 2),
            "peak_c": rounded(middle(case.column("harvest_peak_c")[s.long])),
            "uncertainty_min": round(1.645 * case.sigma_min, 2),
        },
        confidence=confidence,
    )


def _grown(case: Case, course: Course) -> Seen:
    """Harvests that have grown longer for good, in a step or steadily."""
    moved, (before, after) = course.change, course.levels
    late = moved.late
    at = np.flatnonzero(late)
    title = _LONG_SINCE if moved.kind == "step" else _LONG_GROWING
    room = moved.kind == "step" and of_the_room(case, late, moved.judged & ~late)
    return Seen(
        severity=Severity.NOTE if room else Severity.WATCH,
        title=title(excess_pct=round(course.total, 1), found_min=round(after, 2), usual_min=round(before, 2)),
        start_ns=int(case.harvest_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=late,
        usual=moved.judged & ~late,
        evidence={
            "judged_against": "this unit's own harvests",
            "how": moved.kind,
            "count": len(at),
            "harvests_judged": int(moved.judged.sum()),
            "found_min": round(after, 2),
            "usual_min": round(before, 2),
            "change_pct": round(course.total, 1),
            "change_low_pct": round(course.scaled(moved.low), 1),
            "change_high_pct": round(course.scaled(moved.high), 1),
            "longest_min": round(float(np.nanmax(case.harvest_min[late])), 2),
            "peak_c": rounded(middle(case.column("harvest_peak_c")[late])),
            "uncertainty_min": round(1.645 * case.sigma_min, 2),
        },
        confidence=min(
            statistics.phi(course.total / case.thresholds["drift_harvest_pct"] + 0.5), course.change.sure
        ),
        flag_cycles=moved.kind == "step",
    )


def _all_long(case: Case, whole: np.ndarray, typical: float, most: float) -> Seen:
    at = np.flatnonzero(whole)
    return Seen(
        severity=Severity.WATCH,
        title=_LONG_ALL(found_min=round(typical, 2), expected_min=round(most, 2)),
        start_ns=int(case.harvest_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=whole,
        evidence={
            "judged_against": harvest_standard(case).basis,
            "found_min": round(typical, 2),
            "expected_high_min": round(most, 2),
            "harvests_judged": len(at),
        },
        confidence=statistics.phi(math.log(typical / most) / (case.thresholds["band_sigma_pct"] / 100)),
    )


_CAUSES = {
    "never-warmed": ("hot-gas-shut", "hot-gas-weak", "room-cold"),
    "plateau": ("slab-sticks", "hot-gas-weak", "room-cold", "harvest-end-sensing"),
    "at-limit": ("harvest-end-sensing", "slab-sticks", "hot-gas-weak", "room-cold"),
    "repeated": ("slab-sticks", "harvest-end-sensing", "hot-gas-weak"),
    "stayed": ("slab-sticks", "hot-gas-weak", "room-cold", "harvest-end-sensing"),
    "ice-left": ("slab-sticks", "hot-gas-weak", "harvest-end-sensing", "end-of-freeze-early"),
}

RULES = (
    Rule(
        code="harvest-stalled",
        test=_stalled,
        needs=(NEEDS_STARTS, NEEDS_TIMED_HARVESTS),
        shows=Shows(about="harvest"),
        causes=_CAUSES["plateau"],
    ),
    Rule(
        code="harvest-long",
        test=_long,
        needs=(NEEDS_STARTS, NEEDS_TIMED_HARVESTS),
        shows=Shows(about="harvest"),
        causes=("hot-gas-weak", "slab-sticks", "harvest-end-sensing", "room-cold"),
    ),
)  # fmt: skip
