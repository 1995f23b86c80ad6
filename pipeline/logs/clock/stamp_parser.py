"""Columns of dates and times as text → numbers, without pandas and without a loop over rows.

Rows that look alike (the same length, digits and signs in the same places, the same month name and AM/PM) are one
*shape*. A column has a handful of them. Each is recognised once, from one row, and then parsed for all of its rows at
once, straight from the bytes of the Arrow column, a block of it at a time so that it stays in the processor's cache. No
date is ever rolled over: a part that can't be is marked.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.logs.rows.column_blocks import CellBlock
from pipeline.logs.vocabulary.stamp_patterns import Shape, shape_of

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
NO_ZONE = np.int32(-(2**31))
"""Offset of a row that says none."""

LEAST_SHORT_SHARE = 0.05
"""Fewer times with a minute or a second of one digit than that are damaged ones. Common practice, no source."""
MOST_SHAPES = 400
"""More shapes than this in one block, and it is no column of times."""


@dataclass(frozen=True, kw_only=True)
class Stamps:
    """A column of times, part by part; arrays are (n,).

    `parts` (3, n) int16 are year, month, day where `date` is "ymd" or "named"; as they stand where it is "order".
    `clock_ns` is the time since midnight; hours above 24 are kept (elapsed time), `possible` marks what can be a time
    of day. `ok` is False where the cell is no time at all.
    """

    date: str  # "", "ymd", "order" (named months come as "ymd")
    parts: np.ndarray
    clock_ns: np.ndarray
    offset_s: np.ndarray  # int32, NO_ZONE where the row says none
    ok: np.ndarray
    possible: np.ndarray
    resolution_ns: int  # the last place that is written: 60 s for "10:05", 1 s for "10:05:00", 0.1 s, …
    wide_year: bool
    example: str  # the first row's text
    named: bool  # months are written as words
    day_starts: (
        np.ndarray
    )  # rows at which another date begins, row 0 included: dates are worked out once a stretch

    def only(self, rows: np.ndarray) -> Stamps:
        """The same for some of the rows."""
        parts = self.parts[:, rows]
        return replace(
            self,
            parts=parts,
            clock_ns=self.clock_ns[rows],
            offset_s=self.offset_s[rows],
            ok=self.ok[rows],
            possible=self.possible[rows],
            day_starts=_day_starts(parts),
        )


def parse(blocks: Sequence[CellBlock]) -> Stamps:
    """The times in a column of text. Raises ValueError where its rows are too unlike each other to be times."""
    n = sum(len(b.starts) for b in blocks)
    into = _Columns(n)
    shapes: dict[Shape, int] = {}
    at = 0
    for block in blocks:
        _parse_block(block, into, at, shapes)
        at += len(block.starts)
    kinds: dict[str, int] = {}
    for shape, rows in shapes.items():
        kinds[shape.kind] = kinds.get(shape.kind, 0) + rows
    kind = max(kinds, key=kinds.get, default="")
    if len(kinds) > 1:  # rows in another style than most of the column are no times of this column
        _drop(blocks, into.ok, lambda shape: shape.kind != kind)
    short = sum(rows for shape, rows in shapes.items() if shape.is_short)
    if (
        0 < short < LEAST_SHORT_SHARE * n
    ):  # a logger that writes no leading zeros does so in a sixth of its rows: these lost a digit
        _drop(blocks, into.ok, lambda shape: shape.is_short)
    mine = [s for s in shapes if s.kind == kind]
    parts = np.broadcast_to(np.int16(0), (3, n)) if into.parts is None else into.parts
    return Stamps(
        date=kind.partition(",")[0],
        parts=parts,
        clock_ns=np.broadcast_to(np.int64(0), n) if into.clock is None else into.clock,
        offset_s=np.broadcast_to(NO_ZONE, n) if into.offset is None else into.offset,
        ok=into.ok,
        possible=into.possible,
        resolution_ns=min((_resolution(s) for s in mine), default=60 * SECOND_NS),
        wide_year=all(s.wide_year for s in mine),
        example=cell_at(blocks, int(np.argmax(into.ok))).decode("utf-8", "replace").strip() if n else "",
        named=any(s.date == "named" for s in mine),
        day_starts=_day_starts(parts),
    )


class _Columns:
    """The columns being filled; one that no row needs takes no memory."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.parts: np.ndarray | None = None
        self.clock: np.ndarray | None = None
        self.offset: np.ndarray | None = None
        self.ok = np.zeros(n, bool)
        self.possible = np.ones(n, bool)

    def fill(self, where: slice | np.ndarray, shape: Shape, fields: _Fields) -> None:
        if shape.date:
            if self.parts is None:
                self.parts = np.zeros((3, self.n), np.int16)
            self.parts[:, where] = fields.parts
        if shape.hour is not None:
            if self.clock is None:
                self.clock = np.zeros(self.n, np.int64)
            self.clock[where] = fields.clock_ns
        if shape.offset_s is not None:
            if self.offset is None:
                self.offset = np.full(self.n, NO_ZONE, np.int32)
            self.offset[where] = shape.offset_s
        self.possible[where] = fields.possible
        self.ok[where] = True


def _parse_block(block: CellBlock, into: _Columns, at: int, shapes: dict[Shape, int]) -> None:
    n = len(block.starts)
    lengths = block.ends - block.starts
    even = n > 0 and bool((lengths == lengths[0]).all())
    tried = 0
    for length in [int(lengths[0])] if even else np.unique(lengths).tolist():
        rows = np.arange(n) if even else np.flatnonzero(lengths == length)
        if length == 0:
            continue
        text = _by_position(block, rows, length)
        left = np.arange(len(rows))
        while len(left):
            tried += 1
            if tried > MOST_SHAPES:
                raise ValueError("too many shapes")
            here = text if len(left) == len(rows) else text[:, left]
            shape = shape_of(here[:, 0].tobytes().decode("utf-8", "replace"))
            if shape is None or shape.length != length:
                left = left[(here != here[:, :1]).any(axis=0)]
                continue
            same = _matches(here, shape)
            if same.all():
                where = slice(at, at + n) if len(left) == n else rows[left] + at
                left = left[:0]
            else:
                here, where, left = here[:, same], rows[left[same]] + at, left[~same]
            into.fill(where, shape, _fields(here, shape))
            shapes[shape] = shapes.get(shape, 0) + here.shape[1]


def _drop(blocks: Sequence[CellBlock], ok: np.ndarray, wrong: Callable[[Shape], bool]) -> None:
    """Row by row: only for the odd column that mixes styles."""
    at = 0
    for block in blocks:
        for row in range(len(block.starts)):
            if ok[at + row]:
                shape = shape_of(block.at(row).decode("utf-8", "replace"))
                ok[at + row] = shape is not None and not wrong(shape)
        at += len(block.starts)


def cell_at(blocks: Sequence[CellBlock], row: int) -> bytes:
    for block in blocks:
        if row < len(block.starts):
            return block.at(row)
        row -= len(block.starts)
    raise IndexError(row)


def _day_starts(parts: np.ndarray) -> np.ndarray:
    if not parts.shape[1]:
        return np.empty(0, np.intp)
    if not parts.strides[1]:  # no dates at all
        return np.zeros(1, np.intp)
    change = parts[2, 1:] != parts[2, :-1]
    change |= parts[1, 1:] != parts[1, :-1]
    change |= parts[0, 1:] != parts[0, :-1]
    return np.concatenate([[0], np.flatnonzero(change) + 1])


def _resolution(shape: Shape) -> int:
    if shape.fraction:
        return 10 ** (9 - min(9, shape.fraction[1] - shape.fraction[0]))
    return SECOND_NS if shape.second else 60 * SECOND_NS


def _by_position(block: CellBlock, rows: np.ndarray, length: int) -> np.ndarray:
    """The rows' bytes, one byte position a line: (length, rows)."""
    first = block.starts[rows]
    step = int(first[1] - first[0]) if len(first) > 1 else length
    if len(first) > 1 and step >= length and bool((np.diff(first) == step).all()):
        flat = block.data[first[0] : first[0] + step * len(first)]
        if len(flat) == step * len(first):
            return np.ascontiguousarray(flat.reshape(len(first), step)[:, :length].T)
    return np.stack([block.data[first + j] for j in range(length)])


def _matches(block: np.ndarray, shape: Shape) -> np.ndarray:
    same = np.ones(block.shape[1], bool)
    for i, value in shape.literal:
        same &= block[i] == value
    for i in shape.digits:
        same &= (block[i] - np.uint8(48)) < 10
    return same


@dataclass(frozen=True, kw_only=True)
class _Fields:
    parts: np.ndarray | int
    clock_ns: np.ndarray | int
    possible: np.ndarray | bool


def _number(block: np.ndarray, span: tuple[int, int]) -> np.ndarray:
    total = (block[span[0]] - np.uint8(48)).astype(np.int32)
    for i in range(span[0] + 1, span[1]):
        total *= 10
        total += block[i] - np.uint8(48)
    return total


def _fields(block: np.ndarray, shape: Shape) -> _Fields:
    possible: np.ndarray | bool = True
    parts: np.ndarray | int = 0
    if shape.date == "named":
        day, year = (_number(block, s) for s in shape.parts)
        if not shape.wide_year:
            year += 2000
        parts = np.stack([year, np.full_like(day, shape.month), day])
    elif shape.date:
        parts = np.stack([_number(block, s) for s in shape.parts])
    clock: np.ndarray | int = 0
    if shape.hour is not None:
        hour, minute = _number(block, shape.hour), _number(block, shape.minute)
        possible = minute < 60
        if shape.half is not None:
            possible &= (hour >= 1) & (hour <= 12)
            hour = hour % 12 + shape.half
        seconds = hour * 3600
        seconds += minute * 60
        if shape.second:
            second = _number(block, shape.second)
            possible &= second < 60
            seconds += second
        clock = seconds.astype(np.int64)
        clock *= SECOND_NS
        if shape.fraction:
            a, b = shape.fraction
            clock += _number(block, (a, b)).astype(np.int64) * 10 ** (9 - (b - a))
        if shape.date:
            possible &= clock <= DAY_NS
    return _Fields(parts=parts, clock_ns=clock, possible=possible)


_DAYS_BEFORE = np.array([0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334], np.int64)
_DAYS_IN = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], np.int32)


def days_since_1970(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(int64 days since 1970-01-01, bool: is there such a day) of the Gregorian calendar."""
    there = (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1900) & (year <= 2200)
    m = np.where(there, month, 1)
    y = np.where(there, year, 1970).astype(np.int64)
    leap = (y % 4 == 0) & ((y % 100 != 0) | (y % 400 == 0))
    there = there & (day <= _DAYS_IN[m] + (leap & (m == 2)))
    past = y - 1
    days = 365 * (y - 1970) + (past // 4 - past // 100 + past // 400) - 477
    days += _DAYS_BEFORE[m] + (leap & (m > 2)) + day - 1
    return days, there
