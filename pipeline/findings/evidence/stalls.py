"""Which harvests stalled, and how: each kind on its own, since the causes differ."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.evidence import doubtful, statistics
from pipeline.findings.evidence.aftermath import ice_left, let_go, usual_beside
from pipeline.findings.evidence.change import lasting_change

if TYPE_CHECKING:
    from pipeline.findings.evidence.case import Case

_NS_PER_MIN = 60_000_000_000

READS = (
    "outlier_z", "harvest_out_pct", "harvest_out_min", "harvest_out_intervals", "seen_intervals", "peak_intervals",
    "stall_peak_c", "stall_peak_share", "stall_peak_spread_k", "stall_frozen_c", "stall_deep_c", "stall_far_pct",
    "stall_plateau_min", "stall_plateau_pct", "stall_times", "stall_limit_min", "stall_least_pct", "given_up_pct",
    "given_up_warm_pct", "given_up_colder_k", "given_up_rest_min", "no_harvest_pct", "cut_rise_pct", "harvest_band_pct",
    "taken_pct", "taken_most_pct", "split_short_pct", "hump_k", "limit_harvests", "limit_spread_s", "limit_share_pct",
    "limit_freed_pct", "limit_edge", "limit_sharp_pct", "peak_loss_k", "peak_loss_pct",
    "harvest_level_pct", "harvest_spread_pct", "healthy_pct", "healthy_times", "level_cycles", "freeze_end_rise_k",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Stalls:
    """One value a cycle, bool (n,). A harvest may show several of the first five; `long` ones did finish."""

    never_warmed: np.ndarray
    plateau: np.ndarray  # lasted, but hung near freezing point or stayed short of its usual peak
    at_limit: np.ndarray  # ran into a limit
    repeated: np.ndarray  # had to be done again
    left: np.ndarray  # left its slab on the plate, by the freeze after it
    long: np.ndarray  # abnormal in length, but finished
    hidden: np.ndarray  # never warmed, so that the record has it inside a freeze, or not at all
    missed: np.ndarray  # a freeze that holds a whole harvest, or a stop, which the record does not have
    doubtful: np.ndarray  # cold and short, or a stop in mid-freeze: hardly a harvest
    stopped: np.ndarray  # a stop in mid-freeze
    usual_min: float  # the unit's own usual harvest
    sigma_min: float  # its spread
    usual_peak_c: float
    usual_plateau_min: float

    @property
    def stalled(self) -> np.ndarray:
        return self.never_warmed | self.plateau | self.at_limit | self.repeated | self.left


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
    matters = max(
        usual * t["harvest_out_pct"] / 100, t["harvest_out_min"], t["harvest_out_intervals"] * interval
    )
    long = judged & (excess > matters) & (excess > limit * sigma)
    if not believable(case, usual):
        long = np.zeros(case.n, bool)  # harvests were cut short by the record: no measure of the machine
    ordinary = judged & ~long
    usual_peak, usual_plateau = _quantile(peak[ordinary], 0.5), _quantile(plateau[ordinary], 0.5)
    rise, usual_rise = peak - cold_end, _quantile((peak - cold_end)[ordinary], 0.75)
    inside = doubtful.inside(case, case.usual_freeze_min, usual_rise)
    hidden = inside.cold | _given_up(case, usual_rise)

    short_of_peak = peak < usual_peak - max(t["peak_loss_k"], t["peak_loss_pct"] / 100 * abs(usual_peak))
    colder = short_of_peak | math.isnan(usual_peak)
    low = (peak < t["stall_peak_c"]) & ~(rise > t["stall_peak_share"] * usual_rise) & colder
    low |= short_of_peak & (peak < t["stall_deep_c"])
    most_min = case.unit.expected_harvest_min[1]
    if usual_peak < t["stall_peak_c"] and usual > most_min:  # all alike: only the absolute level can speak
        low |= (peak < t["stall_peak_c"]) & (length > most_min)
    cool = short_of_peak | (rise < t["cut_rise_pct"] / 100 * usual_rise)
    colder_here = peak < usual_beside(case, peak, usual_peak) - t["peak_loss_k"]  # a log may have two levels
    stopped = doubtful.stops(case, _usual_freeze(case, cool), cool & colder_here)
    judged, long = judged & ~stopped, long & ~stopped
    repeated = repeated & ~stopped
    seen = judged & (length > t["peak_intervals"] * interval)
    whole = length > t["stall_least_pct"] / 100 * usual
    never_warmed = (seen & low & whole) | _no_hot_gas(case, judged, peak)
    cut = judged & (rise < t["cut_rise_pct"] / 100 * usual_rise) & ~whole
    cut |= judged & (length < t["no_harvest_pct"] / 100 * usual)

    hung = (plateau - np.nan_to_num(usual_plateau) > t["stall_plateau_min"]) & (
        plateau > t["stall_plateau_pct"] / 100 * length
    )
    hangs = long & ~never_warmed & (short_of_peak | hung)
    # A limit hardly longer than the usual harvest: what stayed cold for longer than usual did not let go either, nor did
    # what stayed far colder than any other.
    cold = (peak < t["stall_peak_c"]) & (usual_peak > t["stall_peak_c"] + t["peak_loss_k"]) & short_of_peak
    warmer = peak[ordinary & (peak >= usual_peak)] - usual_peak  # the side that stalls do not lie on
    peak_sigma = statistics.spread(warmer, t["stall_peak_spread_k"])
    far = (usual_peak - peak > limit * peak_sigma) & (
        excess > max(t["stall_far_pct"] / 100 * usual, interval)
    )
    hangs |= judged & ~never_warmed & cold & (far | (excess > limit * sigma))
    very_long = long & (length > t["stall_times"] * usual)
    at_limit = very_long & (length >= t["stall_limit_min"])
    beside = usual_beside(case, length, usual, odd=repeated)  # in a log of two levels all late ones are long
    slow = judged & (np.fmin(excess, length - beside) > max(limit * sigma, t["seen_intervals"] * interval))
    left = ice_left(case, unlike=judged & (slow | cool), slow=slow, misplaced=misplaced, excess_min=excess)
    # As warm as a plate that let its ice go; a suction line is warmed by the hot gas, whatever the ice does.
    done = (peak >= usual_peak) & (peak < usual_peak + t["peak_loss_k"])
    done &= case.timeline.get("evaporator") is not None
    known = left.sum() >= t["limit_harvests"]  # that harvests stall: then whatever is slow may be one of them
    at_limit |= _bunched(case, length, long | slow if known else long, usual) & (~done | left)
    if _quantile(cold_end[at_limit], 0.5) - _quantile(cold_end[ordinary], 0.5) > t["freeze_end_rise_k"]:
        at_limit &= hangs  # the whole trace is warmer: a starved evaporator, which takes long and does finish
    frozen = (hangs | at_limit | (left & short_of_peak)) & (peak < t["stall_frozen_c"])
    never_warmed, hangs = never_warmed | frozen, hangs & ~frozen
    stalled = never_warmed | hangs | at_limit | repeated | left | hidden
    long &= ~stalled
    long[1:] &= ~stalled[:-1]  # after a stall, more than one slab comes off
    long[:-1] &= ~case.flag("after_idle")[1:]  # where the compressor stops at its end, the line warms on
    if _taken_from_freezes(case, long, excess):
        long = np.zeros(case.n, bool)
    return Stalls(
        never_warmed=never_warmed | hidden,
        plateau=hangs,
        at_limit=at_limit,
        repeated=repeated,
        left=left,
        long=long,
        hidden=hidden,
        missed=inside.missed | inside.stopped,
        doubtful=(cut & ~stalled) | misplaced | stopped,
        stopped=stopped,
        usual_min=usual,
        sigma_min=sigma,
        usual_peak_c=usual_peak,
        usual_plateau_min=usual_plateau,
    )


def believable(case: Case, usual_min: float) -> bool:
    """Whether harvests may be so short, and are seen by two readings; else the record cut them short, or its interval did,
    and lengths measure nothing."""
    t = case.thresholds
    least = t["harvest_band_pct"] / 100 * case.unit.expected_harvest_min[0]
    return not usual_min < max(least, t["seen_intervals"] * _interval_min(case))


def _no_hot_gas(case: Case, judged: np.ndarray, peak_c: np.ndarray) -> np.ndarray:
    """Harvests after a whole freeze that began far colder than freezes end and stayed colder, bool (n,): pump and fan stood, as
    in harvest, and no hot gas came. A stop warms the plate instead."""
    t, ends_c = case.thresholds, case.column("freeze_end_c")
    usual_c = usual_beside(case, ends_c, case.level("freeze_end_c"))
    began = ends_c < usual_c - t["given_up_colder_k"]
    stayed = peak_c < usual_c - t["hump_k"]
    whole = case.freeze_min > t["split_short_pct"] / 100 * _usual_freeze(case)
    return judged & whole & began & stayed


def _given_up(case: Case, usual_rise_k: float) -> np.ndarray:
    """Freezes that went on for far longer than a whole one, colder and colder, and then simply stopped, bool (n,): the
    harvest at their end never warmed, and the control gave up. A full bin stops a machine before that, or after the
    harvest; a trip lets it start again soon."""
    t, mask = case.thresholds, np.zeros(case.n, bool)
    cold = case.timeline.get("evaporator", "suction")
    if cold is None or case.n == 0 or not math.isfinite(usual_rise_k):
        return mask
    rest_ns = t["given_up_rest_min"] * _NS_PER_MIN
    until = {
        a.start_ns: a.end_ns
        for a, b in itertools.pairwise(case.record.phases)
        if a.kind is PhaseKind.FREEZE and b.kind is PhaseKind.IDLE and b.end_ns - b.start_ns >= rest_ns
    }
    end_c = case.level("freeze_end_c")
    warm_c, colder_c = end_c + t["given_up_warm_pct"] / 100 * usual_rise_k, end_c - t["given_up_colder_k"]
    usual_min = _usual_freeze(case, mask)
    for i in np.flatnonzero((case.harvest_ns <= 0) & ~doubtful.under_doubt(case)):
        start, end = int(case.start_ns[i]), until.get(int(case.start_ns[i]), 0)
        if not (end - start) / _NS_PER_MIN >= t["given_up_pct"] / 100 * usual_min[i]:
            continue
        a, b = np.searchsorted(cold.time_ns, [start + (end - start) // 3, end])
        values = cold.values[a:b][cold.trusted[a:b]]
        if len(values) == 0:
            continue
        since_cold = values[int(np.argmax(values < end_c)) :]
        mask[i] = float(since_cold.max()) < warm_c and float(values.min()) < colder_c
    return mask


def _taken_from_freezes(case: Case, long: np.ndarray, excess: np.ndarray) -> bool:
    """Whether what the long harvests have too much, the freezes beside them have too little: then the record put a
    boundary in the wrong place, and the machine did nothing unusual."""
    at = np.flatnonzero(long)
    if len(at) == 0:
        return False
    lack = np.append(_usual_freeze(case, long), np.nan) - np.append(case.freeze_min, np.nan)
    beside = np.fmax(lack[at], lack[at + 1])
    if not np.isfinite(beside).any():
        return False
    taken = 100 * float(np.nanmedian(beside / excess[at]))
    return case.thresholds["taken_pct"] < taken < case.thresholds["taken_most_pct"]


def _usual_freeze(case: Case, odd: np.ndarray | None = None) -> np.ndarray:
    """The usual freeze round each cycle [min], `odd` ones left out."""
    return usual_beside(case, case.freeze_min, case.usual_freeze_min, odd=odd)


def _interval_min(case: Case) -> float:
    interval = case.record.interval_s / 60
    return interval if math.isfinite(interval) else 0.0


def _usual(case: Case, judged: np.ndarray) -> tuple[float, float]:
    """The usual harvest and its spread [min]: of the time before a lasting change, where there is one; and of the shorter
    harvests, where long ones are many. NaN where fewer than three can be judged."""
    t = case.thresholds
    if judged.sum() < 3:
        return math.nan, math.nan
    logs = np.log(np.where(judged & (case.harvest_min > 0), case.harvest_min, np.nan))
    moved = lasting_change(case.start_ns, logs, least=math.log1p(t["harvest_level_pct"] / 100), thresholds=t)
    if moved is not None and (judged & ~moved.late).sum() >= t["level_cycles"]:
        judged = judged & ~moved.late
    lengths = np.sort(case.harvest_min[judged])
    centre = float(np.median(lengths))
    floor = math.hypot(t["harvest_spread_pct"] / 100 * centre, case.sigma_min)
    healthy = lengths[: max(3, math.ceil(t["healthy_pct"] / 100 * len(lengths)))]
    low_centre = float(np.median(healthy))
    if centre > t["healthy_times"] * low_centre:
        return low_centre, statistics.spread(np.abs(healthy - low_centre), floor)
    return centre, statistics.spread(centre - lengths[lengths <= centre], floor)


def _bunched(case: Case, length: np.ndarray, among: np.ndarray, usual: float) -> np.ndarray:
    """Those `among` harvests that end at one longest length, as a limit makes them, bool (n,).

    A limit cuts lengths off, so the longest are the most; where they thin out towards the longest they ended by nature.
    Where the freezes after them show that the slab had let go, nearly all must have ended there.
    Unless that edge is seen sharply beside the excess, they must also be far longer than `usual` [min].
    """
    t, none = case.thresholds, np.zeros(case.n, bool)
    if among.sum() < t["limit_harvests"]:
        return none
    width = max(t["limit_spread_s"] / 60, 4 * case.sigma_min)
    top = float(np.max(length[among]))
    near, next_to_it = among & (length > top - width), among & (length > top - 2 * width)
    share_pct = t["limit_freed_pct" if let_go(case, near) else "limit_share_pct"]
    many = near.sum() >= max(t["limit_harvests"], share_pct / 100 * among.sum())
    if not many or near.sum() < t["limit_edge"] * (next_to_it & ~near).sum():
        return none
    sharp = width <= t["limit_sharp_pct"] / 100 * (top - usual)
    ended = near if sharp else near & (length > t["stall_times"] * usual)
    return ended if ended.sum() >= t["limit_harvests"] else none


def _quantile(values: np.ndarray, q: float) -> float:
    known = values[np.isfinite(values)]
    return float(np.quantile(known, q)) if len(known) else math.nan
