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

from pipeline.cycles import signals
from pipeline.cycles.features import course_of, draw_cells, running_course
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
ALIKE = 0.5  # part of the current's variance that a shape must explain
ABOUT_S = 40.0  # of a break, both ways, by which it is known again
STRAY, STRAY_S = 0.15, 10.0  # a break usually lies off by this part of a harvest, and besides
AS_HIGH = 0.15  # of the climb by which a first peak may be lower than the highest
CALM = 15  # bins of the freeze's end
UNSURE = 8  # bins by which the beginning may lie before the sharpest break
ROUND = 0.05  # of the climb by which a round top is higher than two bins before
BLINK = 3  # bins in which a dip may cross the freeze's line on its way up
DEPARTS = 4.0  # times the scatter about the freeze's end …
FAR = 0.04  # … and parts of the whole climb: no longer the freeze
SHOWN = (
    (0.85, 0.93),
    (6.0, 15.0),
)  # how much a current's shape explains: nats by which it speaks for its harvests
ELSEWHERE = 1.5  # nats by which a cold line's speaks against others …
ALL_BUT_WHOLE = 0.85  # … where it explains so much


@dataclass(frozen=True, kw_only=True)
class _Shape:
    """What the cycles have in common about the bins near `at` (k,): `mean` (2 reach + 1,)."""

    at: np.ndarray
    mean: np.ndarray
    reach: int
    shifts: np.ndarray  # by which a cycle may have to be moved onto it
    alike: float  # part of the variance that it explains


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Harvests by the shape that comes again, (k,) each."""

    first: np.ndarray  # first cell
    stop: np.ndarray  # one past the last cell
    begin_ns: np.ndarray
    end_ns: np.ndarray
    where: np.ndarray  # bool (cells,): where it is asked
    step_s: float  # how finely the moments are known
    alike: float  # part of the channel's variance that the shape explains


def of_draw(trace: Trace, cells: Cells, where: np.ndarray | None = None) -> Repeats | None:
    """Every harvest that the current `trace` shows again and again, or None where nothing repeats. where: (cells,) of bool,
    the cells in which harvests are wanted; None: all."""
    bins = _bins(trace)
    draw = draw_cells(trace, bins)
    shown = None if draw is None else _harvests(running_course(draw, bins).level, draw.noise, bins, cells)
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
    return _harvests(course.level, course.slope_noise * np.sqrt(2) * bins.step_s / 60.0, bins, cells)


def as_shown(again: Repeats, segments: Segments) -> np.ndarray:
    """What the shape speaks against each phase in each segment, (k, 3) [nats]; nothing where it is not asked."""
    at = np.searchsorted(again.first, segments.first, side="right") - 1
    inside = (at >= 0) & (segments.first < again.stop[np.maximum(at, 0)])
    says = np.where(again.where[segments.first], np.interp(again.alike, *SHOWN), 0.0)
    costs = np.zeros((len(segments), 3))
    costs[:, FREEZE] = np.where(inside, says, 0.0)
    costs[:, HARVEST] = np.where(inside, 0.0, says)
    return costs


def against_harvests_elsewhere(again: Repeats, segments: Segments) -> np.ndarray:
    """What the shape speaks against a harvest in every segment that lies by more than a harvest off all of its own, (k, 3)
    [nats]; nothing where it is not all but the whole course."""
    costs = np.zeros((len(segments), 3))
    if again.alike > ALL_BUT_WHOLE:
        length = again.stop - again.first
        near = np.zeros(segments.stop[-1] + 1)
        np.add.at(near, np.maximum(again.first - length, 0), 1)
        np.add.at(near, np.minimum(again.stop + length, len(near) - 1), -1)
        near = np.cumsum(near)[:-1] > 0
        costs[:, HARVEST] = np.where(np.logical_or.reduceat(near, segments.first), 0.0, ELSEWHERE)
    return costs


def _bins(trace: Trace) -> Cells:
    return signals.cells_of_width([trace], trace.interval_s * max(1, round(STEP_S / trace.interval_s)))


def _harvests(level: np.ndarray, noise: float, bins: Cells, cells: Cells) -> Repeats | None:
    shapes = [
        s
        for s in (_shape(level, max(2, round(w / bins.step_s)), bins.step_s, noise) for w in BESIDE_S)
        if s is not None
    ]
    if not shapes:
        return None
    shape = max(shapes, key=lambda s: s.alike)
    if shape.alike < ALIKE:
        return None
    at = shape.at + _best_shift(level, shape.at, shape.mean, shape.reach, shape.shifts, 0.0)
    begin, end = _breaks(shape.mean, bins.step_s, float(np.median(np.diff(at))))
    length = end - begin
    stray = STRAY * length + STRAY_S / bins.step_s
    about = max(2, round(ABOUT_S / bins.step_s))
    middle = np.clip(at, 0, len(level) - 1) - shape.reach
    calm = min(shape.reach, 3 * length + 10)
    first, begin_shape = _known_again(
        level, middle + begin, about, stray, length // 2 + 2, length // 2 + 2, calm
    )
    first = first + _departure(begin_shape, length) - calm
    stop, end_shape = _known_again(level, middle + end, about, stray, length // 2 + 2, 2 * length + 2, calm)
    stop = stop + _summit(end_shape, length) - calm
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
        step_s=bins.step_s,
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
    return _Shape(at=at, mean=mean, reach=reach, shifts=shifts, alike=alike)


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
    far breaks usually lie off [bins]; 0: any shift is as good as any other."""
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
        misfit = 0.25 * len(mean) * misfit / scatter + np.log1p((shifts / stray) ** 2)[:, None]
    return np.where(np.isfinite(misfit).any(axis=0), shifts[np.argmin(misfit, axis=0)], 0)


def _sums(rows: np.ndarray, width: int) -> np.ndarray:
    """Sums over every `width` columns in a row, (k, n) in, (k, n − width + 1) out."""
    total = np.cumsum(np.column_stack([np.zeros(len(rows)), rows]), axis=1)
    return total[:, width:] - total[:, :-width]


def _products(rows: np.ndarray, shape: np.ndarray) -> np.ndarray:
    """Likewise, each column times its part of `shape`."""
    return np.einsum("ksw,w->ks", np.lib.stride_tricks.sliding_window_view(rows, len(shape), axis=1), shape)


def _known_again(
    level: np.ndarray, at: np.ndarray, about: int, stray: float, back: int, ahead: int, reach: int
) -> tuple[np.ndarray, np.ndarray]:
    """Where the break that lies near `at` (k,) is in every cycle, and the common shape about these bins, (2 reach + 1,)."""
    for _ in range(LESSONS):
        part = _mean_about(level, at, about)
        moved = _best_shift(level, at, part - part.mean(), about, np.arange(-back, ahead + 1), stray)
        # All of them together stay where the shape has the break.
        moved = moved - int(np.median(moved))
        at = np.clip(at + moved, 0, len(level) - 1)
        back = ahead = 2
        if not moved.any():
            break
    return at, _mean_about(level, at, reach)


def _mean_about(level: np.ndarray, at: np.ndarray, reach: int) -> np.ndarray:
    few = slice(None, None, max(1, len(at) // PUPILS))
    rows = _centred(_about(level, at[few], reach))
    rows[:, np.isnan(rows).all(axis=0)] = 0.0
    return np.nanmedian(rows, axis=0)


def _breaks(mean: np.ndarray, step_s: float, period: float) -> tuple[int, int]:
    """The bins of the shape in which the harvest begins and in which the freeze does: three smooth pieces fit it well
    there (least squares, every pair tried), and the harvest ends where the current is highest: the suction pressure is
    then, and the fan and the pump come back."""
    n = len(mean)
    cost = _misfits(mean, 2)[0][:, None] + _misfits(mean, 2) + _misfits(mean, 3)[:, n][None]
    first, stop = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    longest = int(min(LONGEST * period, LONGEST_S / step_s))
    cost[(stop - first < 1) | (stop - first > longest) | (first < 4) | (stop > n - 4)] = np.inf
    begin = int(np.unravel_index(np.argmin(cost), cost.shape)[0])
    return begin, begin + 1 + _peak(mean[begin + 1 : begin + 1 + longest])


def _peak(climb: np.ndarray) -> int:
    """The first bin that is nearly as high as the highest."""
    top = float(climb.max())
    near = np.flatnonzero(climb >= top - AS_HIGH * (top - float(climb.min())))
    return int(near[0] + np.argmax(climb[near[0] : near[0] + 3]))


def _departure(shape: np.ndarray, length: int) -> float:
    """The moment [bins] at which a shape with the beginning of a harvest in its midst departs from the freeze before."""
    middle = len(shape) // 2
    calm = np.arange(0, middle - max(2, min(length // 2, UNSURE)))
    if len(calm) < 4:
        return middle
    calm = calm[-CALM:]
    slope, level = np.polyfit(calm, shape[calm], 1)
    scatter = float(np.std(shape[calm] - slope * calm - level))
    away = max(DEPARTS * scatter, FAR * float(np.ptp(shape)))
    off = np.abs(shape - slope * np.arange(len(shape)) - level) > away
    at = min(middle + 2, len(shape) - 1)
    while at > calm[-1] + 1 and off[max(0, at - BLINK) : at].any():
        at -= 1
    return at


def _summit(shape: np.ndarray, length: int) -> float:
    """The moment [bins] at which a harvest ends, by a shape with its end in the midst: where it is highest, with the jump
    into its highest bin or in the midst of that; before a round top, where it climbed most steeply last: the pump and the fan
    came back there, and the pressure followed."""
    middle = len(shape) // 2
    at = max(1, middle - 2) + int(np.argmax(shape[max(1, middle - 2) : middle + 3]))
    while shape[at + 1 : at + 3].max(initial=-np.inf) > shape[at]:
        at += 1
    climb = shape[max(0, at - length) : at + 1]
    if len(climb) > 5 and climb[-1] - climb[-3] < ROUND * np.ptp(climb):
        half = len(climb) // 2
        return at - len(climb) + half + 3 + int(np.argmax(climb[half + 2 :] - climb[half:-2]))
    jumps = shape[at] - shape[at - 1] > 2 * abs(shape[at] - shape[min(at + 1, len(shape) - 1)])
    return at if jumps else at + 0.5


def _misfits(values: np.ndarray, degree: int) -> np.ndarray:
    """Squared misfit of the best polynomial over every stretch [a, b) of `values`, (n + 1, n + 1); inf where b ≤ a."""
    n = len(values)
    x = np.linspace(-1.0, 1.0, n)
    powers = np.array([x**k for k in range(2 * degree + 1)])
    sums = np.concatenate([np.zeros((2 * degree + 1, 1)), np.cumsum(powers, axis=1)], axis=1)
    with_y = np.concatenate(
        [np.zeros((degree + 1, 1)), np.cumsum(powers[: degree + 1] * values, axis=1)], axis=1
    )
    squares = np.r_[0.0, np.cumsum(values**2)]
    a, b = np.triu_indices(n + 1, 1)
    moment, right = sums[:, b] - sums[:, a], with_y[:, b] - with_y[:, a]
    matrix = moment[np.add.outer(np.arange(degree + 1), np.arange(degree + 1))].transpose(2, 0, 1)
    fit = np.linalg.solve(matrix + 1e-9 * np.eye(degree + 1), right.T[..., None])[..., 0]
    out = np.full((n + 1, n + 1), np.inf)
    out[a, b] = np.maximum(squares[b] - squares[a] - (fit * right.T).sum(axis=1), 0.0)
    return out
