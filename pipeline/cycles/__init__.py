"""Timeline → change points → phases → cycles and their measures."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.cycles.record import CycleRecord
    from pipeline.logs.timeline import Timeline
    from pipeline.unit import Unit

__all__ = ["find_cycles"]


def find_cycles(timeline: Timeline, unit: Unit) -> CycleRecord:
    """Every phase of `timeline`, its cycles with their measures, and how sure each of them is. Raises nothing for a
    log that shows no pattern: its phases are `unclear` and say why."""
    from pipeline.cycles.find import find_cycles

    return find_cycles(timeline, unit)
