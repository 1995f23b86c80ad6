"""Columns set apart by blanks, as in a printed table: turned into tabs, line by line, before anything else looks at them."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

from pipeline.errors import LogFileError
from pipeline.logs.layout.dialect import Dialect, sniff
from pipeline.logs.source.decode import Content
from pipeline.logs.vocabulary.units import unit_of_word

_HEAD = 65536


def sniff_spaced(content: Content) -> tuple[Content, Dialect] | None:
    """(the text with tabs, its layout), or None where blanks make no columns either.

    Single blanks are tried first, with a date and its time apart and as one, then runs of two and more: the labels decide, as
    "Evap temp" may be one of them.
    """
    found = []
    head = content.text[:_HEAD].rpartition(b"\n")[0]
    for turned in (partial(_tabs, rb" +"), _stamps_joined, _halves_joined, partial(_tabs, rb" {2,}")):
        try:
            sniff(
                turned(head), content.name, quotes=content.quotes
            )  # of a long text that is no table only the head is looked at
            text = turned(content.text[:])
            found.append((text, sniff(text, content.name, quotes=content.quotes)))
        except LogFileError:
            continue
    found.sort(key=lambda f: (not f[1].header or len(f[1].header[-1]) != f[1].fields, not _is_named(f[1])))
    if not found:
        return None
    text, dialect = found[0]
    if (
        dialect.header and len(dialect.header[-1]) > dialect.fields + 1
    ):  # labels of two words: which is which?
        lines = tuple("\t".join(row) for row in dialect.header)
        dialect = replace(dialect, header=(), header_line=b"", preamble=(*dialect.preamble, *lines))
    return replace(content, text=text), replace(dialect, spaced=True)


def _is_named(dialect: Dialect) -> bool:
    """Whether the labels are more than units."""
    return any(c and unit_of_word(c) is None for row in dialect.header for c in row)


def _stamps_joined(text: bytes) -> bytes:
    """A date and its time, a time and its AM or PM are one cell."""
    return _halves_joined(re.sub(rb"(\d)[ ]+(?=\d{1,2}:\d\d)", rb"\1T", text))


def _halves_joined(text: bytes) -> bytes:
    """A time and its AM or PM are one cell."""
    return _tabs(rb" +", re.sub(rb"(:\d\d) +(?=[AaPp]\.?[Mm]\b)", rb"\1", text))


def _tabs(blanks: bytes, text: bytes) -> bytes:
    text = _YEAR_LAST.sub(rb"\2-\1-\5T\3\4", text)
    return re.sub(blanks, b"\t", b"\n".join(line.strip(b" \t\r") for line in text.split(b"\n")))


_YEAR_LAST = re.compile(
    rb"\b[A-Z][a-z]{2} +([A-Z][a-z]{2}) +([0-9]{1,2}) +([0-9]{2}:[0-9]{2}:[0-9]{2})(?: +([A-Z]{1,4}))? +([0-9]{4})\b"
)
"""As the C library writes times: "Mon Mar  2 08:00:00 CET 2026" is one cell."""
