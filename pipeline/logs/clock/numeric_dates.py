"""Dates and times written as bare numbers: 20260504 beside 90500, or a column each for year, month, day, hour, minute, second."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.logs.clock.stamp_parser import DAY_NS, SECOND_NS, days_since_1970

_PARTS = tuple(
    re.compile(words, re.IGNORECASE)
    for words in (
        r"year|yr|yyyy|a[ñn]o|jahr|ann[ée]e",
        r"month|mon|mm|mes|monat|mois",
        r"day|dd|d[ií]a|tag|jour",
        r"hour|hr|hh|hora|stunde|heure",
        r"min|minutes?|minutos?|minuten?",
        r"sec|seconds?|ss|segundos?|sekunden?|secondes?",
    )
)


@dataclass(frozen=True, kw_only=True)
class Digits:
    """rows: which rows have a time, ascending (None: all of them)."""

    local_ns: np.ndarray
    rows: np.ndarray | None
    impossible: str = ""  # the first time that can't be
    date_cell: str = ""  # as it stands, to find its line; "" where it is no single cell


def columns_of_parts(labels: Sequence[str]) -> tuple[int, ...]:
    """The columns of year, month, day, hour, minute and (where there is one) second, by their labels; () where they are not
    all there."""
    found = [next((i for i, label in enumerate(labels) if p.fullmatch(label.strip())), None) for p in _PARTS]
    found = found[:-1] if found[-1] is None else found
    return () if None in found else tuple(found)


_DAY_OF_YEAR = tuple(
    re.compile(words, re.IGNORECASE)
    for words in (
        r"year|yr|yyyy|a[ñn]o|jahr|ann[ée]e",
        r"doy|day ?of ?year|julian ?(day)?|jday|yday|tag des jahres",
        r"hhmm|hour ?min|hourmin|hour_minute|time",
    )
)


def columns_of_year_day(labels: Sequence[str]) -> tuple[int, ...]:
    """The columns of year, day of the year, hours and minutes as one number, and (where there is one) second; () where they are not all
    there."""
    words = (*_DAY_OF_YEAR, _PARTS[-1])
    found = [next((i for i, label in enumerate(labels) if p.fullmatch(label.strip())), None) for p in words]
    found = found[:-1] if found[-1] is None else found
    return () if None in found else tuple(found)


_ENDS = ((1990, 2100), (1, 12), (1, 31), (0, 23), (0, 59), (0, 59))
"""Least and largest of year, month, day, hour, minute, second; nobody logged before, with a clock of four digits of a year."""


def columns_that_count_time(columns: Sequence[Sequence[float]]) -> tuple[int, ...]:
    """The same by the numbers of the columns (a sample of rows each): whole, each within its part's ends, and together never back. Minutes or
    seconds must move, or five columns of whole readings would do."""
    for parts in (6, 5):
        for first in range(len(columns) - parts + 1):
            group = columns[first : first + parts]
            if len({len(c) for c in group}) > 1 or len(group[0]) < 3:
                continue
            within = all(
                low <= v <= high and v % 1 == 0
                for c, (low, high) in zip(group, _ENDS[:parts], strict=True)
                for v in c
            )
            rows = list(zip(*group, strict=True))
            onward = all(a <= b for a, b in pairwise(rows))
            if within and onward and len(set(rows)) > 0.9 * len(rows):
                return tuple(range(first, first + parts))
    return ()


def is_time_of_day(digits: float) -> bool:
    """90500 is 9:05:00."""
    return digits % 1 == 0 and 0 <= digits < 240_000 and digits // 100 % 100 < 60 and digits % 100 < 60


def read_digits(columns: Sequence[np.ndarray]) -> Digits:
    """Two columns (date, time), three or four (year, day of the year, hhmm, second), or five or six (year to minute or second)."""
    seen = np.logical_and.reduce([np.isfinite(c) for c in columns])
    rows = None if seen.all() else np.flatnonzero(seen)
    whole = [(c if rows is None else c[rows]).astype(np.int64) for c in columns]
    if len(whole) == 2:
        date, time = whole
        year, month, day = date // 10_000, date // 100 % 100, date % 100
        hour, minute, second = time // 10_000, time // 100 % 100, time % 100
    elif len(whole) < 5:
        year, number, clock = whole[:3]
        second = whole[3] if len(whole) > 3 else np.zeros_like(clock)
        new_year, _there = days_since_1970(year, np.ones_like(year), np.ones_like(year))
        days = new_year + number - 1
        dates = days.astype("M8[D]").astype("M8[M]")
        month = dates.astype(np.int64) % 12 + 1
        day = (days.astype("M8[D]") - dates).astype(np.int64) + 1
        sound = (number >= 1) & (days.astype("M8[D]").astype("M8[Y]").astype(np.int64) + 1970 == year)
        month = np.where(sound, month, 0)
        hour, minute = clock // 100, clock % 100
    else:
        year, month, day, hour, minute = whole[:5]
        second = whole[5] if len(whole) > 5 else np.zeros_like(minute)
        year = np.where((year >= 0) & (year < 100), year + 2000, year)
    days, there = days_since_1970(year, month, day)
    there &= (hour >= 0) & (hour < 24) & (minute >= 0) & (minute < 60) & (second >= 0) & (second < 60)
    local = days * DAY_NS + (hour * 3600 + minute * 60 + second) * SECOND_NS
    if there.all():
        return Digits(local_ns=local, rows=rows)
    row = int(np.flatnonzero(~there)[0])
    cells = [str(c[row]) for c in whole]
    return Digits(
        local_ns=local, rows=rows, impossible=" ".join(cells), date_cell=cells[0] if len(cells) == 2 else ""
    )
