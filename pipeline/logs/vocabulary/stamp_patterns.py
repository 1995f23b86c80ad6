"""What the text of one cell is, if it is a date, a time or both: where its parts stand and what they mean."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pipeline.logs.vocabulary.calendar_words import MONTHS, WEEKDAYS

SECONDS_IN = {
    word: seconds
    for words, seconds in (
        ("s sec secs seconds second segundos sekunden secondes seg sek", 1.0),
        ("ms msec milliseconds millis millisecs", 1e-3),
        ("min mins minutes minutos minuten", 60.0),
        ("h hr hrs hours std stunden horas heures", 3600.0),
        ("d days tage días jours", 86400.0),
    )
    for word in words.split()
}
"""Words for units of elapsed time -> seconds."""
TIME_WORDS = re.compile(
    r"""\b(time|date|timestamp|datetime|clock|when|hora|fecha|tiempo|zeit|datum|uhrzeit|zeitstempel|heure|horodatage|jour|día|dia
    |temps|utc|local|elapsed|secs?|seconds?|millis|segundos|sekunden|secondes|minutes|epoch|unix|laufzeit|messzeit|stamp)\b""",
    re.VERBOSE | re.IGNORECASE,
)
"""Words over a column of times. Common practice, no source."""
# Abbreviations as they are used in Europe and North America; common practice, no source.
_ZONES = {
    zone: hours
    for hours, zones in (
        (0, "z utc gmt wet"),
        (1, "bst west cet mez"),
        (2, "cest mesz eet"),
        (3, "eest"),
        (-5, "est cdt"),
        (-4, "edt"),
        (-6, "cst mdt"),
        (-7, "mst pdt"),
        (-8, "pst akdt"),
        (-9, "akst"),
        (-10, "hst"),
    )
    for zone in zones.split()
}
_SHAPE = re.compile(
    r"""\s*
    (?:(?:on|le|el|am|den|op)\s+)?
    (?:(?P<weekday>[^\W\d_]{2,13}(?:-feira)?)[.,]?\s+)?(?:(?:the|le|de|den|dnia)\s+)?
    (?P<date>
        (?P<y4>[0-9]{4})(?P<s1>[-/.\s])(?P<m1>[0-9]{1,2})(?P=s1)(?P<d1>[0-9]{1,2})(?:\.(?=\s|$))?
      | (?P<y8>[0-9]{4})(?P<m8>[0-9]{2})(?P<d8>[0-9]{2})(?![0-9]|[.,][0-9])
      | (?P<y14>[0-9]{4})(?P<m14>[0-9]{2})(?P<d14>[0-9]{2})(?=[0-9]{6}\s*$)
      | (?P<yo>[0-9]{4})-(?P<do>[0-9]{3})(?=[T\s][0-9])
      | (?P<yj>[0-9]{4})年(?P<mj>[0-9]{1,2})月(?P<dj>[0-9]{1,2})日
      | (?P<p0>[0-9]{1,2})(?P<s2>[-/.])\s?(?P<p1>[0-9]{1,2})(?P=s2)\s?(?P<p2>[0-9]{4}|[0-9]{2})(?![0-9])(?:\.(?=\s|$))?
      | (?P<dn>[0-9]{1,2})(?:\sde\s|[-/.\s]{0,2})(?P<mn>[^\W\d_]{3,12})(?:\sde\s|[-/.\s]{1,2})(?P<yn>[0-9]{4}|[0-9]{2})(?![0-9])
      | (?P<mu>[^\W\d_]{3,12})\.?\s(?P<du>[0-9]{1,2}),?\s(?P<yu>[0-9]{4})(?![0-9])
      | (?P<yv>[0-9]{4})[-/.\s](?P<mv>[^\W\d_]{3,12})\.?[-/.\s](?P<dv>[0-9]{1,2})(?![0-9])
    )?
    (?P<gap>T|t|[,;]?\s+(?:(?:at|um|klo|kl\.?|à|a\ las|alle(?:\ ore)?|ore|às|om|o|godz\.?)\s+)?|\s?[-_:]\s?|\s*$)?
    (?P<time>
        (?P<h>[0-9]{1,5})(?P<s3>[:.h時])(?P<mi>[0-9]{1,2})(?:(?P<s4>[:.m分])(?P<s>[0-9]{1,2})(?:[.,](?P<f>[0-9]{1,9})|:(?P<f3>[0-9]{3})(?![0-9]))?[s秒]?)?
      | (?<=[-Tt\s_:0-9])(?P<h6>[0-9]{2})(?P<mi6>[0-9]{2})(?P<sec6>[0-9]{2})(?:[.,](?P<f6>[0-9]{1,9}))?
      | (?<=[-Tt_:])(?P<h4>[0-9]{2})(?P<mi4>[0-9]{2})(?![0-9])
    )?
    (?:\s?(?:[Uu]hr|h(?:rs?|s)?)(?![^\W\d_]))?
    (?:\s?(?P<half>[AaPp](?:\.\s?[Mm]\.?|[Mm])?)(?![^\W\d_]))?
    (?:\s?\(?(?P<zone>[Zz]|(?:UTC|GMT)?[+\-−][0-9]{2}:?(?:[0-9]{2})?|(?:UTC|GMT)[+\-−][0-9](?::[0-9]{2})?|UTC|GMT|[A-Z]{3,4})(?![^\W\d_])\)?)?
    \s*$""",
    re.VERBOSE,
)
_YEAR_LAST = re.compile(
    r"""\s*(?P<weekday>[^\W\d_]{2,10})[.,]?\s+(?P<mu>[^\W\d_]{3,12})\.?\s+(?P<du>[0-9]{1,2})\s+
    (?P<h>[0-9]{1,2}):(?P<mi>[0-9]{2}):(?P<s>[0-9]{2})\s+(?:(?P<zone>[A-Z]{1,4}|[+\-−][0-9]{2}:?[0-9]{2})\s+)?(?P<yu>[0-9]{4})\s*$""",
    re.VERBOSE,
)
"""As the C library writes times: "Mon Mar 02 08:00:00 2026"."""
_ALL_PARTS = tuple(
    part
    for parts in (
        "weekday date y4 m1 d1 y8 m8 d8 y14 m14 d14 yo do yj mj dj p0 p1 p2 dn mn yn mu du yu yv mv dv gap time h",
        "s3 mi s4 s f f3 h6 mi6 sec6 f6 h4 mi4 half zone",
    )
    for part in parts.split()
)


@dataclass(frozen=True, kw_only=True)
class StampPattern:
    """How the rows of one shape are read. Spans are (first byte, past the last byte) of the UTF-8 text."""

    length: int
    digits: tuple[int, ...]  # bytes that may be any digit
    literal: tuple[tuple[int, int], ...]  # (byte, its value)
    date: str  # "": none; "ymd": year first and four digits; "named": month by name; "ordinal": day of the year; "order": to be decided
    parts: tuple[
        tuple[int, int], ...
    ]  # the three parts of the date as they stand ("named": day, year; "ordinal": year, day)
    month: int  # of a named month, else 0
    hour: tuple[int, int] | None
    minute: tuple[int, int] | None
    second: tuple[int, int] | None
    fraction: tuple[int, int] | None
    half: int | None  # hours to add to 12-hour time; None: 24-hour time
    offset_s: int | None
    wide_year: bool  # the year has four digits

    @property
    def is_short(self) -> bool:
        """A minute or a second is written with one digit."""
        return any(s is not None and s[1] - s[0] == 1 for s in (self.minute, self.second))

    @property
    def kind(self) -> str:
        """What sort of time stands in it: rows of one column are of one kind. A year of two digits among years of four, a
        time without seconds among times with them, or without AM or PM, was cut short, and could be any."""
        written = "none" if self.hour is None else "seconds" if self.second else "minutes"
        halves = "24 h" if self.half is None else "12 h"
        year = "long year" if self.wide_year else "short year"
        return ",".join(("ymd" if self.date in ("named", "ordinal") else self.date, year, written, halves))


_ANY_DIGIT = str.maketrans("123456789", "000000000")
_OFFSET = re.compile(
    r"(?:(?<=[0-9]|C|T|\s)[+\-−][0-9]{2}:?(?:[0-9]{2})?(?:\s+[0-9]{4})?|(?<=UTC|GMT)[+\-−][0-9](?::[0-9]{2})?)\)?\s*$"
)


def shape_of(text: str) -> StampPattern | None:
    """The shape of one cell, or None where it is no date and no time."""
    if len(text) > 60:
        return None
    offset = _OFFSET.search(text)  # its digits mean something
    at = offset.start() if offset else len(text)
    return _shape_of(text[:at].translate(_ANY_DIGIT) + text[at:])


@lru_cache(maxsize=8192)
def _shape_of(text: str) -> StampPattern | None:
    found = _SHAPE.match(text)
    last = None if found and (found["date"] or found["time"]) else _YEAR_LAST.match(text)
    found = last or found
    if found is None:
        return None
    match = dict.fromkeys(_ALL_PARTS) | found.groupdict()
    if last:
        match |= {"date": "named", "time": "h:m:s", "gap": " "}
    if not (match["date"] or match["time"]) or not _is_sound(match):
        return None
    offset = offset_of_word(match["zone"]) if match["zone"] else None
    if match["zone"] and offset is None:
        return None
    month_name = match["mn"] or match["mu"] or match["mv"]
    month = MONTHS.get(month_name.lower().rstrip("."), 0) if month_name else 0
    if month_name and not month:
        return None
    encoded = text.encode()
    at = _byte_positions(text)

    def span(*names: str) -> tuple[int, int] | None:
        name = next((n for n in names if match[n]), None)
        return (at[found.start(name)], at[found.end(name)]) if name else None

    if match["y4"] or match["y8"] or match["y14"] or match["yj"]:
        date = "ymd"
        parts = (span("y4", "y8", "y14", "yj"), span("m1", "m8", "m14", "mj"), span("d1", "d8", "d14", "dj"))
    elif match["yo"]:
        date, parts = "ordinal", (span("yo"), span("do"))
    elif month_name:
        date, parts = "named", (span("dn", "du", "dv"), span("yn", "yu", "yv"))
    elif match["p0"]:
        date, parts = "order", (span("p0"), span("p1"), span("p2"))
    else:
        date, parts = "", ()
    hour, minute = span("h", "h6", "h4"), span("mi", "mi6", "mi4")
    fields = [*parts, hour, minute, span("s", "sec6"), span("f", "f3", "f6")]
    digits = tuple(sorted(i for s in fields if s for i in range(*s)))
    year = match["p2"] or match["yn"] or "2026"
    return StampPattern(
        length=len(encoded),
        digits=digits,
        literal=tuple((i, b) for i, b in enumerate(encoded) if i not in set(digits)),
        date=date,
        parts=tuple(parts),
        month=month,
        hour=hour,
        minute=minute,
        second=span("s", "sec6"),
        fraction=span("f", "f3", "f6"),
        half=None if not match["half"] else 12 if match["half"][0] in "pP" else 0,
        offset_s=offset,
        wide_year=len(year) == 4,
    )


def _is_sound(match: dict[str, str | None]) -> bool:
    """Whether the parts that were found can stand together."""
    dated, timed = bool(match["date"]), bool(match["time"])
    if match["weekday"] and (match["weekday"].lower() not in WEEKDAYS or not dated):
        return False
    if (match["half"] or match["zone"]) and not timed:
        return False
    if dated and timed and not (match["gap"] or match["y14"]):
        return False
    if (match["h6"] or match["h4"]) and not dated:
        return False
    if match["h4"] and not match["y8"]:  # "2026-03-02:0800" is met as little as a zone without its hour
        return False
    if match["gap"] and ":" in match["gap"] and not match["y8"]:
        return False
    short = len(match["mi"] or "00") < 2 or len(match["s"] or "00") < 2
    if short and not (dated and match["s"]):  # "1:5" may be anything
        return False
    if match["s3"] == "." and not dated and not match["s"]:  # "10.30" alone is a number
        return False
    return not (dated and len(match["h"] or "") > 2)


def _byte_positions(text: str) -> list[int]:
    positions, total = [], 0
    for character in text:
        positions.append(total)
        total += len(character.encode())
    return [*positions, total]


def offset_of_word(zone: str) -> int | None:
    """The offset from UTC [s] that a zone's word says: "Z", "CET", "+02:00", "UTC-0500"; None where it is no such word."""
    word = zone.lower().replace("−", "-")
    if word in _ZONES:
        return _ZONES[word] * 3600
    match = re.fullmatch(r"(?:utc|gmt)?([+-])(\d{2}|(?<=[ct][+-])\d(?=:|$)):?(\d{2})?", word)
    if not match or int(match[2]) > 14 or int(match[3] or 0) > 59:
        return None
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60
    return -seconds if match[1] == "-" else seconds
