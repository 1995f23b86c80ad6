"""Files of the same logger → one log. A log that was exported again with more rows is not counted twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.coarse_grid import Overview, overview_of
from pipeline.logs.table import FileTable, LoggedColumn
from pipeline.logs.timeline import Doubt, SourceFile

SAME_SHARE = 0.9
"""Of the moments that two files share, this share must hold the same readings for both to be one logger's."""


@dataclass(frozen=True, kw_only=True)
class LoggerLog:
    """All that one logger wrote."""

    name: str  # "a.csv", or "a.csv + b.csv"
    files: tuple[str, ...]
    time_ns: np.ndarray  # int64 (n,), strictly increasing
    columns: tuple[LoggedColumn, ...]
    sources: tuple[SourceFile, ...]
    doubts: tuple[Doubt, ...]
    same_clock: str = ""  # loggers that share this name are one, written to one file
    clock_open: bool = False  # its clock may differ from the unit's by what only the cycles tell

    @cached_property
    def overview(self) -> Overview:
        """This logger alone on its own coarse grid, as its logger 0."""
        return overview_of([self.time_ns], [self.sources[0].interval_s])

    def coarse(self, values: np.ndarray) -> np.ndarray:
        """Readings `values` (n,) of one of its columns on that grid (m,), NaN in a gap."""
        return self.overview.of(0, values)


def join_loggers(tables: Sequence[FileTable]) -> tuple[LoggerLog, ...]:
    """The loggers behind the files, sorted by name of their first file. Cost grows with the files, and with the square of those alone
    that were logged at one time under the same labels."""
    groups: dict[tuple, list[_Group]] = {}
    for table in sorted(tables, key=lambda t: (int(t.time_ns[0]), t.name)):
        alike = groups.setdefault(tuple((c.label, c.unit) for c in table.columns), [])
        home = next((g for g in alike if g.takes(table)), None)
        if home is None:
            alike.append(home := _Group())
        home.add(table)
    every = (group.tables for alike in groups.values() for group in alike)
    return tuple(sorted((_joined(tables) for tables in every), key=lambda log: log.name))


class _Group:
    """The files of one logger so far, in the order of their first reading."""

    def __init__(self) -> None:
        self.tables: list[FileTable] = []
        self.running: list[FileTable] = []  # whose last reading may come after the next file's first
        self.serials: set[str] = set()

    def takes(self, table: FileTable) -> bool:
        if table.logger and self.serials - {table.logger}:
            return False
        start = int(table.time_ns[0])
        self.running = [t for t in self.running if int(t.time_ns[-1]) >= start]
        return all(same_readings(table, other) for other in self.running)

    def add(self, table: FileTable) -> None:
        self.tables.append(table)
        self.running.append(table)
        self.serials |= {table.logger} if table.logger else set()


def same_readings(a: FileTable, b: FileTable) -> bool:
    """Whether two files of one time, with the same labels, hold the same readings."""
    common, in_a, in_b = np.intersect1d(a.time_ns, b.time_ns, assume_unique=True, return_indices=True)
    if not len(common):
        return bool(a.logger) and a.logger == b.logger
    same = np.ones(len(common), bool)
    for one, other in zip(a.columns, b.columns, strict=True):
        x, y = one.values[in_a], other.values[in_b]
        same &= (x == y) | (np.isnan(x) & np.isnan(y))
    return bool(same.mean() >= SAME_SHARE)


def _joined(group: list[FileTable]) -> LoggerLog:
    group = sorted(group, key=lambda t: t.name)
    first = group[0]
    names = tuple(t.name for t in group)
    if len(group) == 1:
        return LoggerLog(
            name=first.name,
            files=names,
            time_ns=first.time_ns,
            columns=first.columns,
            sources=(first.source,),
            doubts=first.doubts,
            same_clock=first.same_clock,
        )
    every = np.concatenate([t.time_ns for t in group])
    time_ns, rows = np.unique(every, return_index=True)
    repeats = len(every) - len(time_ns)
    sources = [t.source for t in group]
    if repeats:
        note = Text(
            key="logs.note.exported_twice",
            english="{count} readings stand in more than one file of this logger; they were counted once",
            values={"count": repeats},
        )
        sources[-1] = replace(sources[-1], notes=(*sources[-1].notes, note))
    columns = tuple(_joined_column([t.columns[i] for t in group], rows) for i in range(len(first.columns)))
    return LoggerLog(
        name=" + ".join(names),
        files=names,
        time_ns=time_ns,
        columns=columns,
        sources=tuple(sources),
        doubts=tuple(d for t in group for d in t.doubts),
        same_clock=first.same_clock,
    )


def _joined_column(parts: list[LoggedColumn], rows: np.ndarray) -> LoggedColumn:
    words: dict[str, int] = {}
    for part in parts:
        for word, count in part.error_words.items():
            words[word] = words.get(word, 0) + count
    error = None
    if any(p.error is not None for p in parts):
        error = np.concatenate(
            [np.zeros(len(p.values), bool) if p.error is None else p.error for p in parts]
        )[rows]
    values = np.concatenate([p.values for p in parts])[rows]
    return replace(parts[0], values=values, error=error, error_words=words)
