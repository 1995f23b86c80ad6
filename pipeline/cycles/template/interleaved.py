"""What lies between the readings of a slow clamp.

Every cycle of a machine shows much the same course about the moment at which its harvest begins or ends, and the readings of a
slow logger fall upon that course anywhere. The cycles, moved until they lie upon each other, show it many times finer than any
of them alone; and each cycle then tells to within seconds where it lies.

A cycle is laid upon the course of the others, not upon its own: it would stay wherever it was put. That course is smoothed
over about an interval meanwhile, lest the readings of all cycles fall into step with each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import convolve1d

from pipeline.cycles.signal.signals import Trace

# Common practice, no source, all of them.
LEAST_INTERVAL_S = 4.0  # a faster clamp shows its steps itself …
MOST_INTERVAL_S = 45.0  # … and a slower one shows too little
LEAST_CYCLES, PUPILS = 6, 80  # that show a course; more are not needed
STEP_S = 1.0  # of the course
ROUNDS = 6  # times the cycles are moved; the course is smoothed over an interval in the first …
LAST = 0.7  # … and over this part of one in the last
LOOSE = 4  # rounds in which moments that are not known well are moved freely
SMOOTH_S, READINGS = 3.0, 4.0  # in the end it is smoothed over this long, or so many readings
LEAST_READINGS, FEWEST = 1.5, 0.3  # without which it is not known, in the end and meanwhile
REACH, REACH_S = 1.5, 5.0  # intervals, and seconds besides, by which a cycle may have to be moved
STRAYS_S = (1.0, 3.0, 8.0, 20.0, 50.0)  # how far most have to be: all of them together choose
GAIN = 2.0  # nats a cycle by which they must gain from being moved at all
ODD = 3.0  # times the usual misfit: no cycle like the others …
MOST = 0.65  # … of which there must be so many
BEFORE_S, AFTER_S = 100.0, 100.0  # of the course about an end, or a beginning …
PART = 0.6  # … and after that no more than this part of a harvest
END_S = 25.0  # from where most ends were known, in which the end is sought …
OVER_S, APART_S = 17.0, 3.0  # … between straight lines over this long, so far off it …
JUMPS, LOSS_S = 1.5, 15.0  # … by their jump and their loss of slope
LONGEST, SHORTEST, MORE_S = 1.6, 0.35, 20.0  # a harvest, in parts of what most lasted, and besides
CALM_S, LEAST_CALM = 100.0, 10  # of the freeze, and steps of it that must be known
STRAIGHT, FAR = 1.5, 0.015  # times its scatter, parts of the course's range: as straight as that it goes on …
ROUNDING = 0.2  # of the resolution, by which it falls at once …
AWAY = 0.15  # … or, in a harvest, lies this part of the range off …
CLOSE = 0.7  # … of which no more than so much counts as straight
PRIOR_S = 15.0  # how far the beginning lies from where it was known (Cauchy) …
EARLIER_S = 80.0  # … and how much earlier at most …
OWN_PRIOR_S, OWN_S = 8.0, (-35.0, 40.0)  # … and how far from what that gave, and where it is sought


@dataclass(frozen=True, kw_only=True)
class Common:
    """What the cycles have in common about their moments, and where each lies."""

    offset_s: np.ndarray  # (b,) since the moment
    level: np.ndarray  # (b,) [A], about the mean; NaN where too few readings fall
    moved_s: np.ndarray  # (k,): by how much later than its moment each cycle lies
    misfit: np.ndarray  # (k,): mean square of what it leaves [A²]
    usual: float  # of the misfits
    before_s: float
    after_s: float
    resolution: float  # of the readings [A]

    @property
    def like(self) -> np.ndarray:
        """Which cycles are like the others, (k,)."""
        return self.misfit < ODD * self.usual

    def smooth(self) -> tuple[np.ndarray, np.ndarray]:
        """Offsets and levels, drawn straight over what is not known."""
        known = np.isfinite(self.level)
        return self.offset_s, np.interp(self.offset_s, self.offset_s[known], self.level[known])


def moments(
    trace: Trace, begin_ns: np.ndarray, end_ns: np.ndarray, *, fans: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`begin_ns` and `end_ns` (k,) of harvests to within seconds, and which of them are known so well, bool (2, k).

    fans: the current holds those of a fan and a pump, which a harvest stops; without them it climbs from the beginning on.
    """
    known = np.zeros((2, len(begin_ns)), dtype=bool)
    if not LEAST_INTERVAL_S <= trace.interval_s <= MOST_INTERVAL_S:
        return begin_ns, end_ns, known
    start_ns = trace.time_ns[0]
    begin_s, end_s = (begin_ns - start_ns) * 1e-9, (end_ns - start_ns) * 1e-9
    new_begin_s, new_end_s = begin_s.copy(), end_s.copy()
    about = _common(trace, end_s, BEFORE_S, AFTER_S, loose=True)
    if about is None or about.like.mean() <= MOST:
        return begin_ns, end_ns, known
    known[1] = about.like
    new_end_s[known[1]] += (about.moved_s + _end_in(about, fans))[known[1]]
    beginnings = _beginnings(trace, begin_s, new_end_s, float(np.median(end_s - begin_s)), fans)
    if beginnings is not None and beginnings[1].mean() > MOST:
        known[0] = beginnings[1]
        new_begin_s[known[0]] = beginnings[0][known[0]]
    apart = (new_end_s > new_begin_s + REACH_S) & np.r_[True, new_begin_s[1:] > new_end_s[:-1]]
    new_begin_ns, new_end_ns = (
        np.where(apart, start_ns + np.round(new * 1e9).astype(np.int64), old)
        for new, old in ((new_begin_s, begin_ns), (new_end_s, end_ns))
    )
    if (new_begin_ns[1:] < new_end_ns[:-1]).any():  # one that stayed where it was lies in its neighbour's way
        return begin_ns, end_ns, np.zeros_like(known)
    return new_begin_ns, new_end_ns, known & apart


def _beginnings(
    trace: Trace, begin_s: np.ndarray, end_s: np.ndarray, length_s: float, fans: bool
) -> tuple[np.ndarray, np.ndarray] | None:
    """Where harvests begin (k,) [s], and which of them show it (k,)."""
    # Most are about as long, and their ends lie upon each other already …
    whole = _common(trace, end_s, LONGEST * length_s + MORE_S + CALM_S, 0.0)
    if whole is None:
        return None
    first_s, last_s = -LONGEST * length_s - MORE_S, -SHORTEST * length_s
    known_s = float(np.median(begin_s - end_s))
    # A freeze bends: it is read off not long before.
    first_s = max(first_s, known_s - EARLIER_S)
    off_s = departure(whole, first_s, last_s, known_s, PRIOR_S, fans)
    if off_s is None:
        return None
    # … but not all: each begins where it shows the common beginning.
    same_s = np.where(whole.like, end_s + whole.moved_s + off_s, begin_s)
    start = _common(trace, same_s, CALM_S - OWN_S[0], min(AFTER_S, -PART * off_s))
    if start is None:
        return None
    own_s = departure(start, OWN_S[0], OWN_S[1], 0.0, OWN_PRIOR_S, fans) or 0.0
    moved_s, misfit = _laid_upon(start, trace, begin_s)
    alone = ~(start.like & whole.like)
    like = np.where(alone, misfit < ODD * start.usual, start.like)
    return np.where(alone, begin_s + moved_s, same_s + start.moved_s) + own_s, like


def _common(
    trace: Trace, at_s: np.ndarray, before_s: float, after_s: float, *, loose: bool = False
) -> Common | None:
    """The course from `before_s` before the moments `at_s` (k,) [s since the first reading] to `after_s` after them, or None
    where too few cycles share one. loose: the moments are not known well, and any move is as likely as any other at first."""
    since, values = _readings(trace, at_s, before_s, after_s)
    few = np.arange(0, len(at_s), max(1, len(at_s) // PUPILS))
    if len(few) < LEAST_CYCLES:
        return None
    shifts = _shifts(trace)
    bins = int(np.ceil((before_s + after_s) / STEP_S)) + 1
    row, x, y = np.arange(len(few)), since[few], values[few]
    moved_s, level, like = np.zeros(len(few)), _middle(y), np.ones(len(few), dtype=bool)
    priors = [-np.log1p((shifts / s) ** 2) for s in STRAYS_S]
    priors = [p - np.log(np.exp(p).sum()) for p in priors]
    count = (before_s + after_s) / trace.interval_s
    widths_s = np.maximum(np.geomspace(1.0, LAST, ROUNDS) * trace.interval_s, SMOOTH_S)
    for number, width_s in enumerate(widths_s.tolist()):
        total, seen = _gathered(x - moved_s[:, None], y - level[:, None], before_s, bins)
        total[~like], seen[~like] = 0.0, 0.0
        total, seen = (convolve1d(part, _bell(width_s), axis=1, mode="constant") for part in (total, seen))
        whole, all_seen = total.sum(axis=0), seen.sum(axis=0)
        mould = _filled(whole, all_seen)
        # Each upon the course of all others.
        moulds = np.array([_filled(whole - t, all_seen - s) for t, s in zip(total, seen, strict=True)])
        misfit, levels = misfits(x, y, moulds, before_s, shifts)
        best = misfit.min(axis=1)
        usual = float(np.median(best)) + 1e-12
        says = -0.5 * (misfit - best[:, None]) / usual * count
        prior = priors[-1]
        if not loose or number >= LOOSE:
            given = [float(np.log(np.exp(says + p).sum(axis=1)).sum()) for p in priors]
            chosen = int(np.argmax(given))
            prior = priors[chosen if loose or given[chosen] - given[0] > GAIN * len(few) else 0]
        at = np.argmax(says + prior, axis=1)
        middle_s = float(np.median(shifts[at]))
        moved_s, level, like = shifts[at] - middle_s, levels[row, at], best < ODD * usual
        if like.sum() < LEAST_CYCLES:
            return None
    total, seen = _gathered(x[like] - moved_s[like, None], y[like] - level[like, None], before_s, bins)
    bell = _bell(max(SMOOTH_S, READINGS * trace.interval_s / like.sum()))
    total, seen = (np.convolve(part.sum(axis=0), bell, mode="same") for part in (total, seen))
    if not (seen > LEAST_READINGS).any():
        return None
    all_moved_s, all_misfit = np.zeros(len(at_s)), np.zeros(len(at_s))
    rest = np.setdiff1d(np.arange(len(at_s)), few)
    if len(rest):
        misfit, _ = misfits(since[rest], values[rest], mould[None], before_s, shifts)
        says = -0.5 * misfit / usual * count + prior
        all_moved_s[rest], all_misfit[rest] = shifts[np.argmax(says, axis=1)] - middle_s, misfit.min(axis=1)
    all_moved_s[few], all_misfit[few] = moved_s, best
    return Common(
        offset_s=np.arange(bins) * STEP_S - before_s,
        level=np.where(seen > LEAST_READINGS, total / np.maximum(seen, 1e-9), np.nan),
        moved_s=all_moved_s,
        misfit=all_misfit,
        usual=usual,
        before_s=before_s,
        after_s=after_s,
        resolution=trace.channel.resolution,
    )


def _laid_upon(course: Common, trace: Trace, at_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """By how much later than `at_s` (k,) other cycles lie upon `course` best, and their misfit, (k,) each."""
    since, values = _readings(trace, at_s, course.before_s, course.after_s)
    shifts = _shifts(trace)
    misfit, _ = misfits(since, values, course.smooth()[1][None], course.before_s, shifts)
    return shifts[np.argmin(misfit, axis=1)], misfit.min(axis=1)


def _end_in(course: Common, fans: bool) -> float:
    """Where the gas stops [s]: the current jumps up with the fan and the pump, and it climbs less than before."""
    x, y = course.smooth()
    over, apart = round(OVER_S / STEP_S), round(APART_S / STEP_S)
    k = np.arange(over) - (over - 1) / 2
    mean = np.convolve(y, np.full(over, 1 / over), mode="valid")
    slope = np.convolve(y, k[::-1], mode="valid") / (k**2).sum()
    at = np.arange(over + apart - 1, len(y) - over - apart + 1)
    left, right, away = at - apart - over + 1, at + apart, apart + (over - 1) / 2
    jump = (mean[right] - away * slope[right]) - (mean[left] + away * slope[left])
    loss = slope[left] - slope[right]
    score = (JUMPS if fans else 0.0) * np.maximum(jump, 0.0) + LOSS_S / STEP_S * loss
    score[(np.abs(x[at]) > END_S) | ~np.isfinite(course.level[at])] = -np.inf
    best = int(np.argmax(score))
    return float(x[at[best]]) if np.isfinite(score[best]) else 0.0


def departure(
    course: Common, first_s: float, last_s: float, about_s: float, spread_s: float, fans: bool
) -> float | None:
    """Where the course departs from the freeze before, between `first_s` and `last_s`, probably within `spread_s` about
    `about_s` [s]; None where it is not known."""
    known = np.isfinite(course.level)
    x, y = course.offset_s[known], course.level[known]
    calm = (x >= first_s - CALM_S) & (x <= first_s)
    inner = np.flatnonzero((x > first_s) & (x <= last_s))
    if calm.sum() < LEAST_CALM or len(inner) == 0 or np.ptp(y) == 0:
        return None
    slope, level = np.polyfit(x[calm], y[calm], 1)
    scatter = float((y[calm] - slope * x[calm] - level).std())
    # A freeze flattens out: it goes on between that line and where the line ends.
    line, flat = slope * x + level, slope * x[calm][-1] + level
    above, below = np.maximum(y - np.maximum(line, flat), 0.0), np.maximum(np.minimum(line, flat) - y, 0.0)
    away = AWAY * np.ptp(y)
    straight = max(STRAIGHT * scatter, FAR * np.ptp(y))
    beyond, usual = above, np.full(len(y), min(straight, CLOSE * away))
    if fans:  # which stop; but a freeze's current falls on, and rounded it falls in steps
        beyond = np.maximum(above, below)
        usual[below > 0] = min(max(straight, ROUNDING * course.resolution), CLOSE * away)
    says = 0.5 * (beyond / usual) ** 2 - 0.5 * (beyond / away) ** 2 - np.log(away / usual)
    # Neighbours say the same, being smoothed.
    since = np.cumsum(says[inner][::-1])[::-1] * STEP_S / (2 * SMOOTH_S)
    since -= np.log1p(((x[inner] - about_s) / spread_s) ** 2)
    return float(x[inner[np.argmax(since)]]) - 0.5 * STEP_S


def _shifts(trace: Trace) -> np.ndarray:
    reach = np.ceil((REACH * trace.interval_s + REACH_S) / STEP_S)
    return np.arange(-reach, reach + 1) * STEP_S


def _bell(width_s: float) -> np.ndarray:
    half = max(1, round(width_s / STEP_S))
    return 1.0 - np.abs(np.arange(-half, half + 1)) / (half + 1.0)


def _middle(rows: np.ndarray) -> np.ndarray:
    known = np.where(np.isfinite(rows).any(axis=1, keepdims=True), rows, 0.0)
    return np.nanmedian(known, axis=1)


def _readings(
    trace: Trace, at_s: np.ndarray, before_s: float, after_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """The readings near each of `at_s`: seconds since it, and their values, (k, n) each; NaN beyond the log."""
    time_s = (trace.time_ns - trace.time_ns[0]) * 1e-9
    reach_s = -_shifts(trace)[0]
    first = np.searchsorted(time_s, at_s - before_s - reach_s)
    at = first[:, None] + np.arange(int(np.ceil((before_s + after_s + 2 * reach_s) / trace.interval_s)))
    inside = at < len(time_s)
    at = at.clip(0, len(time_s) - 1)
    return (
        np.where(inside, time_s[at] - at_s[:, None], np.nan),
        np.where(inside, trace.values[at], np.nan),
    )


def _gathered(
    since: np.ndarray, values: np.ndarray, before_s: float, bins: int
) -> tuple[np.ndarray, np.ndarray]:
    """Sums of the readings and how many there are in every step of the course, (k, bins) each; each is parted between the two
    steps beside it."""
    place = (since + before_s) / STEP_S
    known = np.isfinite(values) & (place >= 0) & (place < bins - 1)
    row = np.nonzero(known)[0]
    place, values = place[known], values[known]
    low = place.astype(np.int64)
    total, seen = np.zeros((len(since), bins)), np.zeros((len(since), bins))
    for at, weight in ((low, 1 - place + low), (low + 1, place - low)):
        np.add.at(total, (row, at), weight * values)
        np.add.at(seen, (row, at), weight)
    return total, seen


def _filled(total: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Means, drawn straight over steps without readings."""
    known = seen > FEWEST
    x = np.arange(len(total))
    return np.interp(x, x[known], total[known] / seen[known]) if known.any() else np.zeros(len(total))


def misfits(
    since: np.ndarray, values: np.ndarray, moulds: np.ndarray, before_s: float, shifts: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean squares of what the readings (k, n) leave of `moulds` (k or 1, bins) moved by each of `shifts`, and the levels at which
    they lie upon it, (k, shifts) each."""
    bins = moulds.shape[1]
    row = np.arange(len(moulds))[:, None]
    seen = np.isfinite(values)
    values = np.where(seen, values, 0.0)
    place = np.where(seen, (since + before_s) / STEP_S, -np.inf)
    out, levels = np.empty((len(since), len(shifts))), np.empty((len(since), len(shifts)))
    for j, shift in enumerate((shifts / STEP_S).tolist()):
        at = place - shift
        inside = (at >= 0) & (at < bins - 1)
        at = np.where(inside, at, 0.0)
        low = at.astype(np.int64)
        part = at - low
        off = np.where(inside, values - moulds[row, low] * (1 - part) - moulds[row, low + 1] * part, 0.0)
        count = np.maximum(inside.sum(axis=1), 1)
        levels[:, j] = off.sum(axis=1) / count
        out[:, j] = (off**2).sum(axis=1) / count - levels[:, j] ** 2
    return np.maximum(out, 0.0), levels
