"""A date in a line of its own over the rows of its day, AM and PM in a column of their own: put to the times that they belong to."""

from __future__ import annotations

import re
from dataclasses import replace

from pipeline.errors import LogFileError
from pipeline.logs.layout.dialect import Dialect, sniff
from pipeline.logs.layout.head_rows import split_row
from pipeline.logs.source.decode import Content
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.logs.vocabulary.stamp_patterns import shape_of

_HALF = re.compile(r"[ap]\.? ?m\.?", re.IGNORECASE)
_DAY_LINE = re.compile(
    r"\W*(?:(?:date|day|datum|tag|fecha|d[ií]a|data|jour)\b\W*)?(\d.*?\d)\W*", re.IGNORECASE
)


def one_time_a_cell(content: Content, dialect: Dialect) -> tuple[Content, Dialect]:
    """The log with each AM or PM behind the time to its left; as it came where hours go past 12. Raises LogFileError where no time
    stands there."""
    halves = [
        i
        for i in range(dialect.fields)
        if (cells := [row[i] for row in dialect.sample if row[i]]) and all(map(_HALF.fullmatch, cells))
    ]
    if not halves or any((hour := _hour(c)) is not None and hour > 12 for row in dialect.sample for c in row):
        return content, dialect
    i = halves[0]
    if i == 0 or any(_hour(row[i - 1]) is None for row in dialect.sample if row[i]):
        raise LogFileError(
            "a column says AM or PM, and no time of day stands to its left",
            file=content.name,
            line=dialect.first_line,
            remedy="export the log with times of 24 hours, or with AM and PM behind each time",
        )
    mark = re.escape(dialect.delimiter.encode())
    half = rb'(\d)("?) *' + mark + rb' *("?)([AaPp]\.? ?[Mm]\.?)(?=["\r\n ]|' + mark + rb"|$)"
    text = re.sub(half, rb"\1 \4\2" + dialect.delimiter.encode() + rb"\3\4", content.text[:])
    return replace(content, text=text), sniff(text, content.name, quotes=content.quotes)


def dated_rows(content: Content, dialect: Dialect) -> tuple[Content, Dialect]:
    """The log with a date in each row where rows hold times of day and a line without a delimiter the date of those below it."""
    if any(bool(shape.date) for row in dialect.sample[:3] for c in row if c and (shape := kind_of(c).shape)):
        return content, dialect
    if not all(_is_time(row[0]) for row in dialect.sample):
        return content, dialect
    day, dated, rows = "", [], 0
    for line in content.text[:].decode("utf-8", "replace").splitlines():
        cells = split_row(line, dialect.delimiter)
        if len(cells) == dialect.fields and not _is_time(cells[0]) and not rows:  # the labels
            dated = [f"Date{dialect.delimiter}{line}"]
        elif len(cells) == dialect.fields and day:
            rows += 1
            dated.append(f"{day}{dialect.delimiter}{line}")
        elif found := _date_of(line.strip(dialect.delimiter + " ")):
            day = found if dated else ""
        elif len(cells) == dialect.fields:
            break  # a row above the first date
    if not rows:
        return content, dialect
    text = "\n".join((*dialect.preamble, *dated, "")).encode()
    return replace(content, text=text), sniff(text, content.name, quotes=content.quotes)


def _date_of(line: str) -> str:
    match = _DAY_LINE.fullmatch(line) if len(line) < 60 else None
    shape = shape_of(match[1]) if match else None
    return match[1] if shape is not None and shape.date and shape.hour is None else ""


def _hour(cell: str) -> int | None:
    shape = kind_of(cell).shape if cell else None
    return None if shape is None or shape.hour is None else int(cell.encode()[slice(*shape.hour)])


def _is_time(cell: str) -> bool:
    shape = kind_of(cell).shape if cell else None
    return shape is not None and not shape.date and shape.hour is not None
