"""Timeline → change points → phases → cycles and their measures."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.cycles.record import CycleRecord
    from pipeline.logs.timeline import Timeline
    from pipeline.unit import Unit

__all__ = ["find_cycles", "on_one_clock"]


def on_one_clock(timeline: Timeline, unit: Unit) -> Timeline:
    """`timeline` with the clamps of other loggers moved to where their cycles meet those of the line, and with what is said of it. As
    it is where one logger wrote it, or where the line shows no cycles."""
    if not any(channel.clock for channel in timeline.channels):
        return timeline
    from pipeline.cycles.clocks import on_one_clock

    return on_one_clock(timeline, unit)


def find_cycles(timeline: Timeline, unit: Unit) -> CycleRecord:
    """Every phase of `timeline`, its cycles with their measures, and how sure each of them is. Raises nothing for a
    log that shows no pattern: its phases are `unclear` and say why."""
    from pipeline.cycles.find import find_cycles

    return find_cycles(timeline, unit)
