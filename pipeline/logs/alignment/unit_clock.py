"""All loggers of a unit on one clock: date orders settled between files, offsets that unit.toml gives, offsets measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.alignment.clock_offset import Offset, clock_offset
from pipeline.logs.alignment.shared_events import Events, corners, steps
from pipeline.logs.channels.channels import Draft
from pipeline.logs.channels.same_logger import LoggerLog
from pipeline.logs.clock.stamp_parser import DAY_NS, SECOND_NS
from pipeline.logs.coarse_grid import overview_of
from pipeline.logs.table import FileTable
from pipeline.logs.timeline import Doubt
from pipeline.logs.trust.sample_checks import CURRENT_ROLES
from pipeline.unit import Unit

_COLD_FIRST = ("evaporator", "suction")
_CLAMPS = ("current", "current_compressor", "power")


def settle_date_orders(tables: Sequence[FileTable]) -> list[FileTable]:
    """Files whose dates can be read both ways are read the way in which they meet the unit's other files."""
    open_ones = [t for t in tables if t.other_order_ns is not None]
    certain = [t for t in tables if t.other_order_ns is None]
    if not open_ones or len(tables) == 1:
        return list(tables)
    swapped = [t.with_order_swapped() for t in open_ones]
    if _spread(certain + swapped) >= _spread(certain + open_ones) - DAY_NS // 2:
        settled = (
            open_ones if _spread(certain + open_ones) < _spread(certain + swapped) - DAY_NS // 2 else None
        )
    else:
        settled = swapped
    if settled is None:
        return list(tables)
    by_name = {t.name: _settled(t) for t in settled}
    return [by_name.get(t.name, t) for t in tables]


def _spread(tables: Sequence[FileTable]) -> int:
    """From the first to the last reading of all [ns]."""
    return max(int(t.time_ns[-1]) for t in tables) - min(int(t.time_ns[0]) for t in tables)


def _settled(table: FileTable) -> FileTable:
    notes = tuple(n for n in table.source.notes if n.key != "logs.note.date_order_open")
    note = Text(
        key="logs.note.date_order_by_others",
        english="the dates can be read day-first or month-first; they were read so that this log meets the unit's other files",
    )
    return replace(table, source=replace(table.source, notes=(*notes, note)), other_order_ns=None)


def on_one_clock(
    logs: Sequence[LoggerLog], drafts: Sequence[Draft], unit: Unit, limits: Mapping[str, float]
) -> tuple[list[LoggerLog], list[Doubt]]:
    """(the loggers on the unit's clock, what was found): that of the logger with the evaporator, else the first by name."""
    moved = [_moved_by_toml(log, unit) for log in logs]
    logs = [log for log, _was_set in moved]
    if len(logs) < 2:
        return logs, []
    reference = next((d.logger for d in drafts if d.role == "evaporator"), 0)
    origin = int(logs[reference].time_ns[0])
    marks = {n: _events(n, logs, drafts, origin) for n in range(len(logs))}
    result, doubts = list(logs), []
    for n, log in enumerate(logs):
        if n == reference or moved[n][1] or marks[n] is None or marks[reference] is None:
            continue
        if log.same_clock and log.same_clock == logs[reference].same_clock:
            continue
        offset = clock_offset(
            marks[reference][1],
            marks[n][1],
            intervals_s=(logs[reference].sources[0].interval_s, log.sources[0].interval_s),
            kinds=(marks[reference][0], marks[n][0]),
        )
        if offset is None:
            continue
        if not _proven(offset, (logs[reference], log), (marks[reference][0], marks[n][0]), limits):
            continue
        result[n] = _shifted(log, offset, origin)
        doubts.append(_doubt(log, logs[reference], offset))
    return result, doubts


def _proven(
    offset: Offset, logs: tuple[LoggerLog, LoggerLog], kinds: tuple[str, str], limits: Mapping[str, float]
) -> bool:
    """Whether the offset can't be the lag of a clip, or a reading or two of a slow logger: a temperature that is late
    proves little, one that is early much."""
    span_days = (int(logs[1].time_ns[-1]) - int(logs[1].time_ns[0])) / DAY_NS
    half_drift = abs(offset.drift_s_per_day) * span_days / 2
    temperature_late = offset.offset_s > 0 if kinds[1] == "cold" else offset.offset_s < 0
    least = limits["offset_late_s"] if temperature_late and kinds[0] != kinds[1] else limits["offset_s"]
    sampled = 1.5 * sum(log.sources[0].interval_s for log in logs)
    return abs(offset.offset_s) + half_drift > max(least, sampled, 2.0 * offset.uncertainty_s)


def _moved_by_toml(log: LoggerLog, unit: Unit) -> tuple[LoggerLog, bool]:
    names = (*log.files, log.same_clock)
    shift = next((unit.clock.offset_s[f] for f in names if f in unit.clock.offset_s), None)
    if shift is None:
        return log, False
    return replace(log, time_ns=log.time_ns + round(shift * SECOND_NS)), True


def _events(
    n: int, logs: Sequence[LoggerLog], drafts: Sequence[Draft], origin: int
) -> tuple[str, Events] | None:
    """("cold" or "clamp", the events) of the trace of this logger that shows harvests best."""
    log = logs[n]
    mine = {d.role: d for d in reversed(drafts) if d.logger == n}
    best: tuple[str, Events] | None = None
    interval_s = log.sources[0].interval_s
    for role in (*_COLD_FIRST, *_CLAMPS):
        if role not in mine:
            continue
        values = _plausible(mine[role])
        if role in _COLD_FIRST:
            overview = overview_of([log.time_ns], [interval_s])
            found = corners(log.time_ns, values, overview.grid_ns, overview.of(0, values), origin)
        else:
            found = steps(log.time_ns, values, origin, interval_s)
        if found.count >= 5:
            kind = "cold" if role in _COLD_FIRST else "clamp"
            if best is None or (best[0] != "cold" and kind == "cold"):
                best = (kind, found)
    return best


def _plausible(draft: Draft) -> np.ndarray:
    """Readings without what no probe can read: one open circuit must not hide the harvests."""
    if draft.role in CURRENT_ROLES or draft.role == "power":
        return draft.values
    with np.errstate(invalid="ignore"):
        wild = (draft.values < -60.0) | (draft.values > 170.0)
    return np.where(wild, np.nan, draft.values) if wild.any() else draft.values


def _shifted(log: LoggerLog, offset: Offset, origin: int) -> LoggerLog:
    seconds = (log.time_ns - origin) / SECOND_NS
    shift = np.round(offset.at(seconds) * SECOND_NS).astype(np.int64)
    return replace(log, time_ns=log.time_ns - shift)


def _doubt(log: LoggerLog, reference: LoggerLog, offset: Offset) -> Doubt:
    ahead = offset.offset_s > 0
    values = {
        "file": log.name,
        "reference": reference.name,
        "apart_s": abs(offset.offset_s),
        "uncertainty_s": offset.uncertainty_s,
    }
    if offset.drift_s_per_day:
        values["drift_s"] = abs(offset.drift_s_per_day)
        way = "gains" if offset.drift_s_per_day > 0 else "loses"
        key = f"logs.doubt.clock_{'ahead' if ahead else 'behind'}_{way}"
        english = (
            f"the clock of {{file}} is {{apart_s}} {'ahead of' if ahead else 'behind'} that of {{reference}} "
            f"(± {{uncertainty_s}}) and {way} {{drift_s}} a day; its times were put right"
        )
    else:
        key = f"logs.doubt.clock_{'ahead' if ahead else 'behind'}"
        english = (
            f"the clock of {{file}} is {{apart_s}} {'ahead of' if ahead else 'behind'} that of {{reference}} "
            f"(± {{uncertainty_s}}); its times were put right"
        )
    evidence: dict[str, object] = {
        "offset_s": round(offset.offset_s, 1),
        "drift_s_per_day": round(offset.drift_s_per_day, 2),
        "uncertainty_s": round(offset.uncertainty_s, 1),
        "events": offset.pairs,
    }
    if offset.ambiguous_s:
        evidence["or_s"] = round(offset.ambiguous_s, 1)
    return Doubt(
        code="clock-offset",
        start_ns=int(log.time_ns[0]),
        end_ns=int(log.time_ns[-1]),
        file=log.name,
        what=Text(key=key, english=english, values=values),
        evidence=evidence,
        confidence=round(min(0.97, 0.4 + 0.6 * offset.share) * (0.6 if offset.ambiguous_s else 1.0), 2),
    )
