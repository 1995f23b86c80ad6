"""Moments that every logger of a machine shows: a harvest begins (hot gas let in) and ends (shut off).

A cold line shows them as the two ends of a rise, a clamp as steps. Placed at the logger's full rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.logs.clock.stamp_parser import SECOND_NS
from pipeline.logs.coarse_grid import Overview, turns

MOST_EVENTS = 400
_LOCAL_H = 3.0
_LEAST_RISE_K = 3.0
_SHARE_BETWEEN = 0.4
_SPREAD_BETWEEN = 0.14
"""Standard deviation of where between the levels those readings lie: evenly spread from 0.12 to 0.88 it is 0.22, on a ramp little."""


@dataclass(frozen=True, kw_only=True)
class Rises:
    """Harvests of a cold line, float64 (n,), sorted: times [s after the caller's origin], `end_s` NaN where the rise has no top."""

    start_s: np.ndarray
    end_s: np.ndarray
    found: int  # all of them; of so many that they would cost much, some are looked at closer


@dataclass(frozen=True, kw_only=True)
class ClampSteps:
    """Steps of a clamp's current: `at_s` [s after the caller's origin] and `change_a` [A or W], float64 (n,), sorted by time.

    `delay_s`: how much later than the change the logger shows it: half an interval or 0.0, see `_late`.
    """

    at_s: np.ndarray
    change_a: np.ndarray
    delay_s: float

    def by_direction(self) -> tuple[np.ndarray, np.ndarray]:
        """When the current itself stepped up (u,), and when down (d,) [s after the caller's origin]."""
        at = self.at_s - self.delay_s
        return at[self.change_a > 0], at[self.change_a < 0]


def rises(time_ns: np.ndarray, values: np.ndarray, overview: Overview, origin_ns: int) -> Rises:
    """Harvests of one cold line. values (n,) °C at time_ns (n,); `overview`: of this logger alone, as its logger 0."""
    grid = overview.of(0, values)
    low, high = _local_range(grid, overview.step_s)
    swing = high - low
    with np.errstate(invalid="ignore"):
        moving = swing > _LEAST_RISE_K
        at = turns(np.where(moving, grid, np.nan), low=low + 0.3 * swing, high=low + 0.65 * swing)
    count = len(at)
    if count > MOST_EVENTS:
        at = at[np.linspace(0, count - 1, MOST_EVENTS).astype(int)]
    found = []
    for point in at:
        center_ns = int(overview.grid_ns[point])
        a, b = np.searchsorted(time_ns, (center_ns - 600 * SECOND_NS, center_ns + 600 * SECOND_NS))
        t, v = (time_ns[a:b] - origin_ns) / SECOND_NS, values[a:b]
        keep = ~np.isnan(v)
        t, v = t[keep], v[keep]
        rise = _rise(t, v, (center_ns - origin_ns) / SECOND_NS) if len(t) >= 6 else None
        if rise is not None:
            found.append(rise)
    start, end = np.array(sorted(found)).reshape(-1, 2).T
    return Rises(start_s=start, end_s=end, found=count)


def _local_range(grid: np.ndarray, step_s: float) -> tuple[np.ndarray, np.ndarray]:
    """(5th, 95th percentile) about each grid point (m,), of blocks of three hours, interpolated: a weak day is measured by itself."""
    size = max(8, round(_LOCAL_H * 3600 / step_s))
    edges = np.arange(0, len(grid) + size - 1, size)
    middles, lows, highs = [], [], []
    for a, b in pairwise(edges):
        seen = grid[max(0, a - size // 2) : b + size // 2]
        seen = seen[~np.isnan(seen)]
        if len(seen):
            middles.append((a + min(b, len(grid))) / 2)
            low, high = np.percentile(seen, (5, 95))
            lows.append(low)
            highs.append(high)
    if not middles:
        return np.full(len(grid), np.nan), np.full(len(grid), np.nan)
    points = np.arange(len(grid))
    return np.interp(points, middles, lows), np.interp(points, middles, highs)


def _rise(t: np.ndarray, v: np.ndarray, center: float) -> tuple[float, float] | None:
    """(start, end or NaN) of the rise through `center` [s].

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
    end = float(t[top]) if top < len(t) - 1 else float("nan")
    return float(onset), end


def steps(time_ns: np.ndarray, values: np.ndarray, origin_ns: int, interval_s: float) -> ClampSteps:
    """Steps of a clamp's reading, `values` (n,) at `time_ns` (n,), of more than its noise and 3 % of its running level."""
    keep = ~np.isnan(values)
    t, v = (time_ns[keep] - origin_ns) / SECOND_NS, values[keep]
    none = ClampSteps(at_s=np.empty(0), change_a=np.empty(0), delay_s=0.0)
    if len(v) < 20:
        return none
    side = max(2, min(8, round(30.0 / max(interval_s, 1e-3))))
    total = np.concatenate([[0.0], np.cumsum(v)])
    mean = (total[side:] - total[:-side]) / side
    change = mean[side:] - mean[:-side]  # the step at sample i + side: the mean after it less the mean before
    top = float(np.percentile(v, 90))
    noise = 1.4826 * float(np.median(np.abs(change - np.median(change))))
    size = np.abs(change)
    peak = np.ones(len(size), bool)
    for k in range(1, side + 1):
        peak[k:] &= size[k:] >= size[:-k]
        peak[:-k] &= size[:-k] >= size[k:]
    at = np.flatnonzero(peak & (size > max(6.0 * noise, 0.03 * top)))
    if not len(at):
        return none
    if len(at) > 8 * MOST_EVENTS:
        at = np.sort(at[np.argsort(size[at])[-8 * MOST_EVENTS :]])
    moment = (t[at + side - 1] + t[at + side]) / 2
    return ClampSteps(
        at_s=moment, change_a=change[at], delay_s=0.5 * interval_s if _late(v, at + side) else 0.0
    )


def _late(values: np.ndarray, at: np.ndarray) -> bool:
    """Whether most steps pass through a reading between their two levels: the logger stores means, or the load itself takes a moment.
    Either way the change began in the interval before."""
    at = at[(at >= 3) & (at < len(values) - 3)]
    change = values[at + 1] - values[at - 2]
    still = np.abs([values[at + 2] - values[at + 1], values[at - 2] - values[at - 3]]).max(axis=0)
    clean = still < 0.08 * np.abs(change)
    if np.count_nonzero(clean) < 5:
        return False
    way = (values[np.stack([at - 1, at])] - values[at - 2])[:, clean] / change[clean]
    middle = np.take_along_axis(way, np.argmin(np.abs(way - 0.5), axis=0)[None], axis=0)[0]
    between = middle[(middle > 0.12) & (middle < 0.88)]
    return len(between) > _SHARE_BETWEEN * len(middle) and float(np.std(between)) > _SPREAD_BETWEEN
