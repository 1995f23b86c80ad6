"""All channels of a unit on one coarse grid: what the questions about hours and cycles are asked of.

Full-rate samples are for placing boundaries; whether a trace follows the cycles can be seen at 20 s. Its cost does not
grow with the logger's rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.logs.clock.stamp_parser import SECOND_NS

FINEST_STEP_S = 20.0
MOST_POINTS = 200_000


@dataclass(frozen=True, kw_only=True)
class Overview:
    """grid_ns (m,) is even; rows[k] (m,) holds, for logger k, the sample at each grid point, -1 in a gap."""

    grid_ns: np.ndarray
    step_s: float
    rows: tuple[np.ndarray, ...]

    def of(self, logger: int, values: np.ndarray) -> np.ndarray:
        """The channel `values` (n,) on the grid (m,): the reading at or just before each point, NaN in a gap."""
        rows = self.rows[logger]
        picked = values[np.maximum(rows, 0)]
        return np.where(rows >= 0, picked, np.nan) if (rows < 0).any() else picked

    def span_ns(self, first: int, last: int) -> tuple[int, int]:
        """The time from grid point `first` up to, but without, the one after `last`."""
        return int(self.grid_ns[first]), int(self.grid_ns[last]) + round(self.step_s * SECOND_NS) - 1


def overview_of(times: Sequence[np.ndarray], intervals_s: Sequence[float]) -> Overview:
    """One even grid under all loggers. times: int64 (n,) ns a logger, strictly increasing; intervals_s: their usual steps [s]."""
    start = min(int(t[0]) for t in times)
    end = max(int(t[-1]) for t in times)
    known = [i for i in intervals_s if i == i]
    step_s = max(FINEST_STEP_S, min(known, default=FINEST_STEP_S), (end - start) / SECOND_NS / MOST_POINTS)
    grid = np.arange(start, end + 1, round(step_s * SECOND_NS), dtype=np.int64)
    rows = []
    for time_ns, interval_s in zip(times, intervals_s, strict=True):
        row = np.searchsorted(time_ns, grid, side="right") - 1
        late = grid - time_ns[np.maximum(row, 0)]
        reach = round(
            max(3.0 * (interval_s if interval_s == interval_s else step_s), 1.5 * step_s) * SECOND_NS
        )
        rows.append(np.where(late > reach, -1, row))
    return Overview(grid_ns=grid, step_s=step_s, rows=tuple(rows))


def swing(values: np.ndarray) -> tuple[float, float]:
    """(5th, 95th percentile) of the readings `values` (n,), of some thousand spread over the log; (nan, nan) where there are none."""
    seen = values[:: max(1, len(values) // 8192)]
    seen = seen[~np.isnan(seen)]
    if not len(seen):
        seen = values[~np.isnan(values)]
    if not len(seen):
        return float("nan"), float("nan")
    seen = np.sort(seen)
    low, high = (_at_share(seen, share) for share in (0.05, 0.95))
    return low, high


def _at_share(ordered: np.ndarray, share: float) -> float:
    """The quantile of sorted readings, by linear interpolation."""
    place = share * (len(ordered) - 1)
    before = int(place)
    after = min(before + 1, len(ordered) - 1)
    return float(ordered[before] + (place - before) * (ordered[after] - ordered[before]))


def turns(values: np.ndarray, *, low: float, high: float) -> np.ndarray:
    """Grid points at which the trace `values` (m,) passes from below `low` to above `high` (hysteresis keeps noise from counting)."""
    side = np.where(values > high, 1, np.where(values < low, -1, 0))
    known = np.flatnonzero(side)
    up = (side[known][1:] == 1) & (side[known][:-1] == -1)
    return known[1:][up]


def window_swings(values: np.ndarray, length: int) -> tuple[np.ndarray, np.ndarray]:
    """(starts, max − min of each window), of `values` (m,) for windows of `length` points that overlap by half. NaN where a window has
    fewer than a third of its readings."""
    n = len(values)
    if n < 2:
        return np.zeros(1, int), np.full(1, np.nan)
    length = max(2, min(length, n))
    starts = np.arange(0, max(n - length, 0) + 1, max(1, length // 2))
    windows = np.lib.stride_tricks.sliding_window_view(values, length)[starts]
    if not np.isnan(values).any():
        return starts, windows.max(axis=1) - windows.min(axis=1)
    seen = ~np.isnan(windows)
    enough = seen.sum(axis=1) * 3 >= length
    top = np.where(seen, windows, -np.inf).max(axis=1)
    bottom = np.where(seen, windows, np.inf).min(axis=1)
    result = np.full(len(starts), np.nan)
    result[enough] = (top - bottom)[enough]
    return starts, result
