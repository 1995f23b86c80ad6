"""Before and after: what changed from one log of a unit to a later one, with intervals, and what air and water did."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings import thresholds
from pipeline.findings.evidence import statistics
from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.conditions import at_same_conditions
from pipeline.findings.phrase import Phrase, phrase
from pipeline.findings.rules.output import cycles_per_day
from pipeline.language.text import Text
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

_LEVEL = 0.95
_MOST = 400  # cycles of a side that enter the pairwise statistics

READS = ("compare_cycles", "same_air_k")


@dataclass(frozen=True, kw_only=True)
class Log:
    """One log of a unit, read and segmented."""

    timeline: Timeline
    record: CycleRecord


@dataclass(frozen=True, kw_only=True)
class Level:
    """Where a measure lies in one log, in its own unit: pseudo-median with its 95 % interval."""

    value: float
    low: float
    high: float
    cycles: int


@dataclass(frozen=True, kw_only=True)
class Shifted:
    """One measure of a cycle, before and after."""

    measure: str  # a column of the cycles, such as "freeze_min": its ending is the unit of the levels
    name: Text
    earlier: Level
    later: Level
    shift: float  # later minus earlier (Hodges–Lehmann), in the unit of the levels; K for temperatures
    low: float  # its 95 % interval
    high: float
    p: float  # two-sided, of "no shift" (Mann–Whitney)
    changed: bool  # the interval leaves zero out
    sentence: Text


@dataclass(frozen=True, kw_only=True)
class Condition:
    """What the machine was given in both logs [°C]."""

    measure: str  # "air_c" or "water_c"
    name: Text
    earlier_c: float
    later_c: float
    shift_k: float


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """What changed between two logs of a unit."""

    earlier_start_ns: int
    earlier_end_ns: int
    later_start_ns: int
    later_end_ns: int
    sentence: Text  # the one to say first
    shifts: tuple[Shifted, ...]
    conditions: tuple[Condition, ...]
    freeze_at_same_conditions: (
        Shifted | None
    )  # air and water taken out; None where they were not logged both times
    cycles_per_day_earlier: float | None
    cycles_per_day_later: float | None
    not_compared: tuple[Text, ...]  # names of the measures that one of the logs lacks


# measure -> (name, higher, lower): the words of a shift. Temperatures shift in K.
_MEASURES = {
    "freeze_min": ("Freeze", "Freezes are {shift} longer", "Freezes are {shift} shorter"),
    "harvest_min": ("Harvest", "Harvests are {shift} longer", "Harvests are {shift} shorter"),
    "freeze_end_c": ("Evaporator at the end of freeze", "Freezes end {shift} warmer", "Freezes end {shift} colder"),
    "harvest_peak_c": ("Evaporator at its warmest in harvest", "Harvests peak {shift} warmer", "Harvests peak {shift} colder"),
    "condenser_split_k": ("Condenser split", "The condenser split is {shift} wider", "The condenser split is {shift} narrower"),
    "discharge_peak_c": ("Discharge line at its hottest", "The discharge line is {shift} hotter", "The discharge line is {shift} cooler"),
    "freeze_current_a": ("Current in freeze", "The current in freeze is {shift} higher", "The current in freeze is {shift} lower"),
    "charge_ah": ("Charge a cycle", "A cycle draws {shift} more", "A cycle draws {shift} less"),
    "energy_kwh": ("Energy a cycle", "A cycle takes {shift} more", "A cycle takes {shift} less"),
}  # fmt: skip
_AIR = {
    "same": ", at the same air temperature",
    "warmer": ", with the air {air_k} warmer",
    "cooler": ", with the air {air_k} cooler",
    "unknown": "; the air was not logged both times",
}


def _suffix(measure: str) -> str:
    """The unit of a shift of `measure`, as the ending of a value's name."""
    ending = measure.rsplit("_", 1)[1]
    return "k" if ending == "c" else ending


def _sentences(measure: str, name: str, higher: str, lower: str) -> dict[tuple[str, str, str], Phrase]:
    """A sentence for each direction; the freeze's says what the air did, since that is the first thing to ask."""
    unit = _suffix(measure)
    shift, low, high = f"{{shift_{unit}}}", f"{{low_{unit}}}", f"{{high_{unit}}}"
    words = {
        "higher": f"{higher.replace('{shift}', shift)} (95 % interval {low} to {high})",
        "lower": f"{lower.replace('{shift}', shift)} (95 % interval {low} to {high})",
        "same": f"{name}: no change to be seen (95 % interval {low} to {high})",
    }
    tails = _AIR if measure == "freeze_min" else {"": ""}
    return {
        (measure, direction, air): phrase(f"compare.{measure}.{direction}{air and '.'}{air}", english + tail)
        for direction, english in words.items()
        for air, tail in tails.items()
    }


_NAMES = {measure: phrase(f"compare.{measure}", row[0]) for measure, row in _MEASURES.items()}
_SENTENCES = {k: v for m, row in _MEASURES.items() for k, v in _sentences(m, *row).items()}
_CONDITIONS = {
    "air_c": phrase("compare.air_c", "Air (or water) into the condenser"),
    "water_c": phrase("compare.water_c", "Supply water"),
}
_ADJUSTED = phrase("compare.adjusted", "Freeze, set to the same air and water")
_ADJUSTED_SENTENCES = {
    "higher": phrase("compare.adjusted.higher", "At the same air and water, freezes would be {shift_min} longer (95 % interval {low_min} to {high_min})"),
    "lower": phrase("compare.adjusted.lower", "At the same air and water, freezes would be {shift_min} shorter (95 % interval {low_min} to {high_min})"),
    "same": phrase("compare.adjusted.same", "At the same air and water, freezes would be as long as before (95 % interval of the change {low_min} to {high_min})"),
}  # fmt: skip
_TOO_FEW = phrase(
    "compare.too-few",
    "The two logs have too few whole cycles in common to be compared: {earlier} and {later}, of {least} needed",
)


def compare(earlier: Log, later: Log, unit: Unit) -> Comparison:
    """What changed from one log of `unit` to a later one.

    Shifts are Hodges–Lehmann estimates with rank-based 95 % intervals, widened where neighbouring cycles resemble each
    other. Steady cycles only: no pull-down freezes, no broken ones. Raises UnitConfigError as `judge` does.
    """
    in_force = thresholds.resolve(unit)
    before, after = (
        Case(timeline=log.timeline, record=log.record, unit=unit, thresholds=in_force)
        for log in (earlier, later)
    )
    least = int(in_force["compare_cycles"])
    conditions = tuple(c for c in (_condition(m, before, after) for m in _CONDITIONS) if c is not None)
    air = next((c.shift_k for c in conditions if c.measure == "air_c"), math.nan)
    shifts, lacking = [], []
    for measure in _MEASURES:
        x, y = _values(before, measure), _values(after, measure)
        if min(len(x), len(y)) < least:
            lacking.append(_NAMES[measure]())
        else:
            shifts.append(_shifted(measure, x, y, air, in_force["same_air_k"]))
    few = _TOO_FEW(earlier=int(before.steady.sum()), later=int(after.steady.sum()), least=least)
    return Comparison(
        earlier_start_ns=earlier.timeline.start_ns,
        earlier_end_ns=earlier.timeline.end_ns,
        later_start_ns=later.timeline.start_ns,
        later_end_ns=later.timeline.end_ns,
        sentence=shifts[0].sentence if shifts else few,
        shifts=tuple(shifts),
        conditions=conditions,
        freeze_at_same_conditions=_adjusted(before, after),
        cycles_per_day_earlier=cycles_per_day(before),
        cycles_per_day_later=cycles_per_day(after),
        not_compared=tuple(lacking),
    )


def _values(case: Case, measure: str) -> np.ndarray:
    """The measure over the cycles that may be compared, in time order."""
    values = case.column(measure)
    fit = case.harvests if measure.startswith("harvest") else case.steady
    return values[fit & np.isfinite(values)]


def _shifted(measure: str, x: np.ndarray, y: np.ndarray, air_k: float, same_k: float) -> Shifted:
    moved, before, after, changed, direction = _estimate(x, y)
    air = _air_word(air_k, same_k) if measure == "freeze_min" else ""
    values = _told(moved, direction, _suffix(measure)) | (
        {"air_k": abs(air_k)} if air in ("warmer", "cooler") else {}
    )
    return Shifted(
        measure=measure,
        name=_NAMES[measure](),
        earlier=before,
        later=after,
        shift=moved.value,
        low=moved.low,
        high=moved.high,
        p=moved.p,
        changed=changed,
        sentence=_SENTENCES[measure, direction, air](**values),
    )


def _air_word(air_k: float, same_k: float) -> str:
    if not math.isfinite(air_k):
        return "unknown"
    return "same" if abs(air_k) < same_k else "warmer" if air_k > 0 else "cooler"


def _adjusted(before: Case, after: Case) -> Shifted | None:
    pair = at_same_conditions(
        *((np.where(c.steady, c.freeze_min, np.nan), c.air_c, c.water_c) for c in (before, after)),
        thresholds=before.thresholds,
    )
    if pair is None or min(len(pair[0]), len(pair[1])) < before.thresholds["compare_cycles"]:
        return None
    moved, earlier, later, changed, direction = _estimate(*pair)
    return Shifted(
        measure="freeze_min",
        name=_ADJUSTED(),
        earlier=earlier,
        later=later,
        shift=moved.value,
        low=moved.low,
        high=moved.high,
        p=moved.p,
        changed=changed,
        sentence=_ADJUSTED_SENTENCES[direction](**_told(moved, direction, "min")),
    )


def _estimate(x: np.ndarray, y: np.ndarray):
    """Shift, both levels, whether it changed, and in which direction."""
    widen = max(statistics.autocorrelation_factor(x), statistics.autocorrelation_factor(y))
    if min(len(x), len(y)) < 20:
        widen = 1.0  # too few to tell neighbours that resemble each other from chance
    a, b = _thin(x), _thin(y)
    moved = statistics.hodges_lehmann(a, b, level=_LEVEL, inflate=widen)
    changed = moved.low > 0 or moved.high < 0
    direction = "same" if not changed else "higher" if moved.value > 0 else "lower"
    return moved, _level(a, len(x), widen), _level(b, len(y), widen), changed, direction


def _told(moved: statistics.Shift, direction: str, unit: str) -> dict[str, float]:
    """The numbers of a sentence: sizes where it says longer or shorter, signed where it says neither."""
    low, high = (moved.low, moved.high) if direction != "lower" else (-moved.high, -moved.low)
    told = {f"low_{unit}": low, f"high_{unit}": high}
    return told if direction == "same" else told | {f"shift_{unit}": abs(moved.value)}


def _level(x: np.ndarray, cycles: int, widen: float) -> Level:
    centre = statistics.walsh_centre(x, level=_LEVEL, inflate=widen)
    return Level(value=centre.value, low=centre.low, high=centre.high, cycles=cycles)


def _thin(x: np.ndarray) -> np.ndarray:
    return x if len(x) <= _MOST else x[:: math.ceil(len(x) / _MOST)]


def _condition(measure: str, before: Case, after: Case) -> Condition | None:
    x, y = (getattr(case, measure) for case in (before, after))
    x, y = x[np.isfinite(x)], y[np.isfinite(y)]
    if len(x) == 0 or len(y) == 0:
        return None
    earlier, later = float(np.median(x)), float(np.median(y))
    return Condition(
        measure=measure,
        name=_CONDITIONS[measure](),
        earlier_c=earlier,
        later_c=later,
        shift_k=later - earlier,
    )
