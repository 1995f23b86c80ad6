"""What the machine is given: heat rejection and supply water."""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.case import Case
from pipeline.findings.changes import Change, change
from pipeline.findings.conditions import heat_kj_per_kg
from pipeline.findings.finding import Severity
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import NEEDS_REJECTION, NEEDS_WATER, Rule, Seen

_SPLIT = phrase("finding.condenser-hot.split", "Heat rejection is poor: what leaves the condenser is {split_k} above what enters it")
_RISE = phrase("finding.condenser-hot.rise", "Heat rejection has become worse: the condenser split rose by {rise_k}, to {after_k}")
_OVER_AIR = phrase("finding.condenser-hot.over-air", "Heat rejection is poor: it condenses {over_air_k} above the air it is given")
_DISCHARGE = phrase("finding.condenser-hot.discharge", "The discharge line reaches {discharge_c}")
_DISCHARGE_RISE = phrase("finding.condenser-hot.discharge-rise", "The discharge line has become {rise_k} hotter at the same air")
_WARM = phrase("finding.warm-water.title", "The supply water arrives at {water_c}: it costs {loss_pct} of the rated output")

_SPLIT_SIGMA_K = 2.0  # two clipped probes in moving air: common practice, no source
_DISCHARGE_RISE_SHARE = 3.0  # the discharge line moves about three times as far as the split: common practice, no source


def _condenser_hot(case: Case):
    t = case.thresholds
    split = np.where(case.steady, case.column("condenser_split_k"), np.nan)
    limit = t["condenser_split_k" if case.unit.cooling == "air" else "condenser_split_water_k"]
    rise = change(case, split, least=t["condenser_rise_k"], p=t["drift_p"], air_slope=0.0, air_slope_sd=0.15)
    if rise is not None and rise.total > 0:
        late = _late(case, rise, split)
        return _seen(case, late, rise.judged & ~late, _RISE(rise_k=_r(rise.total), after_k=_r(rise.after)), {
            "before_k": _r(rise.before), "after_k": _r(rise.after), "rise_k": _r(rise.total), "rise_low_k": _r(rise.low),
            "rise_high_k": _r(rise.high), "how": rise.kind,
        }, statistics.phi(2 * rise.total / t["condenser_rise_k"] - 1))  # fmt: skip
    typical = _median(split)
    if typical > limit:
        return _seen(case, np.isfinite(split), None, _SPLIT(split_k=_r(typical)), {
            "split_k": _r(typical), "limit_k": limit, "air_c": _r(_median(case.air_c)),
        }, statistics.phi((typical - limit) / _SPLIT_SIGMA_K))  # fmt: skip
    over_air = _median(case.refrigeration.condensing_over_air_k)
    if over_air > t["condensing_over_air_k"]:
        judged = np.isfinite(case.refrigeration.condensing_over_air_k)
        return _seen(case, judged, None, _OVER_AIR(over_air_k=_r(over_air)), {
            "over_air_k": _r(over_air), "condensing_c": _r(_median(case.refrigeration.condensing_c)),
            "limit_k": t["condensing_over_air_k"],
        }, statistics.phi((over_air - t["condensing_over_air_k"]) / _SPLIT_SIGMA_K))  # fmt: skip
    return _by_discharge(case)


def _by_discharge(case: Case):
    t = case.thresholds
    discharge = np.where(case.steady, case.column("discharge_peak_c"), np.nan)
    hot = discharge > t["discharge_hot_c"]
    if hot.sum() >= 3:
        return _seen(case, hot, np.isfinite(discharge) & ~hot, _DISCHARGE(discharge_c=_r(_median(discharge[hot]))), {
            "discharge_c": _r(_median(discharge[hot])), "limit_c": t["discharge_hot_c"], "air_c": _r(_median(case.air_c)),
        }, statistics.phi((_median(discharge[hot]) - t["discharge_hot_c"]) / 3 + 0.5))  # fmt: skip
    least = _DISCHARGE_RISE_SHARE * t["condenser_rise_k"]
    rise = change(case, discharge, least=least, p=t["drift_p"], air_slope=1.0, air_slope_sd=0.5)
    ends = np.where(case.steady, case.column("freeze_end_c"), np.nan)
    starved = change(case, ends, least=t["freeze_end_rise_k"], p=t["drift_p"], air_slope=0.1, air_slope_sd=0.15)
    if rise is None or rise.total < 0 or (starved is not None and starved.total > 0):
        return None  # a hotter discharge with a warmer evaporator is the charge's doing, not the condenser's
    late = _late(case, rise, discharge)
    return _seen(case, late, rise.judged & ~late, _DISCHARGE_RISE(rise_k=_r(rise.total)), {
        "before_c": _r(rise.before), "after_c": _r(rise.after), "rise_k": _r(rise.total), "how": rise.kind,
    }, 0.8 * statistics.phi(2 * rise.total / least - 1))  # fmt: skip


def _late(case: Case, rise: Change, values: np.ndarray) -> np.ndarray:
    late = rise.judged & (np.arange(case.n) >= rise.first)
    return late & (values > rise.before + rise.total / 2) if rise.kind == "drift" else late


def _seen(case: Case, cycles: np.ndarray, usual: np.ndarray | None, title, evidence, confidence: float) -> Seen:
    at = np.flatnonzero(cycles)
    discharge = _median(case.column("discharge_peak_c")[cycles])
    losing = usual is not None and usual.any() and case.level("freeze_min", cycles) > 1.15 * case.level("freeze_min", usual)
    return Seen(
        severity=Severity.ACT if losing or discharge > case.thresholds["discharge_hot_c"] else Severity.WATCH,
        title=title,
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=cycles,
        usual=usual,
        evidence={**evidence, "cycles_judged": int(case.steady.sum())},
        confidence=confidence,
        causes=_WATER_COOLED if case.unit.cooling == "water" else None,
    )


def _warm_water(case: Case):
    t = case.thresholds
    water = _median(case.water_c)
    if not water > t["warm_water_c"]:
        return None
    loss_pct = 100 * (1 - heat_kj_per_kg(t["water_rated_c"]) / heat_kj_per_kg(water))
    warm = case.water_c > t["warm_water_c"]
    at = np.flatnonzero(warm)
    return Seen(
        severity=Severity.WATCH if water > t["warm_water_watch_c"] else Severity.NOTE,
        title=_WARM(water_c=_r(water), loss_pct=_r(loss_pct)),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=warm,
        evidence={
            "water_c": _r(water),
            "rated_c": t["water_rated_c"],
            "loss_pct": _r(loss_pct),
            "measured_by": "probe" if case.has("water_in_c", 1) else "unit.toml",
        },
        confidence=statistics.phi((water - t["warm_water_c"]) / 1.5 + 0.5),
        flag_cycles=False,
    )


def _median(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _r(value: float) -> float:
    return round(value, 1)


_WATER_COOLED = ("condenser-water", "overcharge-or-air", "water-warm")

RULES = (
    Rule(
        code="condenser-hot",
        test=_condenser_hot,
        needs=(NEEDS_REJECTION,),
        thresholds=("condenser_split_k", "condenser_split_water_k", "condenser_rise_k", "condensing_over_air_k",
                    "discharge_hot_c", "drift_p", "freeze_end_rise_k"),
        causes=("condenser-dirty", "condenser-fan", "overcharge-or-air", "room-hot"),
        quiet_when=("no-ice",),
    ),
    Rule(
        code="warm-water",
        test=_warm_water,
        needs=(NEEDS_WATER,),
        thresholds=("warm_water_c", "warm_water_watch_c", "water_rated_c"),
        causes=("water-warm",),
    ),
)  # fmt: skip
