"""The visits of `unit.toml` in the log: where each lies, and the lengths of cycles before it and after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from datetime import time as clock_time

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import AfterVisit
from pipeline.logs.timeline import Timeline
from pipeline.report.clock import S
from pipeline.report.numbers.columns import columns_of
from pipeline.unit import Visit

NOON = clock_time(12)
LEAST_CYCLES = 3  # on each side of a visit, for a middle (common practice, no source)
SAME_VISIT_H = 24.0  # the log may show the stop so far from the time that stands in for it


@dataclass(frozen=True, kw_only=True)
class VisitPlace:
    """date: ISO 8601, local; minute: after midnight; share: where it lies in the log (0…1), None outside it. beside: measure ->
    its median before and after [min], between the visit before and the one after; none where either side has too few cycles.
    """

    date: str
    minute: int
    share: float | None
    beside: dict[str, tuple[float, float]] = field(default_factory=dict)


def in_order(visits: Sequence[Visit]) -> list[Visit]:
    """Oldest first; one without a time of day stands at noon."""
    return sorted(visits, key=lambda v: (v.on, v.at or NOON))


def places_of(
    visits: Sequence[Visit], judged: Sequence[AfterVisit], timeline: Timeline, record: CycleRecord
) -> tuple[VisitPlace, ...]:
    """Where each of `visits` lies, in order. judged: those that the log shows, with the time at which it does."""
    moments = []
    for visit in in_order(visits):
        at_ns = round(datetime.combine(visit.on, visit.at or NOON, timeline.tz).timestamp() * S)
        near = [
            j.until_ns
            for j in judged
            if j.what == visit.what and abs(j.until_ns - at_ns) < SAME_VISIT_H * 3600 * S
        ]
        moments.append(near[0] if near and visit.at is None else at_ns)
    span = max(timeline.end_ns - timeline.start_ns, 1)
    edges = [-np.inf, *moments, np.inf]
    places = []
    for n, at_ns in enumerate(moments):
        at = datetime.fromtimestamp(at_ns / S, timeline.tz)
        inside = timeline.start_ns <= at_ns <= timeline.end_ns
        places.append(
            VisitPlace(
                date=at.date().isoformat(),
                minute=at.hour * 60 + at.minute,
                share=round((at_ns - timeline.start_ns) / span, 6) if inside else None,
                beside=_beside(edges[n], at_ns, edges[n + 2], record),
            )
        )
    return tuple(places)


def _beside(begin: float, at_ns: int, stop: float, record: CycleRecord) -> dict[str, tuple[float, float]]:
    table = columns_of(record)
    if not len(table["cycle"]):
        return {}
    starts, ends = table["freeze_start_ns"], table["harvest_end_ns"]
    whole = table["complete"] & ~table["broken"]
    before, after = whole & (starts >= begin) & (ends <= at_ns), whole & (starts >= at_ns) & (ends <= stop)
    if min(int(before.sum()), int(after.sum())) < LEAST_CYCLES:
        return {}
    medians = {}
    for name in ("freeze_min", "harvest_min") if record.harvests_timed else ("freeze_min",):
        values = table[name]
        medians[name] = (
            round(float(np.nanmedian(values[before])), 2),
            round(float(np.nanmedian(values[after])), 2),
        )
    return medians
