"""How fine the log is drawn within the bytes that a page may weigh.

Every reading, where all fit. Else the whole log as lowest and highest of equal buckets; all turns of the harvests in
finer ones; and what has room besides with every reading, the findings' cycles first. Nothing is ever left out of a
bucket, so no choice made here can hide a peak.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import PIECE, Channel, Timeline
from pipeline.report.numbers.columns import columns_of
from pipeline.report.numbers.levels import WIDTHS_S, level_within, reach_of, trusted_readings
from pipeline.report.payload.pack import MOST_BYTES, step_of, weight

S, MS = 1_000_000_000, 1_000_000

# Shares of the room: common practice, no source. What one leaves over goes to the next.
LOG_SHARE = 0.5  # for the whole log in buckets
FINDINGS_SHARE = (
    0.2  # for what was found, with every reading; then the harvests' turns take what they can use
)
TURN_S = 45  # seen before and after each turn
WHOLE_S = 360  # a harvest up to that length is seen as a whole
WINDOWS_A_FINDING = 8
OTHER_CYCLES = 200  # with every reading, spread over the log, where room is left
SAMPLES = 12  # stretches from which a weight is reckoned
SAMPLE, SAMPLE_BUCKETS = 512, 160  # readings, and buckets, of each

WINDOW_BYTES = 55  # of a page, for saying where one stretch of one channel lies: found by trial
RUN_READINGS = 8  # with shorter runs of equal steps, each reading's time is written out
IRREGULAR_BYTES = 2.0  # of a page, for one such time: 0.4 to 2.2 by trial

LEAST_STEP = {"°C": 0.02, "A": 0.01, "kPa": 0.5, "V": 0.1, "W": 0.5}

Spans = Sequence[tuple[int, int]]
"""Stretches of time [ns], in order and apart."""


@dataclass(frozen=True, kw_only=True)
class PlottedChannel:
    """One channel on its way into a page: what may be used of it, and the steps that it is written in."""

    channel: Channel
    time_ns: np.ndarray
    values: np.ndarray
    base: float
    step: float
    interval_s: float
    usual_step_ns: int
    regular: bool  # in runs of equal steps

    def at_most(self) -> float:
        """What every reading can weigh at most, however it moves [bytes]: told without packing any."""
        return (MOST_BYTES + (0.0 if self.regular else IRREGULAR_BYTES)) * len(self.values)

    def weight_of_readings(self) -> float:
        """Bytes of a page, every reading kept."""
        times = 0.0 if self.regular else IRREGULAR_BYTES
        if len(self.values) <= SAMPLES * SAMPLE:
            return weight(self.values, base=self.base, step=self.step) + times * len(self.values)
        some = np.concatenate([self.values[part] for part in _parts(len(self.values))])
        return (weight(some, base=self.base, step=self.step) / len(some) + times) * len(self.values)

    def weight_of_buckets(self, width_s: float, spans: Spans) -> float:
        """Bytes of a page, `spans` kept as lowest and highest of each `width_s`."""
        longest = round(SAMPLE_BUCKETS * width_s * S)
        some = [spans[i] for i in np.unique(np.linspace(0, len(spans) - 1, SAMPLES).astype(int))]
        if len(spans) == 1:
            some = _cut(*spans[0], longest, round(width_s * S))
        cut = level_within(self.time_ns, self.values, spans=some, width_s=width_s)
        whole, sampled = (sum(b - a for a, b in part) for part in (spans, some))
        return (
            weight(cut.low, base=self.base, step=self.step)
            + weight(cut.high - cut.low, base=0.0, step=self.step)
        ) * max(whole / sampled, 1.0)


@dataclass(frozen=True, kw_only=True)
class Detail:
    """bucket_s: width of the buckets over the whole log, 0 where every reading is kept; turn_s: of those around the
    harvests' turns, 0 where they are no finer; turns, full: the stretches with those, and with every reading."""

    bucket_s: float = 0.0
    turn_s: float = 0.0
    turns: Spans = ()
    full: Spans = ()


def runs_of(time_ns: np.ndarray, usual_ns: int, apart_ns: int = MS) -> np.ndarray:
    """Where in `time_ns` (n,) a run of steps of `usual_ns` (to less than `apart_ns`) begins: indices, 0 the first."""
    if not len(time_ns):
        return np.arange(0)
    found = [np.zeros(1, np.int64)]
    for k in range(0, len(time_ns) - 1, PIECE):
        off = np.diff(time_ns[k : k + PIECE + 1]) - usual_ns
        found.append(np.flatnonzero((off >= apart_ns) | (off <= -apart_ns)) + k + 1)
    return np.concatenate(found)


def _usual_step(time_ns: np.ndarray) -> int:
    return int(np.median(np.diff(time_ns[:10_001]))) if len(time_ns) > 1 else 0


def _is_regular(time_ns: np.ndarray, usual_ns: int) -> bool:
    """Whether its times come in runs of equal steps, as far as some stretches of it tell."""
    if len(time_ns) < 2:
        return True
    off = np.concatenate([np.abs(np.diff(time_ns[part]) - usual_ns) for part in _parts(len(time_ns))])
    return bool((off >= MS).mean() * RUN_READINGS <= 1)


def _cut(start: int, end: int, longest: int, width: int) -> list[tuple[int, int]]:
    """SAMPLES pieces of `longest`, spread over a stretch, beginning where buckets of `width` do; all of it where it is
    short [ns]."""
    if end - start <= longest:
        return [(start, end)]
    first = np.linspace(0, (end - start - longest) // width, SAMPLES).astype(int)
    return [(start + int(n) * width, start + int(n) * width + longest) for n in first]


def _parts(count: int) -> list[slice]:
    """SAMPLES stretches spread over `count` values; less than all of it where that is more."""
    return [slice(i, i + SAMPLE) for i in np.linspace(0, max(count - SAMPLE, 0), SAMPLES).astype(int)]


def plotted_channels(channels: Iterable[Channel]) -> list[PlottedChannel]:
    """`channels` made ready to be drawn."""
    traces: list[PlottedChannel] = []
    steps: dict[int, tuple[int, bool]] = {}
    for channel in channels:
        time_ns, values = trusted_readings(channel)
        low, high = reach_of(channel) if len(values) else (0.0, 0.0)
        if id(time_ns) not in steps:  # the channels of one logger share their times
            usual_ns = _usual_step(time_ns)
            steps[id(time_ns)] = usual_ns, _is_regular(time_ns, usual_ns)
        usual_ns, regular = steps[id(time_ns)]
        traces.append(
            PlottedChannel(
                channel=channel,
                time_ns=time_ns,
                values=values,
                base=low,
                step=step_of(channel.resolution, low, high, LEAST_STEP.get(channel.unit, 1e-3)),
                # a log too short to tell its interval is drawn as if it had one of a second
                interval_s=float(channel.interval_s) if channel.interval_s > 0 else 1.0,
                usual_step_ns=usual_ns,
                regular=regular,
            )
        )
    return traces


def plan(
    traces: Sequence[PlottedChannel],
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    room: float,
) -> Detail:
    """The finest drawing of the log that weighs about `room` bytes."""
    if sum(t.at_most() for t in traces) <= room:
        return Detail()
    readings = {id(t): t.weight_of_readings() for t in traces}
    if sum(readings.values()) <= room:
        return Detail()
    whole = [(timeline.start_ns, timeline.end_ns + 1)]

    def log_weighs(width_s: float) -> float:
        return sum(
            readings[id(t)] if is_kept_whole(t, width_s) else t.weight_of_buckets(width_s, whole)
            for t in traces
        )

    def turns_weigh(width_s: float) -> float:
        widths = ((t, turn_width_s(t, width_s, bucket_s)) for t in traces)
        return sum(t.weight_of_buckets(width, turns) for t, width in widths if width)

    least = min(t.interval_s for t in traces)
    widths = [w for w in WIDTHS_S if w >= 0.999 * least] or [3600.0 * np.ceil(least / 3600)]
    bucket_s, log_bytes = _finest(widths, log_weighs, LOG_SHARE * room)
    rate = sum(readings.values()) / (whole[0][1] - whole[0][0]) * S  # bytes a second of log
    found, found_bytes = _affordable(
        _found(judgement, record), timeline, _Price(rate, len(traces), bucket_s), FINDINGS_SHARE * room
    )
    turns = _without(_aligned(_turns(record), timeline, bucket_s), _aligned(found, timeline, bucket_s))
    finer = [w for w in widths if w < bucket_s and bucket_s % w == 0]
    left = room - found_bytes
    turn_s, turn_bytes = _finest(finer, turns_weigh, left - log_bytes) if turns and finer else (0.0, np.inf)
    if log_bytes + turn_bytes > left:  # then the whole log may as well be finer
        turn_s, turn_bytes = 0.0, 0.0
        bucket_s, log_bytes = _finest(widths, log_weighs, left)
    price = _Price(rate, len(traces), bucket_s)
    others, _ = _affordable(_others(record), timeline, price, left - log_bytes - turn_bytes)
    full = _aligned([*found, *others], timeline, bucket_s)
    return Detail(bucket_s=bucket_s, turn_s=turn_s, turns=_without(turns, full) if turn_s else (), full=full)


def is_kept_whole(trace: PlottedChannel, width_s: float) -> bool:
    """Whether the channel is so sparse that buckets would save nothing: then each reading is kept, at its own time."""
    return trace.interval_s >= 0.999 * width_s


def turn_width_s(trace: PlottedChannel, turn_s: float, bucket_s: float) -> float:
    """Width of this channel's buckets around the turns: no finer than its logger; 0 where they would be no finer than
    the others, or it is kept whole."""
    if not turn_s or is_kept_whole(trace, bucket_s):
        return 0.0
    least = max(turn_s, 0.999 * trace.interval_s)
    return next((float(w) for w in WIDTHS_S if least <= w < bucket_s and bucket_s % w == 0), 0.0)


def _finest(widths: Sequence[float], weighs: Callable[[float], float], room: float) -> tuple[float, float]:
    """The first of `widths` (rising) that weighs no more than `room`, and its weight; the last, where none does.

    Weights fall about as widths rise, so the search begins where the room would be met.
    """
    at = len(widths) // 2
    guess = widths[at] * weighs(widths[at]) / max(room, 1.0)
    at = next((i for i, w in enumerate(widths) if w >= guess), len(widths) - 1)
    while at and weighs(widths[at - 1]) <= room:
        at -= 1
    while at < len(widths) - 1 and weighs(widths[at]) > room:
        at += 1
    return float(widths[at]), weighs(widths[at])


def _turns(record: CycleRecord) -> Spans:
    """Where hot gas comes on and where it goes off, with what lies around it; a short harvest as a whole."""
    table = columns_of(record)
    begin, stop = (table[c] for c in ("harvest_start_ns", "harvest_end_ns"))
    spans = []
    for a, b in zip(begin.tolist(), stop.tolist(), strict=True):
        if 0 <= a < b <= a + WHOLE_S * S:
            spans.append((a - TURN_S * S, b + TURN_S * S))
        else:
            spans += [(t - TURN_S * S, t + TURN_S * S) for t in (a, b) if t >= 0]
    return sorted(spans)


def _aligned(spans: Iterable[tuple[int, int]], timeline: Timeline, width_s: float) -> Spans:
    """Widened to whole buckets, so that what is drawn finer leaves no reading between it and what is not; merged."""
    width, start = round(width_s * S), timeline.start_ns
    last = (timeline.end_ns - start) // width + 1
    merged: list[tuple[int, int]] = []
    for a, b in sorted(spans):
        first, stop = max((a - start) // width, 0), min(-((start - b) // width), last)
        if stop <= first:
            continue
        if merged and first <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], stop))
        else:
            merged.append((first, stop))
    return [(start + a * width, start + b * width) for a, b in merged]


def _without(spans: Spans, others: Spans) -> Spans:
    """What of `spans` no one of `others` covers."""
    left, others = [], list(others)
    for a, b in spans:
        for x, y in others:
            if y <= a or x >= b:
                continue
            if x > a:
                left.append((a, x))
            a = y
            if a >= b:
                break
        if a < b:
            left.append((a, b))
    return left


@dataclass(frozen=True)
class _Price:
    """What a stretch with every reading costs. rate: bytes a second, all channels together."""

    rate: float
    channels: int
    bucket_s: float

    def of(self, seconds: float) -> float:
        """Bytes of a page; a stretch grows by about a bucket when it is widened to whole ones."""
        return (seconds + self.bucket_s) * self.rate + WINDOW_BYTES * self.channels


def _affordable(
    wanted: Iterable[tuple[int, int]], timeline: Timeline, price: _Price, room: float
) -> tuple[list[tuple[int, int]], float]:
    """Of `wanted`, in their order, as many as `room` bytes last for, and what they weigh."""
    kept: list[tuple[int, int]] = []
    left = room
    for begin, stop in wanted:
        a, b = max(begin - 120 * S, timeline.start_ns), min(stop + 120 * S, timeline.end_ns)
        weighs = price.of((b - a) / S)
        if b <= a or weighs > left or any(x <= a and b <= y for x, y in kept):
            continue
        kept.append((a, b))
        left -= weighs
    return kept, room - left


def _found(judgement: Judgement, record: CycleRecord) -> Iterator[tuple[int, int]]:
    """Of each finding some cycles or its edges: first one of each, then a second…"""
    where = cycle_spans(record)
    for turn in range(WINDOWS_A_FINDING):
        for finding in judgement.findings:
            cycles = [c for c in spread(finding.cycles, WINDOWS_A_FINDING) if c in where]
            if finding.cycles:
                if turn < len(cycles):
                    yield where[cycles[turn]]
            elif turn == 0:
                yield finding.start_ns, min(finding.end_ns, finding.start_ns + 1800 * S)
            elif turn == 1:
                yield max(finding.start_ns, finding.end_ns - 900 * S), finding.end_ns


def _others(record: CycleRecord) -> Iterator[tuple[int, int]]:
    """Cycles spread over the log."""
    where = cycle_spans(record)
    yield from (where[c] for c in spread(tuple(where), OTHER_CYCLES))


def cycle_spans(record: CycleRecord) -> dict[int, tuple[int, int]]:
    """Cycle number -> where it lies [ns]; half an hour where its end was not seen."""
    table = columns_of(record)
    numbers = table["cycle"]
    begin, harvest, stop = (table[c] for c in ("freeze_start_ns", "harvest_start_ns", "harvest_end_ns"))
    last = np.where(stop > 0, stop, np.where(harvest > 0, harvest, begin + 1800 * S))
    return {int(n): (int(a), int(b)) for n, a, b in zip(numbers, begin, last, strict=True)}


def spread(items: tuple, most: int) -> list:
    """At most `most` of `items`, evenly over them."""
    if len(items) <= most:
        return list(items)
    return [items[int(i)] for i in np.linspace(0, len(items) - 1, most)]
