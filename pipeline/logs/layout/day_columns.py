"""A column a day under one column of times of day: turned into a row a reading before anything else looks at it."""

from __future__ import annotations

import re
from dataclasses import replace

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.layout.dialect import Dialect, sniff
from pipeline.logs.layout.head_rows import split_row
from pipeline.logs.source.decode import Content
from pipeline.logs.vocabulary.calendar_words import WEEKDAYS
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.logs.vocabulary.stamp_patterns import shape_of

_DAY = re.compile(r"(day|tag|d[ií]a|jour)\W*\d+|\d{1,2}[. ]{1,2}[^\W\d]{3,9}\.?", re.IGNORECASE)

_MOMENT = re.compile(
    r"\+ ?\d+([.,]\d+)? ?(m?s|secs?|min|h)?|\d+([.,]\d+)? ?(m?s|secs?|min)|\d{1,2}:\d\d(:\d\d)?"
)


def one_row_a_reading(content: Content, dialect: Dialect) -> tuple[Content, Dialect]:
    """The log with its days one after the other; as it came where its columns are no days.

    Raises LogFileError where the days over the columns have no date, or stand beside the names of channels.
    """
    labels = _labels(dialect)
    days = [i for i, label in enumerate(labels) if _is_date(label)]
    if len(labels) > 3 and all(_MOMENT.fullmatch(label) for label in labels[1:]):
        raise LogFileError(
            f'the columns are moments ("{labels[1]}", "{labels[2]}"), not channels',
            file=content.name,
            line=max(1, dialect.first_line - 1),
            remedy="export the log with one reading of each channel a row, and the time of each",
        )
    named = [i for i, label in enumerate(labels) if _names_a_day(label)]
    if not (days or len(named) > 1) or not _times_of_day(dialect):
        return content, dialect
    if len(days) != len(labels) - 1 or 0 in days:
        raise LogFileError(
            f'the columns are days ("{labels[(days or named)[0]]}"), not channels',
            file=content.name,
            line=max(1, dialect.first_line - 1),
            remedy="export the log with a date and time in every row and a column for each channel",
        )
    rows = [
        split_row(line, dialect.delimiter)
        for line in content.text[dialect.data_at : dialect.data_end].decode("utf-8", "replace").splitlines()
    ]
    readings = [
        f"{labels[i]}\t{row[0]}\t{row[i]}"
        for i in days
        for row in rows
        if i < len(row) and row[i] != labels[i]
    ]
    over = dialect.header or [split_row(line, dialect.delimiter) for line in dialect.preamble[-2:-1]]
    above = [cell for row in over for cell in row if cell]
    label = above[0] if len(above) == 1 else "Reading"
    text = "\n".join((*dialect.preamble, f"Date\tTime\t{label}", *readings, "")).encode()
    note = Text(
        key="logs.note.day_columns",
        english="each column holds one day; the {count} days were put one after the other",
        values={"count": len(days)},
    )
    content = replace(content, text=text, notes=(*content.notes, note))
    return content, sniff(text, content.name, quotes=content.quotes)


def _labels(dialect: Dialect) -> tuple[str, ...]:
    """What stands over the columns; dates over them look like a row of readings, or like a line of the preamble."""
    above = split_row(dialect.preamble[-1], dialect.delimiter) if dialect.preamble else ()
    for row in (dialect.first_row, *dialect.header[-1:], above):
        if len(row) == dialect.fields and row[0] and not kind_of(row[0]).reads:
            return tuple(row)
    return ()


def _names_a_day(label: str) -> bool:
    return (
        label.lower().rstrip(".") in WEEKDAYS
        or _DAY.fullmatch(label) is not None
        or any(map(_is_date, label.split()))
    )


def _is_date(text: str) -> bool:
    shape = shape_of(text)
    return shape is not None and bool(shape.date) and shape.hour is None


def _is_time(cell: str) -> bool:
    shape = kind_of(cell).shape if cell else None
    return shape is not None and not shape.date and shape.hour is not None


def _times_of_day(dialect: Dialect) -> bool:
    """Whether the first column holds times of day, and no other holds any date or time."""
    return all(
        _is_time(cell) if i == 0 else not (cell and kind_of(cell).shape)
        for row in dialect.sample[1:]
        for i, cell in enumerate(row)
    )
