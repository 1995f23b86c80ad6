"""Columns of dates and times as text → numbers, without pandas and without a loop over rows.

Rows that look alike (the same length, digits and signs in the same places, the same month name and AM/PM) are one
*shape*. A column has a handful of them. Each is recognised once, from one row, and then parsed for all of its rows at
once, straight from the bytes of the Arrow column, a block of it at a time so that it stays in the processor's cache. No
date is ever rolled over: a part that can't be is marked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.logs.rows.column_blocks import CellBlock
from pipeline.logs.vocabulary.stamp_patterns import StampPattern, shape_of

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
NO_ZONE = np.int32(-(2**31))
"""Offset of a row that says none."""

LEAST_SHORT_SHARE = 0.05
"""Fewer times with a minute or a second of one digit than that are damaged ones. Common practice, no source."""
MOST_SHAPES = 400
"""More shapes than this in one block, and it is no column of times."""


_MOST_CELLS_KEPT = 5000
"""Cells of a column kept as text, to be shown where their date turns out to be impossible."""


@dataclass(frozen=True, kw_only=True)
class Stamps:
    """A column of times, part by part; arrays are (n,) but for those of its m stretches of one date each.

    `parts` (3, m) int16 are year, month, day of each stretch where `date` is "ymd"; as they stand where it is "order".
    `clock_ns` is the time since midnight; hours above 24 are kept (elapsed time), `possible` marks what can be a time
    of day. `ok` is False where the cell is no time at all.
    """

    date: str  # "", "ymd", "order" (named months come as "ymd")
    parts: np.ndarray
    day_starts: np.ndarray  # (m,) rows at which another date begins, row 0 included
    clock_ns: np.ndarray
    offset_s: np.ndarray  # int32, NO_ZONE where the row says none
    ok: np.ndarray
    possible: np.ndarray
    resolution_ns: int  # the last place that is written: 60 s for "10:05", 1 s for "10:05:00", 0.1 s, …
    wide_year: bool
    example: str  # the first row's text
    named: bool  # months are written as words
    cells: Mapping[
        int, bytes
    ]  # row of the column as it stood -> its text, of the first row of a stretch and of what is impossible

    @property
    def rows_of_stretches(self) -> np.ndarray:
        """(m,) how many rows each stretch of one date has."""
        return np.diff(np.append(self.day_starts, len(self.ok)))

    def only(self, rows: np.ndarray) -> Stamps:
        """The same for some of the rows: `rows` (m,), ascending."""
        stretch = np.searchsorted(self.day_starts, rows, side="right") - 1
        starts = np.flatnonzero(np.diff(stretch, prepend=-1))
        parts = self.parts[:, stretch[starts]]
        other = _changes(parts)
        return replace(
            self,
            parts=parts[:, other],
            day_starts=starts[other],
            clock_ns=self.clock_ns[rows],
            offset_s=self.offset_s[rows],
            ok=self.ok[rows],
            possible=self.possible[rows],
        )

    def held(self) -> Stamps:
        """The same with the date of a row without one that of the row above; rows above the first date have none."""
        rows = np.flatnonzero(self.ok)
        if len(rows) == 0:
            return self
        dated = self.only(rows)
        starts = np.maximum.accumulate(rows[dated.day_starts])
        starts[0] = 0
        return replace(
            dated,
            day_starts=starts,
            clock_ns=np.broadcast_to(np.int64(0), len(self.ok)),
            offset_s=np.broadcast_to(NO_ZONE, len(self.ok)),
            ok=np.arange(len(self.ok)) >= rows[0],
            possible=self.possible,
        )

    def text_of(self, row: int) -> str:
        """The cell of a row as it stood; of one whose own was not kept that of the first row of its date."""
        kept = max((r for r in self.cells if r <= row), default=None)
        return self.example if kept is None else self.cells[kept].decode("utf-8", "replace").strip()


def parse(blocks: Sequence[CellBlock]) -> Stamps:
    """The times in a column of text. Raises ValueError where its rows are too unlike each other to be times."""
    column = StampColumn(sum(len(b.starts) for b in blocks))
    column.extend(blocks)
    return column.stamps()


class StampColumn:
    """A column of times, parsed a block at a time: the text of none is kept."""

    def __init__(self, rows: int) -> None:
        """rows: as many as will come, or more."""
        self.rows = rows
        self.at = 0
        self.shape = np.zeros(rows, np.uint16)  # 0: no time; else 1 + the place in `shapes`
        self.possible = np.ones(rows, bool)
        self.clock: np.ndarray | None = None  # a column that no row needs takes no memory
        self.offset: np.ndarray | None = None
        self.shapes: dict[StampPattern, int] = {}
        self.first: list[tuple[int, bytes]] = []  # of each shape the first row
        self.starts: list[np.ndarray] = []
        self.parts: list[np.ndarray] = []
        self.cells: dict[int, bytes] = {}
        self.fits = True

    def extend(self, blocks: Sequence[CellBlock]) -> None:
        """The next rows."""
        for block in blocks:
            if self.fits and len(block.starts):
                self._read(block)
            self.at += len(block.starts)

    def stamps(self) -> Stamps:
        """All that was read. Raises ValueError where its rows are too unlike each other to be times."""
        if not self.fits:
            raise ValueError("too many shapes")
        n = self.at
        shape = self.shape[:n]
        rows_of = np.bincount(shape, minlength=len(self.shapes) + 1)[1:].tolist()
        kinds: dict[str, int] = {}
        for one, rows in zip(self.shapes, rows_of, strict=True):
            kinds[one.kind] = kinds.get(one.kind, 0) + rows
        kind = max(kinds, key=kinds.get, default="")
        short = sum(rows for one, rows in zip(self.shapes, rows_of, strict=True) if one.is_short)
        # a logger that writes no leading zeros does so in a sixth of its rows: fewer lost a digit
        damaged = 0 < short < LEAST_SHORT_SHARE * n
        # rows in another style than most of the column are no times of this column
        good = [False, *(one.kind == kind and not (damaged and one.is_short) for one in self.shapes)]
        mine = [one for one in self.shapes if one.kind == kind]
        example = min(
            (first for first, fits in zip(self.first, good[1:], strict=True) if fits), default=(0, b"")
        )
        starts, parts = np.zeros(1, np.intp), np.zeros((3, 1), np.int16)
        if self.starts:
            starts, parts = np.concatenate(self.starts), np.concatenate(self.parts, axis=1)
            other = _changes(parts)
            starts, parts = starts[other], parts[:, other]
        return Stamps(
            date=kind.partition(",")[0],
            parts=parts[:, :n],
            day_starts=starts[:n],
            clock_ns=np.broadcast_to(np.int64(0), n) if self.clock is None else self.clock[:n],
            offset_s=np.broadcast_to(NO_ZONE, n) if self.offset is None else self.offset[:n],
            ok=np.array(good)[shape],
            possible=self.possible[:n],
            resolution_ns=min((_resolution(one) for one in mine), default=60 * SECOND_NS),
            wide_year=all(one.wide_year for one in mine),
            example=example[1].decode("utf-8", "replace").strip(),
            named=any(one.date == "named" for one in mine),
            cells=self.cells,
        )

    def _read(self, block: CellBlock) -> None:
        n = len(block.starts)
        parts = np.zeros((3, n), np.int16)
        lengths = block.ends - block.starts
        even = bool((lengths == lengths[0]).all())
        tried = 0
        for length in [int(lengths[0])] if even else np.unique(lengths).tolist():
            rows = np.arange(n) if even else np.flatnonzero(lengths == length)
            if length == 0:
                continue
            text = _by_position(block, rows, length)
            left = np.arange(len(rows))
            while len(left):
                tried += 1
                if tried > MOST_SHAPES or len(self.shapes) > 100 * MOST_SHAPES:
                    self.fits = False
                    return
                here = text if len(left) == len(rows) else text[:, left]
                shape = shape_of(here[:, 0].tobytes().decode("utf-8", "replace"))
                if shape is None or shape.length != length:
                    left = left[(here != here[:, :1]).any(axis=0)]
                    continue
                same = _matches(here, shape)
                if same.all():
                    where = slice(0, n) if len(left) == n else rows[left]
                    left = left[:0]
                else:
                    here, where, left = here[:, same], rows[left[same]], left[~same]
                self._fill(block, where, shape, _fields(here, shape), parts)
        starts = np.flatnonzero(_changes(parts))
        self.starts.append(starts + self.at)
        self.parts.append(parts[:, starts])
        for row in starts[: max(0, _MOST_CELLS_KEPT - len(self.cells))].tolist():
            self.cells[self.at + row] = block.at(row)

    def _fill(
        self,
        block: CellBlock,
        where: slice | np.ndarray,
        shape: StampPattern,
        fields: _Fields,
        parts: np.ndarray,
    ) -> None:
        """Into the rows `where` of the block what stands there; into `parts` (3, rows of the block) the dates."""
        here = slice(self.at, self.at + len(block.starts)) if isinstance(where, slice) else where + self.at
        first = 0 if isinstance(where, slice) else int(where[0])
        if shape not in self.shapes:
            self.shapes[shape] = len(self.shapes) + 1
            self.first.append((self.at + first, block.at(first)))
        if shape.date:
            parts[:, where] = fields.parts
        if shape.hour is not None:
            if self.clock is None:
                self.clock = np.zeros(self.rows, np.int64)
            self.clock[here] = fields.clock_ns
        if shape.offset_s is not None:
            if self.offset is None:
                self.offset = np.full(self.rows, NO_ZONE, np.int32)
            self.offset[here] = shape.offset_s
        self.possible[here] = fields.possible
        self.shape[here] = self.shapes[shape]
        wrong = ~np.asarray(fields.possible) | (np.asarray(fields.clock_ns) > DAY_NS)
        if wrong.any():
            row = int(np.arange(len(block.starts))[where][np.argmax(wrong)])
            self.cells[self.at + row] = block.at(row)


def _changes(parts: np.ndarray) -> np.ndarray:
    """bool (m,): columns of `parts` (3, m) that differ from the one before, the first included."""
    change = np.ones(parts.shape[1], bool)
    change[1:] = (parts[:, 1:] != parts[:, :-1]).any(axis=0)
    return change


def _resolution(shape: StampPattern) -> int:
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


def _matches(block: np.ndarray, shape: StampPattern) -> np.ndarray:
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


def _fields(block: np.ndarray, shape: StampPattern) -> _Fields:
    possible: np.ndarray | bool = True
    parts: np.ndarray | int = 0
    if shape.date == "named":
        day, year = (_number(block, s) for s in shape.parts)
        if not shape.wide_year:
            year += 2000
        parts = np.stack([year, np.full_like(day, shape.month), day])
    elif shape.date == "ordinal":
        parts = _month_and_day(*(_number(block, s) for s in shape.parts))
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
            whole = second < 60
            if not whole.all():
                whole |= (second == 60) & (minute == 59) & _may_have_a_leap_second(parts)
            possible &= whole
            seconds += second
        clock = seconds.astype(np.int64)
        clock *= SECOND_NS
        if shape.fraction:
            a, b = shape.fraction
            clock += _number(block, (a, b)).astype(np.int64) * 10 ** (9 - (b - a))
        if shape.date:
            possible &= clock <= DAY_NS
    return _Fields(parts=parts, clock_ns=clock, possible=possible)


def _may_have_a_leap_second(parts: np.ndarray | int) -> np.ndarray | bool:
    """Does the day, whatever the order of its `parts` (3, n), end June or December, as UTC or in a zone beside it? Leap
    seconds have come at no other time (ITU-R TF.460 prefers these two; IERS Bulletin C). They are the next second again."""
    if isinstance(parts, int):
        return False
    return np.any(
        [
            (parts[i] == month) & (parts[j] == day)
            for i, j in ((0, 1), (1, 0), (1, 2))
            for month, day in ((6, 30), (7, 1), (12, 31), (1, 1))
        ],
        axis=0,
    )


def _month_and_day(year: np.ndarray, day_of_year: np.ndarray) -> np.ndarray:
    """(3, n): year, month and day of ordinal dates (ISO 8601); month 0 where the year has no such day."""
    first = (year - 1970).astype("M8[Y]").astype("M8[D]")
    date = first + (day_of_year - 1)
    month = date.astype("M8[M]")
    there = (day_of_year >= 1) & (month.astype("M8[Y]") == first.astype("M8[Y]"))
    number = np.where(there, month.astype(np.int64) % 12 + 1, 0)
    return np.stack([year, number, (date - month.astype("M8[D]")).astype(np.int64) + 1])


_DAYS_BEFORE = np.array([0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334], np.int64)
_DAYS_IN = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], np.int32)


def days_since_1970(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(int64 days since 1970-01-01, bool: is there such a day) of the Gregorian calendar; `year`, `month`, `day`: int (n,)."""
    there = (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1900) & (year <= 2200)
    m = np.where(there, month, 1)
    y = np.where(there, year, 1970).astype(np.int64)
    leap = (y % 4 == 0) & ((y % 100 != 0) | (y % 400 == 0))
    there = there & (day <= _DAYS_IN[m] + (leap & (m == 2)))
    past = y - 1
    days = 365 * (y - 1970) + (past // 4 - past // 100 + past // 400) - 477
    days += _DAYS_BEFORE[m] + (leap & (m > 2)) + day - 1
    return days, there
