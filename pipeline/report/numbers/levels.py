"""A channel thinned for drawing without lying about its peaks.

The span is cut into equal buckets and each keeps its lowest and highest reading, so whatever the width on the screen,
a peak of one sample is still there. The page makes coarser levels from these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.logs.timeline import Channel
from pipeline.report.clock import S
from pipeline.report.numbers.columns import remembered

WIDTHS_S = (1, 2, 3, 4, 5, 10, 15, 20, 30, 40, 60, 90, 120, 180, 300, 600, 900, 1800, 3600)
"""Bucket widths of the finest level [s]: figures that a reader can be told."""


@dataclass(frozen=True, kw_only=True)
class Envelope:
    """Lowest and highest reading in each bucket of `width_s`; NaN where a bucket holds none."""

    low: np.ndarray  # float64 (n,)
    high: np.ndarray  # float64 (n,)


@remembered
def trusted_readings(channel: Channel) -> tuple[np.ndarray, np.ndarray]:
    """Times [ns] and values, (n,) each, of the readings that may be used."""
    return channel.readings()


@remembered
def reach_of(channel: Channel) -> tuple[float, float]:
    """The lowest and the highest reading that may be used; NaN where there is none."""
    _, values = trusted_readings(channel)
    return (float(values.min()), float(values.max())) if len(values) else (np.nan, np.nan)


def level(time_ns: np.ndarray, values: np.ndarray, *, start_ns: int, end_ns: int, width_s: float) -> Envelope:
    """`values` (n,) at `time_ns` (n,) in buckets of `width_s` from `start_ns` on, up to and including `end_ns`."""
    return level_within(time_ns, values, spans=[(start_ns, end_ns + 1)], width_s=width_s)


def level_within(
    time_ns: np.ndarray, values: np.ndarray, *, spans: Sequence[tuple[int, int]], width_s: float
) -> Envelope:
    """`values` (n,) at `time_ns` (n,) in buckets of `width_s`, those of each of `spans` (in order and apart) after those of the one before."""
    width_ns = round(width_s * S)
    edges = [
        np.arange(a, b + width_ns, width_ns, dtype=np.int64)[: -((a - b) // width_ns) + 1] for a, b in spans
    ]
    at = np.searchsorted(time_ns, np.concatenate(edges))
    last = np.cumsum([len(e) for e in edges]) - 1  # what follows the last edge of a span belongs to no bucket
    filled = at[:-1] < at[1:]
    filled[last[:-1]] = False
    low, high = np.full(len(filled), np.nan), np.full(len(filled), np.nan)
    if filled.any():
        # Both ends of each bucket, so that none takes in what lies between two spans; every second one is wanted.
        ends = np.column_stack([at[:-1][filled], at[1:][filled]]).ravel()
        ends = ends[:-1] if ends[-1] == len(values) else ends
        low[filled] = np.minimum.reduceat(values, ends)[::2]
        high[filled] = np.maximum.reduceat(values, ends)[::2]
    inside = np.ones(len(filled), bool)
    inside[last[:-1]] = False
    return Envelope(low=low[inside], high=high[inside])


def thinned(time_ns: np.ndarray, values: np.ndarray, points: int) -> tuple[np.ndarray, np.ndarray]:
    """At most `points` of the readings `values` (n,) at `time_ns` (n,), every peak among them, for a small picture."""
    if len(values) <= points:
        return time_ns, values
    from tsdownsample import MinMaxDownsampler

    keep = MinMaxDownsampler().downsample(np.ascontiguousarray(values), n_out=points // 2 * 2)
    keep = np.unique(keep)  # where all in a bucket are alike, its lowest and its highest are one
    return time_ns[keep], values[keep]
