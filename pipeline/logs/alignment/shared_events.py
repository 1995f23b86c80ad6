"""Moments that every logger of a machine sees: hot gas let in, hot gas shut off, the compressor started or stopped.

A cold-side trace shows them as corners, a clamp as steps. Placed at the logger's full rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.logs.clock.stamp_parser import SECOND_NS
from pipeline.logs.coarse_grid import swing, turns

MOST_EVENTS = 400


@dataclass(frozen=True, kw_only=True)
class Events:
    """Times [s after `origin_ns` of the caller], float64, sorted: where the trace turns or steps upward, and downward."""

    up_s: np.ndarray
    down_s: np.ndarray

    @property
    def count(self) -> int:
        return len(self.up_s) + len(self.down_s)


def corners(
    time_ns: np.ndarray, values: np.ndarray, grid_ns: np.ndarray, grid: np.ndarray, origin_ns: int
) -> Events:
    """Upward and downward corners of a cold-side trace at harvests."""
    low, high = swing(grid)
    if not high - low > 3.0:
        return Events(up_s=np.empty(0), down_s=np.empty(0))
    at = turns(grid, low=low + 0.3 * (high - low), high=low + 0.65 * (high - low))
    if len(at) > MOST_EVENTS:
        at = at[np.linspace(0, len(at) - 1, MOST_EVENTS).astype(int)]
    seconds = (time_ns - origin_ns) / SECOND_NS
    ups, downs = [], []
    for point in at:
        center = (int(grid_ns[point]) - origin_ns) / SECOND_NS
        a, b = np.searchsorted(seconds, (center - 600.0, center + 600.0))
        t, v = seconds[a:b], values[a:b]
        keep = ~np.isnan(v)
        t, v = t[keep], v[keep]
        if len(t) < 6:
            continue
        corner = _harvest_corners(t, v, center)
        if corner is not None:
            ups.append(corner[0])
            if corner[1] == corner[1]:
                downs.append(corner[1])
    return Events(up_s=np.array(ups), down_s=np.array(downs))


def _harvest_corners(t: np.ndarray, v: np.ndarray, center: float) -> tuple[float, float] | None:
    """(where the rise begins, where it ends) of the rise through `center` [s]; the second may be NaN.

    The rise begins at the last reading that is no higher than the bottom, its noise allowed for: hot gas turns the trace at
    once, however long the clip then lags behind. The end is rounded off by that lag.
    """
    middle = int(np.searchsorted(t, center))
    before = v[: middle + 1]
    if len(before) < 3:
        return None
    lowest = len(before) - 1 - int(np.argmin(before[::-1]))
    top = lowest + int(np.argmax(v[lowest:]))
    rise = v[top] - v[lowest]
    if rise < 2.0:
        return None
    noise = float(np.median(np.abs(np.diff(before)))) if lowest > 3 else 0.0
    low = np.flatnonzero(v[lowest:top] <= v[lowest] + max(1.5 * noise, 0.03 * rise))
    foot = lowest + int(low[-1])
    onset = (t[foot] + t[min(foot + 1, len(t) - 1)]) / 2
    return float(onset), float(t[top]) if top < len(t) - 1 else float("nan")


def steps(time_ns: np.ndarray, values: np.ndarray, origin_ns: int, interval_s: float) -> Events:
    """Steps of a clamp's reading, of more than its noise and 3 % of its running level."""
    keep = ~np.isnan(values)
    t, v = (time_ns[keep] - origin_ns) / SECOND_NS, values[keep]
    if len(v) < 20:
        return Events(up_s=np.empty(0), down_s=np.empty(0))
    side = max(2, min(8, round(30.0 / max(interval_s, 1e-3))))
    total = np.concatenate([[0.0], np.cumsum(v)])
    mean = (total[side:] - total[:-side]) / side
    change = (
        mean[side:] - mean[:-side]
    )  # the step at sample i + side: the mean after it less the mean before it
    top = float(np.percentile(v, 90))
    noise = 1.4826 * float(np.median(np.abs(change - np.median(change))))
    least = max(6.0 * noise, 0.03 * top)
    size = np.abs(change)
    peak = np.ones(len(size), bool)
    for k in range(1, side + 1):
        peak[k:] &= size[k:] >= size[:-k]
        peak[:-k] &= size[:-k] >= size[k:]
    at = np.flatnonzero(peak & (size > least))
    if not len(at):
        return Events(up_s=np.empty(0), down_s=np.empty(0))
    if len(at) > 4 * MOST_EVENTS:
        at = at[np.argsort(size[at])[-4 * MOST_EVENTS :]]
        at.sort()
    moment = (t[at + side - 1] + t[at + side]) / 2
    return Events(up_s=moment[change[at] > 0], down_s=moment[change[at] < 0])
