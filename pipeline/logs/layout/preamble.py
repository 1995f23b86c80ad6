"""What the lines above the rows say: labels and units of the columns, serial number, time zone, start, interval."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.logs.layout.dialect import Dialect
from pipeline.logs.layout.head_rows import split_row
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.logs.vocabulary.quantities import HOUSE_UNITS, quantity_of_header
from pipeline.logs.vocabulary.stamp_patterns import SECONDS_IN, shape_of
from pipeline.logs.vocabulary.units import UNITS, scale_of_header, unit_of_cell, unit_of_header, unit_of_word

_KEYS: Mapping[str, tuple[str, ...]] = {
    name: tuple(words.split("|"))
    for name, words in {  # common practice, no source
        "serial": "serial|s/n|sn|logger id|device id|logger no|serie|série|seriennummer|geräte-id",
        "interval": (
            "interval|sample rate|sampling|sample period|log rate|logging rate|intervalo|muestreo|intervalle|période|intervall|messintervall|abtastrate"
            "|takt"
        ),
        "zone": "time zone|timezone|utc offset|gmt offset|zona horaria|fuseau|zeitzone",
        "start": "start|started|start time|boot|booted|power on|first reading|begin|inicio|comienzo|début|debut|beginn|startzeit|first sample|date|fecha|datum",
        "order": "date format|date order|formato de fecha|format de date|datumsformat",
        "unit": "temperature unit|temp unit|temperature units|unit|units|unidad|unidades|unité|einheit",
    }.items()
}

_STARTED = re.compile(
    r"(?:^|\W)(?:\w{0,20}(?:start|beg[aiu]n|inici|comienz|début|debut|beginn)\w*|from|since|seit|desde|depuis)\W+(?:on |at |am |le |el |il |em )?"
    r"(.{6,40})$",
    re.IGNORECASE,
)
_MOST_LINES, _LONGEST_LINE = 500, 4000
"""No head says more than that; a long line of something else is not searched for facts."""
_LONGEST_LABEL = 200
"""Of a longer one begin and end are kept: it stands on pages. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Head:
    """labels and units hold one entry a field of a row."""

    labels: tuple[str, ...]
    named: bool  # a header was there
    units: tuple[str | None, ...]
    units_by: tuple[str, ...]  # "header", "units row", "cells", "preamble" or ""
    scales: tuple[float, ...]  # what a whole number stands for: 0.1 under "0.1 °C"
    facts: Mapping[str, str]  # of `_KEYS`, and every other key/value line as it stands


def read_head(dialect: Dialect) -> Head:
    """The labels and units over the columns, and what the preamble says."""
    facts = _facts(dialect)
    labels = _labels(dialect)
    units: list[str | None] = []
    units_by: list[str] = []
    scales: list[float] = []
    common = unit_of_word(facts["unit"]) if "unit" in facts else None
    for i in range(dialect.fields):
        cell = dialect.units_row[i] if i < len(dialect.units_row) else ""
        below = unit_of_cell(cell) if cell else None
        scales.append(scale_of_header(cell) * scale_of_header(labels[i]))
        written = unit_of_header(labels[i], labels) if dialect.header else None
        if below is not None:
            units.append(below)
            units_by.append("units row")
        elif written is not None:
            units.append(written)
            units_by.append("header")
        elif beside := _unit_beside(dialect, i):
            units.append(beside)
            units_by.append("cells")
        elif common and _may_be_in(labels[i], common):
            units.append(common)
            units_by.append("preamble")
        else:
            units.append(None)
            units_by.append("")
    return Head(
        labels=tuple(labels),
        named=bool(dialect.header),
        units=tuple(units),
        units_by=tuple(units_by),
        scales=tuple(scales),
        facts=facts,
    )


def _unit_beside(dialect: Dialect, i: int) -> str | None:
    """The unit of column `i` where the next one holds nothing but its word."""
    words = {row[i + 1] for row in dialect.sample} if i + 1 < dialect.fields else set()
    return unit_of_word(*words) if len(words) == 1 and not kind_of(dialect.sample[0][i]).shape else None


def _may_be_in(label: str, unit: str) -> bool:
    """Whether a unit given for the whole file can be this column's: a clamp is not in °F."""
    quantity = quantity_of_header(label)
    return quantity is None or HOUSE_UNITS[quantity] == UNITS[unit].house


def _labels(dialect: Dialect) -> list[str]:
    rows = [
        _filled_forward(r) if n < len(dialect.header) - 1 else list(r) for n, r in enumerate(dialect.header)
    ]
    labels = []
    for i in range(dialect.fields):
        parts: list[str] = []
        for row in rows:
            part = _COMMENT.sub("", row[i]) if i < len(row) else ""
            if part and part not in parts:
                parts.append(part if len(part) <= _LONGEST_LABEL else f"{part[:150]}…{part[-40:]}")
        labels.append(" ".join(parts) or f"column {i + 1}")
    return _distinct_labels(labels)


_COMMENT = re.compile(r"^(#|//)\s+(?=\S)")


def _filled_forward(row: tuple[str, ...]) -> list[str]:
    """A merged cell of the upper header row stands over the columns to its right."""
    filled, last = [], ""
    for cell in row:
        last = cell or last
        filled.append(last)
    return filled


def _distinct_labels(labels: list[str]) -> list[str]:
    """Two columns of one name: the second gets its number."""
    seen: dict[str, int] = {}
    result = []
    for label in labels:
        seen[label] = seen.get(label, 0) + 1
        result.append(label if seen[label] == 1 else f"{label} #{seen[label]}")
    return result


_OFFSET = re.compile(r"\(?(UTC|GMT) ?[+\-−] ?[0-9]{1,2}(:?[0-9]{2})?\)?", re.IGNORECASE)


def _facts(dialect: Dialect) -> dict[str, str]:
    facts: dict[str, str] = {}
    begun = ""
    for line in dialect.preamble[:_MOST_LINES]:
        if len(line) > _LONGEST_LINE:
            continue
        line = line.replace("\t", " ") if dialect.spaced else line
        key, value = _key_and_value(line.lstrip("#;/%* \t"), dialect.delimiter)
        started = _STARTED.search(line)
        day = (started[1] if started else line.lstrip("#;/%* \t")).strip()
        if _is_dated(day) and not _is_dated(value):
            facts.setdefault("start", day)
            continue
        begun = begun or (day if started and _is_dated(day) else "")
        if not key or not value:
            continue
        facts.setdefault(key, value)
        if _OFFSET.fullmatch(value):
            facts.setdefault("zone", value)
        lowered = key.lower()
        for name, words in _KEYS.items():
            if (
                name not in facts and any(re.match(rf"{re.escape(w)}(?![^\W\d_])", lowered) for w in words)
            ) or (
                name in ("serial", "zone", "interval")
                and name not in facts
                and any(w in lowered for w in words if len(w) > 4)
            ):
                facts[name] = value
    if begun:
        facts.setdefault("start", begun)
    return facts


def _is_dated(text: str) -> bool:
    shape = shape_of(text)
    return shape is not None and bool(shape.date)


def _key_and_value(line: str, delimiter: str) -> tuple[str, str]:
    cells = [c for c in split_row(line, delimiter) if c]
    if len(cells) == 2 and not re.search(r"[:=]\s", cells[0] + " "):
        return cells[0].rstrip(":= "), cells[1]
    if len(cells) == 2 and cells[0].endswith((":", "=")):
        return cells[0].rstrip(":= "), cells[1]
    if len(cells) == 3 and cells[1][0].isdigit():  # a date and its time, a number and its unit
        return cells[0].rstrip(":= "), f"{cells[1]} {cells[2]}"
    at = min((i for i in (line.find(":"), line.find("=")) if i >= 0), default=-1)
    key, value = line[: max(at, 0)].strip(' \t"'), line[at + 1 :].strip().rstrip(" \t,;|").strip('"').strip()
    return (key, value) if key and len(key) <= 40 and value else ("", "")


def seconds_of(text: str) -> float | None:
    """ "10 s", "00:00:10", "1 min", "0,5 s", "30" -> seconds; None where it is none of these."""
    text = text.strip().lower().replace(",", ".")
    match = re.fullmatch(r"(\d{1,3}):(\d{2})(?::(\d{2}(?:\.\d+)?))?", text)
    if match:
        hours, minutes, seconds = match.groups()
        if seconds is None:
            return int(hours) * 60.0 + int(minutes)
        return int(hours) * 3600.0 + int(minutes) * 60.0 + float(seconds)
    match = re.fullmatch(r"(?:every\s+|alle\s+|cada\s+)?(\d+(?:\.\d+)?)\s*([a-zµ]*)\.?", text)
    if not match:
        return None
    factor = (SECONDS_IN | {"": 1.0, "m": 60.0, "minute": 60.0, "hour": 3600.0}).get(match[2])
    return float(match[1]) * factor if factor and float(match[1]) > 0 else None
