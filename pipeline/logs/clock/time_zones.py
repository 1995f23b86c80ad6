"""Local times → UTC, over both changes of the clock, for a whole column at once.

Whether the logger's clock followed the change is read off the log itself: one that ran on through the hour that does
not exist in spring, or did not repeat the hour that exists twice in autumn, stood on one offset all along.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.clock.stamp_parser import DAY_NS, SECOND_NS, days_since_1970
from pipeline.logs.clock.time_order import newest_first, usual_interval_s
from pipeline.logs.vocabulary.stamp_patterns import offset_of_word

_HOUR_NS = 3600 * SECOND_NS


@dataclass(frozen=True, kw_only=True)
class _Change:
    """One change of the clock: at `utc_ns` the offset goes from `before_ns` to `after_ns`."""

    utc_ns: int
    before_ns: int
    after_ns: int


def fixed_offset_ns(text: str) -> int | None:
    """Offset of "UTC", "GMT-5", "UTC+02:00", "+0200" from UTC [ns], or None."""
    match = re.search(
        r"(?:UTC|GMT|^|\s|\()\s*([+\-−])\s*(\d{1,2})(?::?(\d{2}))?(?!\d)", text.strip(), re.IGNORECASE
    )
    if match and int(match[2]) <= 14:
        ns = int(match[2]) * _HOUR_NS + int(match[3] or 0) * 60 * SECOND_NS
        return -ns if match[1] != "+" else ns
    return 0 if re.search(r"(?<![^\W\d_])(UTC|utc|GMT|gmt|Z)(?![^\W\d_+\-])", text) else None


def zone_said(text: str) -> int | ZoneInfo | None:
    """The zone that a text names: its offset from UTC [ns] ("UTC+2", "2", "-5 hours"), or a place ("Europe/Lisbon"); None where it names none."""
    offset = fixed_offset_ns(text)
    if offset is not None:
        return offset
    for name in re.findall(r"(?<![^\W\d_])[A-Z][A-Za-z]+/[A-Z][A-Za-z_/+-]+", text):
        try:
            return ZoneInfo(name)
        except (KeyError, ValueError, OSError):
            continue
    plain = re.fullmatch(r"([+-]?)(\d{1,2})(?:[.:](\d{1,2}))?\s*(?:h|hours)?", text.strip())
    if plain and int(plain[2]) <= 14:
        ns = (int(plain[2]) * 3600 + (int(plain[3]) * 60 if plain[3] else 0)) * SECOND_NS
        return -ns if plain[1] == "-" else ns
    return None


def zone_of_cell(cell: str) -> int | ZoneInfo | None:
    """The zone in a cell of a column of zones, as of `zone_said`: "+0200", "CEST", "Europe/Lisbon"; a bare number is none."""
    seconds = offset_of_word(cell)
    if seconds is not None:
        return seconds * SECOND_NS
    return zone_said(cell) if cell[:1].isalpha() else None


def to_utc(local_ns: np.ndarray, zone: ZoneInfo) -> tuple[np.ndarray, tuple[Text, ...]]:
    """(int64 UTC times in the order given, notes). `local_ns` (n,) are wall-clock times in the order of the file."""
    if not len(local_ns):
        return local_ns, ()
    if newest_first(local_ns):
        utc, notes = to_utc(local_ns[::-1], zone)
        return utc[::-1], notes
    low, high = int(local_ns.min()), int(local_ns.max())
    changes = _changes(zone, low - 26 * _HOUR_NS, high + 26 * _HOUR_NS)
    inside = [
        c
        for c in changes
        if low < c.utc_ns + max(c.before_ns, c.after_ns) and c.utc_ns + min(c.before_ns, c.after_ns) <= high
    ]
    if not inside:
        offset = offset_at(zone, low)
        return local_ns - offset if offset else local_ns, ()
    stood = _stood_still(local_ns, inside)
    if stood is not None:
        note = Text(
            key="logs.note.clock_without_dst",
            english="the logger's clock did not follow the change of {date} in {zone}: it was taken to stand on one offset",
            values={"date": _day(stood.utc_ns + stood.before_ns), "zone": zone.key},
        )
        return local_ns - offset_at(zone, low), (note,)
    result = local_ns - offset_at(zone, low)
    for change in inside:
        np.subtract(local_ns, change.after_ns, out=result, where=_is_after(local_ns, change))
    note = Text(
        key="logs.note.clock_with_dst",
        english="the clock changes on {date} in {zone}: the local times were read with the offset of each side",
        values={"date": _day(inside[0].utc_ns + inside[0].before_ns), "zone": zone.key},
    )
    return result, (note,)


def zone_text(zone: int | ZoneInfo) -> str:
    """A zone, or an offset from UTC [ns], as text."""
    return str(zone) if isinstance(zone, int) else zone.key


def in_other_order(time_ns: np.ndarray, zone: str) -> np.ndarray | None:
    """UTC times (n,) with day and month of their local dates exchanged; None where a date is then none, or the times fall.

    zone: of `zone_text`.
    """
    where = int(zone) if zone.lstrip("-").isdigit() else ZoneInfo(zone)
    local = time_ns + where if isinstance(where, int) else _to_local(time_ns, where)
    day_ns = local // DAY_NS * DAY_NS
    starts = np.flatnonzero(np.diff(day_ns, prepend=day_ns[0] - 1))
    dates = day_ns[starts].view("M8[ns]").astype("M8[D]")
    months = dates.astype("M8[M]")
    days, there = days_since_1970(
        dates.astype("M8[Y]").astype(int) + 1970,
        (dates - months).astype(int) + 1,
        months.astype(int) % 12 + 1,
    )
    rows = np.diff(np.append(starts, len(local)))
    local = local - day_ns + np.repeat(days * DAY_NS, rows)
    utc = local - where if isinstance(where, int) else to_utc(local, where)[0]
    return utc if there.all() and (np.diff(utc) > 0).all() else None


def _to_local(utc_ns: np.ndarray, zone: ZoneInfo) -> np.ndarray:
    """Wall-clock times (n,) of UTC times, ascending."""
    low, high = int(utc_ns[0]), int(utc_ns[-1])
    changes = _changes(zone, low - SECOND_NS, high + SECOND_NS)
    result = utc_ns + (changes[0].before_ns if changes else offset_at(zone, low))
    for change in changes:
        np.add(utc_ns, change.after_ns, out=result, where=utc_ns >= change.utc_ns)
    return result


def _day(ns: int) -> str:
    return str(np.datetime64(ns, "ns").astype("M8[D]"))


def offset_at(zone: ZoneInfo, local_ns: int) -> int:
    """The offset of `zone` from UTC [ns] at the local time `local_ns` [ns]."""
    moment = datetime(1970, 1, 1) + timedelta(microseconds=local_ns // 1000)
    return int(moment.replace(tzinfo=zone).utcoffset().total_seconds()) * SECOND_NS


def _changes(zone: ZoneInfo, low_ns: int, high_ns: int) -> list[_Change]:
    """Every change of offset between two UTC times, to the second."""

    def offset(second: int) -> int:
        return int((datetime.fromtimestamp(second, UTC).astimezone(zone)).utcoffset().total_seconds())

    found = []
    low, high = low_ns // SECOND_NS, high_ns // SECOND_NS
    step = 14 * 86400  # no zone changes twice within a fortnight in the years a logger meets
    at, before = low, offset(low)
    while at < high:
        nxt = min(at + step, high)
        after = offset(nxt)
        if after != before:
            a, b = at, nxt
            while b - a > 1:
                middle = (a + b) // 2
                a, b = (middle, b) if offset(middle) == before else (a, middle)
            found.append(
                _Change(utc_ns=b * SECOND_NS, before_ns=before * SECOND_NS, after_ns=offset(b) * SECOND_NS)
            )
        at, before = nxt, after
    return found


def _stood_still(local_ns: np.ndarray, changes: list[_Change]) -> _Change | None:
    """The first change that the log shows not to have been followed."""
    for change in changes:
        first, last = sorted((change.utc_ns + change.before_ns, change.utc_ns + change.after_ns))
        within = (local_ns >= first) & (local_ns < last)
        if change.after_ns > change.before_ns:  # spring: first…last does not exist on a clock that follows
            if np.count_nonzero(within) >= 2:
                return change
            continue
        # autumn: first…last comes twice on a clock that follows
        rows = np.flatnonzero(within)
        if not len(rows) or local_ns[0] >= first or local_ns[-1] < last:
            continue
        stretch = local_ns[max(0, rows[0] - 1) : rows[-1] + 2]
        step = np.diff(stretch)
        usual = abs(usual_interval_s(local_ns)) * SECOND_NS or 1.0
        if step.min() > -(last - first) // 2 and step.max() < (last - first) // 2 + 2 * usual:
            return change
    return None


def _is_after(local_ns: np.ndarray, change: _Change) -> np.ndarray:
    """bool (n,): rows past the change."""
    first, last = sorted((change.utc_ns + change.before_ns, change.utc_ns + change.after_ns))
    after = local_ns >= last
    if change.after_ns > change.before_ns:
        return after | (local_ns >= first)
    twice = (local_ns >= first) & (local_ns < last)
    if twice.any():
        back = np.flatnonzero(np.diff(local_ns) <= -(last - first) // 2)
        back = [i for i in back.tolist() if first <= local_ns[i + 1] < last or first <= local_ns[i] < last]
        if back:
            after |= twice & (np.arange(len(local_ns)) > back[0])
        elif (
            local_ns[0] >= first
        ):  # the log begins in the hour that comes twice and runs out of it: the second time
            after |= twice if local_ns[-1] >= last else False
    return after
