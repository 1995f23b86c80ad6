"""Rows that grow a cell in mid-file: brought back to the width of the first ones, or refused, never dropped in silence."""

from __future__ import annotations

from dataclasses import replace

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.layout.dialect import Dialect, sniff
from pipeline.logs.layout.head_rows import Layout, is_row, split_row
from pipeline.logs.source.decode import Content
from pipeline.logs.vocabulary.cell_kinds import is_number

_MOST_MORE = 3


def of_one_width(content: Content, dialect: Dialect) -> tuple[Content, Dialect]:
    """(content, dialect) with all rows as wide as the narrowest. Raises LogFileError where the cells more may be halves of numbers."""
    width = _narrowest(dialect)
    if width == dialect.fields and not (dialect.widths & set(range(width + 1, width + 1 + _MOST_MORE))):
        return content, dialect
    delimiter = dialect.delimiter.encode()
    lines = content.text[:].split(b"\n")
    first, filled = 0, 0
    for number, line in enumerate(lines):
        if not width <= line.count(delimiter) < width + _MOST_MORE:
            continue
        cells = split_row(line.decode("utf-8", "replace").rstrip("\r"), dialect.delimiter)
        if not width < len(cells) <= width + _MOST_MORE or not is_row(cells, _layout(dialect, len(cells))):
            continue
        more = [c for c in cells[width:] if c]
        if any(is_number(c, dialect.decimal) for c in more):
            raise LogFileError(
                f"from here on the rows have {len(cells)} cells, and {width} before",
                file=content.name,
                line=number + 1,
                remedy="split the file there, or export the log again with the same columns all along",
            )
        first = first or number + 1
        filled += bool(more)
        end = b"\r" if line.endswith(b"\r") else b""
        lines[number] = _first_cells(line.removesuffix(b"\r"), delimiter, width) + end
    if not first:
        return content, dialect
    note = Text(
        key="logs.note.more_cells",
        english="from line {line} on rows have more cells than before; {count} of these held a word and were left out",
        values={"line": first, "count": filled},
    )
    text = b"\n".join(lines)
    return replace(content, text=text, notes=(*content.notes, note)), sniff(
        text, content.name, quotes=content.quotes
    )


def _narrowest(dialect: Dialect) -> int:
    """The width of the first rows, where they lie in what was taken for the head; else that of the rows."""
    width = dialect.fields
    if dialect.preamble and not dialect.header:
        cells = split_row(dialect.preamble[-1], dialect.delimiter)
        if width - _MOST_MORE <= len(cells) < width and is_row(cells, _layout(dialect, len(cells))):
            return len(cells)
    fewer = [w for w in dialect.widths if width - _MOST_MORE <= w < width]
    labels = len([c for c in dialect.header[-1] if c]) if dialect.header else 0
    return labels if labels in fewer else width


def _layout(dialect: Dialect, fields: int) -> Layout:
    return Layout(
        delimiter=dialect.delimiter,
        fields=fields,
        decimal=dialect.decimal,
        clocks=frozenset(),
        words=frozenset(),
    )


def _first_cells(line: bytes, delimiter: bytes, width: int) -> bytes:
    """The first `width` cells as they stand; a delimiter in quotes is none."""
    cells, inside, at = 0, False, 0
    while at < len(line):
        byte = line[at : at + 1]
        if byte == b'"':
            inside = not inside
        elif byte == delimiter and not inside:
            cells += 1
            if cells == width:
                return line[:at]
        at += 1
    return line
