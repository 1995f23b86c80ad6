"""All loggers of a unit on one clock: date orders settled between files, offsets that unit.toml gives, offsets measured; and loggers that
show another machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.alignment.clock_offset import END_LAG_S, LEAST_PAIRS, Kind, Offset, clock_offset, together
from pipeline.logs.alignment.shared_events import ClampSteps, Rises, rises, steps
from pipeline.logs.channels.draft import Draft
from pipeline.logs.channels.same_logger import LoggerLog
from pipeline.logs.clock.stamp_parser import DAY_NS, SECOND_NS
from pipeline.logs.clock.time_zones import in_other_order
from pipeline.logs.table import FileTable
from pipeline.logs.timeline import Doubt
from pipeline.logs.trust.sample_checks import CURRENT_ROLES
from pipeline.unit import Unit

CLOCK_OFFSET = "clock-offset"
ANOTHER_MACHINE = "another machine"
"""The check of a logger that shows another machine: it is told under the code of a clock that is off, as it may be that too."""
_COLD_FIRST = ("evaporator", "suction")
_CLAMPS = ("current", "current_compressor", "power")
_ODD_ALONE = 4.0  # nats: a load seldom steps up alone as a freeze ends, or down alone as one begins; common practice, no source


def settle_date_orders(tables: Sequence[FileTable]) -> list[FileTable]:
    """Files whose dates can be read both ways are read the way in which they meet the unit's other files."""
    if len(tables) == 1:
        return list(tables)
    in_both = [(t, _swapped(t)) for t in tables]
    open_ones = [t for t, other in in_both if other is not None]
    certain = [t for t, other in in_both if other is None]
    swapped = [other for _t, other in in_both if other is not None]
    if not swapped:
        return list(tables)
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


def _swapped(table: FileTable) -> FileTable | None:
    """The same log with its dates in the other order, where that is possible."""
    time_ns = in_other_order(table.time_ns, table.other_order) if table.other_order else None
    if time_ns is None:
        return None
    source = replace(table.source, start_ns=int(time_ns[0]), end_ns=int(time_ns[-1]))
    return replace(table, time_ns=time_ns, source=source)


def _spread(tables: Sequence[FileTable]) -> int:
    """From the first to the last reading of all [ns]."""
    return max(int(t.time_ns[-1]) for t in tables) - min(int(t.time_ns[0]) for t in tables)


def _settled(table: FileTable) -> FileTable:
    notes = tuple(n for n in table.source.notes if n.key != "logs.note.date_order_open")
    note = Text(
        key="logs.note.date_order_by_others",
        english="the dates can be read day-first or month-first; they were read so that this log meets the unit's other files",
    )
    return replace(table, source=replace(table.source, notes=(*notes, note)), other_order="")


def on_one_clock(
    logs: Sequence[LoggerLog], drafts: Sequence[Draft], unit: Unit, limits: Mapping[str, float]
) -> tuple[list[LoggerLog], list[Draft], list[Doubt]]:
    """(the loggers on the unit's clock, their channels, what was found): that of the logger with the cold line, else the first by name.

    Channels of a logger that shows another machine are left out: their role becomes "other".
    """
    moved = [_moved_by_toml(log, unit) for log in logs]
    logs, drafts = [log for log, _was_set in moved], list(drafts)
    if len(logs) < 2:
        return logs, drafts, []
    reference = next((d.logger for role in _COLD_FIRST for d in drafts if d.role == role), 0)
    origin = int(logs[reference].time_ns[0])
    events = {n: _shown(n, logs, drafts, origin) for n in range(len(logs))}
    result, doubts = list(logs), []
    for n, log in enumerate(logs):
        if n == reference or moved[n][1] or events[n] is None or events[reference] is None:
            continue
        if log.same_clock and log.same_clock == logs[reference].same_clock:
            continue
        kinds = _kinds(events[reference].events, events[n].events)
        if not kinds:
            continue
        span_s = tuple((int(log.time_ns[i]) - origin) / SECOND_NS for i in (0, -1))
        intervals_s = (events[reference].interval_s, events[n].interval_s)
        offset = clock_offset(kinds, span_s=span_s, intervals_s=intervals_s)
        share = together(kinds, span_s=span_s, intervals_s=intervals_s) if offset is None else None
        if share is not None and 100 * share < limits["together_pct"]:
            drafts = [replace(d, role="other") if d.logger == n else d for d in drafts]
            doubts.append(_of_another(log, logs[reference], share))
            continue
        if isinstance(events[reference].events, Rises) and isinstance(events[n].events, ClampSteps):
            result[n] = replace(log, clock_open=True)
        if offset is None or not _proven(offset, log, limits):
            continue
        result[n] = _shifted(result[n], offset, origin)
        doubts.append(
            clock_doubt(
                file=log.name,
                reference=logs[reference].name,
                span_ns=(int(log.time_ns[0]), int(log.time_ns[-1])),
                offset_s=offset.offset_s,
                drift_s_per_day=offset.drift_s_per_day,
                uncertainty_s=offset.uncertainty_s,
                events=offset.pairs,
                confidence=min(0.97, 0.4 + 0.6 * offset.share) * (0.6 if offset.ambiguous_s else 1.0),
                or_s=offset.ambiguous_s,
            )
        )
    return result, drafts, doubts


def _of_another(log: LoggerLog, reference: LoggerLog, share: float) -> Doubt:
    what = Text(
        key="logs.doubt.another_machine",
        english="what {file} shows falls together with nothing that {reference} shows: it is of another machine, or its clock is off by more than "
        "six hours; it was left out. Put it into the folder of its own unit, or give its offset_s under [clock] in unit.toml",
        values={"file": log.name, "reference": reference.name},
    )
    return Doubt(
        code=CLOCK_OFFSET, start_ns=int(log.time_ns[0]), end_ns=int(log.time_ns[-1]), file=log.name, what=what,
        evidence={"together_pct": round(100 * share), "check": ANOTHER_MACHINE}, confidence=0.95,
    )  # fmt: skip


def _kinds(a: Rises | ClampSteps, b: Rises | ClampSteps) -> list[Kind]:
    """The kinds of event that two loggers share: of one kind where both have a line or both a clamp; none where the first has a line that shows no
    harvests."""
    if isinstance(a, Rises) and isinstance(b, Rises):
        return [
            Kind(reference_s=a.start_s, other_s=b.start_s, group=0),
            Kind(reference_s=_known(a.end_s), other_s=_known(b.end_s), group=1),
        ]
    if isinstance(a, ClampSteps) and isinstance(b, ClampSteps):
        sides = zip(a.by_direction(), b.by_direction(), strict=True)
        return [Kind(reference_s=x, other_s=y, group=group) for group, (x, y) in enumerate(sides)]
    if isinstance(a, Rises) and isinstance(b, ClampSteps):
        up, down = b.by_direction()
        ends = _known(a.end_s)
        # About: what each step is, the cycles tell (`pipeline.cycles.clocks`).
        return [
            Kind(reference_s=a.start_s, other_s=up, group=0, alone_nats=_ODD_ALONE),
            Kind(reference_s=a.start_s, other_s=down, group=0),
            Kind(reference_s=ends, other_s=up, group=1, lag_s=END_LAG_S),
            Kind(reference_s=ends, other_s=down, group=1, lag_s=END_LAG_S, alone_nats=_ODD_ALONE),
        ]
    return []


def _known(times: np.ndarray) -> np.ndarray:
    return np.sort(times[~np.isnan(times)])


def _proven(offset: Offset, log: LoggerLog, limits: Mapping[str, float]) -> bool:
    """Whether the offset is more than what is not known of it."""
    span_days = (int(log.time_ns[-1]) - int(log.time_ns[0])) / DAY_NS
    half_drift = abs(offset.drift_s_per_day) * span_days / 2
    return abs(offset.offset_s) + half_drift > max(limits["offset_s"], 1.5 * offset.uncertainty_s)


def _moved_by_toml(log: LoggerLog, unit: Unit) -> tuple[LoggerLog, bool]:
    names = (*log.files, log.same_clock)
    shift = next((unit.clock.offset_s[f] for f in names if f in unit.clock.offset_s), None)
    if shift is None:
        return log, False
    return replace(log, time_ns=log.time_ns + round(shift * SECOND_NS)), True


@dataclass(frozen=True, kw_only=True)
class _Shown:
    """What the trace of a logger that shows harvests best shows of them, and the logger's interval [s]."""

    interval_s: float
    events: Rises | ClampSteps


def _shown(n: int, logs: Sequence[LoggerLog], drafts: Sequence[Draft], origin: int) -> _Shown | None:
    """A cold line before a clamp; None where neither shows enough."""
    log = logs[n]
    mine = {d.role: d for d in reversed(drafts) if d.logger == n}
    interval_s = log.sources[0].interval_s
    for role in (*_COLD_FIRST, *_CLAMPS):
        if role not in mine:
            continue
        values = _plausible(mine[role])
        if role in _COLD_FIRST:
            line = rises(log.time_ns, values, log.overview, origin)
            if len(line.start_s) >= LEAST_PAIRS:
                return _Shown(interval_s=interval_s, events=line)
        else:
            current = steps(log.time_ns, values, origin, interval_s)
            if len(current.at_s) >= LEAST_PAIRS:
                return _Shown(interval_s=interval_s, events=current)
    return None


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


def clock_doubt(
    *,
    file: str,
    reference: str,
    span_ns: tuple[int, int],
    offset_s: float,
    drift_s_per_day: float,
    uncertainty_s: float,
    events: int,
    confidence: float,
    or_s: float = 0.0,
) -> Doubt:
    """What is said of the clock of `file`, `offset_s` ahead of that of `reference` and put right. events: pairs of them that tell;
    or_s: another offset that explains them as well, else 0."""
    ahead = offset_s > 0
    values = {
        "file": file,
        "reference": reference,
        "apart_s": abs(offset_s),
        "uncertainty_s": uncertainty_s,
    }
    if drift_s_per_day:
        values["drift_s"] = abs(drift_s_per_day)
        way = "gains" if drift_s_per_day > 0 else "loses"
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
        "offset_s": round(offset_s, 1),
        "drift_s_per_day": round(drift_s_per_day, 2),
        "uncertainty_s": round(uncertainty_s, 1),
        "events": events,
    }
    if or_s:
        evidence["or_s"] = round(or_s, 1)
    return Doubt(
        code=CLOCK_OFFSET,
        start_ns=span_ns[0],
        end_ns=span_ns[1],
        file=file,
        what=Text(key=key, english=english, values=values),
        evidence=evidence,
        confidence=round(confidence, 2),
    )
