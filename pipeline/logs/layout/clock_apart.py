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
from pipeline.logs.vocabulary.units import unit_of_word

_HALF = re.compile(r"[ap]\.? ?m\.?", re.IGNORECASE)
_DAY_LINE = re.compile(
    r"\W*(?:(?:date|day|datum|tag|fecha|d[ií]a|data|jour|dzień)\b\W*)?(\w.*?\d)\W*", re.IGNORECASE
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
    """The log with a date in each row where rows hold times of day, and a line without a delimiter the date of those below it; as it came
    where such a line stands over the labels alone."""
    if any(bool(shape.date) for row in dialect.sample[:3] for c in row if c and (shape := kind_of(c).shape)):
        return content, dialect
    if not all(_is_time(row[0]) for row in dialect.sample):
        return content, dialect
    mark, text = dialect.delimiter, content.text[:]
    alone = re.compile(rb"^[^\n%s]{6,60}$" % re.escape(mark.encode()), re.MULTILINE)
    misread = bool(dialect.header) and _date_of(
        "".join(dialect.header[-1])
    )  # it stands between labels and rows
    if not misread and not any(
        _date_of(m[0].decode("utf-8", "replace")) for m in alone.finditer(text, dialect.data_at)
    ):
        return content, dialect
    day, head, rows = "", [], []
    for line in text.decode("utf-8", "replace").splitlines():
        cells = split_row(line, mark)
        if found := _date_of(line.strip(mark + " ")):
            day = found
        elif len(cells) == dialect.fields and _is_time(cells[0]):
            rows.append(f"{day}{mark}{line}")
        elif not rows:
            head.append(line)
    if not rows or rows[0].startswith(mark):  # rows stand above the first date
        return content, dialect
    labels = [n for n, line in enumerate(head) if len(split_row(line, mark)) == dialect.fields][-2:]
    if labels and not any(map(unit_of_word, filter(None, split_row(head[labels[-1]], mark)))):
        labels = labels[-1:]  # no row of units under the labels
    for n in labels:
        head[n] = f"{'Date' if n == labels[0] else ''}{mark}{head[n]}"
    text = "\n".join((*head, *rows, "")).encode()
    return replace(content, text=text), sniff(text, content.name, quotes=content.quotes)


def _date_of(line: str) -> str:
    match = _DAY_LINE.fullmatch(line.strip()) if len(line) < 60 else None
    shape = shape_of(match[1]) if match else None
    return match[1] if shape is not None and shape.date and shape.hour is None else ""


def _hour(cell: str) -> int | None:
    shape = kind_of(cell).shape if cell else None
    return None if shape is None or shape.hour is None else int(cell.encode()[slice(*shape.hour)])


def _is_time(cell: str) -> bool:
    shape = kind_of(cell).shape if cell else None
    return shape is not None and not shape.date and shape.hour is not None
