"""The clock columns of a file → UTC times in the order of its rows.

How dates are ordered is decided in `date_order`; this is what to do with the times then: zones, starts, midnights.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.clock import time_zones
from pipeline.logs.clock.clock_columns import ClockPlan
from pipeline.logs.clock.date_order import Surroundings, days_of_stretches, impossible, order_of
from pipeline.logs.clock.local_times import local_to_utc, zone_of
from pipeline.logs.clock.numeric_dates import read_digits
from pipeline.logs.clock.stamp_parser import DAY_NS, NO_ZONE, SECOND_NS, StampColumn, Stamps, parse
from pipeline.logs.clock.start_of_log import start_or_day_one
from pipeline.logs.layout.preamble import seconds_of
from pipeline.logs.rows.column_blocks import CellBlock
from pipeline.logs.rows.columns import Grid, line_of
from pipeline.logs.rows.numbers import texts_of

_SPREADSHEET_EPOCH_NS = -25569 * DAY_NS  # day 0 of the 1900 system, as it counts from March 1900 on
_ELAPSED = re.compile(
    r"\b(elapsed|since|run ?time|transcurrido|verstrichen|laufzeit|[ée]coul[ée]e?)\b", re.IGNORECASE
)
HOUR_NS = 3600 * SECOND_NS


@dataclass(frozen=True, kw_only=True)
class Moments:
    """rows: which rows of the grid have a time, ascending (None: all of them)."""

    utc_ns: np.ndarray
    rows: np.ndarray | None
    about: Mapping[str, str]  # for SourceFile.dialect
    notes: tuple[Text, ...]
    resolution_ns: int
    other_order: str = (
        ""  # the zone (see `time_zones.zone_text`) of times whose dates may as well be in the other order
    )


def read_moments(grid: Grid, plan: ClockPlan, around: Surroundings) -> Moments:
    """Raises LogFileError for an impossible date, and where nothing says when zero was."""
    if plan.zone is None:
        return _read_moments(grid, plan, around)
    zones = texts_of(grid.text.pop(plan.zone))
    moments = _read_moments(grid, plan, replace(around, labels="UTC"))
    return _in_zones_of_rows(moments, zones, grid.rows, around)


def _in_zones_of_rows(
    moments: Moments, zones: Mapping[str, np.ndarray], rows: int, around: Surroundings
) -> Moments:
    """Times that were read as UTC, each in the zone that its own row names. zones: zone -> its rows. Raises LogFileError."""
    which = np.full(rows, -1)
    for n, found in enumerate(zones.values()):
        which[found] = n
    which = which if moments.rows is None else which[moments.rows]
    utc, notes = moments.utc_ns.copy(), moments.notes
    for n, word in enumerate(["", *zones], start=-1):
        here = np.flatnonzero(which == n)
        zone = time_zones.zone_of_cell(word)
        if len(here) and zone is None:
            raise LogFileError(
                f'the time zone of some rows is not known here ("{word}")',
                file=around.name,
                remedy="export the log with times such as 2026-05-04T09:05:00+02:00",
            )
        if isinstance(zone, int):
            utc[here] -= zone
        elif zone is not None:
            utc[here], more = time_zones.to_utc(utc[here], zone)
            notes += more
    return replace(moments, utc_ns=utc, notes=notes, about={**moments.about, "zone": "in every row"})


def _read_moments(grid: Grid, plan: ClockPlan, around: Surroundings) -> Moments:
    if grid.stamps_ns is not None:
        about = {"clock": "date and time", "date_format": "ISO 8601"}
        if plan.iso_zone:
            return Moments(utc_ns=grid.stamps_ns, rows=None, about=about, notes=(), resolution_ns=SECOND_NS)
        utc, notes, zone = local_to_utc(grid.stamps_ns, around)
        return Moments(utc_ns=utc, rows=None, about=about | zone, notes=notes, resolution_ns=SECOND_NS)
    if plan.kind in ("stamp", "date+time", "date+seconds", "time-of-day"):
        return _from_text(grid, plan, around)
    if plan.kind == "digits":
        return _from_digits(grid, plan, around)
    return _from_numbers(grid, plan, around)


def _from_digits(grid: Grid, plan: ClockPlan, around: Surroundings) -> Moments:
    digits = read_digits([grid.numbers[i].values for i in plan.columns])
    if digits.impossible:
        cell = digits.date_cell.encode()
        line = line_of(around.text, cell, around.data_at) if cell else None
        raise impossible(digits.impossible, around, line)
    utc, notes, zone = local_to_utc(digits.local_ns, around)
    about = {"clock": "date and time apart", "date_format": "year-first"}
    return Moments(utc_ns=utc, rows=digits.rows, about=about | zone, notes=notes, resolution_ns=SECOND_NS)


def _from_numbers(grid: Grid, plan: ClockPlan, around: Surroundings) -> Moments:
    values = grid.numbers[plan.columns[0]].values
    rows = None if np.isfinite(values).all() else np.flatnonzero(np.isfinite(values))
    values = values if rows is None else values[rows]
    about = {"clock": plan.kind}
    if plan.kind.startswith("epoch"):
        per_second = {"epoch-s": 1, "epoch-ms": 10**3, "epoch-us": 10**6, "epoch-ns": 10**9}[plan.kind]
        whole = np.floor(values)
        utc = whole.astype(np.int64) * (SECOND_NS // per_second)
        if per_second == 1:
            utc += np.round((values - whole) * 1e3).astype(np.int64) * 10**6
        return Moments(utc_ns=utc, rows=rows, about=about, notes=(), resolution_ns=SECOND_NS)
    if plan.kind == "serial-days":
        local = _snapped(values * 86400.0) + _SPREADSHEET_EPOCH_NS
        utc, notes, zone = local_to_utc(local, around)
        return Moments(utc_ns=utc, rows=rows, about=about | zone, notes=notes, resolution_ns=SECOND_NS)
    start, zone, notes = start_or_day_one(around)
    if plan.unnamed:
        unit = "milliseconds" if plan.unit_s < 1 else "seconds"
        notes = (
            *notes,
            Text(
                key="logs.note.elapsed_unnamed",
                english="no column has a label; the first, which counts on evenly from zero, was taken for elapsed {unit}",
                values={"unit": unit},
            ),
        )
    if plan.kind == "counter":
        interval = seconds_of(around.head.facts["interval"])
        if interval is None:
            raise LogFileError(
                f'the rows are only numbered, and the interval "{around.head.facts["interval"]}" was not understood',
                file=around.name,
                remedy="export the log with a date and time in every row",
            )
        values = (values - values[0]) * interval
    else:
        values = values * plan.unit_s
    utc = start + (
        _snapped(values) if plan.unit_s >= 60.0 else np.round(values * 1e3).astype(np.int64) * 10**6
    )
    return Moments(utc_ns=utc, rows=rows, about=about | zone, notes=notes, resolution_ns=SECOND_NS)


def _snapped(seconds: np.ndarray) -> np.ndarray:
    """Seconds → ns; on whole seconds where all of them are within the rounding of a fraction of a day with five places."""
    nearest = np.round(seconds)
    if len(seconds) and np.max(np.abs(seconds - nearest)) <= 0.45:
        return nearest.astype(np.int64) * SECOND_NS
    return np.round(seconds * 1e3).astype(np.int64) * 10**6


def _from_text(grid: Grid, plan: ClockPlan, around: Surroundings) -> Moments:
    columns = plan.columns[:1] if plan.kind == "date+seconds" else plan.columns
    texts = [grid.text.pop(i) for i in columns]
    if plan.dotted:
        texts[-1] = [
            replace(b, data=np.where(b.data == ord("."), np.uint8(ord(":")), b.data)) for b in texts[-1]
        ]
    stamps = [_parsed(texts.pop(0), around) for _ in columns]
    if plan.held:
        stamps[0] = stamps[0].held()
    if plan.kind == "date+seconds":
        stamps.append(_since_midnight(stamps[0], grid.numbers[plan.columns[1]].values * plan.unit_s))
    ok = np.logical_and.reduce([s.ok for s in stamps])
    dated = stamps[0]
    timed = stamps[-1]
    rows = None if ok.all() else np.flatnonzero(ok)
    if rows is not None:
        stamps = [s.only(rows) for s in stamps]
        dated, timed = stamps[0], stamps[-1]
    if not len(dated.clock_ns):
        raise LogFileError(
            "no row has a time that can be read", file=around.name, remedy="export the log again"
        )
    clock = timed.clock_ns
    notes: tuple[Text, ...] = ()
    about: dict[str, str]
    if plan.kind == "time-of-day":
        return _from_time_of_day(timed, rows, around)
    order, notes = order_of(dated, around, clock)
    days, there = days_of_stretches(dated, order)
    possible = dated.possible & timed.possible
    if plan.kind != "stamp":
        possible &= clock <= DAY_NS
    if not (there.all() and possible.all()):
        good = possible & _spread(there, dated)
        row = int(np.flatnonzero(~good)[0])
        bad = (dated if possible[row] else timed).text_of(row if rows is None else int(rows[row]))
        raise impossible(bad, around, line_of(around.text, bad.encode(), around.data_at))
    about = {
        "clock": "date and time" if plan.kind == "stamp" else "date and time apart",
        "date_format": _format_name(dated, order),
    }
    local = _spread(days * DAY_NS, dated)
    local += clock
    offset_s, resolution = timed.offset_s, min(timed.resolution_ns, 60 * SECOND_NS)
    del stamps, dated, timed, clock  # of a long log a quarter of a gigabyte each
    utc, more, zone = _zoned(local, offset_s, around)
    is_open = bool(notes) and notes[-1].key == "logs.note.date_order_open"
    return Moments(
        utc_ns=utc,
        rows=rows,
        about=about | zone,
        notes=notes + more,
        resolution_ns=resolution,
        other_order=time_zones.zone_text(_zone_in(offset_s, around)) if is_open else "",
    )


def _since_midnight(dated: Stamps, seconds: np.ndarray) -> Stamps:
    ok = np.isfinite(seconds)
    clock = np.round(np.where(ok, seconds, 0.0) * 1e3).astype(np.int64) * 10**6
    return replace(dated, clock_ns=clock, ok=ok, possible=clock >= 0, resolution_ns=SECOND_NS)


def _parsed(cells: list[CellBlock] | StampColumn, around: Surroundings) -> Stamps:
    try:
        return cells.stamps() if isinstance(cells, StampColumn) else parse(cells)
    except ValueError as error:
        raise LogFileError(
            "the column of times holds too many kinds of text",
            file=around.name,
            remedy="export the log again",
        ) from error


def _from_time_of_day(stamps: Stamps, rows: np.ndarray | None, around: Surroundings) -> Moments:
    """Times without a date: the head's date, and a day more each time the clock passes midnight. "100:00:05" is elapsed, and so is what its
    label calls so, or what begins at zero though the head says another time of day."""
    clock = stamps.clock_ns
    start, zone, notes = start_or_day_one(around)
    if not stamps.possible.all():
        raise impossible("a time of day", around, None)
    past = np.concatenate([[0], np.cumsum(np.diff(clock) < -DAY_NS // 2)])
    tz = zone_of(around)
    offset = tz if isinstance(tz, int) else time_zones.offset_at(tz, start)
    midnight = (start + offset) // DAY_NS * DAY_NS
    begun = start + offset - midnight
    from_zero = clock[0] < 60 * SECOND_NS and HOUR_NS < begun < DAY_NS - HOUR_NS
    if (
        (clock[0] < 2 * HOUR_NS and clock.max() > DAY_NS)
        or from_zero
        or _ELAPSED.search(around.labels) is not None
    ):
        return Moments(
            utc_ns=start + past * DAY_NS + clock,
            rows=rows,
            about={"clock": "elapsed"} | zone,
            notes=notes,
            resolution_ns=stamps.resolution_ns,
        )
    local = midnight + past * DAY_NS + clock
    utc, more, zone_about = local_to_utc(local, around)
    return Moments(
        utc_ns=utc,
        rows=rows,
        about={"clock": "time of day, date from the head"} | zone | zone_about,
        notes=tuple(n for n in notes if n.key != "logs.note.start_at_midnight") + more,
        resolution_ns=stamps.resolution_ns,
    )


def _zoned(
    local: np.ndarray, offset_s: np.ndarray, around: Surroundings
) -> tuple[np.ndarray, tuple[Text, ...], dict[str, str]]:
    stated = offset_s != NO_ZONE
    if stated.all():
        return local - offset_s.astype(np.int64) * SECOND_NS, (), {"zone": "in every row"}
    if stated.any():
        raise LogFileError(
            "some rows say their UTC offset and some don't", file=around.name, remedy="export the log again"
        )
    return local_to_utc(local, around)


def _zone_in(offset_s: np.ndarray, around: Surroundings) -> int | ZoneInfo:
    """The zone of times whose rows may say their offset from UTC [s]."""
    return int(offset_s[0]) * SECOND_NS if offset_s[0] != NO_ZONE else zone_of(around)


def _spread(of_stretches: np.ndarray, stamps: Stamps) -> np.ndarray:
    """What holds for each stretch of rows with one date, a row each."""
    return np.repeat(of_stretches, stamps.rows_of_stretches)


def _format_name(stamps: Stamps, order: str) -> str:
    return {"ymd": "year-first"}.get(stamps.date, order) + (", month by name" if stamps.named else "")
