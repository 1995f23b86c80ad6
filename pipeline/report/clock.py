"""Times in the unit's zone, a whole column at once, right across clock changes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

S = 1_000_000_000
DAY_NS = 86_400 * S


@dataclass(frozen=True, kw_only=True)
class Offsets:
    """The UTC offsets in force over a span: from `from_ns[i]` on, `offset_s[i]` is added to UTC."""

    from_ns: np.ndarray  # int64 (m,), rising; the first is before the span
    offset_s: np.ndarray  # int64 (m,) [s]

    def at(self, time_ns: np.ndarray) -> np.ndarray:
        """Offset [s] (n,) in force at each of `time_ns` (int64 (n,), UTC)."""
        index = np.searchsorted(self.from_ns, time_ns, side="right") - 1
        return self.offset_s[np.maximum(index, 0)]

    def local_ns(self, time_ns: np.ndarray) -> np.ndarray:
        """Wall-clock time of `time_ns` (n,) as if it were UTC: int64 (n,)."""
        return np.asarray(time_ns, np.int64) + self.at(np.asarray(time_ns, np.int64)) * S

    def utc_ns(self, local_ns: np.ndarray) -> np.ndarray:
        """UTC of wall-clock times `local_ns` (n,); of an hour that comes twice, the first; a skipped one as if the clock had run on."""
        local_ns = np.asarray(local_ns, np.int64)
        return local_ns - self.at(local_ns - self.at(local_ns) * S) * S


def offsets_between(zone: ZoneInfo, start_ns: int, end_ns: int) -> Offsets:
    """Every offset that `zone` has from a day before `start_ns` to a day after `end_ns`.

    A zone changes its offset at most a few times a year: looked at once a day, each change bisected to the second.
    """
    first, last = start_ns // S - 86_400, end_ns // S + 86_400
    starts, offsets = [first], [_offset_s(zone, first)]
    for at in range(first, last + 86_400, 86_400):
        now = _offset_s(zone, at)
        if now != offsets[-1]:
            low, high = at - 86_400, at
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (low, middle) if _offset_s(zone, middle) == now else (middle, high)
            starts.append(high)
            offsets.append(now)
    return Offsets(from_ns=np.array(starts, np.int64) * S, offset_s=np.array(offsets, np.int64))


def iso_times(time_ns: np.ndarray, offsets: Offsets, *, always_ms: bool = False) -> np.ndarray:
    """ISO 8601 with offset ("2026-03-29T03:00:00+02:00"), one string a time of `time_ns` (n,), "" where a time is -1.

    Milliseconds are written where any time of the column has them, or `always_ms`: a moment must read the same in every
    file that scripts join by its text. Shape (n,), dtype str.
    """
    time_ns = np.asarray(time_ns, np.int64)
    missing = time_ns == -1
    rounded = (time_ns + 500_000) // 1_000_000 * 1_000_000  # to the millisecond
    unit = "s" if not always_ms and np.all((rounded % S == 0) | missing) else "ms"
    text = np.datetime_as_string(offsets.local_ns(rounded).view("M8[ns]").astype(f"M8[{unit}]"), unit=unit)
    shift = offsets.at(rounded)
    names = {int(s): _offset_name(int(s)) for s in np.unique(shift)}
    tail = np.array([names[int(s)] for s in shift]) if len(names) > 1 else next(iter(names.values()), "")
    return np.where(missing, "", np.char.add(text, tail))


def local_day(time_ns: int, offsets: Offsets) -> datetime:
    """The wall-clock moment as a naive datetime, for words such as "3 March 2026, 14:05"."""
    local = int(offsets.local_ns(np.array([time_ns]))[0])
    return datetime.fromtimestamp(local // S, UTC).replace(tzinfo=None)


def _offset_s(zone: ZoneInfo, at_s: int) -> int:
    return int(datetime.fromtimestamp(at_s, zone).utcoffset() / timedelta(seconds=1))


def _offset_name(offset_s: int) -> str:
    sign, minutes = ("-" if offset_s < 0 else "+"), abs(offset_s) // 60
    return f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"
