"""Rows that name each reading, as JSON lines do or "time=… temp=…": turned into a table with the names once, over the columns."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from itertools import zip_longest
from typing import Any

from pipeline.language.text import Text
from pipeline.logs.source.decode import Content

_LONGEST = 32 * 1024**2
"""From so many bytes on a text of this kind is not turned: it is turned as a whole, in memory. Common practice, no source."""
_MOST_CELLS = 16_000_000
_JSON = re.compile(rb"\s*(\[\s*)?\{")
_NAME = re.compile(r"(?<![\w.:])([^\W\d][\w.]{0,40}) ?[=:](?!//) ?")
_BETWEEN = " \t,;|\"'"


def json_as_table(content: Content) -> Content | None:
    """The table in a text with a JSON object a line; None where most lines are none."""
    if not _JSON.match(content.text[:4096]) or len(content.text) > _LONGEST or content.name.endswith(".json"):
        return None
    rows, others = [], 0
    for line in content.text[:].decode("utf-8", "replace").splitlines():
        try:
            value = json.loads(line.rstrip(", \t"))
        except (ValueError, RecursionError):
            value = None
        if isinstance(value, dict):
            rows.append(_flat(value))
        else:
            others += bool(line.strip("[], \t"))
    return _table(content, rows, others)


def named_as_table(content: Content) -> Content | None:
    """The table in lines such as "time=… temp=…", or with the time before the first name; None where most lines are none."""
    if len(content.text) > _LONGEST:
        return None
    rows, others = [], 0
    for line in content.text[:].decode("utf-8", "replace").splitlines():
        found = list(_NAME.finditer(line)) if len(line) < 4096 else []
        row: dict[str, str] = {}
        for match, after in zip_longest(found, found[1:]):
            name = match[1] if match[1] not in row else f"{match[1]} {len(row) + 1}"
            row[name] = line[match.end() : after.start() if after else None].strip(_BETWEEN)
        lead = line[: found[0].start()].strip(_BETWEEN) if found else ""
        if any(v[:1].isdigit() or v[:1] in "+-−" for v in row.values() if v):
            rows.append(({"time": lead} if lead else {}) | row)
        else:
            others += bool(line.strip())
    return _table(content, rows, others) if len(rows) > others else None


def _flat(value: dict) -> dict[str, str]:
    """The leaves of a JSON object by the way to them: "evap value"; a list's by their places."""
    leaves: dict[str, str] = {}
    look: list[tuple[str, Any]] = [("", value)]
    while look:
        way, one = look.pop()
        if isinstance(one, dict | list):
            pairs = one.items() if isinstance(one, dict) else enumerate(one, start=1)
            look += reversed([(f"{way} {key}".strip(), inner) for key, inner in pairs])
        else:
            leaves[way] = "" if one is None else str(one)
    return leaves


def _table(content: Content, rows: list[dict[str, str]], others: int) -> Content | None:
    names = list(dict.fromkeys(name for row in rows for name in row))
    if len(names) < 2 or len(rows) <= others or len(names) * len(rows) > _MOST_CELLS:
        return None
    out = io.StringIO()
    table = csv.DictWriter(out, names, restval="", lineterminator="\n")
    table.writeheader()
    table.writerows({k: re.sub(r"\s+", " ", v) for k, v in row.items()} for row in rows)
    text = out.getvalue()
    notes = content.notes
    if others:
        note = Text(
            key="logs.note.unnamed_lines",
            english="{count} lines that name no reading were left out",
            values={"count": others},
        )
        notes = (*notes, note)
    return replace(content, text=text.encode(), quotes='"' in text, notes=notes)
