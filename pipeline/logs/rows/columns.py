"""The rows of a file as columns of numbers, parsed by Arrow.

The quick way types every column at once. Where one cell does not fit, the rows are read again as text and sorted out
column by column: repeated headers, statistics, error words, thousands marks, units inside the cells. A row of the wrong
width is left out and counted, never padded or shifted.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from pipeline.errors import LogFileError
from pipeline.logs.layout.dialect import Dialect
from pipeline.logs.layout.head_rows import split_row
from pipeline.logs.rows.column_blocks import CellBlock, steps_between
from pipeline.logs.rows.numbers import NumberColumn, cells_of, floats, joined, numbers_of, with_words
from pipeline.logs.rows.per_column import for_each
from pipeline.logs.rows.row_spans import Body, without_repeats
from pipeline.logs.source.large_text import LargeText
from pipeline.logs.vocabulary.cell_kinds import spellings

LEAST_BLOCK, MOST_BLOCK = 1 << 20, 1 << 22
"""Bytes that a thread parses at once: larger blocks cost less a byte, smaller ones keep all threads busy (measured)."""
MOST_BAD_SHARE = 0.1
"""More rows than this that can't be read, and the file is refused. Common practice, no source."""
MOST_WAIT_S = 5.0
"""Arrow's threads let go within milliseconds."""


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Everything between `data_at` and `data_end`, by column number."""

    rows: int
    stamps_ns: (
        np.ndarray | None
    )  # int64: the first clock column where Arrow could read it; times as they stand
    text: dict[int, list[CellBlock] | TextSink]  # clock columns as text, where it couldn't
    numbers: dict[int, NumberColumn]
    left_out: tuple[str, ...]  # lines of another width, as they stand

    def only(self, rows: np.ndarray) -> Grid:
        """The same for some of the rows: `rows` (m,), ascending."""
        return Grid(
            rows=len(rows),
            stamps_ns=None if self.stamps_ns is None else self.stamps_ns[rows],
            text={i: _some_cells(blocks, rows) for i, blocks in self.text.items()},
            numbers={i: numbers.only(rows) for i, numbers in self.numbers.items()},
            left_out=(),
        )


class TextSink(Protocol):
    """What takes a column of text a block at a time, so that none of it need be kept."""

    def extend(self, blocks: list[CellBlock]) -> None:
        """Take the next rows of the column, in their order."""


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Which columns to read as what."""

    iso: int | None  # a column of plain ISO times, tried as such
    iso_zone: bool
    clock_text: tuple[int, ...]
    numbers: tuple[int, ...]
    texts: tuple[int, ...] = ()  # columns of words that are wanted as they stand
    clock_sink: Callable[[int], TextSink] | None = (
        None  # of a large file: takes a clock column of up to so many rows; None: a list does
    )
    careful: bool = False  # the sample already shows cells that the quick way refuses


def read_grid(text: bytes | LargeText, dialect: Dialect, wanted: Wanted, name: str) -> Grid:
    """All rows. Raises LogFileError."""
    whole = Body(text=text, spans=((dialect.data_at, dialect.data_end),))
    if isinstance(text, LargeText):
        return _in_pieces(without_repeats(text, dialect) or whole, dialect, wanted, name)
    plain, with_words = [""], ["", *spellings()]
    quick = not wanted.careful
    if quick and not dialect.words_seen and (grid := _try_quick(whole, dialect, wanted, plain)):
        return grid
    shorter = without_repeats(text, dialect)
    body = shorter or whole
    if quick and shorter and not dialect.words_seen and (grid := _try_quick(body, dialect, wanted, plain)):
        return grid
    if quick and (grid := _try_quick(body, dialect, wanted, with_words)):
        return grid
    return _careful(body, dialect, wanted, name)


MOST_CELLS = 200_000_000
"""Times and numbers that one file may hold: 1.6 GB. Common practice, no source; a year at 1 s with five channels."""
PIECE_BYTES = 1 << 25


def _in_pieces(body: Body, dialect: Dialect, wanted: Wanted, name: str) -> Grid:
    """A large file a piece at a time, each let go before the next: never more than its columns lies in memory. Raises LogFileError."""
    rows = body.lines()
    if (numbers := rows * (1 + len(wanted.numbers))) > MOST_CELLS:
        raise LogFileError(
            f"the log has about {rows} rows, {numbers // 10**6} million times and numbers, more than the {MOST_CELLS // 10**6} million that one file may hold",
            file=name,
            remedy="export it in parts, a month each, and put them all into the unit's folder",
        )
    stamps = np.empty(rows, np.int64) if wanted.iso is not None else None
    values = {i: np.empty(rows) for i in wanted.numbers}
    words: dict[int, dict[str, list[np.ndarray]]] = {i: {} for i in wanted.numbers}
    units: dict[int, str | None] = dict.fromkeys(wanted.numbers)
    text: dict[int, list[CellBlock] | TextSink] = {i: [] for i in (*wanted.clock_text, *wanted.texts)}
    if wanted.clock_sink is not None:
        text |= {i: wanted.clock_sink(rows) for i in wanted.clock_text}
    left_out: list[str] = []
    at = 0
    for piece in body.pieces(PIECE_BYTES):
        try:
            grid = (
                (None if wanted.careful else _try_quick(piece, dialect, wanted, [""]))
                or (None if wanted.careful else _try_quick(piece, dialect, wanted, ["", *spellings()]))
                or _careful(piece, dialect, wanted, name)
            )
        except LogFileError as error:
            if error.line is not None:
                error.line += dialect.first_line - 1 + at + len(left_out)
            raise
        end = at + grid.rows
        if stamps is not None:
            if grid.stamps_ns is None:
                stamps = values = grid = None  # let go before all is read once more
                return _times_as_text(body, dialect, wanted, name)
            stamps[at:end] = grid.stamps_ns
        for i, numbers in grid.numbers.items():
            values[i][at:end] = numbers.values
            units[i] = units[i] or numbers.unit
            for word, where in numbers.words.items():
                words[i].setdefault(word, []).append(where + at)
        for i, blocks in grid.text.items():
            text[i].extend(blocks)
        left_out += grid.left_out
        at = end
        del grid
        pa.default_memory_pool().release_unused()
    if stamps is not None and steps_between(stamps[:at])[0] <= 0:
        stamps = values = None
        return _times_as_text(body, dialect, wanted, name)
    numbers = {
        i: NumberColumn(
            values=values[i][:at], words={w: np.concatenate(p) for w, p in words[i].items()}, unit=units[i]
        )
        for i in wanted.numbers
    }
    return Grid(
        rows=at,
        stamps_ns=None if stamps is None else stamps[:at],
        text=text,
        numbers=numbers,
        left_out=tuple(left_out),
    )


def _times_as_text(body: Body, dialect: Dialect, wanted: Wanted, name: str) -> Grid:
    """The same with the times as text, where a row of theirs is not what Arrow reads as one."""
    return _in_pieces(
        body, dialect, replace(wanted, iso=None, clock_text=(wanted.iso, *wanted.clock_text)), name
    )


def _try_quick(body: Body, dialect: Dialect, wanted: Wanted, nulls: list[str]) -> Grid | None:
    """None where a cell is neither a number nor one of `nulls`."""
    try:
        return _quick(body, dialect, wanted, nulls)
    except (pa.ArrowInvalid, _Doubtful):
        return None


class _Doubtful(Exception):
    """The quick way got through, but not everything it read is a number."""


class _Rows:
    """Collects the lines that are no rows. Arrow calls it from its own threads."""

    def __init__(self, most: int) -> None:
        self.lines: list[str] = []
        self.most = most

    def __call__(self, row: pacsv.InvalidRow) -> str:
        if row.text.strip():
            self.lines.append(row.text)
        return "skip" if len(self.lines) <= self.most else "error"


def _parse(
    body: Body, dialect: Dialect, types: dict[str, pa.DataType], nulls: list[str], rows: _Rows
) -> pa.Table:
    source = body.source()
    held = sys.getrefcount(source), sys.getrefcount(rows)
    try:
        table = pacsv.read_csv(
            body.stream(source),
            read_options=pacsv.ReadOptions(
                column_names=[f"f{i}" for i in range(dialect.fields)],
                block_size=max(LEAST_BLOCK, min(MOST_BLOCK, body.size // 8)),
            ),
            parse_options=pacsv.ParseOptions(
                delimiter=dialect.delimiter,
                quote_char='"' if dialect.quoted else False,
                invalid_row_handler=rows,
            ),
            convert_options=pacsv.ConvertOptions(
                column_types=types,
                include_columns=list(types),
                null_values=nulls,
                decimal_point=dialect.decimal,
                timestamp_parsers=[pacsv.ISO8601],
                check_utf8=False,
            ),
        )
    finally:
        # A thread of Arrow's may still hold what is Python's, and needs the interpreter to let it go: where that is about to end, the
        # process aborts ("terminate called") or hangs
        until = time.monotonic() + MOST_WAIT_S
        while (
            any(n > h for n, h in zip((sys.getrefcount(source), sys.getrefcount(rows)), held, strict=True))
            and time.monotonic() < until
        ):
            time.sleep(0.0001)
    pa.default_memory_pool().release_unused()  # the parser's own buffers: more than the columns
    return table


def _quick(body: Body, dialect: Dialect, wanted: Wanted, nulls: list[str]) -> Grid:
    types: dict[str, pa.DataType] = {}
    if wanted.iso is not None:
        types[f"f{wanted.iso}"] = pa.timestamp("ns", tz="UTC" if wanted.iso_zone else None)
    for i in (*wanted.clock_text, *wanted.texts):
        types[f"f{i}"] = pa.binary()
    for i in wanted.numbers:
        types[f"f{i}"] = pa.float64()
    rows = _Rows(1000)
    table = _parse(body, dialect, types, nulls, rows)
    _check_row_count(body, dialect, table.num_rows, rows)
    found = table.num_rows
    columns = dict(zip(table.column_names, table.columns, strict=True))
    del table  # a column is let go as soon as it was joined: half the peak of memory
    stamps = None
    if wanted.iso is not None:
        column = columns.pop(f"f{wanted.iso}")
        if column.null_count:
            raise _Doubtful
        stamps = joined(column, np.int64)
        del column
    numbers: dict[int, NumberColumn] = {}
    blanks: list[int] = []
    parsed = for_each(lambda i: floats(columns.pop(f"f{i}")), wanted.numbers, readings=found)
    for i, (values, missing, finite) in zip(wanted.numbers, parsed, strict=True):
        if missing is None and not finite:
            raise _Doubtful
        if missing is not None and len(nulls) > 1:
            blanks.append(i)
        numbers[i] = NumberColumn(values=values)
    if blanks:
        texts = _parse(body, dialect, {f"f{i}": pa.binary() for i in blanks}, ["\0"], _Rows(1000))
        for i in blanks:
            numbers[i] = with_words(numbers[i].values, cells_of(texts[f"f{i}"]))
    text = {i: cells_of(columns[f"f{i}"]) for i in (*wanted.clock_text, *wanted.texts)}
    if stamps is not None and steps_between(stamps)[0] <= 0:
        # Arrow takes a time that lost its seconds for a whole minute: where rows are out of order they are looked at closer
        times = _parse(body, dialect, {f"f{wanted.iso}": pa.binary()}, ["\0"], _Rows(1000))
        stamps, text = None, text | {wanted.iso: cells_of(times[f"f{wanted.iso}"])}
    pa.default_memory_pool().release_unused()
    return Grid(rows=found, stamps_ns=stamps, text=text, numbers=numbers, left_out=tuple(rows.lines))


def _check_row_count(body: Body, dialect: Dialect, rows: int, bad: _Rows) -> None:
    """A stray quote can swallow whole lines: every line must be a row, a line left out, or blank."""
    if not dialect.quoted:
        return
    known = rows + len(bad.lines)
    lines = body.lines()
    if lines != known and lines - body.blank_lines() != known:
        raise _Doubtful


def _some_cells(blocks: list[CellBlock], rows: np.ndarray) -> list[CellBlock]:
    some, at = [], 0
    for block in blocks:
        a, b = np.searchsorted(rows, (at, at + len(block.starts)))
        inside = rows[a:b] - at
        if len(inside):
            some.append(CellBlock(data=block.data, starts=block.starts[inside], ends=block.ends[inside]))
        at += len(block.starts)
    return some


def _careful(body: Body, dialect: Dialect, wanted: Wanted, name: str) -> Grid:
    """Every column as text first."""
    clock = ([wanted.iso] if wanted.iso is not None else []) + list(wanted.clock_text)
    types = {f"f{i}": pa.string() for i in [*clock, *wanted.texts, *wanted.numbers]}
    rows = _Rows(max(1000, body.size // 400))
    try:
        table = _parse(body, dialect, types, ["\0"], rows)
        _check_row_count(body, dialect, table.num_rows, rows)
    except pa.ArrowInvalid as error:
        line = rows.lines[0] if rows.lines else ""
        raise LogFileError(
            f"the rows are not all of one width ({dialect.fields} cells)"
            if line
            else "the rows can't be told apart",
            file=name,
            line=line_of(body.text, line.encode(), dialect.data_at) if line else None,
            remedy="where this is two logs in one file, split it there",
        ) from error
    except _Doubtful as error:
        raise LogFileError(
            "a quotation mark is left open",
            file=name,
            line=_odd_quotes(body.text, dialect.data_at),
            remedy="take the mark away",
        ) from error
    numbers = {i: numbers_of(table[f"f{i}"], dialect.decimal) for i in wanted.numbers}
    cells = {i: cells_of(table[f"f{i}"]) for i in (*clock, *wanted.texts)}
    return Grid(rows=table.num_rows, stamps_ns=None, text=cells, numbers=numbers, left_out=tuple(rows.lines))


def line_of(text: bytes | LargeText, needle: bytes, start: int) -> int | None:
    """1-based line on which `needle` first stands after `start`; None where it does not."""
    at = text.find(needle, start)
    return text.count(b"\n", 0, at) + 1 if at >= 0 else None


def _odd_quotes(text: bytes, start: int) -> int | None:
    number = text.count(b"\n", 0, start)
    for line in text[start:].split(b"\n"):
        number += 1
        if line.count(b'"') % 2:
            return number
    return None


def is_repeat(line: str, dialect: Dialect) -> bool:
    """Whether a line left out is the header (or a line of the head) again, as in files that were joined."""
    cells = tuple(split_row(line.rstrip("\r"), dialect.delimiter))
    head = {tuple(r) for r in dialect.header} | {tuple(dialect.units_row)}
    return cells in head or line.rstrip("\r") in dialect.preamble
