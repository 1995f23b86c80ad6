"""Before and after: what changed from one log of a unit to a later one, with intervals, and what air and water did."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings import thresholds
from pipeline.findings.evidence.case import NS_PER_MIN, Case
from pipeline.findings.evidence.parts import part_of_record, part_of_timeline
from pipeline.findings.finding import Output
from pipeline.findings.methods import statistics
from pipeline.findings.methods.conditions import at_same_conditions
from pipeline.findings.phrase import Phrase, phrase
from pipeline.findings.production import output
from pipeline.language.text import Text
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

_LEVEL = 0.95
_MOST = 400  # cycles of a side that enter the pairwise statistics


@dataclass(frozen=True, kw_only=True)
class SegmentedLog:
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
    changed: bool  # the interval leaves zero out, and the shift is more than 0.0 as it is shown
    better: bool | None  # None: it did not change, or neither way is better
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
    better_or_worse: (
        Text  # by the freezes, at the same air and water where both were logged; the one to say first
    )
    sentence: Text  # the first measure's change, or why there is none
    shifts: tuple[Shifted, ...]
    conditions: tuple[Condition, ...]
    freeze_at_same_conditions: (
        Shifted | None
    )  # air and water taken out; None where they were not logged both times
    earlier_output: Output  # cycles and ice a day, as made and as running
    later_output: Output
    not_compared: tuple[Text, ...]  # names of the measures that one of the logs lacks


# measure -> (name, higher, lower): the words of a shift. Temperatures shift in K.
_MEASURES = {
    "freeze_min": ("Freeze", "Freezes are {shift} longer", "Freezes are {shift} shorter"),
    "harvest_min": ("Harvest", "Harvests are {shift} longer", "Harvests are {shift} shorter"),
    "freeze_end_c": ("Evaporator at the end of freeze", "Freezes end {shift} warmer", "Freezes end {shift} colder"),
    "harvest_peak_c": ("Evaporator at its warmest in harvest", "Harvests peak {shift} warmer", "Harvests peak {shift} colder"),
    "condenser_split_k": ("Condenser air rise", "The condenser air rise is {shift} larger", "The condenser air rise is {shift} smaller"),
    "discharge_peak_c": ("Discharge line at its hottest", "The discharge line is {shift} hotter", "The discharge line is {shift} cooler"),
    "freeze_current_a": ("Current in freeze", "The current in freeze is {shift} higher", "The current in freeze is {shift} lower"),
    "charge_ah": ("Amp-hours a cycle", "A cycle draws {shift} more", "A cycle draws {shift} less"),
    "energy_kwh": ("Energy a cycle", "A cycle takes {shift} more", "A cycle takes {shift} less"),
}  # fmt: skip
_AIR = {
    "same": ", at the same air temperature",
    "warmer": ", with the air {air_k} warmer",
    "cooler": ", with the air {air_k} cooler",
    "unknown": "; the air was not logged both times",
}


_BETTER = {
    True: phrase("compare.better", "Better than before: freezes are shorter"),
    False: phrase("compare.worse", "Worse than before: freezes are longer"),
    None: phrase(
        "compare.as-before",
        "Neither better nor worse, as far as these logs tell: no change of the freezes is seen",
    ),
}
_BETTER_SAME_AIR = {
    True: phrase("compare.better.same", "Better than before, at the same air and water: freezes are shorter"),
    False: phrase("compare.worse.same", "Worse than before, at the same air and water: freezes are longer"),
    None: phrase(
        "compare.as-before.same",
        "Neither better nor worse, as far as these logs tell, at the same air and water: no change of the freezes is seen",
    ),
}
_WARMER = phrase(
    "compare.shorter-warmer",
    "Better than before if the slabs are as thick as they were: freezes are shorter, but end {warmer_k} warmer, as they do with thinner ice or a probe that sits elsewhere",
)
_NOT_KNOWN = phrase("compare.not-told", "Whether it is better or worse cannot be told from these two logs")
_HIGHER_IS = {
    "freeze_min": False, "harvest_min": False, "freeze_end_c": None, "harvest_peak_c": None, "condenser_split_k": False,
    "discharge_peak_c": False, "freeze_current_a": None, "charge_ah": None, "energy_kwh": False,
}  # fmt: skip
_SHOWN = {"min": 0.05, "k": 0.05, "a": 0.05, "ah": 0.005, "kwh": 0.005}  # what is less is shown as 0.0


def _suffix(measure: str) -> str:
    """The unit of a shift of `measure`, as the ending of a value's name."""
    ending = measure.rsplit("_", 1)[1]
    return "k" if ending == "c" else ending


def _sentences(measure: str, name: str, higher: str, lower: str) -> dict[tuple[str, str, str], Phrase]:
    """A sentence for each direction; the freeze's says what the air did, since that is the first thing to ask."""
    unit = _suffix(measure)
    shift, low, high = f"{{shift_{unit}}}", f"{{shift_low_{unit}}}", f"{{shift_high_{unit}}}"
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
    "higher": phrase("compare.adjusted.higher", "At the same air and water, freezes would be {shift_min} longer (95 % interval {shift_low_min} to {shift_high_min})"),
    "lower": phrase("compare.adjusted.lower", "At the same air and water, freezes would be {shift_min} shorter (95 % interval {shift_low_min} to {shift_high_min})"),
    "same": phrase("compare.adjusted.same", "At the same air and water, freezes would be as long as before (95 % interval of the change {shift_low_min} to {shift_high_min})"),
}  # fmt: skip
_TOO_FEW = phrase(
    "compare.too-few",
    "Too few complete cycles: {earlier} before, {later} after, {least} needed in each",
)


def compare(earlier: SegmentedLog, later: SegmentedLog, unit: Unit) -> Comparison:
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
    adjusted = _adjusted(before, after)
    few = _TOO_FEW(earlier=int(before.steady.sum()), later=int(after.steady.sum()), least=least)
    return Comparison(
        earlier_start_ns=earlier.timeline.start_ns,
        earlier_end_ns=earlier.timeline.end_ns,
        later_start_ns=later.timeline.start_ns,
        later_end_ns=later.timeline.end_ns,
        sentence=shifts[0].sentence if shifts else few,
        shifts=tuple(shifts),
        conditions=conditions,
        freeze_at_same_conditions=adjusted,
        better_or_worse=_better_or_worse(shifts, adjusted, in_force["compare_thin_k"]),
        earlier_output=output(before),
        later_output=output(after),
        not_compared=tuple(lacking),
    )


def parts(log: SegmentedLog, unit: Unit) -> tuple[SegmentedLog, SegmentedLog] | None:
    """`log` before and after the last visit of `unit` that lies in it: cut where the log shows that somebody was there, else at its time
    of day or noon; None where no visit lies in it. Raises UnitConfigError as `judge` does."""
    case = Case(timeline=log.timeline, record=log.record, unit=unit, thresholds=thresholds.resolve(unit))
    if not case.visits:
        return None
    visit = case.visits[-1]
    halves = []
    for start, end in (
        (log.timeline.start_ns, visit.from_ns),
        (visit.until_ns, log.timeline.end_ns + NS_PER_MIN),
    ):
        timeline = part_of_timeline(log.timeline, start, end)
        if timeline is None:
            return None
        halves.append(SegmentedLog(timeline=timeline, record=part_of_record(log.record, start, end)))
    return halves[0], halves[1]


def _better_or_worse(shifts: list[Shifted], adjusted: Shifted | None, thin_k: float) -> Text:
    """Whether the unit is better than before. thin_k: freezes that end so much warmer [K] may be shorter for thinner ice."""
    by_name = {s.measure: s for s in shifts}
    freezes = adjusted or by_name.get("freeze_min")
    if freezes is None:
        return _NOT_KNOWN()
    end = by_name.get("freeze_end_c")
    if freezes.better and end is not None and end.changed and end.shift > 0 and end.low > thin_k:
        return _WARMER(warmer_k=round(end.shift, 1))
    return (_BETTER if adjusted is None else _BETTER_SAME_AIR)[freezes.better]()


def _which(measure: str, direction: str) -> bool | None:
    higher = _HIGHER_IS[measure]
    return None if higher is None or direction == "same" else higher if direction == "higher" else not higher


def _values(case: Case, measure: str) -> np.ndarray:
    """The measure over the cycles that may be compared, in time order."""
    values = case.column(measure)
    fit = case.harvests if measure.startswith("harvest") else case.steady
    return values[fit & np.isfinite(values)]


def _shifted(measure: str, x: np.ndarray, y: np.ndarray, air_k: float, same_k: float) -> Shifted:
    moved, before, after, changed, direction = _estimate(x, y, _SHOWN[_suffix(measure)])
    air = _air_word(air_k, same_k) if measure == "freeze_min" else ""
    values = _values_of_shift(moved, direction, _suffix(measure)) | (
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
        better=_which(measure, direction),
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
    moved, earlier, later, changed, direction = _estimate(*pair, _SHOWN["min"])
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
        better=_which("freeze_min", direction),
        sentence=_ADJUSTED_SENTENCES[direction](**_values_of_shift(moved, direction, "min")),
    )


def _estimate(x: np.ndarray, y: np.ndarray, shown: float):
    """Shift, both levels, whether it changed, and in which direction."""
    widen = max(statistics.autocorrelation_factor(x), statistics.autocorrelation_factor(y))
    if min(len(x), len(y)) < 20:
        widen = 1.0  # too few to tell neighbours that resemble each other from chance
    a, b = _thin(x), _thin(y)
    moved = statistics.hodges_lehmann(a, b, level=_LEVEL, inflate=widen)
    changed = (moved.low > 0 or moved.high < 0) and abs(moved.value) >= shown
    direction = "same" if not changed else "higher" if moved.value > 0 else "lower"
    return moved, _level(a, len(x), widen), _level(b, len(y), widen), changed, direction


def _values_of_shift(moved: statistics.Shift, direction: str, unit: str) -> dict[str, float]:
    """The numbers of a sentence: sizes where it says longer or shorter, signed where it says neither."""
    low, high = (moved.low, moved.high) if direction != "lower" else (-moved.high, -moved.low)
    values = {f"shift_low_{unit}": low, f"shift_high_{unit}": high}
    return values if direction == "same" else values | {f"shift_{unit}": abs(moved.value)}


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
