"""Columns of dates and times as text → numbers, without pandas and without a loop over rows.

Rows that look alike (the same length, digits and signs in the same places, the same month name and AM/PM) are one
*shape*. A column has a handful of them. Each is recognised once, from one row, and then parsed for all of its rows at
once, straight from the bytes of the Arrow column. No date is ever rolled over: a part that can't be is marked.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
NO_ZONE = np.int32(-(2**31))
"""Offset of a row that says none."""

MOST_SHAPES = 400
"""More shapes than this in one column, and it is no column of times."""

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january jan januar jän jänner janvier janv enero ene",
            "february feb februar février févr fév fevrier fevr febrero",
            "march mar märz mär mrz maerz mars marzo",
            "april apr avril avr abril abr",
            "may mai mayo",
            "june jun juni juin junio",
            "july jul juli juillet juil julio",
            "august aug août aout agosto ago",
            "september sep sept septembre septiembre setiembre set",
            "october oct okt oktober octobre octubre",
            "november nov novembre noviembre",
            "december dec dez dezember décembre déc decembre diciembre dic",
        ),
        start=1,
    )
    for name in names.split()
}
_WEEKDAYS = frozenset(
    [
        "mon",
        "monday",
        "tue",
        "tues",
        "tuesday",
        "wed",
        "wednesday",
        "thu",
        "thur",
        "thurs",
        "thursday",
        "fri",
        "friday",
        "sat",
        "saturday",
        "sun",
        "sunday",
        "mo",
        "di",
        "mi",
        "do",
        "fr",
        "sa",
        "so",
        "montag",
        "dienstag",
        "mittwoch",
        "donnerstag",
        "freitag",
        "samstag",
        "sonnabend",
        "sonntag",
        "lun",
        "lunes",
        "martes",
        "mié",
        "mie",
        "miércoles",
        "jue",
        "jueves",
        "vie",
        "viernes",
        "sáb",
        "sab",
        "sábado",
        "dom",
        "domingo",
        "lundi",
        "mardi",
        "mer",
        "mercredi",
        "jeu",
        "jeudi",
        "ven",
        "vendredi",
        "sam",
        "samedi",
        "dim",
        "dimanche",
    ]
)
_HALVES = {
    "am": 0,
    "a": 0,
    "a.m.": 0,
    "a. m.": 0,
    "a.m": 0,
    "pm": 12,
    "p": 12,
    "p.m.": 12,
    "p. m.": 12,
    "p.m": 12,
}
# Abbreviations as they are used in Europe and North America; common practice, no source.
_ZONES = {
    "z": 0,
    "utc": 0,
    "gmt": 0,
    "wet": 0,
    "bst": 1,
    "west": 1,
    "cet": 1,
    "mez": 1,
    "cest": 2,
    "mesz": 2,
    "eet": 2,
    "eest": 3,
    "est": -5,
    "edt": -4,
    "cst": -6,
    "cdt": -5,
    "mst": -7,
    "mdt": -6,
    "pst": -8,
    "pdt": -7,
    "akst": -9,
    "akdt": -8,
    "hst": -10,
}
_SHAPE = re.compile(
    r"""\s*
    (?:(?P<weekday>[^\W\d_]{2,10})[.,]?\s+)?
    (?P<date>
        (?P<y4>\d{4})(?P<s1>[-/.\s])(?P<m1>\d{1,2})(?P=s1)(?P<d1>\d{1,2})
      | (?P<y8>\d{4})(?P<m8>\d{2})(?P<d8>\d{2})(?!\d)
      | (?P<p0>\d{1,2})(?P<s2>[-/.])\s?(?P<p1>\d{1,2})(?P=s2)\s?(?P<p2>\d{4}|\d{2})(?!\d)
      | (?P<dn>\d{1,2})[-/.\s]{0,2}(?P<mn>[^\W\d_]{3,10})[-/.\s]{1,2}(?P<yn>\d{4}|\d{2})(?!\d)
      | (?P<mu>[^\W\d_]{3,10})\.?\s(?P<du>\d{1,2}),?\s(?P<yu>\d{4})(?!\d)
      | (?P<yv>\d{4})[-/.\s](?P<mv>[^\W\d_]{3,10})\.?[-/.\s](?P<dv>\d{1,2})(?!\d)
    )?
    (?P<gap>T|t|[,;]?\s+|\s?[-_]\s?|\s*$)?
    (?P<time>
        (?P<h>\d{1,6})(?P<s3>[:.h])(?P<mi>\d{2})(?:(?P<s4>[:.m])(?P<s>\d{2})(?:(?P<dot>[.,:])(?P<f>\d{1,9}))?s?)?
      | (?<=[Tt\s])(?P<h6>\d{2})(?P<mi6>\d{2})(?P<sec6>\d{2})(?:[.,](?P<f6>\d{1,9}))?
    )?
    (?:\s?(?P<half>[AaPp](?:\.\s?[Mm]\.?|[Mm])?)(?![^\W\d_]))?
    (?:\s?(?P<zone>[Zz]|(?:UTC|GMT)?[+\-−]\d{2}:?(?:\d{2})?|UTC|GMT|[A-Z]{3,4})(?![^\W\d_]))?
    \s*$""",
    re.VERBOSE,
)


@dataclass(frozen=True, kw_only=True)
class Shape:
    """How the rows of one shape are read. Spans are (first byte, past the last byte) of the UTF-8 text."""

    length: int
    digits: tuple[int, ...]  # bytes that may be any digit
    literal: tuple[tuple[int, int], ...]  # (byte, its value)
    date: str  # "": none; "ymd": year first and four digits; "named": month by name; "order": order to be decided
    parts: tuple[tuple[int, int], ...]  # the three parts of the date as they stand ("named": day, year)
    month: int  # of a named month, else 0
    hour: tuple[int, int] | None
    minute: tuple[int, int] | None
    second: tuple[int, int] | None
    fraction: tuple[int, int] | None
    half: int | None  # hours to add to 12-hour time; None: 24-hour time
    offset_s: int | None
    wide_year: bool  # the year has four digits


@dataclass(frozen=True, kw_only=True)
class Stamps:
    """A column of times, part by part; arrays are (n,).

    `parts` (3, n) int32 are year, month, day where `date` is "ymd" or "named"; as they stand where it is "order".
    `clock_ns` is the time since midnight; hours above 24 are kept (elapsed time), `possible` marks what can be a time
    of day. `ok` is False where the cell is no time at all.
    """

    date: str  # "", "ymd", "order" (named months come as "ymd")
    has_time: bool
    parts: np.ndarray
    clock_ns: np.ndarray
    offset_s: np.ndarray  # int32, NO_ZONE where the row says none
    ok: np.ndarray
    possible: np.ndarray
    resolution_ns: int  # the last place that is written: 60 s for "10:05", 1 s for "10:05:00", 0.1 s, …
    wide_year: bool
    example: str  # the first row's text
    named: bool  # months are written as words


_ANY_DIGIT = str.maketrans("123456789", "000000000")


def shape_of(text: str) -> Shape | None:
    """The shape of one cell, or None where it is no date and no time."""
    if len(text) > 60:
        return None
    return _shape_of(text.translate(_ANY_DIGIT))


@lru_cache(maxsize=8192)
def _shape_of(text: str) -> Shape | None:
    match = _SHAPE.match(text)
    if match is None or not (match["date"] or match["time"]):
        return None
    if match["weekday"] and (match["weekday"].lower() not in _WEEKDAYS or not match["date"]):
        return None
    if match["half"] and not match["time"]:
        return None
    if match["zone"] and not match["time"]:
        return None
    if match["date"] and match["time"] and not match["gap"]:
        return None
    if match["s3"] == "." and not match["date"]:  # "10.30" alone is a number
        return None
    offset = _offset_s(match["zone"]) if match["zone"] else None
    if match["zone"] and offset is None:
        return None
    month_name = match["mn"] or match["mu"] or match["mv"]
    month = _MONTHS.get(month_name.lower().rstrip("."), 0) if month_name else 0
    if month_name and not month:
        return None
    encoded = text.encode()
    at = _byte_positions(text)

    def span(*names: str) -> tuple[int, int] | None:
        name = next((n for n in names if match[n]), None)
        return (at[match.start(name)], at[match.end(name)]) if name else None

    if match["y4"] or match["y8"]:
        date, parts = "ymd", (span("y4", "y8"), span("m1", "m8"), span("d1", "d8"))
    elif month_name:
        date, parts = "named", (span("dn", "du", "dv"), span("yn", "yu", "yv"))
    elif match["p0"]:
        date, parts = "order", (span("p0"), span("p1"), span("p2"))
    else:
        date, parts = "", ()
    hour, minute = span("h", "h6"), span("mi", "mi6")
    fields = [*parts, hour, minute, span("s", "sec6"), span("f", "f6")]
    digits = tuple(sorted(i for s in fields if s for i in range(*s)))
    year = match["p2"] or match["yn"] or "2026"
    return Shape(
        length=len(encoded),
        digits=digits,
        literal=tuple((i, b) for i, b in enumerate(encoded) if i not in set(digits)),
        date=date,
        parts=tuple(parts),
        month=month,
        hour=hour,
        minute=minute,
        second=span("s", "sec6"),
        fraction=span("f", "f6"),
        half=_HALVES[match["half"].lower().replace("\u00a0", " ")] if match["half"] else None,
        offset_s=offset,
        wide_year=len(year) == 4,
    )


def _byte_positions(text: str) -> list[int]:
    positions, total = [], 0
    for character in text:
        positions.append(total)
        total += len(character.encode())
    return [*positions, total]


def _offset_s(zone: str) -> int | None:
    word = zone.lower().replace("−", "-")
    if word in _ZONES:
        return _ZONES[word] * 3600
    match = re.fullmatch(r"(?:utc|gmt)?([+-])(\d{2}):?(\d{2})?", word)
    if not match or int(match[2]) > 14 or int(match[3] or 0) > 59:
        return None
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60
    return -seconds if match[1] == "-" else seconds


def parse(data: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> Stamps:
    """The times in a column of text.

    data: uint8, the bytes of the column; starts, ends: int (n,), where each cell begins and ends in it.
    Raises ValueError where the rows are too unlike each other to be times.
    """
    n = len(starts)
    lengths = ends - starts
    parts = np.zeros((3, n), np.int32)
    clock = np.zeros(n, np.int64)
    offset = np.full(n, NO_ZONE, np.int32)
    ok = np.zeros(n, bool)
    possible = np.ones(n, bool)
    kinds: dict[str, int] = {}
    shapes = 0
    resolution, wide, has_time, named, example = 60 * SECOND_NS, True, False, False, ""
    by_length = [np.flatnonzero(lengths == k) for k in np.unique(lengths)] if n else []
    for rows in by_length:
        length = int(lengths[rows[0]])
        if length == 0:
            continue
        block = _block(data, starts, rows, length)
        left = np.arange(len(rows))
        while len(left):
            shapes += 1
            if shapes > MOST_SHAPES:
                raise ValueError("too many shapes")
            first = block[:, left[0]].tobytes().decode("utf-8", "replace")
            shape = shape_of(first)
            here = block if len(left) == len(rows) else block[:, left]
            if shape is None or shape.length != length:
                same = (here == here[:, :1]).all(axis=0)
                left = left[~same]
                continue
            same = _matches(here, shape)
            chosen = rows[left[same]] if not same.all() else rows[left]
            if not same.all():
                here = here[:, same]
            left = left[~same]
            date = "ymd" if shape.date == "named" else shape.date
            kinds[date] = kinds.get(date, 0) + len(chosen)
            where = slice(None) if len(chosen) == n else chosen
            fields = _fields(here, shape)
            parts[:, where] = fields.parts
            clock[where] = fields.clock_ns
            possible[where] = fields.possible
            if shape.offset_s is not None:
                offset[where] = shape.offset_s
            ok[where] = True
            resolution = min(resolution, _resolution(shape))
            wide &= shape.wide_year
            has_time |= shape.hour is not None
            named |= shape.date == "named"
            example = example or first
    kind = max(kinds, key=kinds.get, default="")
    if len(kinds) > 1:  # rows in another style than most of the column are no times of this column
        ok &= _of_kind(data, starts, ends, kind)
    return Stamps(
        date=kind,
        has_time=has_time,
        parts=parts,
        clock_ns=clock,
        offset_s=offset,
        ok=ok,
        possible=possible,
        resolution_ns=resolution,
        wide_year=wide,
        example=example,
        named=named,
    )


def _of_kind(data: np.ndarray, starts: np.ndarray, ends: np.ndarray, kind: str) -> np.ndarray:
    """Rows whose own date is of this kind, row by row: only for the odd column that mixes styles."""
    text = data.tobytes()
    cache: dict[bytes, bool] = {}

    def fits(cell: bytes) -> bool:
        shape = shape_of(cell.decode("utf-8", "replace"))
        return shape is not None and ("ymd" if shape.date == "named" else shape.date) == kind

    result = np.zeros(len(starts), bool)
    for i, (a, b) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        key = re.sub(rb"\d", b"0", text[a:b])
        if key not in cache:
            cache[key] = fits(text[a:b])
        result[i] = cache[key]
    return result


def _resolution(shape: Shape) -> int:
    if shape.fraction:
        return 10 ** (9 - min(9, shape.fraction[1] - shape.fraction[0]))
    return SECOND_NS if shape.second else 60 * SECOND_NS


def _block(data: np.ndarray, starts: np.ndarray, rows: np.ndarray, length: int) -> np.ndarray:
    """The rows' bytes, one byte position a line: (length, rows)."""
    first = starts[rows]
    step = int(first[1] - first[0]) if len(first) > 1 else length
    if len(first) > 1 and step >= length and (np.diff(first) == step).all():
        flat = data[first[0] : first[0] + step * len(first)]
        if len(flat) == step * len(first):
            return np.ascontiguousarray(flat.reshape(len(first), step)[:, :length].T)
    return np.stack([data[first + j] for j in range(length)])


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
