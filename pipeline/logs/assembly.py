"""The tables of a unit → its `Timeline`: join, put on one clock, convert, name, distrust, choose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.errors import LogFileError, UnitError
from pipeline.language.text import Text
from pipeline.logs.alignment.unit_clock import on_one_clock, settle_date_orders
from pipeline.logs.channels.channels import drafts_of
from pipeline.logs.channels.same_logger import LoggerLog, join_loggers
from pipeline.logs.clock.local_times import OWN_CLOCK
from pipeline.logs.clock.start_of_log import DAY_ONE_NOTE
from pipeline.logs.coarse_grid import overview_of
from pipeline.logs.limits import limits_of
from pipeline.logs.table import FileTable
from pipeline.logs.timeline import Doubt, SourceFile, Timeline
from pipeline.logs.trust.doubts import gaps
from pipeline.logs.trusted import trusted_channels
from pipeline.unit import Unit


def assemble(tables: Sequence[FileTable], unit: Unit) -> Timeline:
    """All that was logged of `unit`, on one clock. Raises UnitError where no reading can be used."""
    limits = limits_of(unit.thresholds)
    logs = join_loggers(settle_date_orders(_dated(tables, unit)))
    drafts, notes = drafts_of(logs, unit)
    logs, drafts, clock_doubts = on_one_clock(logs, drafts, unit, limits)
    overview = overview_of([log.time_ns for log in logs], [log.sources[0].interval_s for log in logs])
    trusted = trusted_channels(drafts, logs, overview, limits)
    if not any(c.trusted.any() for c in trusted.channels):
        raise _nothing_to_use(unit)
    doubts = [*_doubts_of(logs, limits), *clock_doubts, *trusted.doubts]
    return Timeline(
        unit_name=unit.name,
        time_zone=unit.time_zone,
        start_ns=min(int(log.time_ns[0]) for log in logs),
        end_ns=max(int(log.time_ns[-1]) for log in logs),
        channels=trusted.channels,
        doubts=tuple(sorted(doubts, key=lambda d: (d.start_ns, d.code))),
        sources=tuple(_with_notes(s, notes) for log in logs for s in log.sources),
        own_clock=all(log.sources[0].dialect.get("zone") == OWN_CLOCK for log in logs),
    )


FARTHEST_APART_S = 50 * 365.25 * 86_400
"""Logs of one unit that lie farther apart [s] are of two clocks, one of which was never set (common practice, no source)."""


def of_one_time(
    tables: Sequence[FileTable], unit: Unit
) -> tuple[Sequence[FileTable], tuple[LogFileError, ...]]:
    """(`tables` without those that lie decades from the longest one, what is said of each of these)."""
    starts_s = [int(t.time_ns[0]) / 1e9 + unit.clock.offset_s.get(t.name, 0.0) for t in tables]
    longest = max(range(len(tables)), key=lambda i: len(tables[i].time_ns), default=0)
    near, far = [], []
    for table, start_s in zip(tables, starts_s, strict=True):
        if abs(start_s - starts_s[longest]) <= FARTHEST_APART_S:
            near.append(table)
            continue
        year, other = (str(t.time_ns[:1].astype("M8[ns]")[0])[:4] for t in (table, tables[longest]))
        far.append(
            LogFileError(
                f"its times are of {year} and those of {tables[longest].name} of {other}, so one of the clocks was not set",
                file=table.name,
                remedy="give offset_s under [clock] in unit.toml, or take the file out",
            )
        )
    return near, tuple(far)


def _doubts_of(logs: Sequence[LoggerLog], limits: Mapping[str, float]) -> list[Doubt]:
    """What is doubted of whole logs, and where they have gaps."""
    own = [doubt for log in logs for doubt in log.doubts]
    return own + [g for log in logs for g in gaps(log.name, log.time_ns, log.sources[0].interval_s, limits)]


def _nothing_to_use(unit: Unit) -> UnitError:
    return UnitError(
        "no channel holds a reading that can be used",
        file=unit.name,
        remedy="see `icelogs check` for what was read",
    )


def _dated(tables: Sequence[FileTable], unit: Unit) -> list[FileTable]:
    """Logs without dates are left out beside others that have them, and that is said: day 1 is no day of theirs. Raises UnitError
    where there are none."""
    if not tables:
        raise UnitError("no file could be read", file=unit.name, remedy="see the messages about its files")
    undated = [t for t in tables if any(n.key == DAY_ONE_NOTE for n in t.source.notes)]
    dated = [t for t in tables if not any(t is u for u in undated)]
    if not undated or not dated:
        return list(tables)
    names = ", ".join(t.name for t in undated)
    left_out = Text(
        key="logs.note.undated_left_out",
        english='{files} has no dates and was left out beside logs that have them; set start = "2026-05-04T10:00:00" under [clock] in unit.toml',
        values={"files": names},
    )
    first = dated[0]
    source = replace(first.source, notes=(*first.source.notes, left_out))
    return [replace(first, source=source), *dated[1:]]


def _with_notes(source: SourceFile, notes: Mapping[str, Sequence[Text]]) -> SourceFile:
    more = tuple(notes.get(source.name, ()))
    return replace(source, notes=source.notes + more) if more else source
