"""The refrigerant circuit: heat that it cannot reject (`condenser-hot`), water too warm for it (`warm-water`), metering that hunts (`valve-hunting`)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.evidence.courses import change_of
from pipeline.findings.evidence.stops import hours_of_day
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.methods.change import Change
from pipeline.findings.methods.conditions import heat_kj_per_kg
from pipeline.findings.methods.statistics import middle, rounded
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import (
    NEEDS_COLD,
    NEEDS_REFRIGERANT,
    NEEDS_REJECTION,
    NEEDS_WATER,
    CannotTell,
    Rule,
    Seen,
    cycles_needed,
)
from pipeline.language.text import Text

_SPLIT = phrase(
    "finding.condenser-hot.split",
    "Heat rejection is poor: what leaves the condenser is {split_k} above what enters it",
)
_OVER_AIR = phrase(
    "finding.condenser-hot.over-air",
    "Heat rejection is poor: it condenses {over_air_k} above the air it is given",
)
_DISCHARGE = phrase("finding.condenser-hot.discharge", "The discharge line reaches {discharge_c}")
_WORSE = {
    "split": phrase(
        "finding.condenser-hot.split-rise",
        "Heat rejection has become worse: the condenser air rise grew by {rise_k}, to {after_k}",
    ),
    "over_air": phrase(
        "finding.condenser-hot.over-air-rise",
        "Heat rejection has become worse: it condenses {rise_k} higher above the air than before",
    ),
    "discharge": phrase(
        "finding.condenser-hot.discharge-rise",
        "Heat rejection has become worse: the discharge line is {rise_k} hotter at the same air",
    ),
    "current": phrase(
        "finding.condenser-hot.current-rise",
        "Heat rejection has become worse, by the current: it is {rise_pct} higher at the same air",
    ),
}
_WORSE_SLOWLY = {
    "split": phrase(
        "finding.condenser-hot.split-growing",
        "Heat rejection has become worse, little by little: the condenser air rise grew by {rise_k}, to {after_k} at the log's end",
    ),
    "over_air": phrase(
        "finding.condenser-hot.over-air-growing",
        "Heat rejection has become worse, little by little: at the log's end it condenses {rise_k} higher above the air than before",
    ),
    "discharge": phrase(
        "finding.condenser-hot.discharge-growing",
        "Heat rejection has become worse, little by little: at the log's end the discharge line is {rise_k} hotter at the same air",
    ),
    "current": phrase(
        "finding.condenser-hot.current-growing",
        "Heat rejection has become worse, little by little, by the current: at the log's end it is {rise_pct} higher at the same air",
    ),
}
_WARM = phrase(
    "finding.warm-water.title",
    "The supply water arrives at {water_c}: it costs {loss_pct} of the rated output",
)
_WARMER = phrase(
    "finding.warm-water.since",
    "The supply water has become {rise_k} warmer, {water_c}: it costs {loss_pct} of the output",
)


_NOW_AND_THEN = {
    ("condenser_split_k", True): phrase(
        "finding.condenser-hot.split-hours",
        "Heat rejection is poor at {hours}: the condenser air rise is then {rise_k} larger",
    ),
    ("condenser_split_k", False): phrase(
        "finding.condenser-hot.split-now-and-then",
        "Heat rejection is poor now and then, {count} times: the condenser air rise is then {rise_k} larger",
    ),
    ("discharge_peak_c", True): phrase(
        "finding.condenser-hot.discharge-hours",
        "Heat rejection is poor at {hours}: the discharge line is then {rise_k} hotter at the same air",
    ),
    ("discharge_peak_c", False): phrase(
        "finding.condenser-hot.discharge-now-and-then",
        "Heat rejection is poor now and then, {count} times: the discharge line is then {rise_k} hotter at the same air",
    ),
}


@dataclass(frozen=True, kw_only=True)
class _Sign:
    """One sign of worse heat rejection: a measure that rises with the condensing pressure."""

    name: str
    share: float  # its rise over the rise that would do by itself
    change: Change


def _condenser_hot(case: Case):
    t = case.thresholds
    signs = _signs(case)
    total = sum(min(s.share, t["sign_most_pct"] / 100) for s in signs)
    strong = any(s.share >= 1 for s in signs if s.name != "current") or len(signs) >= 2
    if total >= 1 and strong:
        return _worse(case, signs, total)
    now_and_then = _now_and_then(case)
    if now_and_then is not None:
        return now_and_then
    split = np.where(case.steady, case.column("condenser_split_k"), np.nan)
    limit = case.unit.expected.split_k or t["condenser_split_k"]
    if case.unit.cooling == "air" and (typical := middle(split)) > limit:
        return _seen(case, np.isfinite(split), None, _SPLIT(split_k=rounded(typical, 1)),
                     {"split_k": rounded(typical, 1), "limit_k": limit}, statistics.phi((typical - limit) / t["clip_sigma_k"]))  # fmt: skip
    over_air = case.refrigeration.condensing_over_air_k
    if (typical := middle(over_air)) > t["condensing_over_air_k"]:
        return _seen(case, np.isfinite(over_air), None, _OVER_AIR(over_air_k=rounded(typical, 1)),
                     {"over_air_k": rounded(typical, 1), "limit_k": t["condensing_over_air_k"]},
                     statistics.phi((typical - t["condensing_over_air_k"]) / t["clip_sigma_k"]))  # fmt: skip
    discharge = np.where(case.steady, case.column("discharge_peak_c"), np.nan)
    least_c = (
        t["discharge_hot_c"] if case.unit.expected.discharge_c is None else case.unit.expected.discharge_c
    )
    hot = discharge > least_c
    over_air = discharge - np.where(
        np.isfinite(case.air_c) & (case.unit.cooling == "air"), case.air_c, -np.inf
    )
    watch = (discharge > t["discharge_watch_c"]) & (over_air > t["discharge_over_air_k"])
    if hot.sum() < t["band_cycles"] and watch.sum() >= t["discharge_watch_cycles"]:
        hot, least_c = watch, t["discharge_watch_c"]
    if hot.sum() >= t["band_cycles"]:
        typical = middle(discharge[hot])
        return _seen(case, hot, np.isfinite(discharge) & ~hot, _DISCHARGE(discharge_c=rounded(typical, 1)),
                     {"discharge_c": rounded(typical, 1), "limit_c": least_c},
                     statistics.phi((typical - least_c) / t["clip_sigma_k"] + 0.5))  # fmt: skip
    return None


def _now_and_then(case: Case) -> Seen | None:
    """Heat rejection that is poor for stretches, by a measure that goes to a second, worse level and back; with the hours that it keeps to."""
    for (name, _), least in zip(
        tuple(_NOW_AND_THEN)[::2], ("condenser_rise_k", "discharge_rise_k"), strict=True
    ):
        course = case.courses.get(name)
        if course is None or course.change.kind != "comes-and-goes" or course.change.total <= 0:
            continue
        moved = course.change
        if name == "condenser_split_k" and case.unit.cooling == "water":
            continue
        hours = hours_of_day(case, case.start_ns[moved.late])
        title = _NOW_AND_THEN[name, hours is not None]
        values = {"hours": hours} if hours is not None else {"count": moved.episodes}
        evidence = {
            "how": moved.kind,
            "hours": hours,
            "episodes": moved.episodes,
            f"{'split' if name == 'condenser_split_k' else 'discharge'}_rise_k": rounded(moved.total, 1),
        }
        usual = moved.judged & ~moved.late
        sure = statistics.phi(2 * moved.total / case.thresholds[least] - 1)
        return _seen(case, moved.late, usual, title(rise_k=rounded(moved.total, 1), **values), evidence, sure)
    return None


def _signs(case: Case) -> list[_Sign]:
    """Measures that rose for good, strongest first; none where the evaporator grew warmer, which is the charge's doing."""
    t, steady = case.thresholds, case.steady
    ends = np.where(steady, case.column("freeze_end_c"), np.nan)
    slope, slope_sd = t["freeze_end_k_per_k"], t["freeze_end_k_per_k_sd"]
    warmer = change_of(case, ends, least=t["freeze_end_rise_k"], slope=slope, slope_sd=slope_sd)
    if warmer is not None and warmer.total > 0:
        return []
    current, split = case.column("freeze_current_a"), case.column("condenser_split_k")
    if case.unit.cooling == "water":
        split = np.full(case.n, np.nan)  # the regulating valve opens as the condenser fouls, which narrows it
    looked_at = (
        ("split", split, t["condenser_rise_k"], 0.0, t["split_k_per_k_sd"]),
        ("over_air", case.refrigeration.condensing_over_air_k, t["condenser_rise_k"], 0.0, t["split_k_per_k_sd"]),
        ("discharge", case.column("discharge_peak_c"), t["discharge_rise_k"], t["discharge_k_per_k"], t["discharge_k_per_k_sd"]),
        ("current", np.log(np.where(current > 0, current, np.nan)), math.log1p(t["current_rise_pct"] / 100),
         t["current_pct_per_k"] / 100, t["current_pct_per_k_sd"] / 100),
    )  # fmt: skip
    signs = []
    for name, values, enough, slope, slope_sd in looked_at:
        values, least = np.where(steady, values, np.nan), t["sign_least_pct"] / 100 * enough
        found = change_of(case, values, least=least, slope=slope, slope_sd=slope_sd)
        if found is not None and found.total > 0:
            signs.append(_Sign(name=name, share=found.total / enough, change=found))
    return sorted(signs, key=lambda s: (s.name == "current", -s.share))


def _worse(case: Case, signs: list[_Sign], total: float) -> Seen:
    first = signs[0]
    (early, late), rise = first.change.ends, first.change.total
    said = (_WORSE_SLOWLY if first.change.kind == "ramp" else _WORSE)[first.name]
    if first.name == "current":
        title = said(rise_pct=rounded(100 * math.expm1(rise), 1))
    elif first.name == "split":
        title = said(rise_k=rounded(rise, 1), after_k=rounded(first.change.after, 1))
    else:
        title = said(rise_k=rounded(rise, 1))
    evidence: dict[str, float | str] = {"how": first.change.kind}
    for sign in signs:
        if sign.name == "current":
            evidence["current_rise_pct"] = rounded(100 * math.expm1(sign.change.total), 1)
        else:
            evidence |= {
                f"{sign.name}_rise_k": rounded(sign.change.total, 1),
                f"{sign.name}_rise_low_k": rounded(sign.change.low, 1),
                f"{sign.name}_rise_high_k": rounded(sign.change.high, 1),
            }
    sure = min(statistics.phi(2 * (total - 0.5)), first.change.sure)
    return _seen(case, late, early, title, evidence, sure, begun=first.change.first)


def _seen(
    case: Case,
    cycles: np.ndarray,
    usual: np.ndarray | None,
    title: Text,
    evidence: dict,
    confidence: float,
    *,
    begun: int | None = None,
) -> Seen:
    """What was found in `cycles` (bool (n,)); `begun`: the cycle in which it began, where that is an earlier one."""
    at = np.flatnonzero(cycles)
    discharge = middle(case.column("discharge_peak_c")[cycles])
    over = at[-1] < (1 - case.thresholds["over_pct"] / 100) * (
        case.n - 1
    )  # it is so no longer: nobody need be sent
    losing = (
        usual is not None
        and usual.any()
        and case.level("freeze_min", cycles)
        > (1 + case.thresholds["hot_act_pct"] / 100) * case.level("freeze_min", usual)
    )
    return Seen(
        severity=Severity.ACT
        if not over and (losing or discharge > case.thresholds["discharge_hot_c"])
        else Severity.WATCH,
        title=title,
        start_ns=int(case.start_ns[at[0] if begun is None else begun]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=cycles,
        usual=usual,
        evidence={
            **evidence,
            "air_c": rounded(middle(case.air_c), 1),
            "cycles_judged": int(case.steady.sum()),
        },
        confidence=confidence,
        causes=_WATER_COOLED if case.unit.cooling == "water" else None,
    )


def _warm_water(case: Case):
    t = case.thresholds
    water = np.where(np.isfinite(case.column("water_in_c")), case.water_c, np.nan)
    slope, slope_sd = t["water_k_per_k"], t["water_k_per_k_sd"]
    rise = change_of(case, water, least=t["water_rise_k"], slope=slope, slope_sd=slope_sd)
    if rise is not None and rise.total > 0 and rise.after > t["water_rated_c"]:
        loss_pct = 100 * (1 - heat_kj_per_kg(rise.before) / heat_kj_per_kg(rise.after))
        title = _WARMER(
            rise_k=rounded(rise.total, 1), water_c=rounded(rise.after, 1), loss_pct=rounded(loss_pct, 1)
        )
        return _warm(
            case,
            rise.late,
            title,
            rise.after,
            loss_pct,
            statistics.phi(2 * rise.total / t["water_rise_k"] - 1),
        )
    warm = case.water_c > t["warm_water_c"]
    if warm.sum() < max(t["band_cycles"], t["warm_share_pct"] / 100 * np.isfinite(case.water_c).sum()):
        return None
    typical = middle(case.water_c[warm])
    loss_pct = 100 * (1 - heat_kj_per_kg(t["water_rated_c"]) / heat_kj_per_kg(typical))
    title = _WARM(water_c=rounded(typical, 1), loss_pct=rounded(loss_pct, 1))
    sure = statistics.phi((typical - t["warm_water_c"]) / t["clip_sigma_k"] + 0.5)
    return _warm(case, warm, title, typical, loss_pct, sure)


def _warm(
    case: Case, cycles: np.ndarray, title: Text, water_c: float, loss_pct: float, confidence: float
) -> Seen:
    at = np.flatnonzero(cycles)
    return Seen(
        severity=Severity.WATCH if loss_pct >= case.thresholds["warm_water_watch_pct"] else Severity.NOTE,
        title=title,
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=cycles,
        evidence={
            "water_c": rounded(water_c, 1),
            "rated_c": case.thresholds["water_rated_c"],
            "loss_pct": rounded(loss_pct, 1),
            "measured_by": "probe" if case.has("water_in_c", 1) else "unit.toml",
        },
        confidence=confidence,
        flag_cycles=False,
    )


_WATER_COOLED = ("condenser-water", "overcharge-or-air", "water-warm")


_HUNTS = phrase(
    "finding.valve-hunting.title",
    "The suction line swings by {swing_k} to and fro in {count} of {of} freezes, about every {period_s}",
)
_FASTER = phrase("needs.faster-line", "a probe on the suction line logged at {slowest_s} or faster")


def _hunts(case: Case):
    short = cycles_needed("band_cycles")(case)
    if short:
        return short
    t, seen = case.thresholds, case.swing
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
        code="condenser-hot",
        test=_condenser_hot,
        needs=(NEEDS_REJECTION, NEEDS_REFRIGERANT),
        shows=Shows(roles=("discharge", "condenser_out", "discharge_pressure", "condenser_in")),
        causes=("condenser-dirty", "condenser-fan", "overcharge-or-air", "room-hot"),
    ),
    Rule(
        code="warm-water",
        test=_warm_water,
        needs=(NEEDS_WATER,),
        shows=Shows(roles=("water_in", "reservoir")),
        causes=("water-warm",),
    ),
    Rule(
        code="valve-hunting",
        test=_hunts,
        needs=(NEEDS_COLD,),
        causes=("metering-hunts", "charge-low", "metering"),
        shows=Shows(about="freeze", roles=("suction", "evaporator"), telling="middle"),
    ),
)  # fmt: skip
