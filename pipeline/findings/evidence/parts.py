"""A log and its record cut at moments: what was before a visit and what came after it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.logs.timeline import Timeline


def part_of_timeline(timeline: Timeline, start_ns: int, end_ns: int) -> Timeline | None:
    """The readings of `timeline` in [start, end), with the doubts about them; None where there are none."""
    channels = []
    for channel in timeline.channels:
        first, stop = channel.time_ns.searchsorted([start_ns, end_ns])
        if stop > first:
            channels.append(
                replace(
                    channel,
                    time_ns=channel.time_ns[first:stop],
                    values=channel.values[first:stop],
                    trusted=channel.trusted[first:stop],
                    masks={name: mask[first:stop] for name, mask in channel.masks.items()},
                )
            )
    if not channels:
        return None
    doubts = tuple(
        replace(d, start_ns=max(d.start_ns, start_ns), end_ns=min(d.end_ns, end_ns))
        for d in timeline.doubts
        if d.start_ns < end_ns and d.end_ns > start_ns
    )
    return replace(
        timeline,
        channels=tuple(channels),
        doubts=doubts,
        start_ns=min(int(c.time_ns[0]) for c in channels),
        end_ns=max(int(c.time_ns[-1]) for c in channels),
    )


def part_of_record(record: CycleRecord, start_ns: int, end_ns: int) -> CycleRecord:
    """The phases of `record` clipped to [start, end), the cycles that lie in it from end to end, and its starts."""
    phases = tuple(
        replace(p, start_ns=max(p.start_ns, start_ns), end_ns=min(p.end_ns, end_ns))
        for p in record.phases
        if p.start_ns < end_ns and p.end_ns > start_ns
    )
    table = record.cycles
    if len(table):
        begun = table["freeze_start_ns"].to_numpy()
        done = np.maximum(table["harvest_start_ns"].to_numpy(), table["harvest_end_ns"].to_numpy())
        table = table[(begun >= start_ns) & (begun < end_ns) & (done < end_ns)]
    starts = record.starts
    if len(starts):
        at = starts["start_ns"].to_numpy()
        starts = starts[(at >= start_ns) & (at < end_ns)].reset_index(drop=True)
    return replace(record, phases=phases, cycles=table, starts=starts)
