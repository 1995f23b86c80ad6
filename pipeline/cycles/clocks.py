"""How far apart the clocks of two loggers are, by the acts that both show: a cold line on one, a clamp on the other.

The line tells when a harvest begins and ends, give or take its lag; the clamp's current, laid upon itself at the same moments, tells the
same by its own clock. Under the right offset both mean one moment, at the starts as at the ends; under one that lays the starts on the
ends the other act gainsays it. Each says how likely every moment is by the same learned weights that place the acts (`weighing`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles import find
from pipeline.cycles.boundary import placing, weighing
from pipeline.cycles.limits import limits_of
from pipeline.cycles.signal import features, signals
from pipeline.cycles.signal.signals import Trace
from pipeline.cycles.template import superpose
from pipeline.logs.alignment.clock_offset import cost_of
from pipeline.logs.alignment.unit_clock import CLOCK_OFFSET, clock_doubt
from pipeline.logs.limits import limits_of as reading_limits
from pipeline.logs.timeline import Doubt, Timeline
from pipeline.unit import Unit

# Common practice, no source, all of them.
REACH_S, STEP_S = 240.0, 4.0  # offsets beside the one that is known about, that are tried
EVERY = 6  # a template of so many is asked: neighbours share most of theirs
TEMPLATES = 3.0  # so many templates' worth of evidence an act gives at most: they share their errors
TOLD_NATS = (
    1.5  # what it is worth that the steps of all harvests tell an offset: they may be of the other act
)
LEAST_NATS = -9.0  # no template speaks more strongly against an offset
NEAR_S = 25.0  # offsets about the likeliest, or about none, that are one with it
CLEAR = 1.3  # an offset is told if it is so many of its 90 % half-widths, or NEAR_S, from none: 97 %
LEAST_S, BY_INTERVAL = 5.0, 0.3  # no offset is known better, nor than that part of the slower interval


@dataclass(frozen=True, kw_only=True)
class _FoundOffset:
    offset_s: float  # besides the one that is known about
    uncertainty_s: float  # half-width of the 90 % interval
    confidence: float  # how likely it is one with the likeliest, 0…1
    events: int


def on_one_clock(timeline: Timeline, unit: Unit) -> Timeline:
    """`timeline` with the clamps of other loggers moved to where their cycles meet those of the line, and with what is said of it. As it
    is where one logger wrote it, or where the line shows no cycles."""
    for clock in sorted({c.clock for c in timeline.channels if c.clock}):
        timeline = _with(timeline, unit, clock)
    return timeline


def _with(timeline: Timeline, unit: Unit, clock: str) -> Timeline:
    limits = {**reading_limits(unit.thresholds), **limits_of(unit.thresholds)}
    traces = signals.traces_of(timeline, limits)
    other = [t for r in features.DRAW_ROLES if (t := traces.get(r)) is not None and t.channel.clock == clock]
    lines = {
        r: t for r in features.COLD_ROLES if (t := traces.get(r)) is not None and t.channel.clock != clock
    }
    if not lines or not other:
        return timeline
    told = next((d for d in timeline.doubts if d.code == CLOCK_OFFSET and d.file == clock), None)
    known_s = float(told.evidence["offset_s"]) if told else 0.0
    within_s = float(told.evidence["uncertainty_s"]) if told else 0.0
    found = _found(timeline, unit, lines, other[0], known_s, within_s)
    if found is None:
        return timeline
    drift = float(told.evidence["drift_s_per_day"]) if told else 0.0
    offset_s = known_s + found.offset_s
    rest = [d for d in timeline.doubts if d is not told]
    if not drift and abs(offset_s) <= max(limits["offset_s"], min(CLEAR * found.uncertainty_s, NEAR_S)):
        return _moved(replace(timeline, doubts=tuple(rest)), clock, -known_s)
    time_ns = other[0].channel.time_ns
    said = clock_doubt(
        file=clock,
        reference=next(iter(lines.values())).channel.file,
        span_ns=(int(time_ns[0]), int(time_ns[-1])),
        offset_s=offset_s,
        drift_s_per_day=drift,
        uncertainty_s=found.uncertainty_s,
        events=found.events,
        confidence=found.confidence,
        or_s=float(told.evidence.get("or_s", 0.0)) if told else 0.0,
    )
    doubts = sorted([*rest, said], key=lambda d: (d.start_ns, d.code))
    return _moved(replace(timeline, doubts=tuple(doubts)), clock, found.offset_s)


def _found(
    timeline: Timeline, unit: Unit, lines: dict[str, Trace], clamp: Trace, known_s: float, within_s: float
) -> _FoundOffset | None:
    """How far the clamp's clock is ahead of the lines', besides `known_s`, which the steps of all harvests told to `within_s` (0.0: they
    did not)."""
    shifts_s = np.arange(-REACH_S, REACH_S + STEP_S, STEP_S)
    says, events = -cost_of(known_s + shifts_s), 0
    if within_s:
        says = says + np.log1p(np.expm1(TOLD_NATS) * np.exp(-0.5 * (1.645 * shifts_s / within_s) ** 2))
    for act, line_says in _acts(timeline, unit, lines):
        says = says + _agreement(act, line_says, clamp, shifts_s)
        events += len(act.at)
    if not events:
        return None
    weight = np.exp(says - says.max())
    weight /= weight.sum()
    near = np.abs(shifts_s - shifts_s[np.argmax(says)]) <= NEAR_S
    offset_s = float((weight * shifts_s)[near].sum() / weight[near].sum())
    share = np.cumsum(weight)
    ends = np.interp((0.05, 0.95), share, shifts_s + STEP_S / 2)
    interval_s = max(t.interval_s for t in (clamp, *lines.values()))
    least_s = np.hypot(LEAST_S, BY_INTERVAL * interval_s)
    uncertainty_s = float(np.hypot(least_s, np.abs(ends - offset_s).max()))
    confidence = float(weight[near].sum())
    return _FoundOffset(offset_s=offset_s, uncertainty_s=uncertainty_s, confidence=confidence, events=events)


def _acts(
    timeline: Timeline, unit: Unit, lines: dict[str, Trace]
) -> Iterator[tuple[placing.Act, np.ndarray]]:
    """Starts and ends of usual harvests as the lines alone have them, and their log likelihood (n, l)."""
    named = find.named_by(timeline, unit, lines)
    if named is None:
        return
    runs, cells = named
    colds = [features.course_of(trace, cells) for trace in lines.values()]
    traces = [c.trace for c in colds]
    for act in placing.acts(traces, runs, colds[0], cells, cells.start_ns[runs.first]):
        if act.usual:
            yield act, placing.likelihood(traces, act, len(traces))[0]


def _agreement(act: placing.Act, line_says: np.ndarray, clamp: Trace, shifts_s: np.ndarray) -> np.ndarray:
    """How likely it is that line and clamp mean one moment if the clamp's clock is `shifts_s` (s,) ahead, (s,) [nats]."""
    offsets = act.offsets
    step, length = float(offsets[1] - offsets[0]), len(offsets)
    more = int(np.ceil(REACH_S / step))
    wide = offsets[0] + step * np.arange(-more, length + more)
    rows = superpose.readings_about(clamp, act.laid.near_ns, wide)
    template = superpose.template_of(rows, superpose.alike([rows], [clamp], step), wide, clamp.noise)
    values, line_says = template.values[::EVERY], line_says[::EVERY]
    by_line = line_says - _log_sum(line_says)[:, None]
    out = np.full((len(by_line), len(shifts_s)), -np.log(length))
    for j, shift_s in enumerate(shifts_s):
        first = more + round(shift_s / step)
        part = replace(template, offsets_s=offsets, values=values[:, first : first + length])
        by_clamp, shows = weighing.said_of(part, clamp, act.harvest_s, ending=act.ending, kind="current")
        both = _log_sum(by_line + by_clamp - _log_sum(by_clamp)[:, None])
        out[shows, j] = both[shows]
    return min(1.0, TEMPLATES / len(out)) * np.logaddexp(out, LEAST_NATS).sum(axis=0)


def _log_sum(values: np.ndarray) -> np.ndarray:
    return np.logaddexp.reduce(values, axis=1)


def _moved(timeline: Timeline, clock: str, by_s: float) -> Timeline:
    """The channels of `clock`, and what is doubted of them, `by_s` earlier."""
    by_ns = np.int64(round(by_s * 1e9))
    channels = tuple(
        replace(c, time_ns=c.time_ns - by_ns) if c.clock == clock else c for c in timeline.channels
    )
    doubts: Sequence[Doubt] = [
        replace(d, start_ns=int(d.start_ns - by_ns), end_ns=int(d.end_ns - by_ns)) if d.file == clock else d
        for d in timeline.doubts
    ]
    return replace(
        timeline,
        channels=channels,
        doubts=tuple(doubts),
        start_ns=min(int(c.time_ns[0]) for c in channels),
        end_ns=max(int(c.time_ns[-1]) for c in channels),
    )
