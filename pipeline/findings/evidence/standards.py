"""What a healthy machine would do, by whatever stands outside the log: the service sheet, earlier visits, sister machines, nameplate and
weighed slab, the narrow band of the small slab machine; last, and told to be no standard, the wide band of the kind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.findings.evidence.case import Case
from pipeline.findings.methods import statistics
from pipeline.findings.methods.conditions import capacity_factor
from pipeline.findings.methods.statistics import middle

_NEAR_K = 3.0  # rows of the service sheet that are so near in air or water count alike


@dataclass(frozen=True, kw_only=True)
class Standard:
    """A band of healthy lengths [min] and what it rests on."""

    low: float
    high: float
    basis: str  # "service sheet", "earlier visits", "sister machines", "nameplate and slab", "kind, narrow", "kind, wide"
    sharp: bool = (
        False  # leaving it by a good part is known to cost ice: else it is a reason to look, no more
    )

    @property
    def tells(self) -> bool:
        """Whether a machine within it is known to be as fast as it should be."""
        return self.basis != "kind, wide"


def freeze_standard(case: Case) -> Standard:
    """The best standard there is for the freezes of `case`, at its usual air and water."""
    unit, t = case.unit, case.thresholds
    if unit.expected.freeze_min is not None:
        low, high = unit.expected.freeze_min
        return Standard(low=low, high=high, basis="service sheet", sharp=True)
    sheet = [(row.air_c, row.water_c, row.freeze_min) for row in unit.expected.at]
    if sheet:
        return _about(*_from_sheet(case, sheet), t["sheet_out_pct"], "service sheet")
    known = [s for s in (_by_earlier(case), _by_sisters(case, "freeze_min")) if s is not None]
    if known:
        return min(known, key=lambda s: s.high)
    asked = plate_freeze_min(case)
    if asked is not None:
        return _about(asked, asked, t["plate_out_pct"], "nameplate and slab")
    return _of_kind(case)


def _by_earlier(case: Case) -> Standard | None:
    """What the unit did when it was judged good; wider, and no proof of a loss, where nobody knows the air of then or now."""
    t, visits = case.thresholds, [m for m in case.elsewhere.earlier if m.freeze_min > 0]
    if not visits:
        return None
    middle_min = float(np.median([m.freeze_min * _carried(case, m.air_c, m.water_c) for m in visits]))
    alike = math.isfinite(middle(case.air_c)) and all(math.isfinite(m.air_c) for m in visits)
    far = t["earlier_out_pct"] + (0.0 if alike else t["unlike_pct"])
    # Shorter than an earlier visit's is no fault by itself: it may have been slow then.
    low = min(_of_kind(case).low, middle_min)
    return Standard(low=low, high=middle_min * (1 + far / 100), basis="earlier visits", sharp=alike)


def _by_sisters(case: Case, name: str) -> Standard | None:
    """What the unit's sisters do, by their freezes or harvests (`name`): as far from their middle as they themselves lie scattered, and more."""
    t = case.thresholds
    carried = name == "freeze_min"
    lengths = [
        getattr(m, name) * (_carried(case, m.air_c, m.water_c) if carried else 1.0)
        for m in case.elsewhere.sisters
    ]
    lengths = np.array([x for x in lengths if x > 0])
    if len(lengths) < t["sisters_least"]:
        return None
    middle_min = float(np.median(lengths))
    scatter = statistics.spread(np.abs(np.log(lengths / middle_min)))
    far = max(t["sister_out_pct" if carried else "sister_harvest_pct"], 100 * t["sister_z"] * scatter)
    return _about(middle_min, middle_min, far, "sister machines", sharp=False)


def harvest_standard(case: Case) -> Standard:
    """The best standard there is for the harvests of `case`."""
    unit, t = case.unit, case.thresholds
    if unit.expected.harvest_min is not None:
        low, high = unit.expected.harvest_min
        return Standard(low=low, high=high, basis="service sheet", sharp=True)
    sheet = [
        (row.air_c, row.water_c, row.harvest_min) for row in unit.expected.at if row.harvest_min is not None
    ]
    if sheet:
        return _about(*_from_sheet(case, sheet, carried=False), 2 * t["sheet_out_pct"], "service sheet")
    beside = _by_sisters(case, "harvest_min")
    if beside is not None:
        return beside
    if unit.kind == "slab":
        far = t["slab_harvest_tolerance_pct"] / 100
        low, high = t["slab_harvest_low_min"] * (1 - far), t["slab_harvest_high_min"] * (1 + far)
        return Standard(low=low, high=high, basis="kind, narrow")
    low, high = unit.expected_harvest_min
    return Standard(low=low, high=high, basis="kind, wide")


def _about(low: float, high: float, far_pct: float, basis: str, *, sharp: bool = True) -> Standard:
    return Standard(low=low * (1 - far_pct / 100), high=high * (1 + far_pct / 100), basis=basis, sharp=sharp)


def _of_kind(case: Case) -> Standard:
    t, air, water = case.thresholds, middle(case.air_c), middle(case.water_c)
    if case.unit.kind == "slab":
        # Known air and water move the band; where they are not, it is wide enough for a warm kitchen.
        factor = _factor(case, air, water, t["band_air_c"], t["band_water_c"])
        unknown = t["slab_unknown_pct"] / 100 if math.isnan(air) else 0.0
        high = t["slab_high_min"] * (1 + t["slab_tolerance_pct"] / 100) * (1 + unknown)
        low = t["slab_low_min"] * (1 - t["slab_short_pct"] / 100)
        return Standard(low=min(low, low / factor), high=max(high, high / factor), basis="kind, narrow")
    low, high = case.unit.expected_freeze_min
    air = t["unknown_air_c"] if math.isnan(air) else air
    water = t["unknown_water_c"] if math.isnan(water) else water
    factor = _factor(case, air, water, t["band_air_c"], t["band_water_c"])
    # Only ever widened: a cold room or cold water does not excuse a freeze that its kind allows anywhere.
    return Standard(low=min(low, low / factor), high=max(high, high / factor), basis="kind, wide")


def _factor(case: Case, air: float, water: float, rated_air: float, rated_water: float) -> float:
    per_k = case.thresholds["air_pct_per_k"] / 100
    return capacity_factor(air, water, rated_air_c=rated_air, rated_water_c=rated_water, per_k=per_k)


def _carried(case: Case, air_c: float, water_c: float) -> float:
    """By what a freeze at `air_c` and `water_c` must be multiplied to stand for one at this log's conditions."""
    air, water = middle(case.air_c), middle(case.water_c)
    at = (air if math.isfinite(air_c) else math.nan, water if math.isfinite(water_c) else math.nan)
    return 1 / _factor(case, *at, air_c, water_c)


def _from_sheet(
    case: Case, rows: Sequence[tuple[float, float, float | tuple[float, float]]], *, carried: bool = True
) -> tuple[float, float]:
    """Least and most of the service sheet at the log's usual air and water: each row carried there, near ones counting most."""
    air, water = middle(case.air_c), middle(case.water_c)
    weights, lows, highs = [], [], []
    for row_air, row_water, length in rows:
        low, high = length if isinstance(length, tuple) else (length, length)
        times = _carried(case, row_air, row_water) if carried else 1.0
        away = sum((a - b) ** 2 for a, b in ((air, row_air), (water, row_water)) if math.isfinite(a))
        weights.append(1 / (away + _NEAR_K**2) ** 2)
        lows.append(low * times)
        highs.append(high * times)
    return float(np.average(lows, weights=weights)), float(np.average(highs, weights=weights))


def plate_freeze_min(case: Case) -> float | None:
    """The freeze that nameplate, weighed slab and usual harvest ask for, at the log's air and water [min]."""
    plate, slab = case.unit.nameplate, case.unit.measured.slab_kg
    if plate.ice_kg_per_day is None or slab is None:
        return None
    at = (middle(case.air_c), middle(case.water_c))
    factor = min(_factor(case, *at, *rated) for rated in plate_conditions(case))
    harvest = case.level("harvest_min", case.harvests)
    cycle = slab * 1440 / (plate.ice_kg_per_day * factor)
    freeze = cycle - (harvest if math.isfinite(harvest) else 0.0)
    return freeze if freeze > 0 else None


def plate_conditions(case: Case) -> tuple[tuple[float, float], ...]:
    """The (air, water) [°C] for which the nameplate may hold: as unit.toml says, else the rating point and a small machine's cooler one."""
    plate, t = case.unit.nameplate, case.thresholds
    usual = (("air_rated_c", "water_rated_c"), ("air_small_c", "water_small_c"))
    return tuple(
        dict.fromkeys(
            (
                t[air] if plate.at_air_c is None else plate.at_air_c,
                t[water] if plate.at_water_c is None else plate.at_water_c,
            )
            for air, water in usual
        )
    )
