"""Which harvests stalled, and how: each kind on its own, since the causes differ."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.masks import doubtful
from pipeline.findings.masks.aftermath import ice_left
from pipeline.findings.masks.columns import NS_PER_MIN, Columns, of_the_next, usual_beside
from pipeline.findings.methods import statistics
from pipeline.findings.methods.change import lasting_change
from pipeline.findings.methods.statistics import middle


@dataclass(frozen=True, kw_only=True)
class Stalls:
    """One value a cycle, bool (n,). A harvest may show several of the first five; `long` ones did finish."""

    never_warmed: np.ndarray
    plateau: np.ndarray  # lasted, but stayed short of its usual peak
    at_limit: np.ndarray  # far longer than a harvest lasts
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
        """Harvests that stalled in any of the ways, bool (n,)."""
        return self.never_warmed | self.plateau | self.at_limit | self.repeated | self.left


def stalls(
    columns: Columns,
    *,
    usual_freeze_min: float,
    broken: np.ndarray,
    repeats: np.ndarray,
    harvests: np.ndarray,
) -> Stalls:
    """The harvests of a log that stalled, by kind, and those that were merely long.

    usual_freeze_min: the usual freeze [min]; broken: cycles that tell nothing; repeats: those whose harvest repeats the one before;
    harvests: those that may be judged; bool (n,) each.
    """
    h = _compared(columns, usual_freeze_min, broken, repeats, harvests)
    never_warmed, left = _never_warmed(h), _left(h)
    plateau = _plateau(h, never_warmed)
    at_limit = _at_limit(h, plateau)
    if _taken_from_freezes(h, at_limit & ~left):
        at_limit &= left
    # What stayed below freezing point never warmed, whatever else it shows.
    frozen = (plateau | at_limit | (left & h.short_of_peak)) & (
        h.peak_c < columns.thresholds["stall_frozen_c"]
    )
    never_warmed, plateau = never_warmed | frozen, plateau & ~frozen
    stalled = never_warmed | plateau | at_limit | h.repeated | left | h.hidden
    return Stalls(
        never_warmed=never_warmed | h.hidden,
        plateau=plateau,
        at_limit=at_limit,
        repeated=h.repeated,
        left=left,
        long=_long(h, stalled),
        hidden=h.hidden,
        missed=h.within.missed | h.within.stopped,
        doubtful=(_cut(h) & ~stalled) | h.misplaced | h.stopped,
        stopped=h.stopped,
        usual_min=h.usual_min,
        sigma_min=h.sigma_min,
        usual_peak_c=h.usual_peak_c,
        usual_plateau_min=h.usual_plateau_min,
    )


@dataclass(frozen=True, kw_only=True)
class _Compared:
    """The harvests of a log beside what is usual for them. Arrays (n,), NaN where not seen; masks are bool."""

    columns: Columns
    usual_freeze_min: float
    broken: np.ndarray
    judged: np.ndarray  # those that may be judged, with both boundaries in place, that were no stop
    repeated: np.ndarray
    misplaced: np.ndarray
    stopped: np.ndarray
    hidden: np.ndarray
    within: doubtful.Within
    usual_min: float
    sigma_min: float
    limit: float  # sigmas beyond which a length is out
    out: np.ndarray  # longer than usual by so much that it matters, stops among them
    excess_min: np.ndarray
    rise_k: np.ndarray
    usual_rise_k: float
    usual_peak_c: float
    usual_plateau_min: float

    @property
    def peak_c(self) -> np.ndarray:
        return self.columns.column("harvest_peak_c")

    @property
    def length_min(self) -> np.ndarray:
        return self.columns.harvest_min

    @property
    def long(self) -> np.ndarray:
        return self.out & ~self.stopped

    @cached_property
    def short_of_peak(self) -> np.ndarray:
        """Harvests that did not become as warm as usual."""
        t, usual = self.columns.thresholds, self.usual_peak_c
        return self.peak_c < usual - max(t["peak_loss_k"], t["peak_loss_pct"] / 100 * abs(usual))

    @cached_property
    def cool(self) -> np.ndarray:
        """Harvests that did not become as warm as usual, or rose by less."""
        return self.short_of_peak | (
            self.rise_k < self.columns.thresholds["cut_rise_pct"] / 100 * self.usual_rise_k
        )

    @cached_property
    def slow(self) -> np.ndarray:
        """Harvests longer than usual, and than those beside them: in a log of two levels all late ones are long."""
        beside = usual_beside(self.columns, self.length_min, self.usual_min, odd=self.repeated)
        least = max(
            self.limit * self.sigma_min, self.columns.thresholds["seen_intervals"] * self.columns.interval_min
        )
        return self.judged & (np.fmin(self.excess_min, self.length_min - beside) > least)

    @cached_property
    def whole(self) -> np.ndarray:
        """Harvests that lasted as long as one that frees its slab."""
        return self.length_min > self.columns.thresholds["stall_least_pct"] / 100 * self.usual_min


def _compared(
    columns: Columns, usual_freeze_min: float, broken: np.ndarray, repeats: np.ndarray, harvests: np.ndarray
) -> _Compared:
    """What all kinds of stall are told by. Comparisons with NaN are False: without a usual harvest, only what needs none is found."""
    t, length, peak = columns.thresholds, columns.harvest_min, columns.column("harvest_peak_c")
    repeated = of_the_next(repeats)
    usual, sigma = _usual(columns, harvests & ~repeated & ~repeats)
    misplaced = doubtful.misplaced(columns, usual_freeze_min, usual)
    judged, repeated = harvests & ~misplaced, repeated & ~misplaced
    excess, limit = length - usual, statistics.outlier_limit(int(judged.sum()), t["outlier_z"])
    matters = max(
        usual * t["harvest_out_pct"] / 100,
        t["harvest_out_min"],
        t["harvest_out_intervals"] * columns.interval_min,
    )
    out = judged & (excess > matters) & (excess > limit * sigma)
    if not lengths_tell(columns, usual):
        out = np.zeros(columns.n, bool)
    ordinary = judged & ~out
    rise = peak - columns.column("freeze_end_c")
    risen = rise[ordinary & np.isfinite(rise)]
    usual_rise = float(np.quantile(risen, 0.75)) if len(risen) else math.nan
    within = doubtful.within_long_freezes(columns, usual_freeze_min, usual_rise)
    if (
        not columns.clamped
    ):  # a stop after it, which only the line shows, goes on warming: when the harvest ended is not seen
        judged, out = (mask & ~of_the_next(within.missed) for mask in (judged, out))
    h = _Compared(
        columns=columns, usual_freeze_min=usual_freeze_min, broken=broken, judged=judged, repeated=repeated,
        misplaced=misplaced, stopped=np.zeros(columns.n, bool), within=within,
        hidden=within.cold | _given_up(columns, usual_freeze_min, usual_rise), usual_min=usual, sigma_min=sigma, limit=limit,
        out=out, excess_min=excess, rise_k=rise, usual_rise_k=usual_rise, usual_peak_c=middle(peak[ordinary]),
        usual_plateau_min=middle(columns.column("harvest_plateau_min")[ordinary]),
    )  # fmt: skip
    # A log may have two levels: a stop is also colder than the harvests beside it.
    colder_here = peak < usual_beside(columns, peak, h.usual_peak_c) - t["peak_loss_k"]
    round_each = _freeze_beside(columns, usual_freeze_min, h.cool)
    stopped = doubtful.stops_in_freeze(columns, round_each, h.cool & colder_here)
    return replace(h, stopped=stopped, judged=judged & ~stopped, repeated=repeated & ~stopped)


def _never_warmed(h: _Compared) -> np.ndarray:
    """Harvests that lasted, and stayed cold by the absolute level as well as beside the others, bool (n,)."""
    t, peak = h.columns.thresholds, h.peak_c
    colder = h.short_of_peak | math.isnan(h.usual_peak_c)
    low = (peak < t["stall_peak_c"]) & ~(h.rise_k > t["stall_peak_share"] * h.usual_rise_k) & colder
    seen = h.judged & (h.length_min > t["peak_intervals"] * h.columns.interval_min)
    return (seen & low & h.whole) | _no_hot_gas(h)


def _no_hot_gas(h: _Compared) -> np.ndarray:
    """Harvests after a whole freeze that began far colder than freezes end and stayed colder, bool (n,): pump and fan stood, as
    in harvest, and no hot gas came. A stop warms the plate instead."""
    t, ends_c = h.columns.thresholds, h.columns.column("freeze_end_c")
    usual_c = usual_beside(h.columns, ends_c, h.columns.level("freeze_end_c"))
    began = ends_c < usual_c - t["given_up_colder_k"]
    stayed = h.peak_c < usual_c - t["hump_k"]
    usual_min = _freeze_beside(h.columns, h.usual_freeze_min)
    whole = h.columns.freeze_min > t["split_short_pct"] / 100 * usual_min
    return h.judged & whole & began & stayed


def _cut(h: _Compared) -> np.ndarray:
    """Harvests so short, or so short and cold, that they were hardly any, bool (n,)."""
    t = h.columns.thresholds
    cut = h.judged & (h.rise_k < t["cut_rise_pct"] / 100 * h.usual_rise_k) & ~h.whole
    return cut | (h.judged & (h.length_min < t["no_harvest_pct"] / 100 * h.usual_min))


def _plateau(h: _Compared, never_warmed: np.ndarray) -> np.ndarray:
    """Harvests that lasted, and stayed short of their usual peak, bool (n,)."""
    return h.long & ~never_warmed & h.short_of_peak


def _left(h: _Compared) -> np.ndarray:
    """Harvests that left their slab on the plate, by the freeze that follows, bool (n,)."""
    return ice_left(
        h.columns,
        usual_freeze_min=h.usual_freeze_min,
        broken=h.broken,
        unlike=h.judged & (h.slow | h.cool),
        misplaced=h.misplaced,
        excess_min=h.excess_min,
    )


def _at_limit(h: _Compared, plateau: np.ndarray) -> np.ndarray:
    """Harvests that ran into a limit: far longer than usual, and than a harvest lasts, bool (n,)."""
    t, cold_end = h.columns.thresholds, h.columns.column("freeze_end_c")
    at_limit = (
        h.long & (h.length_min > t["stall_times"] * h.usual_min) & (h.length_min >= t["stall_limit_min"])
    )
    # Where the whole trace is warmer the evaporator is starved: that takes long, and does finish.
    warmer = middle(cold_end[at_limit]) - middle(cold_end[h.judged & ~h.out]) > t["freeze_end_rise_k"]
    return at_limit & plateau if warmer else at_limit


def _long(h: _Compared, stalled: np.ndarray) -> np.ndarray:
    """Harvests of abnormal length that did finish, bool (n,)."""
    long = h.long & ~stalled
    long[1:] &= ~stalled[:-1]  # after a stall, more than one slab comes off
    long[:-1] &= ~h.columns.flag("after_idle")[1:]  # where the compressor stops at its end, the line warms on
    return np.zeros(h.columns.n, bool) if _taken_from_freezes(h, long) else long


def _taken_from_freezes(h: _Compared, long: np.ndarray) -> bool:
    """Whether what the long harvests (bool (n,)) have more than the nearest that are far shorter, the freezes before them, or after them,
    have less: then the record put a boundary in the wrong place, and the machine did nothing unusual."""
    t, length = h.columns.thresholds, h.length_min
    freeze = np.where(h.columns.flag("after_idle"), np.nan, h.columns.freeze_min)
    beside = np.stack([freeze, of_the_next(freeze)])  # (2, n): before each harvest, and after it
    shares = [np.full(2, np.nan)]
    for i in np.flatnonzero(long):
        shorter = np.flatnonzero(~long & (length < length[i] - h.excess_min[i] / 2))
        k = int(np.searchsorted(shorter, i))
        for j in shorter[max(k - 1, 0) : k + 1]:  # the nearest on either side
            shares.append((beside[:, j] - beside[:, i]) / (length[i] - length[j]))
    taken = [100 * middle(share) for share in np.array(shares).T]
    return any(t["taken_pct"] < share < t["taken_most_pct"] for share in taken)


def _given_up(columns: Columns, usual_freeze_min: float, usual_rise_k: float) -> np.ndarray:
    """Freezes that went on for far longer than a whole one, colder and colder, and then simply stopped, bool (n,): the
    harvest at their end never warmed, and the control gave up. A full bin stops a machine before that, or after the
    harvest; a trip lets it start again soon."""
    t, mask = columns.thresholds, np.zeros(columns.n, bool)
    cold = columns.timeline.get("evaporator", "suction")
    if cold is None or columns.n == 0 or not math.isfinite(usual_rise_k):
        return mask
    rest_ns = t["given_up_rest_min"] * NS_PER_MIN
    until = {
        a.start_ns: a.end_ns
        for a, b in itertools.pairwise(columns.record.phases)
        if a.kind is PhaseKind.FREEZE and b.kind is PhaseKind.IDLE and b.end_ns - b.start_ns >= rest_ns
    }
    end_c = columns.level("freeze_end_c")
    warm_c, colder_c = end_c + t["given_up_warm_pct"] / 100 * usual_rise_k, end_c - t["given_up_colder_k"]
    usual_min = _freeze_beside(columns, usual_freeze_min, mask)
    for i in np.flatnonzero((columns.harvest_ns <= 0) & ~doubtful.under_doubt(columns)):
        start, end = int(columns.start_ns[i]), until.get(int(columns.start_ns[i]), 0)
        if not (end - start) / NS_PER_MIN >= t["given_up_pct"] / 100 * usual_min[i]:
            continue
        a, b = np.searchsorted(cold.time_ns, [start + (end - start) // 3, end])
        values = cold.values[a:b][cold.trusted[a:b]]
        if len(values) == 0:
            continue
        since_cold = values[int(np.argmax(values < end_c)) :]
        mask[i] = float(since_cold.max()) < warm_c and float(values.min()) < colder_c
    return mask


def _usual(columns: Columns, judged: np.ndarray) -> tuple[float, float]:
    """The usual harvest and its spread [min]: of the time before a lasting change, where there is one. NaN where fewer than three can be judged."""
    t = columns.thresholds
    if judged.sum() < 3:
        return math.nan, math.nan
    logs = np.log(np.where(judged & (columns.harvest_min > 0), columns.harvest_min, np.nan))
    moved = lasting_change(
        columns.start_ns, logs, least=math.log1p(t["harvest_level_pct"] / 100), thresholds=t
    )
    if moved is not None and (judged & ~moved.late).sum() >= t["level_cycles"]:
        judged = judged & ~moved.late
    lengths = np.sort(columns.harvest_min[judged])
    centre = float(np.median(lengths))
    floor = math.hypot(t["harvest_spread_pct"] / 100 * centre, columns.sigma_min)
    return centre, statistics.spread(centre - lengths[lengths <= centre], floor)


def _freeze_beside(columns: Columns, usual_freeze_min: float, odd: np.ndarray | None = None) -> np.ndarray:
    """The usual freeze round each cycle (n,) [min], `odd` ones (bool (n,)) left out."""
    return usual_beside(columns, columns.freeze_min, usual_freeze_min, odd=odd)


def lengths_tell(columns: Columns, usual_min: float) -> bool:
    """Whether harvests of the usual length [min] are seen by two readings; else the interval cut them short, and lengths tell nothing."""
    return not usual_min < columns.thresholds["seen_intervals"] * columns.interval_min
