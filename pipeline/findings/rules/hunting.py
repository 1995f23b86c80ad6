"""A suction line that swings to and fro in freeze: the metering of refrigerant hunts."""

from __future__ import annotations

import numpy as np

from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.evidence.swing import swing
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import NEEDS_COLD, CannotTell, Rule, Seen, cycles_needed

_HUNTS = phrase(
    "finding.valve-hunting.title",
    "The suction line swings by {swing_k} to and fro in {count} of {of} freezes, about every {period_s}",
)
_FASTER = phrase("needs.faster-line", "a probe on the suction line logged at {slowest_s} or faster")


def _hunts(case: Case):
    short = cycles_needed("band_cycles")(case)
    if short:
        return short
    t, seen = case.thresholds, swing(case)
    if seen is None:
        return CannotTell(needs=_FASTER(slowest_s=t["hunting_slowest_s"]))
    known = np.isfinite(seen.swing_k)
    length_s = 60 * case.freeze_min
    hunts = known & (seen.swing_k >= t["hunting_k"]) & (seen.period_s <= length_s / t["hunting_waves"])
    calm = known & ~hunts
    level = float(np.median(seen.swing_k[calm])) if calm.sum() >= t["level_cycles"] else 0.0
    if hunts.sum() < t["hunting_cycles"]:
        return None
    at = np.flatnonzero(hunts)
    typical = float(np.median(seen.swing_k[hunts]))
    if typical < t["hunting_times"] * level:
        return None
    return Seen(
        severity=Severity.WATCH,
        title=_HUNTS(
            swing_k=round(typical, 1),
            count=len(at),
            of=int(known.sum()),
            period_s=round(float(np.median(seen.period_s[hunts]))),
        ),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=hunts,
        usual=calm if calm.sum() >= t["level_cycles"] else None,
        evidence={
            "swing_k": round(typical, 1),
            "usual_swing_k": round(level, 1) if level else None,
            "period_s": round(float(np.median(seen.period_s[hunts]))),
            "count": len(at),
            "freezes_judged": int(known.sum()),
            "role": seen.role,
            "first_after_h": round((case.start_ns[at[0]] - case.timeline.start_ns) / NS_PER_H, 1),
        },
        confidence=statistics.phi(typical / t["hunting_k"] + min(len(at) / 20, 1.0) - 0.5),
    )


RULES = (
    Rule(
        code="valve-hunting",
        test=_hunts,
        needs=(NEEDS_COLD,),
        thresholds=("hunting_k", "hunting_waves", "hunting_cycles", "hunting_times", "hunting_slowest_s", "level_cycles", "band_cycles"),
        causes=("metering-hunts", "charge-low", "metering"),
        shows=Shows(about="freeze", roles=("suction", "evaporator"), telling="middle"),
    ),
)  # fmt: skip
