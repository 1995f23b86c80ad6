"""Logs with a known truth, as the findings room is handed them: timelines, and records whose phases are the truth.

The phases come from a simulator's truth and the measures from the real cycles room, so that a finding is tested by
itself, whatever the segmentation makes of the same log.
"""

from __future__ import annotations

import itertools

import numpy as np

from pipeline.cycles.measure import starts
from pipeline.cycles.measure.measures import cycle_table
from pipeline.cycles.record import CycleRecord, Phase, PhaseKind
from pipeline.cycles.signal import features, signals
from pipeline.demo.simulator import Simulation
from pipeline.logs.timeline import Channel, Timeline
from pipeline.unit import ROLES, Unit


def timeline_of(sim: Simulation, name: str = "test-unit") -> Timeline:
    """A simulated log as the reading room would hand it on: every reading trusted but NaN."""
    interval_s = float(np.median(np.diff(sim.time_ns))) * 1e-9
    channels = tuple(
        Channel(
            role=role,
            label=role,
            file="simulated.csv",
            unit=ROLES[role],
            unit_read=ROLES[role],
            time_ns=sim.time_ns,
            values=values,
            trusted=np.isfinite(values),
            interval_s=interval_s,
            resolution=0.1,
            chosen=True,
            role_by="header",
            role_confidence=1.0,
        )
        for role, values in sim.channels.items()
    )
    return Timeline(
        unit_name=name,
        time_zone=sim.tz,
        start_ns=int(sim.time_ns[0]),
        end_ns=int(sim.time_ns[-1]),
        channels=channels,
    )


def record_of(timeline: Timeline, truth, unit: Unit) -> CycleRecord:
    """A record with the phases of `truth`, (start_ns, end_ns, kind) each, placed as well as sampling allows."""
    interval_s = min((c.interval_s for c in timeline.channels), default=10.0)
    spans = _clipped(truth, timeline)
    phases = tuple(
        Phase(
            kind=PhaseKind(kind),
            start_ns=_jittered(start, interval_s, i),
            end_ns=_jittered(end, interval_s, i + 1),
            start_uncertainty_s=0.0 if i == 0 else 0.45 * interval_s,
            confidence=0.95,
            why=_why(kind, end - start),
        )
        for i, (start, end, kind) in enumerate(spans)
    )
    traces = signals.traces_of(timeline)
    colds = [traces[role] for role in features.COLD_ROLES if role in traces]
    draws = [traces[role] for role in features.DRAW_ROLES if role in traces]
    columns = None
    if draws:
        cells = signals.lay_cells([*colds, *draws])
        found = [d for d in (features.draw_cells(t, cells) for t in draws) if d is not None]
        columns = starts.starts_of_draw(found[0]) if found else None
    if columns is None:
        columns = _starts_of(phases)
    table = starts.start_table(columns, timeline, colds[0] if colds else None, traces.get("discharge"))
    return CycleRecord(
        phases=phases,
        cycles=cycle_table(phases, table, traces, unit, cold=colds[0] if colds else None, draws=draws),
        starts=table,
        interval_s=interval_s,
        harvests_timed=interval_s < 61,
        pattern=any(p.kind is PhaseKind.HARVEST for p in phases),
    )


def _why(kind: str, length_ns: int) -> str:
    if kind != "unclear":
        return ""
    return "tripping" if length_ns < 12 * 3.6e12 else "no-pattern"


def _clipped(truth, timeline: Timeline):
    spans = [(max(a, timeline.start_ns), min(b, timeline.end_ns), kind) for a, b, kind in truth]
    spans = [s for s in spans if s[1] > s[0]]
    if spans[0][0] > timeline.start_ns:
        spans[0] = (timeline.start_ns, *spans[0][1:])
    return spans


def _jittered(ns: int, interval_s: float, index: int) -> int:
    """A boundary as sampling lets it be seen: off by up to half an interval."""
    rng = np.random.default_rng([abs(ns) % 2**32, 7])
    return ns + round((rng.random() - 0.5) * interval_s * 0.9 * 1e9)


def _starts_of(phases):
    stops = [(a, b) for a, b in itertools.pairwise(phases) if a.kind is PhaseKind.IDLE]
    starts_ns = np.array([b.start_ns for _, b in stops], np.int64)
    off_ns = np.array([a.end_ns - a.start_ns for a, _ in stops], float)
    return starts.starts_of_phases(starts_ns, off_ns, np.full(len(starts_ns), -1.0))
