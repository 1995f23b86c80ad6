"""The rows of one log, as parsed, in order of time: what was left out is said, what was not understood refused."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.clock.clock_columns import ClockPlan
from pipeline.logs.clock.date_order import Surroundings
from pipeline.logs.clock.stamp_parser import SECOND_NS
from pipeline.logs.clock.time_order import Sequence, in_sequence
from pipeline.logs.clock.to_utc import Moments, read_moments
from pipeline.logs.layout.dialect import DELIMITERS, Dialect
from pipeline.logs.layout.head_rows import Layout, is_header, split_row
from pipeline.logs.layout.preamble import Head
from pipeline.logs.rows.columns import MOST_BAD_SHARE, Grid, is_repeat, line_of
from pipeline.logs.rows.numbers import NumberColumn
from pipeline.logs.source.decode import Content
from pipeline.logs.source.large_text import LargeText
from pipeline.logs.table import FileTable, LoggedColumn
from pipeline.logs.timeline import SourceFile
from pipeline.logs.vocabulary.cell_kinds import is_number, kind_of
from pipeline.logs.vocabulary.quantities import quantity_of_header
from pipeline.unit import Unit


@dataclass(frozen=True, kw_only=True)
class LogLayout:
    """What is known of a log once its layout is."""

    content: Content
    dialect: Dialect
    head: Head
    plan: ClockPlan
    readings: tuple[int, ...]
    unit: Unit


def table_of(log: LogLayout, grid: Grid) -> FileTable:
    """The rows of `grid` in the order of time."""
    content, dialect, head, plan = log.content, log.dialect, log.head, log.plan
    around = Surroundings(
        text=content.text,
        data_at=dialect.data_at,
        name=content.name,
        head=head,
        unit=log.unit,
        labels=" ".join(head.labels[i] for i in plan.columns)
        + " "
        + " ".join(dialect.units_row[i] for i in plan.columns if i < len(dialect.units_row)),
        local_signs=_local_signs(dialect, head),
    )
    moments = read_moments(grid, plan, around)
    notes = [
        *content.notes,
        *_notes_on_rows(content, dialect, grid, moments),
        *_notes_on_columns(log),
        *moments.notes,
    ]
    moments, event_notes = _without_events(moments, grid, log.readings)
    notes += event_notes
    sequence = in_sequence(moments.utc_ns, resolution_ns=moments.resolution_ns)
    rows = _composed(moments.rows, sequence.rows)
    columns = tuple(_column(i, grid.numbers[i], head, rows) for i in log.readings)
    columns = tuple(c for c in columns if not _holds_remarks(c)) or columns
    _refuse_lost_rows(moments, sequence, grid, log)
    _refuse_rows_of_many_moments(columns, log)
    source = SourceFile(
        name=content.name,
        rows=len(sequence.time_ns),
        start_ns=int(sequence.time_ns[0]),
        end_ns=int(sequence.time_ns[-1]),
        interval_s=sequence.interval_s,
        dialect=_described(content, dialect, head, moments),
        notes=(*notes, *sequence.notes),
    )
    return FileTable(
        name=content.name,
        logger=head.facts.get("serial", ""),
        time_ns=sequence.time_ns,
        columns=columns,
        source=source,
        doubts=tuple(replace(d, file=content.name) for d in sequence.doubts),
        other_order=moments.other_order,
    )


_LEAST_IN_A_ROW = 4
_RUNS_ON, _GOES_ON = 1.5, 3.0


def _refuse_rows_of_many_moments(columns: tuple[LoggedColumn, ...], log: LogLayout) -> None:
    """Readings without labels of which each row's last is next to the following row's first, and each nearer to its neighbour in the row than to
    the one below it: one channel, several moments a row, of which the file gives the first alone."""
    if log.head.named or len(columns) < _LEAST_IN_A_ROW or len(columns[0].values) < 3:
        return
    values = np.column_stack([c.values[:2000] for c in columns])
    with np.errstate(invalid="ignore"):
        within = float(np.nanmean(np.abs(np.diff(values, axis=1)))) if np.isfinite(values).all() else 0.0
        seam = float(np.mean(np.abs(values[1:, 0] - values[:-1, -1])))
        below = float(np.mean(np.abs(np.diff(values, axis=0))))
    if within > 0 and seam <= _RUNS_ON * within and below >= _GOES_ON * within:
        raise LogFileError(
            f"each row seems to hold {len(columns)} readings of one channel, one after the other, and the time of the first alone",
            file=log.content.name,
            line=log.dialect.first_line,
            remedy="export the log with one row for each moment; where the columns are channels, put a line with their names above them",
        )


def _without_events(moments: Moments, grid: Grid, readings: tuple[int, ...]) -> tuple[Moments, list[Text]]:
    """Rows left out that hold a remark where one channel's reading would stand and nothing under the others ("door opened"): what happened
    beside the log is no reading, and no fault of a probe."""
    words = [(word, where) for i in readings for word, where in grid.numbers[i].words.items()]
    remarks = [at for word, at in words if not kind_of(word).word and any(map(str.isalpha, word))]
    if len(readings) < 2 or not remarks:
        return moments, []
    events = np.unique(np.concatenate(remarks))
    events = events[np.all([np.isnan(grid.numbers[i].values[events]) for i in readings], axis=0)]
    held, times = np.unique(np.concatenate([at for _word, at in words]), return_counts=True)
    again = np.flatnonzero(np.diff(moments.utc_ns) == 0)  # beside a row of readings at the same moment
    beside = (
        np.union1d(again, again + 1) if moments.rows is None else moments.rows[np.union1d(again, again + 1)]
    )
    events = np.setdiff1d(
        events, np.setdiff1d(held[times > 1], beside)
    )  # words under two channels: both are off
    if not 0 < len(events) <= MOST_BAD_SHARE * grid.rows:
        return moments, []
    rows = np.arange(grid.rows) if moments.rows is None else moments.rows
    kept = ~np.isin(rows, events)
    if kept.all() or not kept.any():
        return moments, []
    note = Text(
        key="logs.note.events",
        english="{count} rows hold a remark in place of readings; they were left out",
        values={"count": int(np.count_nonzero(~kept))},
    )
    return replace(moments, utc_ns=moments.utc_ns[kept], rows=rows[kept]), [note]


def _refuse_lost_rows(moments: Moments, sequence: Sequence, grid: Grid, log: LogLayout) -> None:
    """Rows that share a time but not their readings are not one reading twice: a layout that was not understood."""
    n, kept = len(moments.utc_ns), len(sequence.time_ns)
    if n - kept <= max(5, 0.25 * n) or sequence.rows is None:
        return
    if moments.resolution_ns >= 60 * SECOND_NS and np.diff(moments.utc_ns).min() >= 0:
        return  # seconds that were not written, now more and now fewer rows a minute: one of each minute is kept
    some = np.arange(0, n, max(1, n // 1_000_000))  # of a long log enough to tell
    in_order = np.sort(sequence.rows)
    lost = some[in_order[np.searchsorted(in_order, some).clip(max=kept - 1)] != some]
    place = np.searchsorted(sequence.time_ns, moments.utc_ns[lost])
    home = sequence.rows[np.minimum(place, kept - 1)]
    differ = np.zeros(len(lost), bool)
    for i in log.readings:
        values = grid.numbers[i].values if moments.rows is None else grid.numbers[i].values[moments.rows]
        differ |= (values[lost] != values[home]) & ~np.isnan(values[lost])
    if len(lost) and differ.mean() > 0.5:
        raise LogFileError(
            f"{n - kept} of {n} rows repeat a time that another row has, with other readings",
            file=log.content.name,
            line=log.dialect.first_line,
            remedy="export the log with a column for each channel, or with seconds in its times",
        )


def _refuse_other_columns(content: Content, dialect: Dialect) -> None:
    """A header in mid-file that is not the first one again: from there on the columns mean something else."""
    if isinstance(content.text, LargeText):
        return  # the lines that are no rows are told anyway
    body = content.text[dialect.data_at : dialect.data_end]
    head = {tuple(r) for r in dialect.header} | {tuple(dialect.units_row)}
    for at in _lines_of_words(body).tolist():
        end = body.find(b"\n", at)
        line = body[at : end if end >= 0 else len(body)].decode("utf-8", "replace").rstrip("\r")
        cells = split_row(line, dialect.delimiter)
        layout = Layout(
            delimiter=dialect.delimiter,
            fields=len(cells),
            decimal=dialect.decimal,
            clocks=frozenset(),
            words=frozenset(),
        )
        if len(cells) < 2 or tuple(cells) in head or not (dialect.header and is_header(cells, layout)):
            continue
        filled = [c for c in cells if c]
        if len(filled) < max(2, sum(bool(c) for c in dialect.header[-1])) or any(
            is_number(c, dialect.decimal) for c in filled
        ):
            continue
        raise LogFileError(
            "the columns change here: a second log begins",
            file=content.name,
            line=content.text.count(b"\n", 0, dialect.data_at + at) + 1,
            remedy="split the file there and put both parts into the unit's folder",
        )


def _lines_of_words(body: bytes) -> np.ndarray:
    """Bytes at which a line begins with a letter (behind a quote or not)."""
    codes = np.frombuffer(body, np.uint8)
    starts = np.append(0, np.flatnonzero(codes[:-1] == 10) + 1)
    first = codes[starts]
    if codes[0] == 34 or (first == 34).any():
        first = np.where(first == 34, codes[np.minimum(starts + 1, len(codes) - 1)], first)
    letter = ((first | 32) >= 97) & ((first | 32) <= 122) | (first >= 128)
    return starts[letter][:10_000]


def _composed(first: np.ndarray | None, second: np.ndarray | None) -> np.ndarray | None:
    if first is None or second is None:
        return second if first is None else first
    return first[second]


def _column(i: int, numbers: NumberColumn, head: Head, rows: np.ndarray | None) -> LoggedColumn:
    unit, by = head.units[i], head.units_by[i]
    if unit is None and numbers.unit:
        unit, by = numbers.unit, "cells"
    values = numbers.values if rows is None else numbers.values[rows]
    if (scale := head.scales[i]) != 1.0 and not (values % 1 > 0).any():
        values = values * scale
    error: np.ndarray | None = None
    words: dict[str, int] = {}
    for word, where in numbers.words.items():
        here = np.zeros(len(numbers.values), bool)
        here[where] = True
        here = here if rows is None else here[rows]
        if here.any():
            words[word] = int(np.count_nonzero(here))
            error = here if error is None else error | here
    return LoggedColumn(
        label=head.labels[i], unit=unit, unit_by=by, values=values, error=error, error_words=words
    )


def _holds_remarks(column: LoggedColumn) -> bool:
    """Blank but for words that no logger writes where it has no reading."""
    return (
        column.unit is None
        and bool(column.error_words)
        and bool(np.isnan(column.values).all())
        and not any(kind_of(word).word for word in column.error_words)
    )


def _notes_on_rows(content: Content, dialect: Dialect, grid: Grid, moments: Moments) -> list[Text]:
    """What was left out, and refusal where that is too much."""
    untimed = grid.rows - len(moments.utc_ns)
    if untimed or grid.left_out:
        _refuse_other_columns(content, dialect)
    strange = [line for line in grid.left_out if not is_repeat(line, dialect)]
    above = [split_row(r, dialect.delimiter) for r in dialect.preamble]
    cut = [r for r in above[-1:] if not dialect.header and len(r) == dialect.fields]
    cut += [r for r in above if r not in cut and _reads_as_a_row(r, dialect.decimal)]
    bad = untimed + len(strange) + len(cut)
    if len(cut) > max(5, MOST_BAD_SHARE * (grid.rows + len(cut))):
        raise LogFileError(
            f"{len(cut)} lines above this one are rows of another table",
            file=content.name,
            line=dialect.first_line,
            remedy="split the file above this table's labels and put both parts into the unit's folder",
        )
    if bad > max(5, MOST_BAD_SHARE * (grid.rows + len(strange))):
        raise LogFileError(
            f"{bad} of {grid.rows + len(strange)} rows can't be read as times and readings",
            file=content.name,
            line=line_of(content.text, strange[0].encode(), dialect.data_at) if strange else None,
            remedy="export the log again; where this is two logs in one file, split it",
        )
    notes = []
    if bad:
        notes.append(
            Text(
                key="logs.note.rows_left_out",
                english="{count} lines between the rows were left out (headers repeated, or lines that are no reading)",
                values={"count": bad},
            )
        )
    if dialect.tail:
        notes.append(
            Text(
                key="logs.note.tail",
                english="{count} lines after the last row were left out",
                values={"count": len(dialect.tail)},
            )
        )
    return notes


def _reads_as_a_row(cells: list[str], decimal: str) -> bool:
    """Whether a line of the head holds a moment and nothing else but numbers: a row of a table of another width."""
    kinds = [kind_of(c) for c in cells if c]
    moments = [k.shape for k in kinds if k.shape is not None and not k.number(decimal)]
    numbers = sum(k.number(decimal) or k.word for k in kinds)
    dated = any(m.date for m in moments) and any(m.hour for m in moments)
    return dated and numbers >= 1 and len(moments) + numbers == len(kinds)


def _notes_on_columns(log: LogLayout) -> list[Text]:
    """Columns that by their header hold readings, and by their cells text."""
    notes = []
    for i, label in enumerate(log.head.labels):
        measures = log.head.units[i] or quantity_of_header(label) not in (None, "other")
        if not (log.head.named and measures) or i in log.readings or i in log.plan.columns:
            continue
        cells = (row[i] for row in log.dialect.sample if any(map(str.isdigit, row[i])))
        odd = next((c for c in cells if not kind_of(c).reads), None)
        if odd is not None:
            notes.append(
                Text(
                    key="logs.note.column_unread",
                    english='"{label}" holds text such as "{cell}" in place of numbers: it was left out',
                    values={"label": label, "cell": odd[:40]},
                )
            )
    return notes


def _local_signs(dialect: Dialect, head: Head) -> str:
    """Signs of the place in the rest of the file, for a date that can be read both ways."""
    if dialect.decimal == ",":
        return "day-first"
    if any(u == "°F" for u in head.units) or any(c[-2:].upper() in ("AM", "PM") for c in dialect.sample[0]):
        return "month-first"
    return ""


def _described(content: Content, dialect: Dialect, head: Head, moments: Moments) -> dict[str, object]:
    return {
        "encoding": content.encoding,
        **({"packed": content.packed} if content.packed else {}),
        "delimiter": "blanks" if dialect.spaced else DELIMITERS[dialect.delimiter],
        "decimal": "comma" if dialect.decimal == "," else "point",
        "preamble_lines": len(dialect.preamble),
        "header_rows": len(dialect.header),
        "units_row": bool(dialect.units_row),
        "first_row_on_line": dialect.first_line,
        **moments.about,
        **({"about": dict(list(head.facts.items())[:30])} if head.facts else {}),
    }
