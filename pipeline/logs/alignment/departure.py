"""When a lagging probe's line departs from its straight course, relative to a step of the current that caused it.

The line's readings about all steps are laid upon each other, so that even a slow logger's course stands at a few seconds (the steps
meet its readings at all phases). To their median a straight line is fitted that bends at a moment t0 behind two equal lags, for every
t0 and lag; the mean of t0 over all, weighted by likelihood, is the departure.
"""

from __future__ import annotations

import numpy as np

_FROM_S, _TO_S = -75.0, 75.0
_EARLIEST_S, _LATEST_S = -45.0, 50.0
_SLOW_S = (4.0, 10.0, 25.0, 60.0, np.inf)
_FAST_S = (0.0, 2.0, 4.5, 8.0, 14.0, 24.0)
_LEAST_CELLS = 10


def departure_s(
    at_s: np.ndarray, level: np.ndarray, count: np.ndarray, rough_s: float, *, interval_s: float
) -> tuple[float, float]:
    """(moment of the departure, its standard deviation) [s]; what is usual where the course does not tell.

    at_s, level, count (m,): the course, of readings less their bottom, by their rise, and how many readings each median holds.
    rough_s: where it has plainly departed, by the readings alone.
    """
    usual = (-3.0 - 0.1 * interval_s, 6.0 + 0.12 * interval_s)
    a, b = np.searchsorted(at_s, (rough_s + _FROM_S, rough_s + _TO_S))
    t, y, n = at_s[a:b] - rough_s, level[a:b], count[a:b]
    risen = np.flatnonzero((y - np.median(y[:3]) > 0.3) & (t > 0)) if len(y) else np.empty(0)
    if len(risen):
        t, y, n = (x[: risen[0] + 1] for x in (t, y, n))
    moment, spread = _bend(t, y, np.sqrt(n), usual) if len(t) >= _LEAST_CELLS else usual
    return rough_s + moment, spread


def _bend(
    t: np.ndarray, y: np.ndarray, weight: np.ndarray, usual: tuple[float, float]
) -> tuple[float, float]:
    """(mean, standard deviation) of the moment of the bend over all moments and lags, weighted by likelihood and by `usual` (mean, sd)."""
    moments = np.arange(max(_EARLIEST_S, t[0] + 12.0), min(_LATEST_S, t[-1] - 3.0), 1.0)
    if len(moments) < 5:
        return usual
    after = np.maximum(t[None, :] - moments[:, None], 0.0)
    shapes = np.stack([_response(after, slow, fast) for slow in _SLOW_S for fast in _FAST_S if fast < slow])
    # what a straight line explains is taken out of the readings and of the shapes (Frisch and Waugh 1933)
    basis, _r = np.linalg.qr(np.stack([weight, t * weight], axis=1))
    rest = y * weight - basis @ (basis.T @ (y * weight))
    shapes = shapes * weight
    shapes -= (shapes @ basis) @ basis.T
    height = shapes @ rest
    cost = rest @ rest - np.where(height > 0, height, 0.0) ** 2 / np.maximum((shapes**2).sum(axis=-1), 1e-12)
    best = float(cost.min())
    logs = -0.5 * max(len(t) - 6, 3) * (cost - best) / max(best, 1e-9)
    of_moment = np.exp(logs).sum(axis=0) * np.exp(-0.5 * ((moments - usual[0]) / usual[1]) ** 2)
    if not of_moment.sum() > 0:
        return usual
    of_moment /= of_moment.sum()
    mean = float((of_moment * moments).sum())
    return mean, float(np.sqrt((of_moment * (moments - mean) ** 2).sum()))


def _response(after: np.ndarray, slow: float, fast: float) -> np.ndarray:
    """What two lags make of a jump, `after` seconds behind it; an infinite lag: of a bend."""
    if np.isinf(slow):
        return after if fast == 0.0 else after - fast * (1.0 - np.exp(-after / fast))
    if fast == 0.0:
        return 1.0 - np.exp(-after / slow)
    return 1.0 - (slow * np.exp(-after / slow) - fast * np.exp(-after / fast)) / (slow - fast)
