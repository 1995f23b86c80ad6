"""When elapsed time was zero: by unit.toml, by the head of the file, else day 1."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime

import numpy as np

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.clock import time_zones
from pipeline.logs.clock.date_order import Surroundings, days_of_stretches, impossible, order_of
from pipeline.logs.clock.local_times import OWN_CLOCK, local_to_utc
from pipeline.logs.clock.stamp_parser import DAY_NS, NO_ZONE, SECOND_NS, parse
from pipeline.logs.rows.column_blocks import CellBlock
from pipeline.logs.vocabulary.stamp_patterns import shape_of

_START_WORDS = re.compile(
    r"(start|begin|first (reading|sample|record)|inicio|comienzo|d[ée]but|date|time|datum|zeit|uhrzeit|fecha|hora|heure)"
    r"(?!.*(interval|rate|period|zone|step|delay|duration))",
    re.IGNORECASE,
)
DAY_ONE = datetime(2001, 1, 1)
"""What the first day of a log without dates is called: a Monday, long ago, on which nobody logged an ice machine."""
DAY_ONE_NOTE = "logs.note.day_one"


def start_or_day_one(around: Surroundings) -> tuple[int, dict[str, str], tuple[Text, ...]]:
    """When elapsed time was zero; where nothing tells, day one, and that is said."""
    start, zone, notes = _start_ns(around)
    if start is not None:
        return start, zone, notes
    local = np.array([round((DAY_ONE - datetime(1970, 1, 1)).total_seconds()) * SECOND_NS])
    utc = time_zones.to_utc(local, around.unit.tz)[0]
    note = Text(
        key=DAY_ONE_NOTE,
        english='no row and no line of the head has a date: the first day is called {day} here, and stands for "day 1"; '
        'where the date matters, set start = "2026-05-04T10:00:00" under [clock] in unit.toml',
        values={"day": f"{DAY_ONE:%Y-%m-%d}"},
    )
    zone = {} if "time_zone" in around.unit.model_fields_set else {"zone": OWN_CLOCK}
    return int(utc[0]), {"start": "day 1"} | zone, (note,)


def _start_ns(around: Surroundings) -> tuple[int | None, dict[str, str], tuple[Text, ...]]:
    """When elapsed time was zero: from unit.toml, else from the head of the file."""
    set_start = around.unit.clock.start
    if set_start:
        try:
            moment = datetime.fromisoformat(set_start)
        except ValueError as error:
            raise LogFileError(
                f'the start "{set_start}" is no ISO 8601 time',
                file=around.name,
                remedy='write it like start = "2026-05-04T10:00:00" under [clock] in unit.toml',
            ) from error
        if moment.tzinfo is not None:
            return round(moment.timestamp() * 1e3) * 10**6, {"start": "unit.toml"}, ()
        local = round((moment - datetime(1970, 1, 1)).total_seconds() * 1e3) * 10**6
        utc = time_zones.to_utc(np.array([local]), around.unit.tz)[0]
        return int(utc[0]), {"start": "unit.toml"}, ()
    text = _start_text(around.head.facts)
    shape = shape_of(text)
    if shape is None or not shape.date:
        return None, {}, ()
    raw = np.frombuffer(text.encode(), np.uint8)
    stamps = parse([CellBlock(data=raw, starts=np.array([0]), ends=np.array([len(raw)]))])
    order, note = order_of(stamps, around, np.zeros(1, np.int64))
    if shape.hour is None:
        midnight = Text(
            key="logs.note.start_at_midnight",
            english='the head says the day "{day}" but no time of day: midnight was taken; if that is wrong, set start under [clock] in unit.toml',
            values={"day": text},
        )
        note = (*note, midnight)
    days, there = days_of_stretches(stamps, order)
    if not there.all() or not stamps.possible.all():
        raise impossible(
            text, around, around.text.count(b"\n", 0, max(0, around.text.find(text.encode()))) + 1
        )
    local = days * DAY_NS + stamps.clock_ns
    if stamps.offset_s[0] != NO_ZONE:
        return int(local[0]) - int(stamps.offset_s[0]) * SECOND_NS, {"start": text}, note
    utc, more, zone = local_to_utc(local, around)
    return int(utc[0]), {"start": text} | zone, note + more


def _start_text(facts: Mapping[str, str]) -> str:
    """The start as the head tells it; day and time of day may stand on lines of their own."""
    text = facts.get("start", "")
    shape = shape_of(text)
    if shape is not None and shape.date and shape.hour is not None:
        return text
    stated = [(v, shape_of(v)) for k, v in facts.items() if _START_WORDS.match(k)]
    day = next((v for v, s in stated if s is not None and s.date and s.hour is None), "")
    clock = next((v for v, s in stated if s is not None and not s.date), "")
    return f"{day} {clock}".strip() if day else text
