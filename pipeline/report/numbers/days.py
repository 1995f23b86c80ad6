"""Days and hours of a log on the unit's own clock: complete cycles a day, and how much of each hour each phase took."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.finding import Output
from pipeline.report.clock import Offsets, S
from pipeline.report.numbers.columns import KINDS, columns_of, phases_of

H_NS = 3600 * S


@dataclass(frozen=True, kw_only=True)
class Days:
    """days: local dates. hours: float64 (days, 24, 5), the hours that each of KINDS took in each local hour; on a day
    of 25 hours one of them holds two. cycles: int (days,), complete ones by the end of their harvest. whole: bool,
    nearly all of the day was logged."""

    days: tuple[date, ...]
    hours: np.ndarray
    cycles: np.ndarray
    whole: np.ndarray


def days_of(record: CycleRecord, offsets: Offsets) -> Days | None:
    """None where the record has no phase."""
    if not record.phases:
        return None
    edges, kinds = phases_of(record)
    # Cut wherever a local hour or the offset changes: every zone's offset is a multiple of 15 minutes.
    quarter = H_NS // 4
    marks = np.arange(-(-edges[0] // quarter), edges[-1] // quarter + 1) * quarter
    cuts = np.unique(np.concatenate([edges, marks]))
    kind = kinds[np.clip(np.searchsorted(edges, cuts[:-1], side="right") - 1, 0, len(kinds) - 1)]
    local = offsets.local_ns(cuts[:-1])
    day, hour = local // (24 * H_NS), local // H_NS % 24
    first, count = int(day[0]), int(day[-1] - day[0]) + 1
    hours = np.zeros((count, 24, len(KINDS)))
    np.add.at(hours, (day - first, hour, kind), np.diff(cuts) / H_NS)
    table = columns_of(record)
    ends = table["harvest_end_ns"][table["complete"]]
    cycles = (
        np.bincount(offsets.local_ns(ends) // (24 * H_NS) - first, minlength=count)[:count]
        if len(ends)
        else np.zeros(count, int)
    )
    midnight = (np.arange(count + 1) + first) * 24 * H_NS
    length_h = np.diff(offsets.utc_ns(midnight)) / H_NS
    logged = hours[:, :, : KINDS.index(PhaseKind.GAP)].sum(axis=(1, 2))
    return Days(
        days=tuple(datetime.fromtimestamp(int(d + first) * 86_400, UTC).date() for d in range(count)),
        hours=hours,
        cycles=cycles,
        whole=logged >= 0.97 * length_h,
    )


def kg_per_cycle(output: Output) -> float | None:
    """Ice of one cycle as the output was reckoned [kg]; None where it could not be said."""
    if not output.ice_kg_per_day or not output.cycles_per_day:
        return None
    return round(output.ice_kg_per_day / output.cycles_per_day, 4)
