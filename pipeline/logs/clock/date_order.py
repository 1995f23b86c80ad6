"""Day first, month first or year first: decided from the whole column.

First by which orders are possible at all, then by which one leaves the readings evenly spaced. What stays open is decided by
the signs of the place, and said aloud.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.clock.stamp_parser import DAY_NS, SECOND_NS, Stamps, days_since_1970
from pipeline.logs.clock.time_order import usual_interval_s
from pipeline.logs.layout.preamble import Head
from pipeline.unit import Unit

ORDERS: Mapping[str, tuple[int, int, int]] = {
    "day-first": (2, 1, 0),
    "month-first": (2, 0, 1),
    "year-first": (0, 1, 2),
}
"""Where year, month and day stand among the three parts."""

_MONTH_FIRST_ZONES = re.compile(
    r"America/(New_York|Chicago|Denver|Los_Angeles|Phoenix|Anchorage|Detroit|Boise|Juneau|Indiana/|Kentucky/|North_Dakota/)"
    r"|US/|Pacific/Honolulu"
)
SET_ORDER = 'set date_order under [clock] in unit.toml ("day-first", "month-first" or "year-first")'


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What the clock may be read by, besides its own column."""

    text: bytes
    data_at: int
    name: str
    head: Head
    unit: Unit
    labels: str  # of the clock columns
    local_signs: str  # what else hints at the place: "month-first", "day-first" or ""


def days_of_stretches(stamps: Stamps, order: str) -> tuple[np.ndarray, np.ndarray]:
    """(days since 1970, is there such a day), (s,) each, for the s stretches of rows with one date, read in `order`."""
    parts = stamps.parts.astype(np.int32)
    if stamps.date == "ymd":
        return days_since_1970(*parts)
    y, m, d = ORDERS[order]
    year = parts[y] if stamps.wide_year else parts[y] + 2000
    return days_since_1970(year, parts[m], parts[d])


def order_of(stamps: Stamps, around: Surroundings, clock: np.ndarray) -> tuple[str, tuple[Text, ...]]:
    """(order, what to say about it)."""
    if stamps.date == "ymd":
        return "year-first", ()
    set_order = around.unit.clock.date_order
    if set_order:
        return set_order, ()
    orders = [o for o in ORDERS if o != "year-first" or not stamps.wide_year]
    checked = {o: days_of_stretches(stamps, o) for o in orders}
    bad = {o: int(np.count_nonzero(~there)) for o, (_days_, there) in checked.items()}
    fewest = min(bad.values())
    left = [o for o in orders if bad[o] == fewest]
    if fewest == 0 and len(left) == 1:
        proven = left[0]
        open_ones = [
            o for o in orders if bad[o] and _proves_nothing(checked[proven][0], ~checked[o][1], stamps)
        ]
        left = [o for o in orders if o == proven or o in open_ones]
    if fewest:  # the caller refuses the date; the order that fits most rows makes the clearest message
        return left[0], ()
    stated = _order_stated(around)
    if stated in left:
        return stated, ()
    if len(left) > 1:
        uneven = {o: _unevenness(checked[o][0], stamps, clock) for o in left}
        best = min(uneven.values())
        left = [o for o in left if uneven[o] == best]
    same = [o for o in left if np.array_equal(checked[o][0], checked[left[0]][0])]
    if len(same) == len(left):
        return left[0], ()
    if "year-first" in left and len(left) > 1:
        left.remove("year-first")
    order = around.local_signs if around.local_signs in left else left[0]
    if not around.local_signs and "month-first" in left and _MONTH_FIRST_ZONES.match(around.unit.time_zone):
        order = "month-first"
    note = Text(
        key="logs.note.date_order_open",
        english='the date "{example}" can be read in more than one order; it was read {order}; if that is wrong, '
        + SET_ORDER,
        values={"example": stamps.example, "order": order},
    )
    return order, (note,)


def _proves_nothing(days: np.ndarray, elsewhere_bad: np.ndarray, stamps: Stamps) -> bool:
    """Whether an order is the only possible one because of a row or two which, read in it, stand days away from the rows
    around them: these dates are damaged. days, elsewhere_bad: of each stretch of one date, in this order and in the other."""
    at = np.flatnonzero(elsewhere_bad)
    rows = stamps.rows_of_stretches
    if len(days) < 3 or rows[at].sum() > max(2, 0.02 * rows.sum()):
        return False
    before, after = days[np.maximum(at - 1, 0)], days[np.minimum(at + 1, len(days) - 1)]
    apart = np.minimum(
        np.where(at > 0, np.abs(days[at] - before), 9),
        np.where(at < len(days) - 1, np.abs(days[at] - after), 9),
    )
    return bool((apart > 1).all())


def _order_stated(around: Surroundings) -> str:
    """What a date pattern in the head or over the column says."""
    for text in (around.head.facts.get("order", ""), around.labels):
        pattern = re.search(
            r"([dtj]{1,2}|[ma]{1,3}|[yja]{2,4})[-/. ]([dtj]{1,2}|m{1,3})[-/. ]([ymdja]{2,4}|[dj]{1,2})",
            text.lower(),
        )
        if pattern and "m" in pattern[0]:
            first = pattern[1][0]
            if first in "dt" or (first == "j" and len(pattern[1]) <= 2):
                return "day-first"
            return "month-first" if first == "m" else "year-first"
    return ""


def _unevenness(days: np.ndarray, stamps: Stamps, clock: np.ndarray) -> int:
    """Changes of date that go backwards, or much farther than the usual step: a wrong order makes one at every midnight."""
    starts = stamps.day_starts
    ends = starts + stamps.rows_of_stretches - 1
    sound = np.flatnonzero(~_damaged(stamps, ends - starts + 1))
    days, starts, ends = days[sound], starts[sound], ends[sound]
    steps = (days[1:] - days[:-1]) * DAY_NS + clock[starts[1:]] - clock[ends[:-1]]
    usual_ns = usual_interval_s(clock) * SECOND_NS
    usual_ns = usual_ns if usual_ns == usual_ns else 0.0
    if usual_ns < 0:  # newest first
        usual_ns, steps = -usual_ns, -steps
    return int(np.count_nonzero((steps < 0) | (steps > max(20 * usual_ns, 2 * DAY_NS))))


def _damaged(stamps: Stamps, rows: np.ndarray) -> np.ndarray:
    """bool, a stretch of one date each: a row or two between two stretches of one and the same other date."""
    parts = stamps.parts
    between = np.zeros(len(rows), bool)
    between[1:-1] = (parts[:, 2:] == parts[:, :-2]).all(axis=0)
    return between & (rows <= 2)


def impossible(cell: str, around: Surroundings, line: int | None) -> LogFileError:
    """What is said of a time that is none; line: where it stands, None where that is not known."""
    return LogFileError(
        f'"{cell}" is no possible date and time',
        file=around.name,
        line=line,
        remedy=f"mend or delete that line, or, if the dates are in another order, {SET_ORDER}",
    )
