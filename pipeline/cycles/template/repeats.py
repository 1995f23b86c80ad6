"""Harvests that a lone clamp shows as one shape that comes again with every cycle.

The whole unit's current falls slowly over a freeze and climbs over a harvest, whatever fans and pumps do meanwhile. Where it
is much higher after a moment than before it, a harvest is near. Laid upon each other there, the cycles show one common shape,
free of what comes and goes at random; its two sharpest breaks are where a harvest begins and ends. Each break is then sought
again in every cycle, and between the readings of a slow clamp (`interleaved`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.signal import signals
from pipeline.cycles.signal.features import course_of, draw_cells, running_course
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST
from pipeline.cycles.template import breaks, interleaved, shapes

# Common practice, no source, all of them; "likewise" is in parts of the time named, and at most so long.
STEP_S = 10.0  # bins of the shape; a slower logger's interval
LONGEST, LONGEST_S = 0.4, 900.0  # a harvest, likewise
MOST_CLIMBS = 0.7  # of all that the level climbs: a shape that leaves out more is of something else
ALIKE = 0.5  # part of the current's variance that a shape must explain
ABOUT_S = 40.0  # of a break, both ways, by which it is known again
STRAY, STRAY_S = 0.15, 10.0  # a break lies off by up to this part of a harvest, and besides …
WIDE_S = 40.0  # of a bin in which a beginning shows in some cycles only
OWN_BINS = 1  # beside the common beginning, in which a cycle may show its own …
OWN_NOISES, OWN_SHARE = 5.0, 0.8  # … by so many times its scatter, where so many of them do
CALM_BINS, DROP_BINS = 4, 2  # bins before a harvest, and on either side of a drop, that are averaged
ODD, LEAST_ODD = 1.5, 0.03  # times the usual misfit after a harvest, and parts of its climb: perhaps held on
DROPS = 0.4  # of the climb: how far the current then stays up, and how far it drops in the end …
LOW = 0.4  # … to under this
SHAPE_S, KNOWN_S = (
    10.0,
    7.0,
)  # by which a moment, and one that the cycle itself shows, may be off (standard deviations)
SHOWN = 15.0  # nats by which a current's shape speaks for its harvests
SAME_BEGIN, SAME_END, MOST = 0.5, 1.0, 0.7  # of a harvest by which most of them were named beside the shape's
SAME_CELLS = 2  # off: the same moment
NEARLY_ALL = 0.85  # of them begin, or end, where the shape's do
NEAR_BY = 1.2  # of a harvest by which the shape moves one
ELSEWHERE = 1.5  # nats by which a cold line's speaks against others …
ALL_BUT_WHOLE = 0.85  # … where it explains so much; less does not move what was named without it


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Harvests by the shape that comes again, (k,) each."""

    first: np.ndarray  # first cell
    stop: np.ndarray  # one past the last cell
    begin_ns: np.ndarray
    end_ns: np.ndarray
    known: np.ndarray  # bool (2, k): the cycle shows to within seconds where it begins, and where it ends
    where: np.ndarray  # bool (cells,): where it is asked
    alike: float  # part of the channel's variance that the shape explains

    @property
    def sharp(self) -> bool:
        """Do most cycles show to within seconds where their harvest begins and ends?"""
        return bool(self.known.mean(axis=1).min() > MOST)

    @property
    def whole(self) -> bool:
        """Is the shape all but the whole course of the channel?"""
        return self.alike > ALL_BUT_WHOLE


def of_draw(trace: Trace, cells: Cells, where: np.ndarray | None = None) -> Repeats | None:
    """Every harvest that the current `trace` shows again and again, or None where nothing repeats. where: (cells,) of bool,
    the cells in which harvests are wanted; None: all."""
    bins = bins_of(trace, cells)
    draw = draw_cells(trace, bins)
    shown = (
        None
        if draw is None
        else _harvests(running_course(draw, bins).level, draw.noise, bins, cells, clamp=trace)
    )
    if shown is None or where is None or where.all():
        return shown
    wanted = where[shown.first]
    return (
        replace(
            shown,
            first=shown.first[wanted],
            stop=shown.stop[wanted],
            begin_ns=shown.begin_ns[wanted],
            end_ns=shown.end_ns[wanted],
            known=shown.known[:, wanted],
            where=where,
        )
        if wanted.any()
        else None
    )


def of_line(trace: Trace, cells: Cells) -> Repeats | None:
    """Likewise by a cold line."""
    bins = bins_of(trace, cells)
    course = course_of(trace, bins)
    return _harvests(
        course.level, course.slope_noise * np.sqrt(2) * bins.step_s / 60.0, bins, cells, clamp=None
    )


def as_shown(again: Repeats, segments: Segments) -> np.ndarray:
    """What the shape speaks against each phase in each segment, (k, 3) [nats]; nothing where it is not asked."""
    at = np.searchsorted(again.first, segments.first, side="right") - 1
    inside = (at >= 0) & (segments.first < again.stop[np.maximum(at, 0)])
    says = np.where(again.where[segments.first], SHOWN, 0.0)
    costs = np.zeros((len(segments), 3))
    costs[:, FREEZE] = np.where(inside, says, 0.0)
    costs[:, HARVEST] = np.where(inside, 0.0, says)
    return costs


def against_harvests_elsewhere(again: Repeats, segments: Segments) -> np.ndarray:
    """What the shape speaks against a harvest in every segment that lies by more than a harvest off all of its own, (k, 3)
    [nats]; nothing where it is not all but the whole course."""
    costs = np.zeros((len(segments), 3))
    if again.whole:
        length = again.stop - again.first
        near = np.zeros(segments.stop[-1] + 1)
        np.add.at(near, np.maximum(again.first - length, 0), 1)
        np.add.at(near, np.minimum(again.stop + length, len(near) - 1), -1)
        near = np.cumsum(near)[:-1] > 0
        costs[:, HARVEST] = np.where(np.logical_or.reduceat(near, segments.first), 0.0, ELSEWHERE)
    return costs


def moments_of(again: Repeats, runs: Runs) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The moment at which each of `runs` begins by the shape, int64 (k,) [ns], whether the shape gives it, (k,), and how far it
    may be off (standard deviation) [s]: for runs that were named from the same cell; for harvests that hold a single one of a
    sharp shape's; and for those near by, where most harvests were named much as the shape has them, or nearly all begin, or end,
    where its do. Two that were named near one of the shape's get the same moments: they are one."""
    before = np.r_[-1, runs.state[:-1]]
    named = runs.state == HARVEST
    length = float(np.median(again.stop - again.first))
    if named.any():
        length = max(length, float(np.median((runs.stop - runs.first)[named])))
    moment_ns, shown = np.zeros(len(runs.state), dtype=np.int64), np.zeros(len(runs.state), dtype=bool)
    off_s = np.full(len(runs.state), SHAPE_S)
    much, exact, far = [], [], []
    for side, harvest, cell, at_ns, known, same in (
        ((before == FREEZE) & named, 0, again.first, again.begin_ns, again.known[0], SAME_BEGIN),
        (
            (before == HARVEST) & (runs.state == FREEZE),
            -1,
            again.stop,
            again.end_ns,
            again.known[1],
            SAME_END,
        ),
    ):
        at = np.flatnonzero(side & ~runs.opens_span)
        right = np.searchsorted(cell, runs.first[at]).clip(0, len(cell) - 1)
        left = np.maximum(right - 1, 0)
        nearest = np.where(
            np.abs(cell[left] - runs.first[at]) < np.abs(cell[right] - runs.first[at]), left, right
        )
        off = np.full(len(runs.state), np.inf)
        off[at] = np.abs(cell[nearest] - runs.first[at])
        much.append(len(at) > 0 and np.mean(off[at] <= max(same * length, SAME_CELLS)) > MOST)
        exact.append(len(at) > 0 and np.mean(off[at] <= SAME_CELLS) > NEARLY_ALL)
        # What lies wholly beside a harvest that another run shows is one of its own.
        beside = (runs.stop[at + harvest] <= again.first[nearest]) | (
            runs.first[at + harvest] >= again.stop[nearest]
        )
        taken = np.zeros(len(cell), dtype=bool)
        taken[nearest[~beside]] = True
        near = off <= NEAR_BY * length
        near[at[beside & taken[nearest]]] = False
        far.append(near)
        shown |= off == 0
        if again.sharp:
            held = np.searchsorted(again.stop, runs.first[at + harvest], side="right")
            past = np.searchsorted(again.first, runs.stop[at + harvest], side="left")
            single = (past - held == 1) & known[held.clip(0, len(known) - 1)]
            nearest = np.where(single, held, nearest)
            shown[at[single]] = True
        moment_ns[at], off_s[at] = at_ns[nearest], np.where(known[nearest], KNOWN_S, SHAPE_S)
    agreed = again.whole and (all(much) or any(exact))
    return moment_ns, shown | (far[0] | far[1] if agreed else False), off_s


def bins_of(trace: Trace, cells: Cells) -> Cells:
    step_s = trace.interval_s * max(1, round(STEP_S / trace.interval_s))
    return signals.cells_of_width([trace], step_s, cells.limits)


def _harvests(
    level: np.ndarray, noise: float, bins: Cells, cells: Cells, *, clamp: Trace | None
) -> Repeats | None:
    """clamp: one shows when a harvest begins and ends; None: a line, which shows about where it is."""
    tried = [
        shapes.shape_over(level, max(2, round(w / bins.step_s)), bins.step_s, noise) for w in shapes.BESIDE_S
    ]
    known = [shape for shape in tried if shape is not None]
    if not known:
        return None
    shape = max(known, key=lambda s: s.alike * min(1.0, s.share / MOST_CLIMBS))
    if shape.alike < ALIKE:
        return None
    at = shape.at + shapes.best_shift(level, shape.at, shape.mean, shape.reach, shape.shifts, 0.0)
    longest = int(min(LONGEST * float(np.median(np.diff(at))), LONGEST_S / bins.step_s))
    begin, end = breaks.of_shape(shape.mean, bins.step_s, longest, current=clamp is not None)
    length = end - begin
    stray = STRAY * length + STRAY_S / bins.step_s
    about = max(2, round(ABOUT_S / bins.step_s))
    middle = np.clip(at, 0, len(level) - 1) - shape.reach
    calm = min(shape.reach, 3 * length + 10)
    far, near = 2 * length + 2, length // 2 + 2
    steady = shapes.without_blinks(level)
    first = shapes.known_again(steady, middle + begin, about, stray, far, near, noise)
    slow = clamp is not None and clamp.role == "current_compressor"  # it holds no fan and no pump
    # The first bin of a slow climb, or a wide one, shows it in some cycles only; what else comes in some is left out by a median.
    some = slow or bins.step_s > WIDE_S
    departs, begun = breaks.departure(
        (shapes.average_about if some else shapes.mean_about)(level, first, calm),
        length,
        bins.step_s,
        slow=slow,
    )
    first = first + (departs - calm)
    if clamp is not None:
        first = own_departures(level, first, length, noise, steps=not slow)
    first = first + (begun - departs)
    stop = shapes.known_again(level, middle + end, about, stray, near, far, noise)
    if clamp is not None:
        end_shape = shapes.mean_about(level, stop, calm)
        stop = stop + breaks.end_of(end_shape, length, bins.step_s, fans=not slow) - calm
        stop = _held_on(level, first, stop, length, round(LONGEST_S / bins.step_s))
    stop = np.maximum(stop, first + 0.5)
    order = np.argsort(first, kind="stable")
    first, stop = first[order], stop[order]
    apart = first >= np.r_[-np.inf, np.maximum.accumulate(stop)[:-1]]
    first, stop = first[apart], stop[apart]
    begin_ns, end_ns = (
        np.interp(x, np.arange(len(bins)), bins.start_ns).astype(np.int64) for x in (first, stop)
    )
    seen = np.zeros((2, len(begin_ns)), dtype=bool)
    if clamp is not None:
        begin_ns, end_ns, seen = interleaved.moments(clamp, begin_ns, end_ns, fans=not slow)
    half_ns = round(0.5e9 * cells.step_s)
    first, stop = (
        np.searchsorted(cells.start_ns, x - half_ns).clip(0, len(cells) - 1) for x in (begin_ns, end_ns)
    )
    return Repeats(
        first=first,
        stop=np.maximum(stop, first + 1).clip(0, len(cells)),
        begin_ns=begin_ns,
        end_ns=end_ns,
        known=seen,
        where=np.ones(len(cells), dtype=bool),
        alike=shape.alike,
    )


def own_departures(
    level: np.ndarray, first: np.ndarray, length: int, noise: float, *, steps: bool
) -> np.ndarray:
    """`first` (k,) [bins], up to a bin earlier or later where the cycle itself shows it: the first reading of its own that lies
    off the freeze before. What most of them show too faintly stays where it is. length: bins of the harvest."""
    back = max(CALM_BINS + 2, min(3 * length, 12))
    rows = shapes.about(level, first, back, OWN_BINS)
    at = np.arange(-back, OWN_BINS + 1.0)
    calm = at < -1
    x = at[calm] - at[calm].mean()
    middle = rows[:, calm].mean(axis=1)
    slope = (rows[:, calm] - middle[:, None]) @ x / (x @ x)
    off = rows - middle[:, None] - slope[:, None] * (at - at[calm].mean())
    scatter = np.maximum(np.sqrt((off[:, calm] ** 2).sum(axis=1) / (calm.sum() - 2)), noise)
    beyond = np.abs(off[:, ~calm]) > OWN_NOISES * scatter[:, None]
    clear = np.isfinite(rows).all(axis=1) & beyond.any(axis=1)
    if clear.mean() < OWN_SHARE:
        return first
    moved = np.argmax(beyond, axis=1) - OWN_BINS
    if not steps:
        # A slow climb shows in their shape sooner than in any of them: together they stay where it departs.
        moved = moved - np.round(np.median(moved[clear]))
    return np.where(clear, first + moved, first)


def _held_on(level: np.ndarray, first: np.ndarray, stop: np.ndarray, length: int, longest: int) -> np.ndarray:
    """`stop` (k,) [bins], later where the current does not go on as it usually does after it, but stays up and drops at a stroke
    later: the gas was on for so long. length: bins of most harvests; longest: bins that one may take."""
    begin, end = np.round(first).astype(np.int64), np.round(stop).astype(np.int64)
    before = shapes.about(level, begin - 1, CALM_BINS - 1, 0).mean(axis=1)
    rows = shapes.about(level, end, 0, max(4, 3 * length)) - before[:, None]
    known = np.isfinite(rows).all(axis=1)
    if known.sum() < shapes.LEAST_CYCLES:
        return stop
    usual = np.median(rows[known], axis=0)
    off = np.sqrt(((rows - usual) ** 2).mean(axis=1))
    climb = float(np.nanmedian(level[np.clip(end - 1, 0, len(level) - 1)] - before))
    odd = np.flatnonzero(known & (off > ODD * np.median(off[known]) + LEAST_ODD * climb))
    out = stop.copy()
    for i in odd.tolist():
        until = min(begin[i] + longest, begin[i + 1] if i + 1 < len(begin) else len(level))
        row = level[end[i] : until]
        if len(row) < 2 * DROP_BINS or not np.isfinite(row).all():
            continue
        mean = np.convolve(row, np.full(DROP_BINS, 1 / DROP_BINS), mode="valid")
        drop = mean[:-DROP_BINS] - mean[DROP_BINS:]
        at = int(np.argmax(drop))
        stayed = row[: at + DROP_BINS].mean() - before[i]
        after = row[at + 2 * DROP_BINS - 1 :][:CALM_BINS].mean() - before[i]
        late = at + DROP_BINS >= max(CALM_BINS, length // 2)
        if late and min(drop[at], stayed) >= DROPS * climb and after < LOW * climb:
            out[i] = end[i] + at + DROP_BINS
    return out
