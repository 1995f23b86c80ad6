"""Ice made and energy used, as far as the log can say, beside what nameplate and regulation say; and what a finding costs of them."""

from __future__ import annotations

import math

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.evidence.case import NS_PER_DAY, Case
from pipeline.findings.evidence.energy_limits import PARAGRAPH_C, limit_of
from pipeline.findings.evidence.standards import plate_conditions
from pipeline.findings.finding import Output
from pipeline.findings.methods import statistics
from pipeline.findings.methods.conditions import capacity_factor
from pipeline.findings.methods.statistics import middle
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import Seen

_WEIGHED = phrase("output.basis.weighed", "Cycles while running × a weighed slab of {slab_kg}")
_BOUNDED = phrase(
    "output.basis.bounded",
    "Cycles while running × a slab bounded by the nameplate: {low_kg} to {high_kg}, not weighed",
)
_CYCLES = phrase(
    "output.basis.cycles",
    "Cycles alone: without a weighed slab or a nameplate the log cannot say how much ice they made",
)
_MEASURED = phrase("output.energy.measured", "From the logged power of whole cycles and a weighed slab")
_ESTIMATED = phrase(
    "output.energy.estimated",
    "An estimate: current × voltage × power factor, as logged or given in unit.toml, over whole cycles and a weighed slab",
)
_EQUIPMENT = {
    "head": "ice-making head",
    "remote-head": "remote condensing with the compressor in the head",
    "remote-compressor": "remote condensing with a remote compressor",
    "self-contained": "self-contained",
}
_LIMIT = {
    (equipment, cooling): phrase(
        f"output.limit.{equipment}.{cooling}",
        f"10 CFR 431.136({{paragraph}}), {words}, {cooling}-cooled, at the nameplate's capacity. A field log is not a certified "
        "test: the standard takes stabilised cycles of a new machine at fixed air, water and pressure",
    )
    for equipment, words in _EQUIPMENT.items()
    for cooling in ("air", "water")
    if (equipment, cooling) in PARAGRAPH_C
}
_MET = phrase(
    "output.demand-met",
    "It rested for {rest_h} of {covered_h} after harvests, as with a full bin: demand was met",
)
_AT_BOTH = phrase("output.expected.both", "at the logged {air_c} air and {water_c} water")
_AT_AIR = phrase("output.expected.air", "at the logged {air_c} air; the water is not known")
_AT_WATER = phrase("output.expected.water", "at the logged {water_c} water")
_AT_PLATE = phrase(
    "output.expected.plate", "at the plate's conditions, {air_c} air and {water_c} water: neither was logged"
)
_AT_UNKNOWN = phrase(
    "output.expected.unknown",
    "at the plate's conditions, which unit.toml does not say, and neither air nor water was logged (a small machine's plate often holds for "
    "{cool_air_c} air and {cool_water_c} water, others for {air_c} and {water_c}): give at_air_c and at_water_c",
)
_AT_LEAST = phrase(
    "output.expected.least",
    "at the least: unit.toml does not say for which air and water the plate holds (a small machine's often for {cool_air_c} and {cool_water_c}, others "
    "for {air_c} and {water_c}); whichever asks for less is taken; give at_air_c and at_water_c",
)


def cycles_per_day(case: Case) -> float | None:
    """Cycles in 24 h of running: idles with a full bin and gaps are no fault of the machine, so they are left out."""
    whole = (
        case.flag("complete") & ~case.broken & np.isfinite(case.freeze_min) & np.isfinite(case.harvest_min)
    )
    minutes = float((case.freeze_min + case.harvest_min)[whole].sum())
    enough = whole.sum() >= case.thresholds["band_cycles"] and minutes > 0
    return 1440 * int(whole.sum()) / minutes if enough else None


def slab_bounds_kg(case: Case) -> tuple[float, float] | None:
    """Least and most ice of one cycle [kg], from the nameplate: it cannot make more than its capacity at these
    conditions allows (and a tolerance), nor, if it works at all, much under half of that."""
    rate, asked = cycles_per_day(case), _by_plate(case)
    if not asked or rate is None:
        return None
    t = case.thresholds
    most = (1 + t["plate_tolerance_pct"] / 100) / rate
    return t["slab_heat_share_low"] * most * min(asked), most * max(asked)


def expected_kg_per_day(case: Case) -> float | None:
    """The nameplate's ice per day at the logged air and water, or at the plate's own conditions where neither was logged; the least that it
    may ask for, where nobody says for which conditions it holds. None without a nameplate."""
    return min(_by_plate(case), default=None)


def _by_plate(case: Case) -> list[float]:
    """What the nameplate asks for at the log's usual air and water [kg a day], by each of the conditions that it may hold for."""
    plate = case.unit.nameplate
    if plate.ice_kg_per_day is None:
        return []
    air, water = conditions_of(case)
    return [
        plate.ice_kg_per_day
        * capacity_factor(air, water, rated_air_c=at_air, rated_water_c=at_water, per_k=case.thresholds["air_pct_per_k"] / 100)
        for at_air, at_water in plate_conditions(case)
    ]  # fmt: skip


def conditions_of(case: Case) -> tuple[float, float]:
    """The usual air (of an air-cooled unit) and water [°C], NaN where they are not known."""
    air = middle(case.air_c[case.steady]) if case.unit.cooling == "air" else math.nan
    return air, middle(case.water_c[case.steady])


def expected_basis(case: Case):
    """For which conditions the expectation holds; None without one."""
    plate, t = case.unit.nameplate, case.thresholds
    if plate.ice_kg_per_day is None:
        return None
    air, water = conditions_of(case)
    told, logged = (
        plate.at_air_c is not None and plate.at_water_c is not None,
        (math.isfinite(air), math.isfinite(water)),
    )
    if not told:
        return (_AT_LEAST if any(logged) else _AT_UNKNOWN)(
            air_c=t["air_rated_c"],
            water_c=t["water_rated_c"],
            cool_air_c=t["air_small_c"],
            cool_water_c=t["water_small_c"],
        )
    if all(logged):
        return _AT_BOTH(air_c=round(air, 1), water_c=round(water, 1))
    if logged[0]:
        return _AT_AIR(air_c=round(air, 1))
    if logged[1]:
        return _AT_WATER(water_c=round(water, 1))
    return _AT_PLATE(air_c=plate.at_air_c, water_c=plate.at_water_c)


def made_cycles_per_day(case: Case) -> tuple[float, float] | None:
    """(cycles made in 24 h of the time that the log covers, rests included; hours covered); None where nothing was made or seen."""
    covered = case.hours(*(kind for kind in PhaseKind if kind is not PhaseKind.GAP))
    made = int(((case.harvest_ns > 0) & ~case.repeats).sum())
    return (24 * made / covered, covered) if covered > 0 and made else None


def output(case: Case) -> Output:
    """Ice a day as made and as running without a rest would make it, bounds and basis, and energy beside the published limit."""
    rate, by_day = cycles_per_day(case), made_cycles_per_day(case)
    if rate is None or by_day is None:
        return Output()
    share = by_day[0] / rate
    rest_h = sum(s.minutes for s in case.stops if s.after == "harvest") / 60
    slab = case.unit.measured.slab_kg
    made = low = high = None
    if slab is not None:
        made = rate * slab
        off = 2 * case.thresholds["slab_sigma_pct"] / 100
        low, high = made * (1 - off), made * (1 + off)
        basis = _WEIGHED(slab_kg=slab)
    elif (bounds := slab_bounds_kg(case)) is not None:
        low, high = rate * bounds[0], rate * bounds[1]
        basis = _BOUNDED(low_kg=round(bounds[0], 2), high_kg=round(bounds[1], 2))
    else:
        basis = _CYCLES()
    limit = limit_of(case.unit) if _near_rating(case) else None
    energy = _energy_kwh_per_kg(case, slab)
    return Output(
        cycles_per_day=round(rate, 2),
        made_cycles_per_day=round(by_day[0], 2),
        ice_kg_per_day=made,
        ice_kg_per_day_low=low,
        ice_kg_per_day_high=high,
        made_ice_kg_per_day=_times(made, share),
        made_ice_kg_per_day_low=_times(low, share),
        made_ice_kg_per_day_high=_times(high, share),
        demand=_MET(rest_h=round(rest_h, 1), covered_h=round(by_day[1], 1))
        if rest_h >= case.thresholds["demand_rest_h"]
        else None,
        basis=basis,
        expected_kg_per_day=expected_kg_per_day(case),
        expected_basis=expected_basis(case),
        energy_kwh_per_kg=energy,
        energy_basis=None if energy is None else _MEASURED() if case.timeline.get("power") else _ESTIMATED(),
        limit_kwh_per_kg=None if limit is None else limit.kwh_per_kg,
        limit_basis=None
        if limit is None
        else _LIMIT[limit.equipment, limit.cooling](paragraph=limit.paragraph),
    )


def _times(value: float | None, share: float) -> float | None:
    return None if value is None else value * share


def _near_rating(case: Case) -> bool:
    """Whether air and water are near the rating point for which energy limits are published, as far as they are known."""
    t, (air, water) = case.thresholds, conditions_of(case)
    pairs = ((air, t["air_rated_c"]), (water, t["water_rated_c"]))
    known = [abs(found - rated) for found, rated in pairs if math.isfinite(found)]
    return bool(known) and max(known) <= t["limit_near_k"]


def _energy_kwh_per_kg(case: Case, slab_kg: float | None) -> float | None:
    energy = case.column("energy_kwh")[case.flag("complete") & ~case.broken]
    energy = energy[np.isfinite(energy)]
    enough = len(energy) >= case.thresholds["band_cycles"]
    return float(np.median(energy)) / slab_kg if slab_kg and enough else None


def loss_of(case: Case, seen: Seen) -> dict[str, float]:
    """Ice [kg a day] and energy [kWh a day] lost from the finding's first cycle to its last, each with its 95 % interval.

    Ice needs a slab that was weighed, or a nameplate, which bounds it; energy needs power, or current with voltage and power factor.
    Its slabs are taken to weigh what the usual ones do. {} where the finding has no cycles to compare, where these take no longer, or where neither is known.
    """
    if seen.cycles is None or seen.usual is None:
        return {}
    focus, usual = np.asarray(seen.cycles), np.asarray(seen.usual) & ~case.repeats
    days = (seen.end_ns - seen.start_ns) / NS_PER_DAY
    minutes = _with_repeats(case)
    longer = _shift(minutes, focus, usual, case)
    out: dict[str, float] = {}
    if longer is None or days <= 0:
        return out
    times = int(focus.sum()) / days
    lost_cycles = [
        times * m / float(np.nanmedian(minutes[usual])) for m in (longer.value, longer.low, longer.high)
    ]
    slab = case.unit.measured.slab_kg
    off = 2 * case.thresholds["slab_sigma_pct"] / 100
    bounds = slab_bounds_kg(case) if slab is None else (slab * (1 - off), slab * (1 + off))
    if bounds is not None and longer.low > 0:
        if slab is not None:
            out["ice_lost_kg_per_day"] = round(slab * lost_cycles[0], 1)
        out["ice_lost_low_kg_per_day"] = round(bounds[0] * lost_cycles[1], 1)
        out["ice_lost_high_kg_per_day"] = round(bounds[1] * lost_cycles[2], 1)
    used = _shift(case.column("energy_kwh"), focus, usual, case)
    if used is not None and used.low > 0:
        out["energy_lost_kwh_per_day"] = round(times * used.value, 2)
        out["energy_lost_low_kwh_per_day"] = round(times * used.low, 2)
        out["energy_lost_high_kwh_per_day"] = round(times * used.high, 2)
    return out


def _with_repeats(case: Case) -> np.ndarray:
    """Minutes of every cycle (n,), with those of the repeated ones right after it, which bring no ice of their own."""
    minutes = case.freeze_min + np.nan_to_num(case.harvest_min)
    total = minutes.copy()
    for i in range(case.n - 1, 0, -1):
        if case.repeats[i] and np.isfinite(total[i]):
            total[i - 1] += total[i]
    return total


def _shift(values: np.ndarray, focus: np.ndarray, usual: np.ndarray, case: Case) -> statistics.Shift | None:
    """By how much the finding's cycles lie above the usual ones; None where either are too few."""
    known = np.isfinite(values) & case.flag("complete")
    here, there = values[known & focus], values[known & usual & ~focus]
    if len(here) == 0 or len(there) < case.thresholds["level_cycles"]:
        return None
    return statistics.hodges_lehmann(there, here)
