"""Where a line itself is warmest at the end of a harvest, seen through a clip that lags.

Hot gas warms the line until it is shut off. The clip goes on climbing as long as the line is warmer than it, by up to a
minute. All harvests laid upon each other show one course, free enough of noise to be led back through the clip: with two
nodes of the time constants a and b, the line is T = y + (a + b) y′ + a b y″ (Newton's law of cooling, twice).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from scipy.signal import savgol_coeffs

from pipeline.cycles.signals import Trace
from pipeline.cycles.turns import NODE_SHARES

# Common practice, no source, all of them.
LEAST, MOST = 4, 100  # harvests; more are not needed
STEP_S = 2.5
OVER_S, READINGS = 20.0, 1.5  # the course is a cubic over so long, and so many readings, on either side
# The line is warmest no longer before the clip's warmest reading, and no longer after it, than this.
BESIDE_S, BEFORE_LAGS, AFTER_READINGS = 15.0, 1.3, 0.5
OFF_S = 10.0  # standard deviation of what this leaves out
LEAST_NATS = -4.0  # a witness, no judge


def line_peaks(
    trace: Trace, at_ns: np.ndarray, harvest_s: float, lags_s: Sequence[float]
) -> tuple[np.ndarray, np.ndarray] | None:
    """How long after `at_ns` (k,), where the clip is warmest, the line itself is, for each of `lags_s` (n,) of the clip, and
    by how much the even and the odd harvests differ in that, (n,) each [s]; None where there are too few, or they are so short
    (`harvest_s`, most take longer) that the readings do not show one."""
    over_s = max(OVER_S, READINGS * trace.interval_s)
    if len(at_ns) < LEAST or 2 * over_s > harvest_s:
        return None
    at_s = (at_ns[:: max(1, len(at_ns) // MOST)] - trace.time_ns[0]) * 1e-9
    half = round(over_s / STEP_S)
    back_s, ahead_s = _reach(max(lags_s), trace)
    offset_s = np.arange(-np.ceil(back_s / STEP_S) - half, np.ceil(ahead_s / STEP_S) + half + 1) * STEP_S
    rows = np.interp(at_s[:, None] + offset_s, (trace.time_ns - trace.time_ns[0]) * 1e-9, trace.values)
    rows = rows - rows.mean(axis=1, keepdims=True)
    peaks, even, odd = (_peaks(some, offset_s, half, trace, lags_s) for some in (rows, rows[::2], rows[1::2]))
    return peaks, 0.5 * np.abs(even - odd)


def _peaks(
    rows: np.ndarray, offset_s: np.ndarray, half: int, trace: Trace, lags_s: Sequence[float]
) -> np.ndarray:
    clip = np.median(rows, axis=0)
    level, slope, bend = (np.convolve(clip, kernel, mode="valid") for kernel in _kernels(half))
    offset_s = offset_s[half:-half]
    out = np.empty(len(lags_s))
    for i, lag_s in enumerate(lags_s):
        a, b = (share * lag_s for share in NODE_SHARES)
        line = level + (a + b) * slope + a * b * bend
        back_s, ahead_s = _reach(lag_s, trace)
        near = (offset_s >= -back_s) & (offset_s <= ahead_s)
        out[i] = offset_s[near][np.argmax(line[near])]
    return out


@lru_cache(maxsize=16)
def _kernels(half: int) -> tuple[np.ndarray, ...]:
    """Filters that give the level, slope and bend of a cubic over `half` steps on either side."""
    return tuple(savgol_coeffs(2 * half + 1, 3, deriv=d, delta=STEP_S) for d in range(3))


def _reach(lag_s: float, trace: Trace) -> tuple[float, float]:
    """How long before and after the clip the line may be warmest [s]."""
    return BESIDE_S + BEFORE_LAGS * lag_s, BESIDE_S + AFTER_READINGS * trace.interval_s


def peak_priors(grid: np.ndarray, peaks_s: np.ndarray, spread_s: np.ndarray) -> np.ndarray:
    """Log prior (n, t0) of a harvest's end on `grid` [s], by what `line_peaks` says."""
    off = (grid - peaks_s[:, None]) / np.hypot(OFF_S, spread_s)[:, None]
    return np.maximum(-0.5 * off**2, LEAST_NATS)
