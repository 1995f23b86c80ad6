"""Which columns hold the time, and how: decided from the sample, the header and the head of the file."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import pairwise

from pipeline.errors import LogFileError
from pipeline.logs.clock.column_profile import (
    Profile,
    counts_evenly,
    counts_up,
    never_falls,
    profile_of,
    value_of,
)
from pipeline.logs.clock.numeric_dates import (
    columns_of_parts,
    columns_of_year_day,
    columns_that_count_time,
    is_time_of_day,
)
from pipeline.logs.clock.time_zones import fixed_offset_ns, zone_of_cell
from pipeline.logs.layout.dialect import Dialect
from pipeline.logs.layout.preamble import Head
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.logs.vocabulary.stamp_patterns import SECONDS_IN, TIME_WORDS

_COUNTER_WORDS = re.compile(
    r"(#|no\.?|nr\.?|n[°º]\.?|num(ber)?|rec(ord)?|row|index|idx|scan|sample|line|id|seq(uence)?|registro|muestra|lfd\.?( nr\.?)?"
    r"|zeile|messung|ligne|enregistrement|counter|count|point|item|entry|reading|reading no\.?|sample no\.?|record no\.?)",
    re.IGNORECASE,
)
_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,9})?)?(Z|[+-]\d\d:?\d\d)?")

_MIDNIGHT = re.compile(r"[ T](0?0:00(:00(\.0+)?)?|12:00(:00)? ?AM)$", re.IGNORECASE)

# Ranges that tell numeric clocks apart: 1998 to 2096 as seconds; spreadsheet days from 1990 to 2099
_EPOCH = {"epoch-s": 1.0, "epoch-ms": 1e3, "epoch-us": 1e6, "epoch-ns": 1e9}
_EPOCH_S = (9e8, 4e9)
_SERIAL_DAYS = (32874.0, 73050.0)


@dataclass(frozen=True, kw_only=True)
class ClockPlan:
    """kind: "stamp" (date and time in one column), "date+time" (two), "date+seconds" (a date, and a number since midnight), "digits" (the
    same as bare numbers), "time-of-day" (the date stands in the head),
    "epoch-s", "epoch-ms", "epoch-us", "epoch-ns", "serial-days", "elapsed" (a number since the start), "counter" (row
    numbers, with start and interval in the head)."""

    kind: str
    columns: tuple[int, ...]
    iso: bool = False  # plain ISO, which Arrow reads itself
    iso_zone: bool = False
    unit_s: float = 1.0  # of an elapsed time
    dotted: bool = False  # the times of day are written with points
    held: bool = False  # a date stands in its first row alone, and holds until the next one
    unnamed: bool = False  # nothing but its even steps says that the column is a clock
    zone: int | None = None  # a column of the zone or offset of each row


def plan_columns(dialect: Dialect, head: Head, name: str) -> tuple[ClockPlan, tuple[int, ...]]:
    """(the clock, the columns that hold readings). Raises LogFileError where no column is a clock."""
    profiles = [
        profile_of([row[i] for row in dialect.sample], dialect.decimal) for i in range(dialect.fields)
    ]
    plan = _plan_clock(dialect, profiles, head, name)
    plan = replace(plan, zone=_zone_column(dialect, head, plan))
    return plan, _reading_columns(profiles, head, plan)


_ZONE_LABEL = re.compile(
    r"((time|utc|gmt)?[ _]?(zone|offset)|tz|zeitzone|zona( horaria)?|fuseau( horaire)?)([ _](offset|name))?",
    re.IGNORECASE,
)


def _zone_column(dialect: Dialect, head: Head, plan: ClockPlan) -> int | None:
    """A column that says the zone of each row, beside local times."""
    if plan.iso_zone or plan.kind not in ("stamp", "date+time", "digits", "serial-days"):
        return None
    if any(
        (shape := kind_of(c).shape) and shape.offset_s is not None for c in _cells(dialect, plan.columns[-1])
    ):
        return None
    labelled = (
        i for i, label in enumerate(head.labels) if head.named and _ZONE_LABEL.fullmatch(label.strip())
    )
    return next(
        (
            i
            for i in labelled
            if (cells := _cells(dialect, i)) and all(zone_of_cell(c) is not None for c in set(cells))
        ),
        None,
    )


def _cells(dialect: Dialect, i: int) -> list[str]:
    return [row[i] for row in dialect.sample if row[i]]


def by_clock(
    dialect: Dialect, plan: ClockPlan, readings: tuple[int, ...]
) -> list[tuple[ClockPlan, tuple[int, ...]]]:
    """Each clock with its readings: logs that were put side by side, each under a clock of its own. One clock in two zones is one."""
    rows = [[kind_of(c).shape if c else None for c in row] for row in dialect.sample]
    clocks = [
        i
        for i in range(dialect.fields)
        if sum(r[i] is not None and bool(r[i].date) and r[i].hour is not None for r in rows) > 0.5 * len(rows)
    ]
    parts = [(i, tuple(r for r in readings if i < r < end)) for i, end in pairwise([*clocks, dialect.fields])]
    if plan.kind != "stamp" or len(parts) < 2 or clocks[0] > min(readings) or not all(of for _, of in parts):
        return [(plan, readings)]
    whole = [row for row in dialect.sample if all(row[i] for i in clocks)]
    if all(len({_minute_and_second(row[i]) for i in clocks}) == 1 for row in whole):
        return [(plan, readings)]
    return [(_stamp_plan(dialect, i), of) for i, of in parts]


def _minute_and_second(cell: str) -> tuple[int, str]:
    """Of a time; zones differ by quarters of an hour."""
    shape = kind_of(cell).shape
    if shape is None or shape.minute is None:
        return -1, cell
    minute, second = (cell.encode()[slice(*s)].decode() if s else "" for s in (shape.minute, shape.second))
    return int(minute) % 15, second


def _plan_clock(dialect: Dialect, profiles: list[Profile], head: Head, name: str) -> ClockPlan:
    return (
        _dotted_times(dialect, profiles, head)
        or _stamp(dialect, profiles, head)
        or _date_and_time(profiles)
        or _date_and_seconds(profiles, head)
        or _digits_alone(profiles, head)
        or _six_digits(dialect, profiles, name)
        or _numeric(profiles, head)
        or _time_of_day(dialect, profiles)
        or _counter(profiles, head)
        or _unnamed(dialect, profiles, head)
        or _refuse(dialect, profiles, name)
    )


def _reading_columns(profiles: list[Profile], head: Head, plan: ClockPlan) -> tuple[int, ...]:
    """Columns that hold readings: no clock, no row number, no text."""
    found = []
    for i, profile in enumerate(profiles):
        if i in (*plan.columns, plan.zone):
            continue
        label = head.labels[i] if head.named else ""
        if profile.stamp + profile.date + profile.time > 0.5:
            continue  # a second clock
        if profile.number + profile.word < 0.5 and profile.filled > 0:
            continue  # text
        if (
            profile.filled == 0
            and (i in (0, len(profiles) - 1) or head.named)
            and (not head.named or label.startswith("column "))
        ):
            continue  # nothing but a delimiter
        if counts_up(profile.numbers) and (
            not label or _COUNTER_WORDS.fullmatch(label.strip()) or label.startswith("column ")
        ):
            continue
        if label and counts_evenly(profile.numbers) and TIME_WORDS.search(label):
            continue  # elapsed time beside a real clock
        found.append(i)
    return tuple(found)


_SENT = re.compile(r"(?<![^\W\d_])(upload|receiv|server|insert|stored?|sync|transmit|sent)", re.IGNORECASE)
"""Words over the time at which a reading was sent or arrived, not taken. Common practice, no source."""


def _stamp(dialect: Dialect, profiles: list[Profile], head: Head) -> ClockPlan | None:
    columns = [i for i, p in enumerate(profiles) if p.stamp > 0.5 and p.filled > 0.5]
    if not columns:
        return None
    if len(columns) == 2 and (pair := _spreadsheet_pair(dialect, columns)):
        return pair
    i = min(
        columns,
        key=lambda c: (bool(_SENT.search(head.labels[c])), not _on_utc(dialect, head, c), c),
    )  # two clocks: that of the reading, not of its way; then the one that needs no zone
    cells = [row[i] for row in dialect.sample if row[i]]
    times = [t for t, p in enumerate(profiles) if p.time > 0.5 and p.filled > 0.5]
    if times and len(cells) > 1 and all(_MIDNIGHT.search(c) for c in cells):
        return ClockPlan(kind="date+time", columns=(i, times[0]))
    return _stamp_plan(dialect, i)


def _stamp_plan(dialect: Dialect, i: int) -> ClockPlan:
    cells = [row[i] for row in dialect.sample if row[i]]
    zoned = [bool(m[3]) for c in cells if (m := _ISO.fullmatch(c))]
    iso = len(zoned) == len(cells) and len(set(zoned)) == 1
    return ClockPlan(kind="stamp", columns=(i,), iso=iso, iso_zone=iso and zoned[0])


_DOTTED = re.compile(r"[0-2]?[0-9]\.[0-5][0-9]\.[0-5][0-9]")
_DOTTED_MINUTES = re.compile(r"(?:[01]?[0-9]|2[0-3])\.[0-5][0-9]")


def _dotted_times(dialect: Dialect, profiles: list[Profile], head: Head) -> ClockPlan | None:
    """A column of dates, and beside it times of day written "08.00.30", which alone might be dates, or "8.00" under a label of a time."""

    def is_dotted(i: int) -> bool:
        ways = (_DOTTED, _DOTTED_MINUTES) if head.named and TIME_WORDS.search(head.labels[i]) else (_DOTTED,)
        return any(all(way.fullmatch(row[i]) for row in dialect.sample if row[i]) for way in ways)

    dotted = [i for i, p in enumerate(profiles) if p.filled > 0.5 and is_dotted(i)]
    dates = [i for i, p in enumerate(profiles) if p.date > 0.5 and p.filled > 0.5 and i not in dotted]
    if len(dotted) != 1 or not dates:
        return None
    return ClockPlan(kind="date+time", columns=(dates[0], dotted[0]), dotted=True)


_MILLISECONDS_FROM = 1000.0
"""A step of so many seconds is seldom, of so many milliseconds usual. Common practice, no source."""


def _unnamed(dialect: Dialect, profiles: list[Profile], head: Head) -> ClockPlan | None:
    """No label, and the first column counts on evenly from zero: elapsed seconds, or milliseconds where the steps are large."""
    first = profiles[0]
    if head.named or len(profiles) < 2 or first.number < 0.9 or not counts_evenly(first.numbers):
        return None
    steps = sorted(b - a for a, b in pairwise(first.numbers))
    step = steps[len(steps) // 2]
    start = value_of(dialect.first_row[0], dialect.decimal) if dialect.first_row else first.numbers[0]
    if not abs(start) <= step or (step == 1.0 and start != 0.0):  # 1, 2, 3 are row numbers
        return None
    small = (step >= _MILLISECONDS_FROM and step % 600.0 != 0.0) or step >= 20_000.0
    return ClockPlan(kind="elapsed", columns=(0,), unit_s=1e-3 if small else 1.0, unnamed=True)


def _on_utc(dialect: Dialect, head: Head, i: int) -> bool:
    shapes = [kind_of(row[i]).shape for row in dialect.sample[:20] if row[i]]
    return fixed_offset_ns(head.labels[i]) is not None or all(
        s is not None and s.offset_s is not None for s in shapes
    )


def _spreadsheet_pair(dialect: Dialect, columns: list[int]) -> ClockPlan | None:
    """A date column that always says midnight, and a time column that always says the same old day."""
    dates, times = ([row[i] for row in dialect.sample if row[i]] for i in columns)
    midnight = all(_MIDNIGHT.search(c) for c in dates)
    one_old_day = len({c[:10] for c in times}) == 1 and re.match(
        r"1899|1900|30/12/1899|12/30/1899|1970", times[0]
    )
    return ClockPlan(kind="date+time", columns=tuple(columns)) if midnight and one_old_day else None


def _date_and_time(profiles: list[Profile]) -> ClockPlan | None:
    dates = [i for i, p in enumerate(profiles) if p.date > 0.5 and p.filled > 0.5]
    times = [i for i, p in enumerate(profiles) if p.time > 0.5 and p.filled > 0.5]
    if dates and times:
        return ClockPlan(kind="date+time", columns=(dates[0], times[0]))
    return None


def _date_and_seconds(profiles: list[Profile], head: Head) -> ClockPlan | None:
    """A column of dates, and beside it the seconds (minutes, hours) since midnight, by their label and their range. Such as 90500 are none: the
    seconds of a minute soon reach 60, which no time of day does."""
    dates = [i for i, p in enumerate(profiles) if p.date > 0.5 and p.filled > 0.5]
    for i, p in enumerate(profiles) if dates and head.named else ():
        unit_s = _elapsed_unit(head.labels[i]) if i not in dates and p.number > 0.9 else None
        if (
            unit_s == 1.0
            and all(map(is_time_of_day, p.numbers))
            and TIME_WORDS.fullmatch(head.labels[i].strip())
        ):
            continue
        if unit_s is not None and min(p.numbers) >= 0 and max(p.numbers) * unit_s < 86_400:
            return ClockPlan(kind="date+seconds", columns=(dates[0], i), unit_s=unit_s)
    return None


def _digits_alone(profiles: list[Profile], head: Head) -> ClockPlan | None:
    """A date such as 20260504 beside a time such as 90500, or year, month, day, hour, minute, second a column each, or year, day of the year and a
    time such as 905."""
    parts = columns_of_parts(head.labels) or columns_of_year_day(head.labels) if head.named else ()
    parts = parts or columns_that_count_time([p.numbers if p.number > 0.9 else () for p in profiles])
    if parts and all(profiles[i].number > 0.9 for i in parts):
        return ClockPlan(kind="digits", columns=parts)
    for d, p in enumerate(profiles):
        if not (p.date > 0.9 and p.number > 0.9):
            continue
        for t, q in enumerate(profiles):
            named = head.named and TIME_WORDS.search(head.labels[t])
            if t != d and q.number > 0.9 and named and all(map(is_time_of_day, q.numbers)):
                return ClockPlan(kind="digits", columns=(d, t))
    return None


def _six_digits(dialect: Dialect, profiles: list[Profile], name: str) -> None:
    """Raises LogFileError where two columns hold nothing but six digits, and one of them only times of day."""
    six = [i for i in range(dialect.fields) if all(map(_SIX.fullmatch, _cells(dialect, i) or [""]))]
    if len(six) > 1 and any(all(map(is_time_of_day, profiles[i].numbers)) for i in six):
        date, time = ((dialect.first_row or dialect.sample[0])[i] for i in six[:2])
        raise LogFileError(
            f'the date and the time seem to be written as six digits each ("{date}", "{time}"), and nothing tells day, month and year apart',
            file=name,
            line=dialect.first_line,
            remedy="export the log with dates such as 2026-05-04 and times such as 09:05:00",
        )


_SIX = re.compile(r"[0-9]{6}")


def _numeric(profiles: list[Profile], head: Head) -> ClockPlan | None:
    for i, p in enumerate(profiles):
        if p.number < 0.9 or p.filled < 0.5 or len(p.numbers) < 2:
            continue
        low, high = min(p.numbers), max(p.numbers)
        if not never_falls(p.numbers):
            continue
        for kind, scale in _EPOCH.items():
            if _EPOCH_S[0] * scale <= low and high <= _EPOCH_S[1] * scale:
                return ClockPlan(kind=kind, columns=(i,))
        label = head.labels[i] if head.named else ""
        steps = [b - a for a, b in pairwise(p.numbers) if b > a]
        fine = bool(steps) and sorted(steps)[len(steps) // 2] < 0.6
        if (
            _SERIAL_DAYS[0] <= low
            and high <= _SERIAL_DAYS[1]
            and fine
            and (TIME_WORDS.search(label) or i == 0)
        ):
            return ClockPlan(kind="serial-days", columns=(i,))
    for i, p in enumerate(profiles):
        label = head.labels[i] if head.named else ""
        if p.number < 0.9 or not never_falls(p.numbers) or not label:
            continue
        if (unit_s := _elapsed_unit(label)) is not None:
            return ClockPlan(kind="elapsed", columns=(i,), unit_s=unit_s)
    return None


def _elapsed_unit(label: str) -> float | None:
    """Seconds in the unit of an elapsed-time column, by its label; None where the label means something else."""
    lowered = label.lower()
    parts = [w for w in re.split(r"[\s_()\[\],./:]+", lowered) if w]
    unit = next((SECONDS_IN[w] for w in reversed(parts) if w in SECONDS_IN), None)
    rest = [w for w in parts if w not in SECONDS_IN]
    timely = any(TIME_WORDS.fullmatch(w) or w in ("t", "since", "start", "run", "midnight") for w in rest)
    timely = timely or " ".join(rest) in ("of day", "of the day")
    if timely or (unit is not None and not rest):
        return unit or 1.0
    return None


def _time_of_day(dialect: Dialect, profiles: list[Profile]) -> ClockPlan | None:
    times = [i for i, p in enumerate(profiles) if p.time > 0.5 and p.filled > 0.5]
    for i, cell in enumerate(dialect.first_row if times else ()):
        shape = kind_of(cell).shape if cell and i not in times else None
        if shape is not None and shape.date and profiles[i].date in (0, 1) and profiles[i].number < 1:
            return ClockPlan(kind="date+time", columns=(i, times[0]), held=True)
    return ClockPlan(kind="time-of-day", columns=(times[0],)) if times else None


def _counter(profiles: list[Profile], head: Head) -> ClockPlan | None:
    if not ("start" in head.facts and "interval" in head.facts):
        return None
    for i, p in enumerate(profiles):
        if p.number > 0.9 and counts_up(p.numbers):
            return ClockPlan(kind="counter", columns=(i,))
    return None


def _refuse(dialect: Dialect, profiles: list[Profile], name: str) -> ClockPlan:
    line = dialect.first_line
    if any(p.date > 0.5 for p in profiles):
        raise LogFileError(
            "there is a column of dates but none of times of day",
            file=name,
            line=line,
            remedy="export the log with the time of every reading",
        )
    above = [c for row in (*dialect.header[-1:], dialect.first_row) for c in row if c]
    if sum(kind_of(c).shape is not None for c in above) > 2:
        raise LogFileError(
            "the times stand side by side in one line, a column each",
            file=name,
            line=max(1, line - len(dialect.header)),
            remedy="turn the table round: a row for each time, with a column for each channel",
        )
    odd = next((c for c in dialect.sample[0] if c and not kind_of(c).reads and any(map(str.isdigit, c))), "")
    raise LogFileError(
        "no column holds the time of the readings"
        + (f' ("{odd[:40]}" is no time that is known here)' if odd else ""),
        file=name,
        line=line,
        remedy="export the log with a date and time in every row, or with elapsed seconds under a header that says so",
    )
