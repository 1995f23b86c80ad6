"""What a template says of the moment of an act of the control: log likelihoods over the template's own grid.

A line departs from its course when hot gas comes. When gas is shut its slope begins to fall; behind a lag the fall of the slope
decays, and the line is warmest later. A current steps or bends at the act, or later, or not at all. So each channel offers a
few moments, each as sharply as it shows it, and the moment that suits all channels is the act's.

Offsets are seconds from the events' own moments, on an even grid, shape (l,); courses are of one channel in its own unit. All
numbers below are common practice, no source, set on simulated machines that were worked on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.template import superpose

LEAST_SIGMAS = 6.0  # a line that moves by fewer noises says nothing
# The first departure of a line
SEARCH_S = (-120.0, 150.0)  # about the named moment
DEPARTS, DEPARTS_SIGMAS = 0.03, 4.0  # part of the rise, and noises, by which a course has left the one before
# the stretch before to which a straight line is fitted, and what is left out of it
COURSE_S, CALM_S = 120.0, 20.0
LOW_PART, RISE_PART = 0.08, 0.3  # of the rise: still as low as before, and plainly climbing
BACK_MOST_S = 45.0  # it is led back along its own slope by no more
# how far the act may lie before and after, and that part of an interval
EARLY_S, LATE_S, BY_INTERVAL = 7.0, 3.0, 0.3
# Bends and steps
CLEAR = 4.0  # times what the course usually bends, and what noise makes of it
LEAST_PART = 0.04  # of the sharpest
STEP_ALIKE, STEP_WIDE = (0.5, 2.0), 2.6  # two bends of opposite sign, about as sharp, and so near, are a step
DECAYED = 0.5  # part of the smoothing's width by which a bend that decays began before its greatest
BLUR = 0.3  # part of an interval over which slopes are smoothed
# The end of a harvest by a line
NEAR_S = (-100.0, 120.0)  # where its top is sought
# parts of the swing: a dip that ends a climb, and how far under the highest a top may be
DIP, HIGH = 0.06, 0.35
# it falls in earnest at this part of its steepest fall within so long after the top
FALLS_S, FALLS = 90.0, 0.3
VALLEY = 0.5  # of the bend that leads to the fall: a bend before a deeper valley is another
LAG_S = 90.0  # a clip lags no more
OTHER_BENDS = 0.5  # what other downward bends weigh beside the one that leads to the fall
LINE_FLOOR, CURRENT_FLOOR = 0.1, 0.02  # what a moment without any bend weighs
SHARP_S = 4.0  # a moment that is known so well has the full weight
# of the changes of a current each later one weighs so much less; sharpness to this power
LATER, POWER = 0.6, 0.5


@dataclass(frozen=True, kw_only=True)
class Change:
    """One bend or step of a template."""

    at: float  # [s]
    sharp: float  # greatest bend [unit/s²]
    soft: float  # by how much it is wider than the smoothing makes it [s]
    sign: float  # of the bend, or of the step


def about(offsets: np.ndarray, at: float, sd: float) -> np.ndarray:
    """Normal density about the moment `at` [s] with the spread `sd` [s], in parts of one of SHARP_S; (l,)."""
    return SHARP_S / max(sd, SHARP_S) * np.exp(-0.5 * ((offsets - at) / sd) ** 2)


def heavy_tailed(away: np.ndarray, width: np.ndarray | float) -> np.ndarray:
    """Log likelihood of Student's t with four degrees of freedom `away` from the middle, in units of `width` [s]."""
    return -2.5 * np.log1p((away / width) ** 2 / 4)


def start_by_line(
    offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float
) -> np.ndarray | None:
    """Log likelihood (l,) of gas coming at each offset, by the first departure of a line; None where it does not rise."""
    found = departure(offsets, course, noise)
    if not np.isfinite(found):
        return None
    away = offsets - found
    return heavy_tailed(away, np.where(away < 0, EARLY_S, LATE_S) + BY_INTERVAL * interval_s)


def departure(offsets: np.ndarray, course: np.ndarray, noise: float) -> float:
    """When a line leaves the straight course before a harvest [s], led back along its own slope; nan where it does not rise."""
    course = _filled(course, np.nanmin)
    if course is None:
        return np.nan
    step = offsets[1] - offsets[0]
    first, last = np.searchsorted(offsets, SEARCH_S)
    part = course[first:last]
    if len(part) < 3:
        return np.nan
    gain = part - np.minimum.accumulate(part)
    top = int(np.argmax(gain))
    rise = gain[top]
    if rise < LEAST_SIGMAS * noise:
        return np.nan
    climbs = int(np.argmax(part > part[: top + 1].min() + RISE_PART * rise))
    before = part[: climbs + 1]
    rough = first + int(np.flatnonzero(before <= before.min() + LOW_PART * rise)[-1])
    climbs += first
    fit = (offsets >= offsets[rough] - COURSE_S - CALM_S) & (offsets <= offsets[rough] - CALM_S)
    if fit.sum() < 4:
        return float(offsets[rough])
    slope, level = np.polyfit(offsets[fit], course[fit], 1)
    residual = course - (level + slope * offsets)
    limit = max(DEPARTS * rise, DEPARTS_SIGMAS * max(noise, float(np.std(residual[fit]))))
    earliest = max(rough - round(60 / step), 0)
    under = np.flatnonzero(residual[earliest : climbs + 1] < limit)
    if len(under) == 0:
        return float(offsets[rough])
    at = earliest + int(under[-1])
    ahead = min(at + max(2, round(10 / step)), len(course) - 1)
    steep = (residual[ahead] - residual[at]) / max(offsets[ahead] - offsets[at], step)
    back = np.clip(residual[at] / steep, 0.0, BACK_MOST_S) if steep > 0 else 0.0
    return float(offsets[at] - back)


def end_by_line(
    offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float
) -> np.ndarray | None:
    """Log likelihood (l,) of gas being shut at each offset, by the bends of a line before it falls; None where it has no top."""
    filled = _filled(course, np.nanmin)
    if filled is None:
        return None
    step = offsets[1] - offsets[0]
    smooth = superpose.smoothed(filled, max(1, round(SHARP_S / step)))
    swing = smooth.max() - smooth.min()
    if swing < LEAST_SIGMAS * noise:
        return None
    top = _first_top(offsets, smooth, swing, noise)
    slope = np.gradient(smooth, step)
    falling = float(slope[top : top + round(FALLS_S / step) + 1].min())
    if falling >= 0:
        return None
    falls = float(offsets[top + int(np.argmax(slope[top:] < FALLS * falling))])
    likely = np.full(len(offsets), LINE_FLOOR)
    main = _bend_before_fall(offsets, smooth, top, interval_s)
    if main is not None:
        likely += about(offsets, main.at, SHARP_S + BY_INTERVAL * (interval_s + main.soft))
    bends = [c for c in changes(offsets, filled, interval_s, noise) if c.sign < 0 and c.at <= falls + 10.0]
    most = max((c.sharp for c in bends), default=1.0)
    for c in bends:
        sd = 0.5 * SHARP_S + 0.2 * interval_s + BY_INTERVAL * c.soft
        likely += OTHER_BENDS * c.sharp / most * about(offsets, c.at, sd)
    # A lag makes the top late, by so much at most; gas is not shut after the line has begun to fall.
    away = offsets - offsets[top]
    beyond = np.where(
        away < 0, np.maximum(-away - LAG_S, 0.0), np.maximum(away - max(falls - offsets[top], 0.0), 0.0)
    )
    return np.log(likely) + heavy_tailed(beyond, 6.0 + BY_INTERVAL * interval_s)


def by_current(
    offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float, *, earliest_s: float
) -> np.ndarray | None:
    """Log likelihood (l,) of an act at each offset by the changes of a current from `earliest_s` [s] on; None where it shows none. Of
    several the first is likeliest, since fans and pumps are late."""
    found = [c for c in changes(offsets, course, interval_s, noise) if c.at >= earliest_s]
    if not found:
        return None
    most = max(c.sharp for c in found)
    likely = np.full(len(offsets), CURRENT_FLOOR)
    for j, c in enumerate(found):
        weight = LATER ** min(j, 4) * (c.sharp / most) ** POWER
        likely += weight * about(offsets, c.at, 1.0 + 0.15 * interval_s + BY_INTERVAL * c.soft)
    return np.log(likely)


def changes(offsets: np.ndarray, course: np.ndarray, interval_s: float, noise: float) -> list[Change]:
    """Bends and steps of `course`, in order of time. A step is two bends of opposite sign and lies between them. A bend that decays,
    behind a lag, began before it is greatest."""
    course = _filled(course, np.nanmedian)
    if course is None:
        return []
    step = float(offsets[1] - offsets[0])
    first = max(1, round(SHARP_S / step))
    half, narrow = _smoothing(first, step, interval_s)
    bend = _bends(superpose.smoothed(course, first), step, half)
    size = np.abs(bend)
    edge = first + 2 * half
    inner = size[edge : len(size) - edge]
    if len(inner) < 5:
        return []
    points = (2 * first + 1) * (2 * half + 1) / max(1.0, interval_s / step)
    by_noise = 2.5 * noise / np.sqrt(max(points, 1.0)) / narrow**2
    least = max(CLEAR * 1.4826 * float(np.median(inner)), CLEAR * by_noise, LEAST_PART * float(inner.max()))
    middle = size[2:-2]
    tops = (middle >= np.maximum(size[:-4], size[4:])) & (middle >= size[3:-1]) & (middle > size[1:-3])
    peaks = np.flatnonzero(tops & (middle >= least)) + 2
    peaks = peaks[(peaks >= edge) & (peaks < len(size) - edge)].tolist()
    found, used = [], -1
    for n, i in enumerate(peaks):
        if i <= used:
            continue
        other = next(
            (
                j
                for j in peaks[n + 1 :]
                if bend[j] * bend[i] < 0
                and offsets[j] - offsets[i] < STEP_WIDE * narrow
                and STEP_ALIKE[0] < size[j] / size[i] < STEP_ALIKE[1]
            ),
            None,
        )
        sign = float(np.sign(bend[i]))
        if other is not None:
            at, used = 0.5 * float(offsets[i] + offsets[other]), other
            found.append(Change(at=at, sharp=2 * float(max(size[i], size[other])), soft=0.0, sign=sign))
            continue
        left, right = _half_widths(sign * bend, i, step)
        late, early = max(right - narrow, 0.0), max(left - narrow, 0.0)
        at = float(offsets[i]) - DECAYED * min(narrow, late)
        found.append(Change(at=at, sharp=float(size[i]), soft=late + early, sign=sign))
    return found


def _bend_before_fall(offsets: np.ndarray, smooth: np.ndarray, top: int, interval_s: float) -> Change | None:
    """The bend by which a line goes over from climbing to falling; `smooth`: (l,), as `smoothed` over SHARP_S."""
    step = float(offsets[1] - offsets[0])
    first = max(1, round(SHARP_S / step))
    half, narrow = _smoothing(first, step, interval_s)
    slope = superpose.smoothed(np.gradient(smooth, step), half)
    falling = float(slope[top : top + round(FALLS_S / step) + 1].min())
    if falling >= 0:
        return None
    bend = -superpose.smoothed(np.gradient(slope, step), half)
    lowest = max(top - round((LAG_S + 30.0) / step), 0)
    peak = top + int(np.argmax(slope[top:] < FALLS * falling))
    while peak > lowest and bend[peak - 1] >= bend[peak]:
        peak -= 1
    # Back over small dips of the bend, to its greatest.
    j, deepest = peak, bend[peak]
    while j > lowest and deepest >= VALLEY * bend[peak]:
        j -= 1
        deepest = min(deepest, bend[j])
        if bend[j] > bend[peak]:
            if deepest < VALLEY * bend[peak]:
                break
            peak, deepest = j, bend[j]
    left, right = _half_widths(bend, peak, step)
    late, early = max(right - narrow, 0.0), max(left - narrow, 0.0)
    at = float(offsets[peak]) - DECAYED * min(narrow, late)
    return Change(at=at, sharp=float(abs(bend[peak])), soft=late + early, sign=-1.0)


def _first_top(offsets: np.ndarray, smooth: np.ndarray, swing: float, noise: float) -> int:
    """Index of the first top, near the highest, that a dip follows."""
    step = offsets[1] - offsets[0]
    near = np.flatnonzero((offsets >= NEAR_S[0]) & (offsets <= NEAR_S[1]))
    highest = near[0] + int(np.argmax(smooth[near]))
    dip, side = max(DIP * swing, 4 * noise), round(10 / step)
    for i in range(near[0], highest):
        high = smooth[i] >= smooth[highest] - HIGH * swing
        if (
            high
            and smooth[i] >= smooth[max(i - side, 0) : i + side + 1].max()
            and smooth[i] - smooth[i : highest + 1].min() > dip
        ):
            return i
    return highest


def _smoothing(first: int, step: float, interval_s: float) -> tuple[int, float]:
    """Points on either side over which slopes are smoothed, and half the width at half height that an infinitely sharp bend has
    after all smoothing, that of the logger's interval included [s]: of boxes, whose variances add up."""
    half = max(first, round(BLUR * interval_s / step))
    variance = (first * step) ** 2 / 3 + 2 * (half * step) ** 2 / 3 + interval_s**2 / 6
    return half, 1.18 * float(np.sqrt(variance))


def _bends(smooth: np.ndarray, step: float, half: int) -> np.ndarray:
    """How the slope of `smooth` changes [unit/s²], (l,)."""
    return superpose.smoothed(np.gradient(superpose.smoothed(np.gradient(smooth, step), half), step), half)


def _half_widths(bend: np.ndarray, peak: int, step: float) -> tuple[float, float]:
    """How far before and after its peak a positive bend stays over half of it [s]."""
    over = bend > 0.5 * bend[peak]
    left = peak - int(np.argmin(over[peak::-1])) if not over[: peak + 1].all() else 0
    right = peak + int(np.argmin(over[peak:])) if not over[peak:].all() else len(bend) - 1
    return (peak - left) * step, (right - peak) * step


def _filled(course: np.ndarray, by) -> np.ndarray | None:
    """`course` with what is not known set to `by` of the rest; None where hardly anything is known."""
    known = np.isfinite(course)
    if known.sum() < 10:
        return None
    return course if known.all() else np.where(known, course, by(course))
