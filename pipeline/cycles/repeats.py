"""Harvests that a lone clamp shows as one shape that comes again with every cycle.

The whole unit's current falls slowly over a freeze and climbs over a harvest, whatever fans and pumps do meanwhile. Where it
is much higher after a moment than before it, a harvest is near. Laid upon each other there, the cycles show one common shape,
free of what comes and goes at random; its two sharpest breaks are where a harvest begins and ends. Each break is then sought
again in every cycle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter1d

from pipeline.cycles import breaks, signals
from pipeline.cycles.features import course_of, draw_cells, running_course
from pipeline.cycles.runs import Runs
from pipeline.cycles.segments import Segments
from pipeline.cycles.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them; "likewise" is in parts of the time named, and at most so long.
STEP_S = 10.0  # bins of the shape; a slower logger's interval
BESIDE_S = (100.0, 200.0, 400.0)  # what lies before a moment and after it, tried one after the other
LEAST_CYCLES = 4
LEAST_CLIMB = 0.4  # of what most harvests climb
APART = 0.4  # of the usual time from harvest to harvest
REACH, REACH_S = 0.45, 900.0  # of the shape, both ways, likewise
SHIFT, SHIFT_S = 0.15, 180.0  # by which a cycle may have to be moved onto the shape, likewise
LONGEST, LONGEST_S = 0.4, 900.0  # a harvest, likewise
LESSONS, PUPILS = 4, 100  # times the shape is learned, from so many cycles at most
MOST_CLIMBS = 0.7  # of all that the level climbs: a shape that leaves out more is of something else
ALIKE = 0.5  # part of the current's variance that a shape must explain
ABOUT_S = 40.0  # of a break, both ways, by which it is known again
STRAY, STRAY_S = 0.15, 10.0  # a break lies off by up to this part of a harvest, and besides …
STEADY = (1.0, 0.5, 0.25, 0.12, 0.06)  # … or less: all of them together choose how much
OWN_BINS = 1  # beside the common beginning, in which a cycle may show its own …
OWN_NOISES, OWN_SHARE = 5.0, 0.8  # … by so many times its scatter, where so many of them do
CALM_BINS, DROP_BINS = 4, 2  # bins before a harvest, and on either side of a drop, that are averaged
ODD, LEAST_ODD = 1.5, 0.03  # times the usual misfit after a harvest, and parts of its climb: perhaps held on
DROPS = 0.4  # of the climb: how far the current then stays up, and how far it drops in the end …
LOW = 0.4  # … to under this
SHOWN = 15.0  # nats by which a current's shape speaks for its harvests
SAME_BEGIN, SAME_END, MOST = 0.5, 1.0, 0.7  # of a harvest by which most of them were named beside the shape's
SAME_CELLS = 2  # off: the same moment
NEARLY_ALL = 0.85  # of them begin, or end, where the shape's do
NEAR_BY = 1.2  # of a harvest by which the shape moves one
ELSEWHERE = 1.5  # nats by which a cold line's speaks against others …
ALL_BUT_WHOLE = 0.85  # … where it explains so much; less does not move what was named without it


@dataclass(frozen=True, kw_only=True)
class _Shape:
    """What the cycles have in common about the bins near `at` (k,): `mean` (2 reach + 1,)."""

    at: np.ndarray
    mean: np.ndarray
    reach: int
    shifts: np.ndarray  # by which a cycle may have to be moved onto it
    alike: float  # part of the variance that it explains
    share: float  # part of all climbs that lies near `at`


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Harvests by the shape that comes again, (k,) each."""

    first: np.ndarray  # first cell
    stop: np.ndarray  # one past the last cell
    begin_ns: np.ndarray
    end_ns: np.ndarray
    where: np.ndarray  # bool (cells,): where it is asked
    alike: float  # part of the channel's variance that the shape explains

    @property
    def whole(self) -> bool:
        """Is the shape all but the whole course of the channel?"""
        return self.alike > ALL_BUT_WHOLE


def of_draw(trace: Trace, cells: Cells, where: np.ndarray | None = None) -> Repeats | None:
    """Every harvest that the current `trace` shows again and again, or None where nothing repeats. where: (cells,) of bool,
    the cells in which harvests are wanted; None: all."""
    bins = _bins(trace)
    draw = draw_cells(trace, bins)
    shown = (
        None
        if draw is None
        else _harvests(running_course(draw, bins).level, draw.noise, bins, cells, current=trace.role)
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
            where=where,
        )
        if wanted.any()
        else None
    )


def of_line(trace: Trace, cells: Cells) -> Repeats | None:
    """Likewise by a cold line."""
    bins = _bins(trace)
    course = course_of(trace, bins)
    return _harvests(
        course.level, course.slope_noise * np.sqrt(2) * bins.step_s / 60.0, bins, cells, current=None
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


def with_more(again: Repeats, before: Runs, runs: Runs, cells: Cells) -> Repeats:
    """`again` and the harvests of `runs` that were told apart from those of `before`: they are no part of the shape's."""
    new = (runs.state == HARVEST) & ~np.isin(runs.first, before.first)
    if not new.any():
        return again
    first = np.r_[again.first, runs.first[new]]
    stop = np.r_[again.stop, runs.stop[new]]
    # A turn lies in the midst of its cell.
    half_ns = round(0.5e9 * cells.step_s)
    begin_ns, end_ns = (
        np.r_[known, cells.start_ns[cell[new]] + half_ns]
        for known, cell in (
            (again.begin_ns, runs.first),
            (again.end_ns, np.minimum(runs.stop, len(cells) - 1)),
        )
    )
    order = np.argsort(first, kind="stable")
    return replace(
        again, first=first[order], stop=stop[order], begin_ns=begin_ns[order], end_ns=end_ns[order]
    )


def with_ends(again: Repeats, before: Runs, runs: Runs, cells: Cells) -> Repeats:
    """`again` with the ends of harvests that `runs` has later than `before`: they are not where the shape has them."""
    late = np.flatnonzero((runs.state == HARVEST) & (runs.stop > before.stop))
    stop, end_ns = again.stop.copy(), again.end_ns.copy()
    for i in late.tolist():
        inside = (again.first >= runs.first[i] - SAME_CELLS) & (again.first < runs.stop[i])
        stop[inside], end_ns[inside] = runs.stop[i], cells.start_ns[min(runs.stop[i], len(cells) - 1)]
    return replace(again, stop=stop, end_ns=end_ns)


def moments_of(again: Repeats, runs: Runs) -> tuple[np.ndarray, np.ndarray]:
    """The moment at which each of `runs` begins by the shape, int64 (k,) [ns], and whether the shape gives it, (k,): for runs
    that were named from the same cell; and for those near by, where most harvests were named much as the shape has them,
    or nearly all begin, or end, where its do. Two that were named near one of the shape's get the same moments: they are
    one."""
    before = np.r_[-1, runs.state[:-1]]
    named = runs.state == HARVEST
    length = float(np.median(again.stop - again.first))
    if named.any():
        length = max(length, float(np.median((runs.stop - runs.first)[named])))
    moment_ns, shown = np.zeros(len(runs.state), dtype=np.int64), np.zeros(len(runs.state), dtype=bool)
    much, exact, far = [], [], []
    for side, cell, at_ns, same in (
        ((before == FREEZE) & named, again.first, again.begin_ns, SAME_BEGIN),
        ((before == HARVEST) & (runs.state == FREEZE), again.stop, again.end_ns, SAME_END),
    ):
        side = side & ~runs.opens_span
        right = np.searchsorted(cell, runs.first).clip(0, len(cell) - 1)
        left = np.maximum(right - 1, 0)
        nearest = np.where(np.abs(cell[left] - runs.first) < np.abs(cell[right] - runs.first), left, right)
        off = np.where(side, np.abs(cell[nearest] - runs.first), np.inf)
        moment_ns[side] = at_ns[nearest[side]]
        shown |= off == 0
        much.append(side.any() and np.mean(off[side] <= max(same * length, SAME_CELLS)) > MOST)
        exact.append(side.any() and np.mean(off[side] <= SAME_CELLS) > NEARLY_ALL)
        far.append(off <= NEAR_BY * length)
    agreed = again.whole and (all(much) or any(exact))
    return moment_ns, shown | (far[0] | far[1] if agreed else False)


def _bins(trace: Trace) -> Cells:
    return signals.cells_of_width([trace], trace.interval_s * max(1, round(STEP_S / trace.interval_s)))


def _harvests(
    level: np.ndarray, noise: float, bins: Cells, cells: Cells, *, current: str | None
) -> Repeats | None:
    """current: the role of one, which shows when a harvest begins and ends; None: a line, which shows about where it is."""
    shapes = [
        s
        for s in (_shape(level, max(2, round(w / bins.step_s)), bins.step_s, noise) for w in BESIDE_S)
        if s is not None
    ]
    if not shapes:
        return None
    shape = max(shapes, key=lambda s: s.alike * min(1.0, s.share / MOST_CLIMBS))
    if shape.alike < ALIKE:
        return None
    at = shape.at + _best_shift(level, shape.at, shape.mean, shape.reach, shape.shifts, 0.0)
    longest = int(min(LONGEST * float(np.median(np.diff(at))), LONGEST_S / bins.step_s))
    begin, end = breaks.of_shape(shape.mean, bins.step_s, longest, current=current is not None)
    length = end - begin
    stray = STRAY * length + STRAY_S / bins.step_s
    about = max(2, round(ABOUT_S / bins.step_s))
    middle = np.clip(at, 0, len(level) - 1) - shape.reach
    calm = min(shape.reach, 3 * length + 10)
    far, near = 2 * length + 2, length // 2 + 2
    steady = _without_blinks(level)
    first = _known_again(steady, middle + begin, about, stray, far, near)
    slow = current == "current_compressor"  # it holds no fan and no pump
    departs, begun = breaks.departure(_average_about(level, first, calm), length, bins.step_s, slow=slow)
    first = first + (departs - calm)
    if current is not None:
        first = _own_departures(level, first, length, noise, steps=not slow)
    first = first + (begun - departs)
    stop = _known_again(level, middle + end, about, stray, near, far)
    if current is not None:
        end_shape = _mean_about(level, stop, calm)
        stop = stop + breaks.end_of(end_shape, length, bins.step_s, fans=current == "current") - calm
        stop = _held_on(level, first, stop, length, round(LONGEST_S / bins.step_s))
    stop = np.maximum(stop, first + 0.5)
    order = np.argsort(first, kind="stable")
    first, stop = first[order], stop[order]
    apart = first >= np.r_[-np.inf, np.maximum.accumulate(stop)[:-1]]
    first, stop = first[apart], stop[apart]
    begin_ns, end_ns = (
        np.interp(x, np.arange(len(bins)), bins.start_ns).astype(np.int64) for x in (first, stop)
    )
    half_ns = round(0.5e9 * cells.step_s)
    first, stop = (
        np.searchsorted(cells.start_ns, x - half_ns).clip(0, len(cells) - 1) for x in (begin_ns, end_ns)
    )
    return Repeats(
        first=first,
        stop=np.maximum(stop, first + 1).clip(0, len(cells)),
        begin_ns=begin_ns,
        end_ns=end_ns,
        where=np.ones(len(cells), dtype=bool),
        alike=shape.alike,
    )


def _climbs(level: np.ndarray, width: int) -> np.ndarray:
    """How much higher the level is over `width` bins after each bin than over as many before it; NaN where either is
    not known well."""
    known = np.isfinite(level)
    total = np.r_[0.0, np.cumsum(np.where(known, level, 0.0))]
    count = np.r_[0, np.cumsum(known)]
    n, gap = len(level), width // 4
    at = np.arange(n)

    def mean(first, stop):
        first, stop = np.clip(first, 0, n), np.clip(stop, 0, n)
        seen = count[stop] - count[first]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(seen >= 0.6 * width, (total[stop] - total[first]) / seen, np.nan)

    return mean(at + gap, at + gap + width) - mean(at - gap - width, at - gap)


def _summits(climbs: np.ndarray, radius: int) -> np.ndarray:
    """Bins with the greatest climb within `radius`, those left out that climb far less than most."""
    height = np.nan_to_num(climbs, nan=-np.inf)
    at = np.flatnonzero((height == maximum_filter1d(height, 2 * radius + 1)) & (height > 0))
    return at[height[at] > LEAST_CLIMB * np.quantile(height[at], 0.8)] if len(at) else at


def _shape(level: np.ndarray, width: int, step_s: float, noise: float) -> _Shape | None:
    """The shape about the climbs over `width` bins, or None where there are too few."""
    climbs = _climbs(level, width)
    at = _summits(climbs, 2 * width)
    if len(at) < LEAST_CYCLES:
        return None
    at = _summits(climbs, int(APART * np.median(np.diff(at))))
    if len(at) < LEAST_CYCLES:
        return None
    period = float(np.median(np.diff(at)))
    reach = int(min(REACH * period, REACH_S / step_s))
    shift = max(1, round(min(SHIFT * period, SHIFT_S / step_s)))
    if reach < 5:
        return None
    shifts = np.arange(-shift, shift + 1)
    some = at[:: max(1, len(at) // PUPILS)]
    for _ in range(LESSONS):
        mean = _mean_about(level, some, reach)
        moved = _best_shift(level, some, mean, reach, shifts, 0.0)
        some = np.clip(some + moved, 0, len(level) - 1)
        if not moved.any():
            break
    mean = _mean_about(level, some, reach)
    if float(mean.std()) < noise:
        return None
    about = _centred(_about(level, some, reach))
    about = about[np.isfinite(about).any(axis=1)]
    if len(about) == 0:
        return None
    left = float(np.median(np.nanmean((about - mean) ** 2, axis=1)))
    explained = 1.0 - max(left - noise**2, 0.0) / max(float(np.nanmean(about**2)), 1e-12)
    # A shape that leaves out every other cycle explains less of the log.
    seen = np.zeros(len(level) + 1)
    np.add.at(seen, np.clip(at - reach, 0, len(level)), 1)
    np.add.at(seen, np.clip(at + reach + 1, 0, len(level)), -1)
    covered = float((np.cumsum(seen)[:-1] > 0)[np.isfinite(level)].mean())
    alike = float(explained) * min(1.0, covered * period / (2 * reach + 1))
    share = _share_of_climbs(level, at, max(2, round(BESIDE_S[0] / step_s)), width + shift)
    return _Shape(at=at, mean=mean, reach=reach, shifts=shifts, alike=alike, share=share)


def _share_of_climbs(level: np.ndarray, at: np.ndarray, width: int, near: int) -> float:
    """How much of all that the level climbs, over `width` bins, it climbs within `near` bins of `at`."""
    climbs = _climbs(level, width)
    summits = _summits(climbs, 2 * width)
    if len(summits) == 0:
        return 1.0
    right = np.searchsorted(at, summits).clip(1, len(at) - 1) if len(at) > 1 else np.zeros(len(summits), int)
    off = np.minimum(np.abs(at[right] - summits), np.abs(at[np.maximum(right - 1, 0)] - summits))
    height = climbs[summits]
    return float(height[off <= near].sum() / height.sum())


def _about(level: np.ndarray, at: np.ndarray, reach: int, ahead: int | None = None) -> np.ndarray:
    """`level` from `reach` bins before each of `at` to as many (or `ahead`) after it; NaN beyond the log. Shape
    (k, reach + 1 + ahead)."""
    index = at[:, None] + np.arange(-reach, (reach if ahead is None else ahead) + 1)[None]
    inside = (index >= 0) & (index < len(level))
    return np.where(inside, level[index.clip(0, len(level) - 1)], np.nan)


def _centred(rows: np.ndarray) -> np.ndarray:
    known = np.isfinite(rows)
    mean = np.where(known, rows, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return rows - mean[:, None]


def _best_shift(
    level: np.ndarray, at: np.ndarray, mean: np.ndarray, reach: int, shifts: np.ndarray, stray: float
) -> np.ndarray:
    """By which of `shifts` each of `at` must be moved for the level about it to lie nearest to `mean`, (k,). stray: how
    far breaks lie off at most, usually [bins]; 0: any shift is as good as any other."""
    # Every window is a part of one wide row: the sum of squares about its own mean and the shape, multiplied out.
    wide = _centred(_about(level, at + shifts[0], reach, reach + len(shifts) - 1))
    known = np.isfinite(wide)
    wide[~known] = 0.0
    count, total, square = (_sums(x, len(mean)) for x in (known, wide, wide**2))
    middle = total / np.maximum(count, 1)
    misfit = square - count * middle**2 - 2 * _products(wide, mean)
    if known.all():
        misfit += 2 * middle * mean.sum() + (mean**2).sum()
    else:
        seen = known.astype(np.float64)
        misfit += 2 * middle * _products(seen, mean) + _products(seen, mean**2)
    misfit = np.where(count > 0.5 * len(mean), misfit / np.maximum(count, 1), np.inf).T
    if stray > 0:
        best = misfit.min(axis=0)
        scatter = max(float(np.median(best[np.isfinite(best)])) if np.isfinite(best).any() else 0.0, 1e-12)
        misfit = 0.25 * len(mean) * misfit / scatter
        misfit = misfit + _strays(misfit, shifts, stray)[:, None]
    return np.where(np.isfinite(misfit).any(axis=0), shifts[np.argmin(misfit, axis=0)], 0)


def _strays(misfit: np.ndarray, shifts: np.ndarray, stray: float) -> np.ndarray:
    """What speaks against each of `shifts` by itself, (s,) [nats]: a Cauchy distribution as wide as makes all misfits (s, k)
    [nats] together the most likely, `stray` at most. A steady machine is not moved about by noise."""
    known = misfit[:, np.isfinite(misfit).all(axis=0)]
    priors = [np.log1p((shifts / (part * stray)) ** 2) for part in STEADY]
    priors = [p + np.log(np.exp(-p).sum()) for p in priors]
    return max(priors, key=lambda p: float(np.logaddexp.reduce(-known - p[:, None], axis=0).sum()))


def _sums(rows: np.ndarray, width: int) -> np.ndarray:
    """Sums over every `width` columns in a row, (k, n) in, (k, n − width + 1) out."""
    total = np.cumsum(np.column_stack([np.zeros(len(rows)), rows]), axis=1)
    return total[:, width:] - total[:, :-width]


def _products(rows: np.ndarray, shape: np.ndarray) -> np.ndarray:
    """Likewise, each column times its part of `shape`."""
    return np.einsum("ksw,w->ks", np.lib.stride_tricks.sliding_window_view(rows, len(shape), axis=1), shape)


def _known_again(
    level: np.ndarray, at: np.ndarray, about: int, stray: float, back: int, ahead: int
) -> np.ndarray:
    """Where the break that lies near `at` (k,) is in every cycle."""
    for _ in range(LESSONS):
        part = _mean_about(level, at, about)
        moved = _best_shift(level, at, part - part.mean(), about, np.arange(-back, ahead + 1), stray)
        # All of them together stay where the shape has the break.
        moved = moved - int(np.median(moved))
        at = np.clip(at + moved, 0, len(level) - 1)
        back = ahead = 2
        if not moved.any():
            break
    return at


def _own_departures(
    level: np.ndarray, first: np.ndarray, length: int, noise: float, *, steps: bool
) -> np.ndarray:
    """`first` (k,) [bins], up to a bin earlier or later where the cycle itself shows it: the first reading of its own that lies
    off the freeze before. What most of them show too faintly stays where it is. length: bins of the harvest."""
    back = max(CALM_BINS + 2, min(3 * length, 12))
    rows = _about(level, first, back, OWN_BINS)
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
    before = _about(level, begin - 1, CALM_BINS - 1, 0).mean(axis=1)
    rows = _about(level, end, 0, max(4, 3 * length)) - before[:, None]
    known = np.isfinite(rows).all(axis=1)
    if known.sum() < LEAST_CYCLES:
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


def _without_blinks(level: np.ndarray) -> np.ndarray:
    """`level` without what lasts a single bin: whether a fan's stop falls upon a reading is chance."""
    beside = np.stack([np.r_[level[:1], level[:-1]], level, np.r_[level[1:], level[-1:]]])
    return np.median(beside, axis=0)


def _average_about(level: np.ndarray, at: np.ndarray, reach: int) -> np.ndarray:
    """Like `_mean_about`, of all cycles and with what only some of them show, (2 reach + 1,)."""
    rows = _centred(_about(level, at, reach))
    known = np.isfinite(rows)
    return np.where(known, rows, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)


def _mean_about(level: np.ndarray, at: np.ndarray, reach: int) -> np.ndarray:
    few = slice(None, None, max(1, len(at) // PUPILS))
    rows = _centred(_about(level, at[few], reach))
    rows[:, np.isnan(rows).all(axis=0)] = 0.0
    return np.nanmedian(rows, axis=0)
