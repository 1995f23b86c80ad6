"""When the machine was worked on: the visits that unit.toml names, placed in the log, and stops with the signs of one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.evidence.courses import Course
from pipeline.findings.masks.columns import NS_PER_H, NS_PER_MIN, Columns


@dataclass(frozen=True, kw_only=True)
class Worked:
    """A visit that lies in the log: `from_ns` to `until_ns` nobody judges the machine."""

    from_ns: int
    until_ns: int
    what: str = ""
    by: str = "stop"  # "stop": the log shows it; "time": as unit.toml says; "noon": neither did


def visits(columns: Columns, courses: Mapping[str, Course]) -> tuple[Worked, ...]:
    """The visits of unit.toml that lie in the log, in time order. courses: the measures that changed for good."""
    found = []
    for visit in sorted(columns.unit.visits, key=lambda v: (v.on, v.at or time(12))):
        day = datetime.combine(visit.on, time(0), tzinfo=columns.unit.tz)
        first, last = _ns(day), _ns(day + timedelta(days=1))
        if visit.at is not None:
            at = _ns(datetime.combine(visit.on, visit.at, tzinfo=columns.unit.tz))
            near = round(columns.thresholds["visit_near_h"] * NS_PER_H)
            stop = _stop_near(columns, courses, at - near, at + near, at)
        else:
            at = _ns(day + timedelta(hours=12))
            stop = _stop_near(columns, courses, first, last, None)
        begun, until = stop if stop is not None else (at, at)
        if columns.timeline.start_ns < until < columns.timeline.end_ns:
            by = "stop" if stop is not None else "time" if visit.at is not None else "noon"
            found.append(Worked(from_ns=begun, until_ns=until, what=visit.what, by=by))
    return tuple(w for i, w in enumerate(found) if i == 0 or w.until_ns > found[i - 1].until_ns)


def _ns(moment: datetime) -> int:
    return int(moment.timestamp()) * 1_000_000_000


def _stops(columns: Columns) -> list[tuple[int, int]]:
    """Stretches without a cycle that somebody may have worked in: stops, gaps and unclear ones, those that touch as one."""
    still: list[tuple[int, int]] = []
    for phase in columns.record.phases:
        if phase.kind in (PhaseKind.FREEZE, PhaseKind.HARVEST):
            continue
        if still and still[-1][1] == phase.start_ns:
            still[-1] = (still[-1][0], phase.end_ns)
        else:
            still.append((phase.start_ns, phase.end_ns))
    least = columns.thresholds["visit_stop_min"] * NS_PER_MIN
    return [(a, b) for a, b in still if b - a >= least]


def _stop_near(
    columns: Columns, courses: Mapping[str, Course], first_ns: int, last_ns: int, at_ns: int | None
) -> tuple[int, int] | None:
    """Of the stops that touch the span, the one that a lasting change comes right after; else the one nearest to `at_ns`, or the longest."""
    stops = [(a, b) for a, b in _stops(columns) if a < last_ns and b > first_ns]
    if not stops:
        return None
    for stop in stops:
        if _changes_after(columns, courses, stop[1]):
            return stop
    if at_ns is not None:
        return min(stops, key=lambda s: max(s[0] - at_ns, at_ns - s[1], 0))
    return max(stops, key=lambda s: s[1] - s[0])


def _changes_after(columns: Columns, courses: Mapping[str, Course], until_ns: int) -> bool:
    """Whether any measure went to another level right after a stop that ended at `until_ns`."""
    beside = int(columns.thresholds["visit_beside_cycles"])
    index = int(np.searchsorted(columns.start_ns, until_ns - NS_PER_MIN))
    changes = (course.change for course in courses.values())
    return any(c.kind == "step" and abs(_position(c.judged, c.first, index)) <= beside for c in changes)


def _position(judged: np.ndarray, first: int, index: int) -> int:
    """How many judged cycles lie from the first after a stop to the first of a new level."""
    return int(judged[:first].sum()) - int(judged[:index].sum())


def worked_on(columns: Columns, steady: np.ndarray, first: int) -> tuple[int, int] | None:
    """The stop right before the cycle `first`, from which another level of the `steady` freezes (bool (n,)) began; None where there is none."""
    for stop in _stops(columns):
        index = int(np.searchsorted(columns.start_ns, stop[1] - NS_PER_MIN))
        if abs(_position(steady, first, index)) <= columns.thresholds["visit_beside_cycles"]:
            return stop
    return None
