"""A channel thinned for drawing without lying about its peaks.

The span is cut into equal buckets and each keeps its lowest and highest reading, so whatever the width on the screen,
a peak of one sample is still there. The page makes coarser levels from these.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.logs.timeline import Channel

S = 1_000_000_000

WIDTHS_S = (1, 2, 3, 4, 5, 10, 15, 20, 30, 40, 60, 90, 120, 180, 300, 600, 900, 1800, 3600)
"""Bucket widths of the finest level [s]: figures that a reader can be told."""


@dataclass(frozen=True, kw_only=True)
class Level:
    """Lowest and highest reading in each bucket of `width_s`; NaN where a bucket holds none."""

    width_s: float
    low: np.ndarray  # float64 (n,)
    high: np.ndarray  # float64 (n,)


def trusted_readings(channel: Channel) -> tuple[np.ndarray, np.ndarray]:
    """Times [ns] and values of the readings that may be used."""
    good = channel.trusted & np.isfinite(channel.values)
    if good.all():
        return channel.time_ns, channel.values
    return channel.time_ns[good], channel.values[good]


def level(time_ns: np.ndarray, values: np.ndarray, *, start_ns: int, end_ns: int, width_s: float) -> Level:
    """`values` in buckets of `width_s` from `start_ns` on, up to and including `end_ns`."""
    width_ns = round(width_s * S)
    count = (end_ns - start_ns) // width_ns + 1
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    if len(values):
        edges = np.searchsorted(time_ns, start_ns + width_ns * np.arange(count + 1, dtype=np.int64))
        filled = edges[:-1] < edges[1:]
        first = edges[:-1][filled]
        low[filled] = np.minimum.reduceat(values, first)
        high[filled] = np.maximum.reduceat(values, first)
    return Level(width_s=width_s, low=low, high=high)


def thinned(time_ns: np.ndarray, values: np.ndarray, points: int) -> tuple[np.ndarray, np.ndarray]:
    """At most `points` of the readings, every peak among them, for a small picture."""
    if len(values) <= points:
        return time_ns, values
    from tsdownsample import MinMaxDownsampler

    keep = MinMaxDownsampler().downsample(np.ascontiguousarray(values), n_out=points // 2 * 2)
    keep = np.unique(keep)  # where all in a bucket are alike, its lowest and its highest are one
    return time_ns[keep], values[keep]
