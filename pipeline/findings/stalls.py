"""Which harvests stalled, and how: each kind on its own, since the causes differ."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings import doubtful, statistics
from pipeline.findings.changes import lasting_change

if TYPE_CHECKING:
    from pipeline.findings.case import Case

# Common practice, no source.
_HARVEST_LEVEL = math.log(1.25)  # a lasting change of level by so much
_LEAST_USUAL = 6
_NOT_SHORTER = 0.85  # of the usual length: what stays cold and ends sooner was no harvest
_NO_HARVEST = 0.3  # of the usual length: no slab lets go so soon
_HALF_RISE = 0.6  # of the usual rise
_BELIEVED = 0.7  # of the shortest harvest of its kind: a log whose usual one is shorter was misread
_INTERVALS = 3.0  # of the logger, by which harvests must differ to be no trick of sampling
_TAKEN = 0.55  # share of the excess that is missing beside it, where a boundary was misplaced
_LIMIT_HARVESTS = 3
_LIMIT_SPREAD_MIN = 0.12  # harvests that a limit ends differ by no more, sampling aside
_LEAST_PEAK_LOSS_K = 3.0
_PEAK_LOSS_SHARE = 0.25
_PLATEAU_SHARE = 0.5
_HEALTHY_PART = 0.4  # the shortest harvests of a log: taken for healthy where the rest are longer


@dataclass(frozen=True, kw_only=True)
class Stalls:
    """One value a cycle, bool (n,). A harvest may show several of the first four; `long` ones did finish."""

    never_warmed: np.ndarray
    plateau: np.ndarray  # lasted, but hung near freezing point or stayed short of its usual peak
    at_limit: np.ndarray  # ran into a limit
    repeated: np.ndarray  # had to be done again
    long: np.ndarray  # abnormal in length, but finished
    hidden: np.ndarray  # never warmed, so that the record has it inside a freeze
    missed: np.ndarray  # a freeze that holds a harvest like any other, which the record does not have
    doubtful: np.ndarray  # short and cold: hardly a harvest
    usual_min: float  # the unit's own usual harvest
    sigma_min: float  # its spread
    usual_peak_c: float
    usual_plateau_min: float

    @property
    def stalled(self) -> np.ndarray:
        return self.never_warmed | self.plateau | self.at_limit | self.repeated


def stalls(case: Case) -> Stalls:
    """The harvests of `case` that stalled, by kind, and those that were merely long."""
    t = case.thresholds
    length, peak = case.harvest_min, case.column("harvest_peak_c")
    plateau, cold_end = case.column("harvest_plateau_min"), case.column("freeze_end_c")
    judged = case.harvests
    repeated = np.zeros(case.n, bool)
    repeated[:-1] = case.repeats[1:]
    usual, sigma = _usual(case, judged & ~repeated & ~case.repeats)
    # Comparisons with NaN are False: without a usual harvest, only what needs none is found.
    misplaced = doubtful.misplaced(case, case.usual_freeze_min, usual)
    judged = judged & ~misplaced
    repeated &= ~misplaced
    excess = length - usual
    limit = statistics.outlier_limit(int(judged.sum()), t["outlier_z"])
    interval = _interval_min(case)
    matters = max(usual * t["harvest_out_pct"] / 100, t["harvest_out_min"], _INTERVALS * interval)
    long = judged & (excess > matters) & (excess > limit * sigma)
    if not believable(case, usual):
        long = np.zeros(case.n, bool)  # harvests were cut short by the record: no measure of the machine
    ordinary = judged & ~long
    usual_peak, usual_plateau = _quantile(peak[ordinary], 0.5), _quantile(plateau[ordinary], 0.5)
    rise, usual_rise = peak - cold_end, _quantile((peak - cold_end)[ordinary], 0.75)
    inside = doubtful.inside(case, case.usual_freeze_min, usual_rise)

    low = (peak < t["stall_peak_c"]) & ~(rise > t["stall_peak_share"] * usual_rise)
    if usual_peak < t["stall_peak_c"]:  # all alike: only the absolute level can speak
        low = (peak < t["stall_peak_c"]) & (length > case.unit.expected_harvest_min[1])
    seen = judged & (length > 2 * interval)
    never_warmed = seen & low & (length > _NOT_SHORTER * usual)
    cut = judged & (rise < _HALF_RISE * usual_rise) & (length <= _NOT_SHORTER * usual)
    cut |= judged & (length < _NO_HARVEST * usual)

    short_of_peak = peak < usual_peak - max(_LEAST_PEAK_LOSS_K, _PEAK_LOSS_SHARE * abs(usual_peak))
    hung = (plateau - np.nan_to_num(usual_plateau) > t["stall_plateau_min"]) & (
        plateau > _PLATEAU_SHARE * length
    )
    hangs = long & ~never_warmed & (short_of_peak | hung)
    # A limit hardly longer than the usual harvest: what stayed cold for longer than usual did not let go either.
    cold = (peak < t["stall_peak_c"]) & (usual_peak > t["stall_peak_c"] + _LEAST_PEAK_LOSS_K) & short_of_peak
    hangs |= judged & ~never_warmed & cold & (excess > limit * sigma)
    very_long = long & (length > t["stall_times"] * usual)
    at_limit = very_long & (_bunched(length, long, case.sigma_min) | (length >= t["stall_limit_min"]))
    stalled = never_warmed | hangs | at_limit | repeated | inside.cold
    long &= ~stalled
    if _taken_from_freezes(case, long, excess):
        long = np.zeros(case.n, bool)
    return Stalls(
        never_warmed=never_warmed | inside.cold,
        plateau=hangs,
        at_limit=at_limit,
        repeated=repeated,
        long=long,
        hidden=inside.cold,
        missed=inside.missed,
        doubtful=cut | misplaced,
        usual_min=usual,
        sigma_min=sigma,
        usual_peak_c=usual_peak,
        usual_plateau_min=usual_plateau,
    )


def believable(case: Case, usual_min: float) -> bool:
    """Whether harvests may be so short; else the record cut them short, and lengths measure nothing."""
    return not usual_min < _BELIEVED * case.unit.expected_harvest_min[0]


def _taken_from_freezes(case: Case, long: np.ndarray, excess: np.ndarray) -> bool:
    """Whether what the long harvests have too much, the freezes beside them have too little: then the record put a
    boundary in the wrong place, and the machine did nothing unusual."""
    at = np.flatnonzero(long)
    if len(at) == 0:
        return False
    lack = case.usual_freeze_min - np.append(case.freeze_min, np.nan)
    beside = np.fmax(lack[at], lack[at + 1])
    return bool(np.nanmedian(beside / excess[at]) > _TAKEN) if np.isfinite(beside).any() else False


def _interval_min(case: Case) -> float:
    interval = case.record.interval_s / 60
    return interval if math.isfinite(interval) else 0.0


def _usual(case: Case, judged: np.ndarray) -> tuple[float, float]:
    """The usual harvest and its spread [min]: of the time before a lasting change, where there is one; and of the shorter
    harvests, where long ones are many. NaN where fewer than three can be judged."""
    if judged.sum() < 3:
        return math.nan, math.nan
    logs = np.log(np.where(judged & (case.harvest_min > 0), case.harvest_min, np.nan))
    moved = lasting_change(case.start_ns, logs, least=_HARVEST_LEVEL, p=case.thresholds["drift_p"])
    if moved is not None and (judged & ~moved.late).sum() >= _LEAST_USUAL:
        judged = judged & ~moved.late
    lengths = np.sort(case.harvest_min[judged])
    floor = math.hypot(0.04 * float(np.median(lengths)), case.sigma_min)
    centre = float(np.median(lengths))
    healthy = lengths[: max(3, math.ceil(_HEALTHY_PART * len(lengths)))]
    low_centre = float(np.median(healthy))
    if centre > 1.5 * low_centre:
        return low_centre, statistics.spread(np.abs(healthy - low_centre), floor)
    return centre, statistics.spread(centre - lengths[lengths <= centre], floor)


def _bunched(length: np.ndarray, among: np.ndarray, sigma_min: float) -> np.ndarray:
    """Those `among` harvests that end at one longest length, as a limit makes them, bool (n,)."""
    if among.sum() < _LIMIT_HARVESTS:
        return np.zeros(len(length), bool)
    top = float(np.max(length[among]))
    near = among & (length > top - max(_LIMIT_SPREAD_MIN, 4 * sigma_min))
    return near if near.sum() >= max(_LIMIT_HARVESTS, 0.3 * among.sum()) else np.zeros(len(length), bool)


def _quantile(values: np.ndarray, q: float) -> float:
    known = values[np.isfinite(values)]
    return float(np.quantile(known, q)) if len(known) else math.nan
