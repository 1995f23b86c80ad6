"""The layout of a log, in one step: delimited or set apart by blanks, of one width, with a label over each column."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import replace
from functools import reduce
from operator import xor

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.layout.clock_apart import dated_rows, one_time_a_cell
from pipeline.logs.layout.day_columns import one_row_a_reading
from pipeline.logs.layout.dialect import Dialect, sniff
from pipeline.logs.layout.fixed_width import sniff_spaced
from pipeline.logs.layout.head_rows import split_row
from pipeline.logs.layout.named_rows import json_as_table, named_as_table
from pipeline.logs.layout.width import of_one_width
from pipeline.logs.source.decode import Content
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.logs.vocabulary.stamp_patterns import TIME_WORDS


def layout_of(content: Content) -> tuple[Content, Dialect]:
    """(the text, its layout); the text is changed where blanks stood between its columns, rows grew a cell, or columns are days. Raises
    LogFileError."""
    content = _without_check_sums(json_as_table(content) or content)
    try:
        dialect = sniff(content.text, content.name, quotes=content.quotes)
    except LogFileError:
        found = sniff_spaced(content)
        if found is None and (plainer := _in_plain_signs(content)) is not None:
            return layout_of(plainer)
        if found is None or not found[1].header:
            found = _named(content) or found
        if found is None:
            raise
        content, dialect = found
    if _without_bare_numbers(dialect):
        content, dialect = _named(content) or (content, dialect)
    if _in_other_digits(dialect) and (plainer := _in_plain_signs(content)) is not None:
        return layout_of(plainer)
    content, dialect = one_row_a_reading(*of_one_width(*one_time_a_cell(*dated_rows(content, dialect))))
    _refuse_wrong_width(dialect, content.name)
    return content, dialect


def _named(content: Content) -> tuple[Content, Dialect] | None:
    """The table of rows that name each reading, and its layout: the labels are no line of the file."""
    if (table := named_as_table(content)) is None:
        return None
    try:
        return table, replace(sniff(table.text, table.name, quotes=table.quotes), first_line=1)
    except LogFileError:
        return None


def _without_bare_numbers(dialect: Dialect) -> bool:
    """Whether no cell of the sample is a number: each reading may carry its name."""
    return not any(kind_of(c).reads and not kind_of(c).shape for row in dialect.sample for c in row if c)


def _in_other_digits(dialect: Dialect) -> bool:
    """Whether most rows hold digits of another script beside times in our own."""
    other = sum(any(c.isdecimal() and not c.isascii() for c in "".join(row)) for row in dialect.sample)
    return other > 0.5 * len(dialect.sample)


def _in_plain_signs(content: Content) -> Content | None:
    """The text with digits of other scripts and marks of full width as those of ASCII, cells in single quotes in double ones, rows that are one
    quoted cell each as rows; None where it holds no such thing."""
    text = content.text[:].decode("utf-8", "replace")
    if 2 * len(_ONE_CELL.findall(text)) > text.count("\n"):
        plain = _ONE_CELL.sub(lambda row: row[1].replace('""', '"'), text)
        return replace(content, text=plain.encode(), quotes='"' in plain)
    signs = {ord(c): str(unicodedata.decimal(c)) for c in set(text) if c.isdecimal() and not c.isascii()}
    signs |= {code: chr(code - 0xFEE0) for code in range(0xFF01, 0xFF5F) if chr(code) in text}
    signs |= {0x66B: "."} if signs else {}
    if '"' not in text and _SINGLE_QUOTED.match(text):
        signs[ord("'")] = '"'
    if not signs:
        return None
    plain = text.translate(signs)
    return replace(content, text=plain.encode(), quotes=content.quotes or '"' in plain)


_ONE_CELL = re.compile(r'^"((?:[^"\n]|"")*[,;\t|](?:[^"\n]|"")*)"[,;\t ]*\r?$', re.MULTILINE)
_SINGLE_QUOTED = re.compile(r"\s*'[^'\n]*'[,;\t|]")
_SENTENCE = re.compile(rb"\$([^$*\r\n]*)\*([0-9A-Fa-f]{2})\r?")


def _without_check_sums(content: Content) -> Content:
    """Rows such as "$…*5A" without what frames them: the two digits are the exclusive or of all bytes between the signs (common practice, no
    source). Those that do not add up are left out, and that is said."""
    if not (content.text[:1] == b"$" and _SENTENCE.fullmatch(content.text[:4096].split(b"\n")[0])):
        return content
    found = [_SENTENCE.fullmatch(line) for line in content.text[:].split(b"\n")]
    good = [m[1] for m in found if m and reduce(xor, m[1], 0) == int(m[2], 16)]
    note = Text(
        key="logs.note.check_sums",
        english="each row ends in a check sum; {count} rows that do not agree with theirs were left out",
        values={"count": len(found) - len(good) - (found[-1] is None)},
    )
    return replace(content, text=b"\n".join((*good, b"")), notes=(*content.notes, note))


def _refuse_wrong_width(dialect: Dialect, name: str) -> None:
    """A comma that is both the decimal mark and the delimiter makes more cells than the header has labels."""
    if dialect.header:
        labels = len(dialect.header[-1])
        while labels and not dialect.header[-1][labels - 1]:
            labels -= 1
        if not any(any(c for c in row[labels:]) for row in dialect.sample):
            return
    else:
        cells = split_row(dialect.preamble[-1], dialect.delimiter) if dialect.preamble else []
        labels = len(cells)
        if not 2 <= labels < dialect.fields or not any(TIME_WORDS.search(c) for c in cells[:2]):
            return
    why = f"the rows have {dialect.fields} cells under {labels} labels"
    if dialect.delimiter == "," and dialect.fields > labels:
        why += ": the comma seems to be both decimal mark and delimiter"
    raise LogFileError(
        why,
        file=name,
        line=dialect.first_line,
        remedy="export the log with semicolons or tabs between the columns, and a label over each",
    )
