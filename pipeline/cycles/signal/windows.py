"""Sums, means and extremes of a trace over many stretches of time at once, without a loop over them."""

from __future__ import annotations

import numpy as np

from pipeline.cycles.signal.signals import Trace


class Windows:
    """Stretches [start, stop) of one trace, by index: `first` and `stop`, shape (k,)."""

    def __init__(self, trace: Trace, start_ns: np.ndarray, stop_ns: np.ndarray) -> None:
        self.trace = trace
        self.first = np.searchsorted(trace.time_ns, start_ns)
        self.stop = np.maximum(np.searchsorted(trace.time_ns, stop_ns), self.first)
        self.filled = self.stop > self.first
        self._pairs = np.column_stack([self.first, self.stop])[self.filled].ravel()

    def _reduce(self, ufunc: np.ufunc, values: np.ndarray) -> np.ndarray:
        """`ufunc` over every stretch; NaN where it holds no reading."""
        out = np.full(len(self.first), np.nan)
        if not self.filled.any():
            return out
        pairs = self._pairs
        ends = pairs == len(values)  # reduceat takes no index past the end
        if ends[-1] and ends.sum() == 1:
            pairs = pairs[:-1]  # the last stretch runs to it anyway
        elif ends.any():
            values = np.append(values, values[-1])
        out[self.filled] = ufunc.reduceat(values, pairs)[::2]
        return out

    def mean(self) -> np.ndarray:
        """Mean reading of each window (w,), in the channel's unit; NaN without readings."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return self._reduce(np.add, self.trace.values) / (self.stop - self.first)

    def share_below(self, limit: float) -> np.ndarray:
        """Part (w,), 0…1, of the readings that lie below `limit` [the channel's unit]; NaN without readings."""
        below = np.full(len(self.first), np.nan)
        for k in np.flatnonzero(self.filled):  # a reduction over them all would make a copy of the trace
            first, stop = self.first[k], self.stop[k]
            below[k] = np.count_nonzero(self.trace.values[first:stop] < limit) / (stop - first)
        return below

    def highest(self) -> np.ndarray:
        """Highest reading of each window (w,), in the channel's unit; NaN without readings."""
        return self._reduce(np.maximum, self.trace.values)

    def lowest(self) -> np.ndarray:
        """Lowest reading of each window (w,), in the channel's unit; NaN without readings."""
        return self._reduce(np.minimum, self.trace.values)

    def longest_within_min(self, low: float, high: float) -> np.ndarray:
        """Longest run of readings within [low, high] [min] (w,); 0 where there is none, NaN without readings."""
        out = np.where(self.filled, 0.0, np.nan)
        counts = (self.stop - self.first)[self.filled]
        if len(counts) == 0:
            return out
        owner = np.repeat(np.flatnonzero(self.filled), counts)
        index = np.repeat(self.first[self.filled], counts) + _ranges(counts)
        inside = (self.trace.values[index] >= low) & (self.trace.values[index] <= high)
        head = inside & ~np.r_[False, inside[:-1] & (owner[1:] == owner[:-1])]
        tail = inside & ~np.r_[inside[1:] & (owner[1:] == owner[:-1]), False]
        first, last = np.flatnonzero(head), np.flatnonzero(tail)
        lasted = (self.trace.time_ns[index[last]] - self.trace.time_ns[index[first]]) * 1e-9 / 60
        lasted += self.trace.interval_s / 60
        np.maximum.at(out, owner[first], lasted)
        return out


def _ranges(counts: np.ndarray) -> np.ndarray:
    """0…c−1 for every count, one after the other."""
    return np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)


def reading_at(trace: Trace, time_ns: np.ndarray) -> np.ndarray:
    """`trace` at each moment, drawn straight between readings; NaN outside of it and in its gaps. Shape (k,)."""
    at = np.searchsorted(trace.time_ns, time_ns)
    right = np.clip(at, 0, len(trace.time_ns) - 1)
    left = np.maximum(at - 1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        span = (trace.time_ns[right] - trace.time_ns[left]).astype(np.float64)
        share = np.where(span > 0, (time_ns - trace.time_ns[left]) / span, 0.0)
    value = trace.values[left] + (trace.values[right] - trace.values[left]) * np.clip(share, 0, 1)
    inside = (
        (time_ns >= trace.time_ns[0]) & (time_ns <= trace.time_ns[-1]) & (span <= 10e9 * trace.interval_s)
    )
    return np.where(inside, value, np.nan)
