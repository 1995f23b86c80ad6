"""Which harvests stalled, and how: each kind on its own, since the causes differ."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.changes import lasting_change

if TYPE_CHECKING:
    from pipeline.findings.case import Case

# Common practice, no source.
_LIMIT_SPREAD_MIN = 0.12  # harvests that a limit ends differ by no more, sampling aside
_HARVEST_LEVEL = math.log(1.25)  # a lasting change of level by so much
_LEAST_USUAL = 6
_NOT_SHORTER = 0.85
_HALF_RISE = 0.6
_LIMIT_HARVESTS = 3
_LEAST_PEAK_LOSS_K = 3.0
_PEAK_LOSS_SHARE = 0.25
_PLATEAU_SHARE = 0.5
_HEALTHY_PART = 0.4  # the shortest harvests of a log: taken for healthy where the rest are longer


@dataclass(frozen=True, kw_only=True)
class Stalls:
    """One value a cycle, bool (n,). A harvest may show several of the first four; `long` ones did finish."""

    never_warmed: np.ndarray
    plateau: np.ndarray  # warmed to freezing point and hung there
    at_limit: np.ndarray  # ran into a limit
    repeated: np.ndarray  # had to be done again
    long: np.ndarray  # abnormal in length, but finished
    doubtful: np.ndarray  # short and cold: hardly a harvest
    usual_min: float  # the unit's own usual harvest
    sigma_min: float  # its spread
    usual_peak_c: float

    @property
    def stalled(self) -> np.ndarray:
        return self.never_warmed | self.plateau | self.at_limit | self.repeated


def stalls(case: Case) -> Stalls:
    """The harvests of `case` that stalled, by kind, and those that were merely long."""
    t = case.thresholds
    length, peak = case.harvest_min, case.column("harvest_peak_c")
    plateau = case.column("harvest_plateau_min")
    judged = case.harvests
    repeated = np.zeros(case.n, bool)
    repeated[:-1] = case.repeats[1:]
    usual, sigma = _usual(case, judged & ~repeated & ~case.repeats)
    if not math.isfinite(usual):
        none = np.zeros(case.n, bool)
        return Stalls(
            never_warmed=none,
            plateau=none,
            at_limit=none,
            repeated=repeated,
            long=none,
            doubtful=none,
            usual_min=usual,
            sigma_min=sigma,
            usual_peak_c=math.nan,
        )
    excess = length - usual
    limit = statistics.outlier_limit(int(judged.sum()), t["outlier_z"])
    matters = np.maximum(usual * t["harvest_out_pct"] / 100, t["harvest_out_min"])
    long = judged & (excess > matters) & (excess > limit * sigma)
    ordinary = judged & ~long
    usual_peak = _quantile(peak[ordinary], 0.5)
    usual_plateau = _quantile(plateau[ordinary], 0.5)

    cold_end = case.column("freeze_end_c")
    rise, usual_rise = peak - cold_end, _quantile((peak - cold_end)[ordinary], 0.75)
    seen = judged & (
        length > 2 * case.record.interval_s / 60 if math.isfinite(case.record.interval_s) else True
    )
    low = (peak < t["stall_peak_c"]) & ~(rise > t["stall_peak_share"] * usual_rise)
    if (
        math.isfinite(usual_peak) and usual_peak < t["stall_peak_c"]
    ):  # all alike: only the absolute level can speak
        low = (peak < t["stall_peak_c"]) & (length > case.unit.expected_harvest_min[1])
    # What stays cold and yet ends sooner than a usual harvest was none: the record may have cut a freeze in two.
    never_warmed = seen & low & (length > _NOT_SHORTER * usual)
    doubtful = judged & (rise < _HALF_RISE * usual_rise) & (length <= _NOT_SHORTER * usual)

    short_of_peak = peak < usual_peak - max(_LEAST_PEAK_LOSS_K, _PEAK_LOSS_SHARE * abs(usual_peak))
    hung = (plateau - np.nan_to_num(usual_plateau) > t["stall_plateau_min"]) & (
        plateau > _PLATEAU_SHARE * length
    )
    hangs = long & ~never_warmed & (short_of_peak | hung)
    very_long = long & (length > t["stall_times"] * usual)
    at_limit = very_long & (_bunched(length, long, case.sigma_min) | (length >= t["stall_limit_min"]))
    stalled = never_warmed | hangs | at_limit | repeated
    return Stalls(
        never_warmed=never_warmed,
        plateau=hangs,
        at_limit=at_limit,
        repeated=repeated,
        long=long & ~stalled,
        doubtful=doubtful,
        usual_min=usual,
        sigma_min=sigma,
        usual_peak_c=usual_peak,
    )


def _usual(case: Case, judged: np.ndarray) -> tuple[float, float]:
    """The usual harvest and its spread [min]: of the time before a lasting change, where there is one; and of the shorter
    harvests, where long ones are many."""
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = lasting_change(
            case.start_ns,
            np.where(judged, np.log(case.harvest_min), np.nan),
            least=_HARVEST_LEVEL,
            p=case.thresholds["drift_p"],
        )
    if moved is not None and (judged & ~moved.late).sum() >= _LEAST_USUAL:
        judged = judged & ~moved.late
    lengths = np.sort(case.harvest_min[judged])
    if len(lengths) < 3:
        return math.nan, math.nan
    floor = math.hypot(0.04 * float(np.median(lengths)), case.sigma_min)
    centre = float(np.median(lengths))
    healthy = lengths[: max(3, math.ceil(_HEALTHY_PART * len(lengths)))]
    low_centre = float(np.median(healthy))
    if centre > 1.5 * low_centre:
        centre = low_centre
        return centre, statistics.spread(np.abs(healthy - centre), floor)
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
