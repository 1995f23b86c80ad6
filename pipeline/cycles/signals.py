"""Channels as the search sees them: usable samples without spikes, and means over cells of about ten seconds.

The cells of all channels share one clock. They lie in spans: stretches without a gap. Nothing is carried over a gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.logs.timeline import Channel

CELL_S = 10.0  # common practice, no source: fine enough for a 40 s harvest, coarse enough to be quick
GAP_INTERVALS = 3.5  # a logger may miss two readings and be half an interval late
GAP_LEAST_S = (
    120.0  # common practice, no source: nothing that a batch machine does ends within two minutes unseen
)


@dataclass(frozen=True, kw_only=True)
class Trace:
    """The trusted samples of one channel, spikes taken out."""

    channel: Channel
    time_ns: np.ndarray  # int64 (n,)
    values: np.ndarray  # float64 (n,)
    noise: float  # standard deviation of one reading, quantisation included [unit]

    @property
    def role(self) -> str:
        return self.channel.role

    @property
    def interval_s(self) -> float:
        return self.channel.interval_s


@dataclass(frozen=True, kw_only=True)
class Cells:
    """The clock that all cells share: `edges` bound the spans, `start_ns` is when each cell begins."""

    step_s: float
    span_first: np.ndarray  # int64 (spans,): first cell of each span
    span_stop: np.ndarray  # int64 (spans,): one past its last cell
    span_start_ns: np.ndarray  # int64 (spans,): first reading
    span_end_ns: np.ndarray  # int64 (spans,): last reading
    start_ns: np.ndarray  # int64 (cells,)

    def __len__(self) -> int:
        return len(self.start_ns)


def trace_of(channel: Channel) -> Trace | None:
    """The usable samples of `channel`, or None where fewer than three are trusted."""
    trusted = channel.trusted
    if trusted.all():
        time_ns, values = channel.time_ns, channel.values
    else:
        time_ns, values = channel.time_ns[trusted], channel.values[trusted]
    if len(values) < 3:
        return None
    values = despiked(values, channel.interval_s)
    return Trace(channel=channel, time_ns=time_ns, values=values, noise=noise_of(values, channel.resolution))


def median_of_three(values: np.ndarray) -> np.ndarray:
    """Each value replaced by the median of itself and its neighbours; the ends stay. Shape (n,) in, (n,) out."""
    out = values.copy()
    a, b, c = values[:-2], values[1:-1], values[2:]
    low, high = np.minimum(a, b), np.maximum(a, b)
    np.minimum(high, c, out=high)
    np.maximum(low, high, out=out[1:-1])
    return out


def despiked(values: np.ndarray, interval_s: float) -> np.ndarray:
    """`values` without lone spikes: by a median where the logger is quick beside the machine, else only those that no
    machine could make (farther out than the log's own range is wide)."""
    if interval_s <= CELL_S:
        return median_of_three(values)
    smooth = median_of_three(values)
    low, high = np.quantile(values, (0.02, 0.98))
    reach = max(high - low, 1e-9)
    wild = (values < low - reach) | (values > high + reach)
    return np.where(wild, smooth, values) if wild.any() else values


def noise_of(values: np.ndarray, resolution: float) -> float:
    """Standard deviation of one reading, from second differences (a slope does not count), never below what rounding
    to `resolution` alone makes (resolution / √12)."""
    if len(values) < 5:
        return max(resolution, 1e-6) / np.sqrt(12)
    sample = (
        values
        if len(values) <= 60_000
        else values[: len(values) // 20_000 * 20_000].reshape(-1, 20_000)[:3].ravel()
    )
    bend = np.abs(sample[2:] - 2 * sample[1:-1] + sample[:-2])
    return max(float(np.median(bend)) / 0.6745 / np.sqrt(6), resolution / np.sqrt(12), 1e-6)


def lay_cells(traces: Sequence[Trace]) -> Cells:
    """Cells over every stretch in which at least one of `traces` has readings."""
    fastest = min(t.interval_s for t in traces)
    step_s = fastest * max(1, round(CELL_S / fastest))
    step_ns = round(step_s * 1e9)
    starts, ends = [], []
    for trace in traces:
        limit_ns = int(max(GAP_INTERVALS * trace.interval_s, GAP_LEAST_S) * 1e9)
        holes = np.flatnonzero(np.diff(trace.time_ns) > limit_ns)
        starts.append(trace.time_ns[np.r_[0, holes + 1]])
        ends.append(trace.time_ns[np.r_[holes, len(trace.time_ns) - 1]])
    start, end = np.concatenate(starts), np.concatenate(ends)
    order = np.argsort(start, kind="stable")
    start, end = start[order], np.maximum.accumulate(end[order])
    limit_ns = int(max(GAP_INTERVALS * max(t.interval_s for t in traces), GAP_LEAST_S) * 1e9)
    opens = np.flatnonzero(np.r_[True, start[1:] - end[:-1] > limit_ns])
    start, end = start[opens], end[np.r_[opens[1:] - 1, len(end) - 1]]
    counts = (end - start) // step_ns + 1
    stop = np.cumsum(counts)
    first = stop - counts
    start_ns = np.repeat(start, counts) + (np.arange(stop[-1]) - np.repeat(first, counts)) * step_ns
    return Cells(
        step_s=step_s,
        span_first=first,
        span_stop=stop,
        span_start_ns=start,
        span_end_ns=end,
        start_ns=start_ns,
    )


def cell_means(trace: Trace, cells: Cells) -> np.ndarray:
    """Mean of `trace` in every cell; NaN where it has no reading. Shape (cells,)."""
    means = np.full(len(cells), np.nan)
    at = cells_of(trace.time_ns, cells)
    heads = np.flatnonzero(np.diff(at, prepend=-1))
    counts = np.diff(heads, append=len(at))
    means[at[heads]] = np.add.reduceat(trace.values, heads) / counts
    return means


def cells_of(time_ns: np.ndarray, cells: Cells) -> np.ndarray:
    """The cell in which each moment lies (the nearest one for a moment in a gap). Shape (n,), int64."""
    edges = np.searchsorted(time_ns, cells.span_start_ns)
    edges[0] = 0
    counts = np.diff(edges, append=len(time_ns))
    offset = time_ns - np.repeat(cells.span_start_ns, counts)
    at = (offset * (1e-9 / cells.step_s) + 1e-6).astype(np.int64)
    at += np.repeat(cells.span_first, counts)
    np.clip(at, np.repeat(cells.span_first, counts), np.repeat(cells.span_stop - 1, counts), out=at)
    return at


def bridged(means: np.ndarray, cells: Cells, most_cells: int) -> np.ndarray:
    """`means` with holes of at most `most_cells` cells inside a span drawn straight; longer ones stay NaN."""
    missing = np.isnan(means)
    if not missing.any() or missing.all():
        return means
    known = np.flatnonzero(~missing)
    out = means.copy()
    holes = np.flatnonzero(missing)
    right = np.searchsorted(known, holes)
    inside = (right > 0) & (right < len(known))
    holes, right = holes[inside], right[inside]
    a, b = known[right - 1], known[right]
    span = np.searchsorted(cells.span_stop, holes, side="right")
    fits = (b - a - 1 <= most_cells) & (a >= cells.span_first[span]) & (b < cells.span_stop[span])
    holes, a, b = holes[fits], a[fits], b[fits]
    out[holes] = means[a] + (means[b] - means[a]) * (holes - a) / (b - a)
    return out
