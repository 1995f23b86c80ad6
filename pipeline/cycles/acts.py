"""What the template of one kind of act says of its moment: log likelihoods over the template's own grid.

A line departs from its course when gas comes, and its slope begins to fall when gas is shut; behind a lag both come late, and
the slope follows exponentially, which leads back to the act. A current may step at the act, or later, or not at all.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

LEAST_SIGMAS = 6.0  # a line that moves by less says nothing
DEPARTS, DEPARTS_SIGMAS = 0.03, 4.0  # part of the rise, and noises, by which a course has left the one before
COURSE_S, CALM_S = 120.0, 20.0  # the stretch before an act to which a straight line is fitted, and what is left out of it
LOW_PART, RISE_PART = 0.08, 0.3
STEP_S = 4.0
FALLS, VALLEY = float(os.environ.get('FALLS',0.3)), float(os.environ.get('VALLEY',0.5))
LAG_S = float(os.environ.get('LAG', 90))
OTHERS = float(os.environ.get('OTHERS', .5))
CLEAR = float(os.environ.get('CLEAR', 4))
POWER = float(os.environ.get('POWER', .5))
LEFT = float(os.environ.get('LEFT', 0.0))
KN = float(os.environ.get('KN', 4))
BLUR = float(os.environ.get('BLUR', 0.3))
STEP_FLOOR = float(os.environ.get('SF', 0.1))
DRAW_FLOOR = float(os.environ.get('DF', 0.02))
SHARP_S = float(os.environ.get('SHARP', 4))
PRIORC = float(os.environ.get('PRIORC', 30))
LATERC = float(os.environ.get('LATERC', 1))
POWERC = float(os.environ.get('POWERC', 1))
LATER = float(os.environ.get('LATER', 0.6))
QUARTER, MOST = 0.25, 0.6
LED_BACK = 0.288 / (0.916 - 0.288)  # −ln(1 − 0.25) / (ln(1 − 0.25) − ln(1 − 0.6)): where an exponential that passes both began
BACK = float(os.environ.get('BACK', 0.5))


def smoothed(course: np.ndarray, half: int) -> np.ndarray:
    """Mean over 2 half + 1 points; the ends by what there is."""
    if half < 1:
        return course
    padded = np.pad(course, half, mode="edge")
    total = np.cumsum(np.r_[0.0, padded])
    return (total[2 * half + 1 :] - total[: -2 * half - 1]) / (2 * half + 1)


def bump(offsets: np.ndarray, at: float, sd: float) -> np.ndarray:
    """A normal density about `at`, in parts of one of SHARP_S; (l,)."""
    return SHARP_S / max(sd, SHARP_S) * np.exp(-0.5 * ((offsets - at) / sd) ** 2)


def split_normal(offsets: np.ndarray, centre: float, early: float, late: float) -> np.ndarray:
    """Log likelihood with the tails of Student's t with four degrees of freedom, of its own width on either side."""
    away = offsets - centre
    return -2.5 * np.log1p((away / np.where(away < 0, early, late)) ** 2 / 4)


def start_by_line(offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float) -> np.ndarray | None:
    """Log likelihood (l,) of gas coming at each offset, by the first departure of a line."""
    found = departure(offsets, course, noise)
    if not np.isfinite(found):
        return None
    return split_normal(offsets, found, 7.0 + 0.3 * interval_s, 3.0 + 0.3 * interval_s)


def departure(offsets: np.ndarray, course: np.ndarray, noise: float) -> float:
    """When a line leaves the straight course before a harvest, led back along its own slope; nan where it does not rise."""
    if np.isfinite(course).sum() < 10:
        return np.nan
    course = np.where(np.isfinite(course), course, np.nanmin(course))
    step = offsets[1] - offsets[0]
    first = int(np.searchsorted(offsets, -120.0))
    last = int(np.searchsorted(offsets, 150.0))
    part = course[first:last]
    gain = part - np.minimum.accumulate(part)
    top = int(np.argmax(gain))
    rise = gain[top]
    if rise < LEAST_SIGMAS * noise:
        return np.nan
    low = part[: top + 1].min()
    climbs = int(np.argmax(part > low + RISE_PART * rise))
    seg = part[: climbs + 1]
    rough = first + int(np.flatnonzero(seg <= seg.min() + LOW_PART * rise)[-1])
    climbs += first
    fit = (offsets >= offsets[rough] - COURSE_S - CALM_S) & (offsets <= offsets[rough] - CALM_S)
    if fit.sum() < 4:
        return float(offsets[rough])
    slope, level = np.polyfit(offsets[fit], course[fit], 1)
    residual = course - (level + slope * offsets)
    spread = max(noise, float(np.std(residual[fit])))
    threshold = max(DEPARTS * rise, DEPARTS_SIGMAS * spread)
    lo = max(rough - round(60 / step), 0)
    below = np.flatnonzero(residual[lo : climbs + 1] < threshold)
    if len(below) == 0:
        return float(offsets[rough])
    at = lo + int(below[-1])
    reach = min(at + max(2, round(10 / step)), len(course) - 1)
    steep = (residual[reach] - residual[at]) / (offsets[reach] - offsets[at])
    back = np.clip(residual[at] / steep, 0.0, 45.0) if steep > 0 else 0.0
    return float(offsets[at] - back)


def end_by_line(offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float) -> np.ndarray | None:
    """Log likelihood (l,) of gas being shut at each offset, by the bends of a line before it falls."""
    if np.isfinite(course).sum() < 10:
        return None
    course = np.where(np.isfinite(course), course, np.nanmin(course))
    step = offsets[1] - offsets[0]
    smooth = smoothed(course, max(1, round(4 / step)))
    swing = smooth.max() - smooth.min()
    if swing < LEAST_SIGMAS * noise:
        return None
    top = first_top(offsets, smooth, swing, noise)
    slope = np.gradient(smooth, step)
    falling = float(slope[top : top + round(90 / step) + 1].min())
    if falling >= 0:
        return None
    # Where the line falls in earnest.
    falls = float(offsets[top + int(np.argmax(slope[top:] < FALLS * falling))])
    found = [c for c in changes(offsets, course, interval_s, noise) if c.sign < 0 and c.at <= falls + 10.0]
    at = float(offsets[top])
    likely = np.full(len(offsets), STEP_FLOOR)
    main = knee(offsets, course, noise, interval_s)
    if main is not None:
        likely += bump(offsets, main[0], KN + 0.3 * interval_s + 0.3 * main[2])
    if found:
        most = max(c.sharp for c in found)
        for c in found:
            likely += OTHERS * c.sharp / most * bump(offsets, c.at, 2.0 + 0.2 * interval_s + 0.3 * c.soft)
    away = offsets - at
    broad = -2.5 * np.log1p((np.where(away < 0, np.maximum(-away - LAG_S, 0.0), np.maximum(away - max(falls - at, 0.0), 0.0)) / (6.0 + 0.3 * interval_s)) ** 2 / 4)
    return np.log(likely) + broad


def knee(offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float) -> tuple[float, float, float] | None:
    """Where the slope of a line begins to fall from a harvest's to a freeze's, its top, and how long the slope takes [s]."""
    if np.isfinite(course).sum() < 10:
        return None
    course = np.where(np.isfinite(course), course, np.nanmin(course))
    step = offsets[1] - offsets[0]
    half = max(1, round(4 / step))
    smooth = smoothed(course, half)
    swing = smooth.max() - smooth.min()
    if swing < LEAST_SIGMAS * noise:
        return None
    top = first_top(offsets, smooth, swing, noise)
    first, half = half, max(half, round(BLUR * interval_s / step))
    slope = smoothed(np.gradient(smooth, step), half)
    falling = float(slope[top : top + round(90 / step) + 1].min())
    if falling >= 0:
        return None
    # Where the line falls in earnest; the bend that leads there is the act, or follows from it.
    falls = top + int(np.argmax(slope[top:] < FALLS * falling))
    bend = -smoothed(np.gradient(slope, step), half)
    lowest = max(top - round(120 / step), 0)
    peak = falls
    while peak > lowest and bend[peak - 1] >= bend[peak]:
        peak -= 1
    # Back over small dips of the bend, to its greatest.
    j, deepest = peak, bend[peak]
    while j > lowest:
        j -= 1
        deepest = min(deepest, bend[j])
        if bend[j] > bend[peak]:
            if deepest < VALLEY * bend[peak]:
                break
            peak, deepest = j, bend[j]
        elif deepest < VALLEY * bend[peak]:
            break
    right = peak
    while right + 1 < len(bend) and bend[right] > 0.5 * bend[peak]:
        right += 1
    # A sharp bend is as wide as the smoothing makes it; behind a lag it decays, and its top comes later than it began.
    narrow = 1.18 * np.sqrt((first * step) ** 2 / 3 + 2 * (half * step) ** 2 / 3 + interval_s**2 / 6)
    left = peak
    while left > lowest and bend[left] > 0.5 * bend[peak]:
        left -= 1
    soft = max(float(offsets[right] - offsets[peak]) - narrow, 0.0)
    early = max(float(offsets[peak] - offsets[left]) - narrow, 0.0)
    return float(offsets[peak]) - BACK * min(narrow, soft) - LEFT * early, float(offsets[top]), soft + early


@dataclass(frozen=True, kw_only=True)
class Change:
    """One bend or step of a template."""

    at: float  # [s]
    sharp: float  # greatest bend [unit/s²]
    soft: float  # by how much it is wider than the smoothing makes it [s]
    sign: float  # of the bend, or of the step
    is_step: bool


def changes(offsets: np.ndarray, course: np.ndarray, interval_s: float, noise: float) -> list[Change]:
    """Bends and steps of `course` (l,), in order of time. A step is two bends of opposite sign; it lies between them. A bend that
    decays (behind a lag) began before its greatest."""
    if np.isfinite(course).sum() < 10:
        return []
    course = np.where(np.isfinite(course), course, np.nanmedian(course))
    step = float(offsets[1] - offsets[0])
    first = max(1, round(4 / step))
    half = max(first, round(BLUR * interval_s / step))
    slope = smoothed(np.gradient(smoothed(course, first), step), half)
    bend = smoothed(np.gradient(slope, step), half)
    narrow = 1.18 * np.sqrt((first * step) ** 2 / 3 + 2 * (half * step) ** 2 / 3 + interval_s**2 / 6)
    size = np.abs(bend)
    edge = first + 2 * half
    inner = slice(edge, len(size) - edge)
    if len(size[inner]) < 5:
        return []
    usual = 1.4826 * float(np.median(size[inner]))
    points = (2 * first + 1) * (2 * half + 1) / max(1.0, interval_s / step)
    by_noise = 2.5 * noise / np.sqrt(max(points, 1.0)) / narrow**2
    least = max(CLEAR * usual, CLEAR * by_noise, 0.04 * float(size[inner].max()))
    peaks = [i for i in range(edge, len(size) - edge) if size[i] >= least and size[i] == size[max(i - 2, 0) : i + 3].max() and size[i] > size[i - 1]]
    found = []
    skip = -1
    for n, i in enumerate(peaks):
        if i <= skip:
            continue
        right = i
        while right + 1 < len(size) and bend[right] * bend[i] > 0 and size[right] > 0.5 * size[i]:
            right += 1
        left = i
        while left > 0 and bend[left] * bend[i] > 0 and size[left] > 0.5 * size[i]:
            left -= 1
        ahead = [j for j in peaks[n + 1 :] if bend[j] * bend[i] < 0 and offsets[j] - offsets[i] < 2.6 * narrow and 0.5 < size[j] / size[i] < 2]
        if ahead:
            j = ahead[0]
            found.append(Change(at=float(0.5 * (offsets[i] + offsets[j])), sharp=float(max(size[i], size[j])) * 2, soft=0.0, sign=float(np.sign(bend[i])), is_step=True))
            skip = j
            continue
        soft = max(float(offsets[right] - offsets[i]) - narrow, 0.0)
        early = max(float(offsets[i] - offsets[left]) - narrow, 0.0)
        found.append(
            Change(at=float(offsets[i]) - BACK * min(narrow, soft) - LEFT * early, sharp=float(size[i]), soft=soft + early, sign=float(np.sign(bend[i])), is_step=False)
        )
    return found


def first_top(offsets: np.ndarray, smooth: np.ndarray, swing: float, noise: float) -> int:
    """Index of the first top, near the highest, that a dip follows."""
    step = offsets[1] - offsets[0]
    near = np.flatnonzero((offsets >= -100) & (offsets <= 120))
    highest = near[0] + int(np.argmax(smooth[near]))
    dip = max(0.06 * swing, 4 * noise)
    side = round(10 / step)
    for i in near:
        if i >= highest:
            break
        if smooth[i] < smooth[highest] - 0.35 * swing or smooth[i] < smooth[max(i - side, 0) : i + side + 1].max():
            continue
        if smooth[i] - smooth[i : highest + 1].min() > dip:
            return int(i)
    return highest


def by_steps(
    offsets: np.ndarray, course: np.ndarray, interval_s: float, noise: float, low: float, lone: bool = False
) -> np.ndarray | None:
    """Log likelihood (l,) of an act at each offset by the changes of a current: where there are none it says nothing."""
    found = [c for c in changes(offsets, course, interval_s, noise) if c.at >= low]
    if not found:
        return None
    most = max(c.sharp for c in found)
    likely = np.full(len(offsets), DRAW_FLOOR)
    for j, c in enumerate(found):
        sd = 1.0 + 0.15 * interval_s + 0.3 * c.soft
        later, power = (LATERC, POWERC) if lone else (LATER, POWER)
        likely += later ** min(j, 4) * (c.sharp / most) ** power * bump(offsets, c.at, sd)
    return np.log(likely) + (split_normal(offsets, 0.0, PRIORC, PRIORC) if lone else 0.0)
