"""One file → its tables: unpack, sniff, parse, put on the UTC clock."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.clock.clock_columns import ClockPlan, by_clock, plan_columns
from pipeline.logs.clock.stamp_parser import StampColumn
from pipeline.logs.layout.dialect import Dialect, no_readings
from pipeline.logs.layout.layout_of import layout_of
from pipeline.logs.layout.preamble import read_head
from pipeline.logs.long_format import TallPlan, channels_of, labelled, plan_tall, side_by_side
from pipeline.logs.one_table import LogLayout, table_of
from pipeline.logs.rows.columns import Grid, Wanted, read_grid
from pipeline.logs.rows.states import state_columns, without_false
from pipeline.logs.source.decode import WORKBOOK, Content, contents_of
from pipeline.logs.table import FileTable
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.unit import Unit


def read_file(path: Path, unit: Unit) -> tuple[FileTable, ...]:
    """The logs in one file; of a workbook, of its first sheet that holds any. Raises LogFileError."""
    tables: list[FileTable] = []
    failures: list[LogFileError] = []
    more_sheets: list[str] = []
    for content in contents_of(path):
        if isinstance(content, LogFileError):
            failures.append(content)
        elif content.packed == WORKBOOK and tables:
            more_sheets.append(content.name.rpartition("/")[2])
        else:
            try:
                tables += _tables_of(content, unit)
            except LogFileError as error:
                if content.packed not in ("zip", WORKBOOK):
                    raise
                failures.append(error)
    if not tables:
        raise failures[0] if failures else _no_sheet(path)
    return (_with_parts_left_out(tables[0], failures, more_sheets), *tables[1:])


def _tables_of(content: Content, unit: Unit) -> tuple[FileTable, ...]:
    """The tables of one log: a table, or where each row holds one reading of one channel, as many as there are clocks."""
    content, dialect = layout_of(content)
    head = read_head(dialect)
    plan, readings = plan_columns(dialect, head, content.name)
    tall = plan_tall(dialect, head, plan, readings)
    readings = readings if tall is None else (tall.value,)
    if not readings:
        raise no_readings(dialect, content.name)
    parts = [(plan, readings)] if tall else by_clock(dialect, plan, readings)
    tables: list[FileTable] = []
    for clock, of_it in parts:
        states = {} if tall else state_columns(dialect, of_it)
        grid = read_grid(
            content.text, dialect, _wanted(dialect, clock, of_it, tall, tuple(states)), content.name
        )
        grid = without_false(grid, states)
        log = LogLayout(content=content, dialect=dialect, head=head, plan=clock, readings=of_it, unit=unit)
        tables += [table_of(log, grid)] if tall is None else _by_channel(log, grid, tall)
    return tuple(tables) if len(parts) == 1 else tuple(map(_named_by_first_channel, tables))


def _named_by_first_channel(table: FileTable) -> FileTable:
    """Of logs that stand side by side in one file each has a name of its own."""
    name = f"{table.name}/{table.columns[0].label}"
    doubts = tuple(replace(d, file=name) for d in table.doubts)
    return replace(table, name=name, source=replace(table.source, name=name), doubts=doubts)


def _by_channel(log: LogLayout, grid: Grid, tall: TallPlan) -> tuple[FileTable, ...]:
    """Each channel's rows as a table of their own, then side by side."""
    tables = []
    channels = channels_of(grid, tall, log.content.name)
    for name, measured_in, rows in channels:
        table = table_of(log, grid.only(rows))
        (column,) = table.columns
        column = labelled(
            column, name, measured_in, told=log.head.facts.get(name, ""), alone=len(channels) == 1
        )
        tables.append(replace(table, columns=(column,)))
    return side_by_side(tables)


def _no_sheet(path: Path) -> LogFileError:
    return LogFileError(
        "no sheet of the workbook holds anything", file=path.name, remedy="export the log as CSV"
    )


def _with_parts_left_out(table: FileTable, failures: list[LogFileError], more_sheets: list[str]) -> FileTable:
    """The table, with what is said of the archive's other members, or of the workbook's other sheets."""
    if table.source.dialect.get("packed") == WORKBOOK:
        others = sorted([*more_sheets, *(e.file.rpartition("/")[2] for e in failures)])
        note = Text(
            key="logs.note.other_sheets",
            english="of the workbook the sheet {sheet} was read, the first that holds times and readings; the others were left out: {others}",
            values={"sheet": table.name.rpartition("/")[2], "others": ", ".join(others)},
        )
        notes = [note] if others else []
    else:
        notes = [
            Text(
                key="logs.note.member",
                english="part of the archive was left out: {why}",
                values={"why": str(error)},
            )
            for error in failures
        ]
    return (
        replace(table, source=replace(table.source, notes=(*table.source.notes, *notes))) if notes else table
    )


def _wanted(
    dialect: Dialect,
    plan: ClockPlan,
    readings: tuple[int, ...],
    tall: TallPlan | None,
    states: tuple[int, ...],
) -> Wanted:
    as_text = plan.kind in ("stamp", "date+time", "date+seconds", "time-of-day")
    texts = plan.columns[:1] if plan.kind == "date+seconds" else plan.columns if as_text else ()
    numbers = tuple(sorted({*readings, *(i for i in plan.columns if i not in texts)}))
    iso = plan.columns[0] if plan.iso else None
    kinds = [kind_of(row[i]) for row in dialect.sample[:40] for i in readings if row[i]]
    grouped = "grouped_point" if dialect.decimal == "." else "grouped_comma"
    careful = any(k.unit or getattr(k, grouped) or not (k.number(dialect.decimal) or k.word) for k in kinds)
    return Wanted(
        iso=iso,
        iso_zone=plan.iso_zone,
        clock_text=texts if iso is None else (),
        numbers=numbers,
        texts=(*(tall.texts if tall else ()), *states, *([] if plan.zone is None else [plan.zone])),
        clock_sink=None if tall or plan.dotted else StampColumn,
        careful=careful,
    )
