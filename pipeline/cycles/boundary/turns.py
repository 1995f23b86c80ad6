"""When did the machine change state, seen from a probe that lags behind?

Around a boundary the readings y are a smooth course plus the lagged answer to the change:

    y(t) = baseline(t) + height × answer(t − t0) + noise

The answer is what a clip of two thermal nodes (70 % and 30 % of its lag) shows of a line that goes to a new level at
once, exponentially, or along a ramp. The baseline is a Gaussian process: a level, a slope, slow bending (an integrated
Wiener process) and the tail of what the clip had not yet followed. Both being linear, the likelihood of every t0 is one
matrix product (a matched filter with a prior; Rasmussen and Williams 2006, Gaussian Processes for Machine Learning,
section 2.7 for the linear part). The lag and the answer's shape are common to all boundaries of one kind in a log, so
they are chosen by the likelihood of all of them together.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
from scipy.signal import lfilter

from pipeline.cycles.signal.signals import Trace

LINES = (  # how the line itself answers: (its time constant [s], does it go along a ramp?)
    (0.0, False),
    (5.0, False),
    (12.0, False),
    (28.0, False),
    (70.0, False),
    (180.0, False),
    (500.0, False),
    (0.0, True),
    (8.0, True),
    (20.0, True),
)
# Common practice, no source, all of them.
NODE_SHARES = (0.7, 0.3)
LONGEST_S = 900.0  # of an answer: longer than any window
RAMP_S = 30.0  # a ramp reaches the height after this long
TAILS_S = (15.0, 50.0)  # time constants of what the line and the clip had not yet followed
UNLIKE_S = 12.0
MOST_PARTS = 64  # of a step between moments, into which steps between readings may fall
MOST_READINGS = 64  # of one window; more are averaged
MOST_LATE = 0.8  # steps by which a reading may be off its place in the row
LOST, LOST_S = 3.5, 12.0  # intervals, and seconds, over which lost readings are drawn straight
ROUNDING = 1e-12  # of the largest variance: keeps the covariance of readings without noise definite
NEVER = 60.0  # added to the χ² of a turn the wrong way

Way = tuple[float, tuple[float, bool], float]  # how a turn is answered: lag [s], one of LINES, box [s]


@dataclass(frozen=True, kw_only=True)
class View:
    """Readings around k moments, on common offsets."""

    anchor_ns: np.ndarray  # int64 (k,): the moments, moved to the nearest reading
    offsets_s: np.ndarray  # float (w,)
    readings: np.ndarray  # float (k, w)
    step_s: float
    noise: float  # standard deviation of one of `readings`


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """What the course without the change may do."""

    level: float  # spread of the level [unit]
    slope: float  # spread of the slope [unit/s]
    bending: float  # intensity of the bending [unit²/s³]
    tail: float  # spread of what the clip had not yet followed [unit]
    unlike: float  # spread of what this model leaves out, smooth over UNLIKE_S [unit]


def look(
    trace: Trace, near_ns: np.ndarray, before_s: float, after_s: float, *, most: int = MOST_READINGS
) -> View:
    """Readings of `trace` from `before_s` before to `after_s` after the reading nearest to each moment."""
    interval = trace.interval_s
    per = max(1, int(np.ceil((before_s + after_s) / interval / most)))
    step = per * interval
    count_before, count_after = max(1, round(before_s / step)), max(2, round(after_s / step))
    time_ns = trace.time_ns
    centre = np.searchsorted(time_ns, near_ns).clip(1, len(time_ns) - 1)
    centre -= near_ns - time_ns[centre - 1] < time_ns[centre] - near_ns
    fine = np.arange(-count_before * per, count_after * per)
    index = centre[:, None] + fine
    inside = (index >= 0) & (index < len(time_ns))
    np.clip(index, 0, len(time_ns) - 1, out=index)
    anchor = time_ns[centre]
    since = _averaged((time_ns[index] - anchor[:, None]) * 1e-9, per)
    values = _averaged(trace.values[index], per)
    offsets = fine.reshape(-1, per).mean(axis=1) * interval
    late = np.abs(since - offsets)
    if late.max(initial=0.0) > 0.01 * step:
        slope = np.gradient(values, offsets, axis=1)
        values = values - slope * (since - offsets)
    values[~inside.reshape(len(near_ns), -1, per).all(axis=2)] = np.nan
    # Where readings were lost, counting them does not tell the time.
    rows = np.flatnonzero((late > MOST_LATE * step).any(axis=1))
    if len(rows):
        wanted_ns = anchor[rows, None] + np.round(fine * (interval * 1e9)).astype(np.int64)
        values[rows] = _averaged(_drawn(trace, wanted_ns), per)
    return View(
        anchor_ns=anchor,
        offsets_s=offsets,
        readings=values,
        step_s=step,
        noise=max(trace.noise / np.sqrt(per), 0.3 * trace.channel.resolution / np.sqrt(12)),
    )


def _averaged(values: np.ndarray, per: int) -> np.ndarray:
    """Means of every `per` columns, (k, w × per) in, (k, w) out: adding few columns is quicker than reducing short rows."""
    total = values[:, ::per].copy()
    for column in range(1, per):
        total += values[:, column::per]
    return total / per


def _drawn(trace: Trace, wanted_ns: np.ndarray) -> np.ndarray:
    """`trace` at the moments `wanted_ns` (k, w), drawn straight over lost readings; NaN in longer holes and beyond the
    log."""
    time_ns = trace.time_ns
    right = np.searchsorted(time_ns, wanted_ns)
    inside = (wanted_ns >= time_ns[0]) & (right < len(time_ns))
    np.clip(right, 1, len(time_ns) - 1, out=right)
    apart = (time_ns[right] - time_ns[right - 1]).astype(np.float64)
    part = (wanted_ns - time_ns[right - 1]) / apart
    values = trace.values[right - 1] * (1 - part) + trace.values[right] * part
    near = inside & (apart <= max(LOST * trace.interval_s, LOST_S) * 1e9)
    return np.where(near, values, np.nan)


def answers(
    offsets_s: np.ndarray, t0_s: np.ndarray, ways: tuple[Way, ...], dtype: type[np.floating] = np.float64
) -> np.ndarray:
    """`answer` for each of `ways`, shape (ways, t0, w). Offsets and moments are evenly spaced, and so few of their
    differences are unlike: the courses are looked up at those only."""
    since, place = _differences(offsets_s, t0_s)
    looked_up = np.empty((len(ways), len(since)), dtype)
    for fine, rows, courses in _courses(ways):
        at = np.clip(since / fine, 0.0, courses.shape[1] - 1.0)
        low = np.minimum(at.astype(np.int64), courses.shape[1] - 2)
        below = np.take(courses, low, axis=1)
        looked_up[rows] = below + (np.take(courses, low + 1, axis=1) - below) * (at - low)
    looked_up[:, since < 0] = 0.0
    return np.take(looked_up, place, axis=1)


def _differences(offsets_s: np.ndarray, t0_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """`_apart`, each value about once (n,), and which of them belongs to each t0 and offset (t0, w). Where the steps of both are
    no small multiples of a common one, all values."""
    apart = _apart(offsets_s, t0_s)
    place = np.arange(apart.size).reshape(apart.shape)
    if min(apart.shape) > 1:
        across, down = apart[0, 1] - apart[0, 0], apart[0, 0] - apart[1, 0]
        ratio = Fraction(across / down).limit_denominator(MOST_PARTS)
        if ratio > 0 and abs(down * ratio - across) * len(offsets_s) < 1e-9:
            rows, columns = np.arange(len(t0_s))[::-1, None], np.arange(len(offsets_s))
            even = rows * ratio.denominator + columns * ratio.numerator
            if even[0, -1] < apart.size:
                place = even
    since = np.zeros(place.max() + 1)
    since[place] = apart
    return since, place


@lru_cache(maxsize=64)
def _courses(ways: tuple[Way, ...]) -> list[tuple[float, np.ndarray, np.ndarray]]:
    """The courses of `ways` by how fine they are: (step [s], which they are, the courses)."""
    found = [_course(*way) for way in ways]
    steps = np.array([s[1] for s, _ in found])
    groups = [(fine, np.flatnonzero(steps == fine)) for fine in np.unique(steps).tolist()]
    return [(fine, rows, np.stack([found[i][1] for i in rows])) for fine, rows in groups]


def answer(
    offsets_s: np.ndarray, t0_s: np.ndarray, *, lag_s: float, line: tuple[float, bool], box_s: float = 0.0
) -> np.ndarray:
    """The lagged answer to a change of height one at each t0, shape (t0, w). `box_s`: the logger writes the mean over
    that long before each stamp."""
    s, course = _course(lag_s, line, box_s)
    return np.interp(_apart(offsets_s, t0_s), s, course, left=0.0)


def _apart(offsets_s: np.ndarray, t0_s: np.ndarray) -> np.ndarray:
    """From each t0 to each offset, (t0, w) [s], whole nanoseconds: no rounding error must lie before a change at zero."""
    return np.round(offsets_s[None] - t0_s[:, None], 9)


@lru_cache(maxsize=512)
def _course(lag_s: float, line: tuple[float, bool], box_s: float) -> tuple[np.ndarray, np.ndarray]:
    """The answer over the seconds since the change."""
    fine = 0.5 if lag_s + line[0] < 20 else 1.0
    s = np.arange(0.0, LONGEST_S, fine)
    course = s / RAMP_S if line[1] else np.ones_like(s)
    for node_s in (line[0], *(lag_s * share for share in NODE_SHARES)):
        if node_s > 0.3 * fine:
            keep = np.exp(-fine / node_s)
            course = lfilter([(1 - keep) / 2, (1 - keep) / 2], [1, -keep], course)
    if box_s > fine:
        width = max(1, round(box_s / fine))
        total = np.cumsum(np.concatenate([np.zeros(width), course]))
        course = (total[width:] - total[:-width]) / width
    return s, course


@dataclass(frozen=True, kw_only=True)
class Weights:
    """What makes a window without the change white noise, (w, w): its inverse covariance is whitenerᵀ × whitener."""

    whitener: np.ndarray


def weights(view: View, baseline: Baseline) -> Weights:
    """How readings of a window without the change hang together."""
    s = view.offsets_s
    since = s - s[0]
    low = np.minimum(since[:, None], since[None])
    high = np.maximum(since[:, None], since[None])
    cov = (
        baseline.level**2
        + baseline.slope**2 * np.outer(s, s)
        + baseline.bending * low**2 * (3 * high - low) / 6
    )
    # The same for every lag that is tried: a lag must not win by what its tail explains of the course before.
    for tail_s in TAILS_S:
        tail = np.exp(-since / tail_s)
        cov += baseline.tail**2 * np.outer(tail, tail)
    cov += baseline.unlike**2 * np.exp(-0.5 * ((s[:, None] - s[None]) / UNLIKE_S) ** 2)
    cov[np.diag_indices_from(cov)] += view.noise**2 + ROUNDING * cov.diagonal().max()
    return Weights(whitener=np.linalg.inv(np.linalg.cholesky(cov)))


@dataclass(frozen=True, kw_only=True)
class Misfits:
    """χ² of every window for every t0, (…, k, t0), and without a change, (k,), and the median over the windows of the best
    one, per reading (…)."""

    chi2: np.ndarray
    unchanged: np.ndarray
    per_reading: np.ndarray


def misfits(
    view: View, weight: Weights, response: np.ndarray, *, sign: float | np.ndarray, height: float
) -> Misfits:
    """How badly a change at each t0 fits each window; NEVER where only a turn the wrong way would fit.

    response: `answer` (t0, w), or several of them (…, t0, w); sign: which way the change goes (both ways at once: an array
    that broadcasts with (…, k, t0)); height: its usual size. It is worked out as exactly as `response` is. The χ² is minus twice the log of the likelihood with level, slope, bending and height integrated out, up to a constant of
    the `weight`.
    """
    white = response @ weight.whitener.T.astype(response.dtype)  # (…, t0, w)
    readings = view.readings @ weight.whitener.T
    power = np.einsum("...w,...w->...", white, white)[..., None, :]
    match = readings.astype(response.dtype) @ np.swapaxes(white, -1, -2)  # (…, k, t0)
    unchanged = np.einsum("kw,kw->k", readings, readings).astype(response.dtype)
    prior = 1.0 / height**2
    whole = unchanged[:, None]
    explained = match**2
    explained /= power + prior
    best = np.sort(unchanged - explained.max(axis=-1), axis=-1)
    k = best.shape[-1]
    middle = 0.5 * (best[..., (k - 1) // 2] + best[..., k // 2])
    chi2 = np.subtract(whole + np.log1p(power / prior), explained, out=explained)
    return Misfits(
        chi2=np.where(match * sign > 0, chi2, whole + NEVER),
        unchanged=unchanged,
        per_reading=middle / max(len(view.offsets_s) - 3, 1),
    )
