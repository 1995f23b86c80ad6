"""Channels as the search sees them: usable samples without spikes, and means over cells of about ten seconds.

The cells of all channels share one clock. They lie in spans: stretches without a gap. Nothing is carried over a gap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from pipeline.cycles.limits import USUAL
from pipeline.cycles.signal.sparse import filled
from pipeline.logs.limits import USUAL as READING
from pipeline.logs.rows.per_column import for_each
from pipeline.logs.timeline import PIECE, Channel, Timeline, holes

CELL_S = 10.0  # common practice, no source: fine enough for a 40 s harvest, coarse enough to be quick
NOISY = 25.0  # a swing of fewer noises than this asks for wider cells …
WIDEST_CELL_S = 30.0  # … up to this wide; common practice, no source
QUICK_S = 5.0  # up to here a median of three takes nothing from a machine's course
HABIT = 6  # spikes of a log from which on they may be the machine's own …
WILD = 2.5  # … unless they leap this many times the channel's usual course …
RARE = 0.01  # share of readings
REGULAR = 0.4  # … at random: fewer of the times between them are alike
OFTEN = 0.6  # so many are where every harvest stops a fan, or starts it: such dips or peaks of a current are its own …
LIKE = 0.7  # … unless one differs from their usual height by more than this part of it
RETURNS = 0.25  # of how far it leaps: so near a spike comes back, and no less far does it leap at once …
AT_ONCE = 0.5  # … or this far, where it is not the machine's habit: a hump climbs
ALREADY = 0.5  # of the leap: a course that does so much from one reading to the next does not leap
SPIKE_READINGS = 4  # longest spike that is taken out; common practice, no source
# A current that is gone for longer is a stop, one that is there for longer a run; common practice, no source.
MOST_DIP_S = 16.0
AS_RUNNING = (0.7, 1.3)  # parts of the lowest and of the highest usual current between which it is a run …
NEVER = (np.inf, -np.inf)  # … where none is known
SOON = 2  # readings after a start
SAMPLE = 25_000  # readings of which a quantile is taken


@dataclass(frozen=True, kw_only=True)
class Trace:
    """The trusted samples of one channel, spikes taken out."""

    channel: Channel
    time_ns: np.ndarray  # int64 (n,)
    values: np.ndarray  # float64 (n,)
    noise: float  # standard deviation of one reading, quantisation included [unit]

    @property
    def role(self) -> str:
        """The channel's, as in unit.toml."""
        return self.channel.role

    @property
    def interval_s(self) -> float:
        """The usual time between two readings [s]."""
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
    limits: Mapping[str, float]  # in force for the unit
    _readings: dict[int, tuple[np.ndarray, np.ndarray]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def __len__(self) -> int:
        return len(self.start_ns)

    def heads_of(self, time_ns: np.ndarray) -> np.ndarray:
        """Which of the readings at `time_ns` is the first of every cell, (cells,). The channels of a file share their times, and are not
        sorted in again."""
        known = self._readings.get(id(time_ns))
        if known is None:
            # A reading belongs to the last cell that has begun: to the nearest one before it in a gap. Clocks are not
            # exact.
            heads = np.searchsorted(time_ns, self.start_ns - round(1e3 * self.step_s))
            heads[0] = 0
            # The times are kept, so that no others get their identity.
            known = self._readings[id(time_ns)] = time_ns, heads
        return known[1]


def traces_of(timeline: Timeline, limits: Mapping[str, float] = READING) -> dict[str, Trace]:
    """The usable samples of every chosen channel, by role; of the first where several are chosen for one. limits: those of
    reading."""
    chosen = [channel for channel in reversed(timeline.channels) if channel.chosen]
    work = partial(trace_of, silences=limits["gap_silences"])
    made = for_each(work, chosen, readings=max((len(c.time_ns) for c in chosen), default=0))
    return {trace.role: trace for trace in made if trace is not None}


def trace_of(channel: Channel, silences: float = READING["gap_silences"]) -> Trace | None:
    """The usable samples of `channel`, or None where fewer than three are trusted."""
    channel = filled(channel, silences)
    time_ns, values = channel.readings()
    if len(values) < 3:
        return None
    noise = noise_of(values, channel.resolution)  # before the median of three, which would hide it
    values = despiked(values, channel.interval_s, stops=channel.unit in ("A", "W"))
    return Trace(channel=channel, time_ns=time_ns, values=values, noise=noise)


def median_of_three(values: np.ndarray) -> np.ndarray:
    """Each value replaced by the median of itself and its neighbours; the ends stay. Shape (n,) in, (n,) out."""
    out = np.empty_like(values)
    out[0], out[-1] = values[0], values[-1]
    for k in range(0, len(values) - 2, PIECE):
        part, middle = values[k : k + PIECE + 2], out[k + 1 : k + PIECE + 1][: len(values) - 2 - k]
        a, b, c = part[:-2], part[1:-1], part[2:]
        np.maximum(a, b, out=middle)
        np.minimum(middle, c, out=middle)
        np.maximum(middle, np.minimum(a, b), out=middle)
    return out


def despiked(values: np.ndarray, interval_s: float, *, stops: bool) -> np.ndarray:
    """`values` (n,) without spikes and drop-outs of up to SPIKE_READINGS readings: jumps far beyond what the channel does
    from one reading to the next, undone by a jump back to where it was. The machine itself never returns so exactly.

    stops: the channel may truly fall to nothing and come back (a current); such a dip is kept from MOST_DIP_S on.
    """
    out = median_of_three(values) if interval_s <= QUICK_S else values.copy()
    if len(out) < 21:
        return out
    every = _every(len(out) - 1)
    step = np.abs(out[1::every] - out[:-1:every])
    middle, usual = np.quantile(step, (0.5, 0.9 if interval_s >= 30 else 0.95))
    spread = float(middle) / 0.6745 / np.sqrt(2)
    limit = max(3.0 * usual, 8.0 * spread, 1e-9)
    lasts = stops and SPIKE_READINGS * interval_s >= MOST_DIP_S
    running = (_running_band(out) or NEVER) if lasts else None
    found = _spikes(out, _leaps(out, limit), limit, interval_s, running)
    heights = np.array([out[i + 1] - out[i] for i, _ in found])
    if len(heights) >= HABIT:
        # What comes again and again the same way is the machine's own doing, unless it leaps at random, and far beyond
        # where the machine goes.
        usual = np.median(heights)
        alike = np.abs(heights - usual) < 0.4 * abs(usual)
        low, high = _usual(out)
        leaps = abs(usual) > WILD * (high - low) and not _regular(np.diff([i for i, _ in found]))
        if alike.mean() > 0.6 and not leaps:
            found = [spike for spike, same in zip(found, alike, strict=True) if not same]
    found = [spike for spike in found if not _climbs(out, *spike)]
    if stops:
        found = [spike for spike in found if not _just_started(out, *spike)]
        found = [spike for way in (1.0, -1.0) for spike in _at_random(out, found, way)]
    for i, j in found:
        out[i + 1 : j + 1] = np.linspace(out[i], out[j + 1], j - i + 2)[1:-1]
    return _without_wild(out, running=stops)


def _usual(values: np.ndarray) -> np.ndarray:
    """The 5th and the 95th percentile: between them lies the channel's usual course."""
    return np.quantile(sampled(values), (0.05, 0.95))


def sampled(values: np.ndarray) -> np.ndarray:
    """`values` (n,); of many every so manieth, about SAMPLE of them: enough for a quantile."""
    return values[:: _every(len(values))]


def _every(count: int) -> int:
    return max(1, count // SAMPLE)


def _leaps(values: np.ndarray, limit: float) -> np.ndarray:
    """Readings from which the next one differs by more than `limit`."""
    parts = [
        k + np.flatnonzero(np.abs(np.diff(values[k : k + PIECE + 1])) > limit)
        for k in range(0, len(values) - 1, PIECE)
    ]
    return np.concatenate(parts)


def _at_random(values: np.ndarray, found: list[tuple[int, int]], way: float) -> list[tuple[int, int]]:
    """Those spikes of `found` that go this way, none where they come as regularly as a fan's stop, or its start."""
    found = [(i, j) for i, j in found if way * (values[i + 1] - values[i]) > 0]
    if len(found) < HABIT or not _regular(np.diff([i for i, _ in found]), OFTEN):
        return found
    heights = np.array([np.abs(values[i + 1 : j + 1] - values[i]).max() for i, j in found])
    usual = np.median(heights)
    return [spike for spike, high in zip(found, heights, strict=True) if abs(high - usual) > LIKE * usual]


def _just_started(values: np.ndarray, i: int, j: int) -> bool:
    """Is the spike after reading `i` a hump at the beginning of a run? What opens a run loads the compressor more."""
    before = values[max(i - SOON, 0) : i]
    return bool(values[j] > values[i] and len(before) and before.min() < 0.5 * values[i])


def _regular(apart: np.ndarray, least: float = REGULAR) -> bool:
    """Are many of the distances alike? Of random ones a fifth lies within 30 % of the median."""
    usual = np.median(apart)
    return bool(np.mean(np.abs(apart - usual) <= 0.3 * usual) > least)


def _without_wild(values: np.ndarray, *, running: bool) -> np.ndarray:
    """`values` with rare short stretches far beyond the rest, to which they leap and from which they leap back, drawn straight:
    spikes on top of each other, and spikes across a turn. running: of a current, which may truly go up out of nothing, and to
    nothing."""
    low, high = _usual(values)
    lowest, highest = low - (high - low), high + (high - low)
    if values.min() >= lowest and values.max() <= highest:
        return values
    wild = (values > highest) | (values < lowest) & ~running
    if wild.mean() > RARE:
        return values
    edges = np.flatnonzero(np.diff(np.r_[False, wild, False].astype(np.int8)))
    for first, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if stop - first > 2 * SPIKE_READINGS or first == 0 or stop == len(values):
            continue
        if running and min(values[first - 1], values[stop]) < 0.5 * high:
            continue
        far = np.abs(values[first:stop] - 0.5 * (values[first - 1] + values[stop])).max()
        if min(abs(values[first] - values[first - 1]), abs(values[stop] - values[stop - 1])) >= AT_ONCE * far:
            values[first:stop] = np.linspace(values[first - 1], values[stop], stop - first + 2)[1:-1]
    return values


def _running_band(values: np.ndarray) -> tuple[float, float] | None:
    """Between what a current lies while the machine runs, by what lasts much longer than a spike; None where nothing
    does."""
    for _ in range(3):  # spikes of several heights
        if len(values) == 0:
            break
        high = values > 0.5 * np.quantile(sampled(values), 0.995)
        edges = np.flatnonzero(np.diff(np.r_[False, high, False].astype(np.int8)))
        lasted = np.repeat(edges[1::2] - edges[::2], edges[1::2] - edges[::2])
        if len(lasted) and np.median(lasted) > 4 * SPIKE_READINGS:
            low, top = np.quantile(values[high], (0.05, 0.95))
            return AS_RUNNING[0] * float(low), AS_RUNNING[1] * float(top)
        values = values[~high]
    return None


def _spikes(
    values: np.ndarray,
    edges: np.ndarray,
    limit: float,
    interval_s: float,
    running: tuple[float, float] | None,
) -> list[tuple[int, int]]:
    """Spikes as pairs: the last reading before and the last one of the spike. `edges`: readings before big steps; `running`:
    between what a current lies while the machine runs; None: what is so short is no stop and no run."""
    found = []
    until = -1
    # Only a step that another one undoes within a few readings can be a spike's beginning.
    sign = np.sign(values[edges + 1] - values[edges])
    undone = np.zeros(len(edges), dtype=bool)
    for ahead in range(1, min(SPIKE_READINGS + 1, len(edges))):
        later = slice(ahead, None)
        near = edges[later] - edges[: len(edges) - ahead] <= SPIKE_READINGS
        undone[: len(edges) - ahead] |= near & (sign[later] != sign[: len(edges) - ahead])
    for i in edges[undone].tolist():
        if i < until:
            continue
        for j in range(i + 1, min(i + SPIKE_READINGS, len(values) - 2) + 1):
            up, back = values[i + 1] - values[i], values[j + 1] - values[j]
            far = np.abs(values[i + 1 : j + 1] - values[i]).max()
            returned = abs(back) > limit and abs(values[j + 1] - values[i]) < RETURNS * far
            if not returned or (running is not None and abs(up) < RETURNS * far):
                continue
            own = (
                running is not None
                and (j - i) * interval_s >= MOST_DIP_S
                and _starts_or_stops(values[i], values[i + 1 : j + 1], running)
            )
            if not own:
                found.append((i, j))
                until = j + 1
            break
    return found


def _climbs(values: np.ndarray, i: int, j: int) -> bool:
    """Does the course climb to the top between the readings `i` and `j` + 1, instead of leaping, or climb to the leap already, or
    fall on after the one back, about as steeply? A spike does nothing of this."""
    up, back = values[i + 1] - values[i], values[j + 1] - values[j]
    far = np.abs(values[i + 1 : j + 1] - values[i]).max()
    before = values[i] - values[i - 1] if i > 0 else 0.0
    after = values[j + 2] - values[j + 1] if j + 2 < len(values) else 0.0
    return bool(abs(up) < AT_ONCE * far or before / up >= ALREADY or after / back >= ALREADY)


def _starts_or_stops(before: float, there: np.ndarray, running: tuple[float, float]) -> bool:
    """Do the readings `there`, between two like `before`, look like a compressor that stands, or like one that runs?"""
    if there[0] < before:
        return bool(there.max() < 0.5 * before)
    return bool(before < 0.5 * running[0] and running[0] <= there.min() and there.max() <= running[1])


def noise_of(values: np.ndarray, resolution: float) -> float:
    """Standard deviation of one of `values` (n,), in their unit, from second differences (a slope does not count), never below what rounding
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


def lay_cells(traces: Sequence[Trace], limits: Mapping[str, float] = USUAL) -> Cells:
    """Cells over every stretch in which at least one of `traces` has readings, wider where all of them are noisy."""
    fastest = min(t.interval_s for t in traces)
    wanted_s = min(CELL_S * max(1.0, NOISY / max(clearness(t), 1e-9)) ** 2 for t in traces)
    return cells_of_width(traces, fastest * max(1, round(min(wanted_s, WIDEST_CELL_S) / fastest)), limits)


def cells_of_width(traces: Sequence[Trace], step_s: float, limits: Mapping[str, float] = USUAL) -> Cells:
    """Cells of `step_s` over every stretch in which at least one of `traces` has readings."""
    fastest = min(t.interval_s for t in traces)
    step_ns = round(step_s * 1e9)
    starts, ends = [], []
    for trace in traces:
        before = holes(trace.time_ns, longest_hole_ns(trace.interval_s, limits))
        starts.append(trace.time_ns[np.r_[0, before + 1]])
        ends.append(trace.time_ns[np.r_[before, len(trace.time_ns) - 1]])
    start, end = np.concatenate(starts), np.concatenate(ends)
    order = np.argsort(start, kind="stable")
    start, end = start[order], np.maximum.accumulate(end[order])
    limit_ns = longest_hole_ns(max(t.interval_s for t in traces), limits)
    opens = np.flatnonzero(np.r_[True, start[1:] - end[:-1] > limit_ns])
    start, end = start[opens], end[np.r_[opens[1:] - 1, len(end) - 1]]
    # Readings lie in the midst of their cells, so that an uneven clock does not throw them from one into the next.
    origin = start - round(0.5e9 * fastest)
    counts = (end - origin) // step_ns + 1
    stop = np.cumsum(counts)
    first = stop - counts
    start_ns = np.repeat(origin, counts) + (np.arange(stop[-1]) - np.repeat(first, counts)) * step_ns
    return Cells(
        step_s=step_s,
        span_first=first,
        span_stop=stop,
        span_start_ns=start,
        span_end_ns=end,
        start_ns=start_ns,
        limits=limits,
    )


def longest_hole_ns(interval_s: float, limits: Mapping[str, float]) -> int:
    """The longest time between two readings of such a logger that is no gap."""
    return int(max(limits["hole_intervals"] * interval_s, 60.0 * limits["hole_min"]) * 1e9)


def clearness(trace: Trace) -> float:
    """How far the trace usually swings, in parts of the noise of a mean over CELL_S."""
    per_cell = max(1.0, CELL_S / trace.interval_s)
    low, high = _usual(trace.values)
    return float(high - low) / (trace.noise / np.sqrt(per_cell))


def cell_means(trace: Trace, cells: Cells) -> np.ndarray:
    """Mean of `trace` in every cell; NaN where it has no reading. Shape (cells,)."""
    heads = cells.heads_of(trace.time_ns)
    counts = np.diff(heads, append=len(trace.time_ns))
    filled = counts > 0
    if filled.all():
        return np.add.reduceat(trace.values, heads) / counts
    means = np.full(len(cells), np.nan)
    means[filled] = np.add.reduceat(trace.values, heads[filled]) / counts[filled]
    return means


def bridged(means: np.ndarray, cells: Cells) -> np.ndarray:
    """`means` (cells,) with short holes inside a span drawn straight; longer ones stay NaN."""
    most_cells = max(1, int(60.0 * cells.limits["bridged_min"] / cells.step_s))
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
