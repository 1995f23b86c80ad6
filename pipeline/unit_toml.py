"""`unit.toml` read: a `Unit`, or the file, the line and what was expected there."""

from __future__ import annotations

import re
import reprlib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError

from pipeline.errors import UnitConfigError
from pipeline.unit import ChannelRule, Unit, Visit, nearest

MOST_BYTES = 128_000
MOST_DOTS = 300
"""Bounds on the file, and on the dots of one line (common practice, no source): no unit needs more to be described."""
MOST_BRACKETS = 100
"""Brackets that a line of unit.toml may open, or leave open behind it. Common practice, no source."""


def load_unit(name: str, toml: Path | None) -> Unit:
    """The unit called `name`, with what `toml` says of it (None: defaults).

    Raises UnitConfigError naming file, line, key, what was expected, and the nearest known key.
    """
    if toml is None:
        return Unit(name=name)
    file = f"{name}/{toml.name}"
    text = _text_of(toml, file)
    table = _table_of(text, file)
    if "name" in table:
        raise UnitConfigError(
            '"name" is not a key: a unit is called by its folder',
            file=file,
            line=_line_of(text, ("name",)),
            remedy='use title = "…" for what a page shall call it',
        )
    try:
        return Unit(**{"name": name} | table)
    except ValidationError as error:
        problems = _each_once(error)
        raise UnitConfigError(
            "; ".join(_say_problem(p) for p in problems),
            file=file,
            line=_line_of(text, problems[0]["loc"]),
            remedy="the README lists every key",
        ) from error


def _text_of(toml: Path, file: str) -> str:
    try:
        with open(toml, "rb") as opened:
            raw = opened.read(MOST_BYTES + 1)
    except OSError as error:
        raise UnitConfigError(
            f"the file cannot be opened ({error.strerror or error})",
            file=file,
            remedy="check that it may be read",
        ) from error
    if len(raw) > MOST_BYTES:
        raise UnitConfigError(
            f"the file has more than {MOST_BYTES // 1000} kB",
            file=file,
            line=raw.count(b"\n") + 1,
            remedy="is it a log? A unit.toml is a few lines of text",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnitConfigError(
            "the text is not UTF-8",
            file=file,
            line=raw.count(b"\n", 0, error.start) + 1,
            remedy="save it again as UTF-8",
        ) from error


def _table_of(text: str, file: str) -> dict[str, Any]:
    lines = text.splitlines()
    nested = next((n for n, line in enumerate(lines, start=1) if line.count(".") > MOST_DOTS), None)
    if nested is not None:  # the parser takes time by the square of a dotted key's length
        raise UnitConfigError("the line holds too many dots", file=file, line=nested, remedy="shorten it")
    depth = 0
    for n, line in enumerate(lines, start=1):  # before the parser, which runs out of stack
        opened = sum(map(line.count, "[{"))
        depth = max(0, depth + opened - sum(map(line.count, "]}")))
        if max(opened, depth) > MOST_BRACKETS:
            raise UnitConfigError(
                "not valid TOML (too many brackets within each other)",
                file=file,
                line=n,
                remedy="no key takes more than a list of numbers or a table",
            )
    try:
        return tomllib.loads(text)
    except ValueError as error:  # a TOMLDecodeError, or a number of too many digits
        at = re.search(r"\(at line (\d+), column \d+\)", str(error))
        digits = (n for n, line in enumerate(lines, start=1) if len(line) > 4000)
        raise UnitConfigError(
            f"not valid TOML ({str(error).partition(';')[0]})",
            file=file,
            line=int(at[1]) if at else next(digits, max(1, len(lines))),
            remedy='write key = "text", key = 12.5 or [table], each on a line of its own',
        ) from error


def _each_once(error: ValidationError) -> list[Mapping[str, Any]]:
    """A channel may be a role or a table: only what is wrong with the one that was written is said."""
    problems = []
    for problem in error.errors():
        loc = problem["loc"]
        if loc[0] == "channels" and len(loc) > 2:
            as_table, written = loc[2] == "ChannelRule", problem["input"]
            loc = (*loc[:2], *loc[3:])
            if problem["type"] in ("string_type", "model_type"):
                if as_table and not isinstance(written, str):
                    problem = problem | {"type": "channel_type"}
                else:
                    continue
        problems.append(problem | {"loc": loc})
    return problems


_EXPECTED: Mapping[str, str] = MappingProxyType(
    {
        "float_type": "a number",
        "float_parsing": "a number without quotes",
        "finite_number": "a number that is finite",
        "int_type": "a whole number",
        "int_parsing": "a whole number without quotes",
        "bool_type": "true or false",
        "string_type": "text in quotes",
        "tuple_type": "a list in brackets",
        "date_type": "a date, such as 2026-05-04",
        "date_parsing": "a date, such as 2026-05-04",
        "time_type": "a time of day, such as 14:30",
        "time_parsing": "a time of day, such as 14:30",
        "date_from_datetime_parsing": "a date, such as 2026-05-04",
        "date_from_datetime_inexact": "a date without a time, such as 2026-05-04",
        "model_type": "a table",
        "model_attributes_type": "a table",
        "dict_type": "a table",
        "mapping_type": "a table",
        "too_short": "two numbers, [lowest, highest]",
        "too_long": "two numbers, [lowest, highest]",
        "channel_type": 'a role in quotes, or a table such as { role = "evaporator", unit = "°F" }',
    }
)


_RANGES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "greater_than": ("above", "gt"),
        "greater_than_equal": ("from", "ge"),
        "less_than_equal": ("up to", "le"),
    }
)

_SHORT = reprlib.Repr()
_SHORT.maxstring = _SHORT.maxother = _SHORT.maxlong = 60


def _say_problem(problem: Mapping[str, Any]) -> str:
    """One sentence: the key, what was expected there, what was found."""
    loc, kind = problem["loc"], problem["type"]
    key = ".".join(str(part) for part in loc) or "the file"
    found = _SHORT.repr(problem["input"])
    if kind == "extra_forbidden":
        known = _keys_beside(loc)
        return f'"{key}" is not a key that is known here{nearest(str(loc[-1]), known)}'
    if kind in _RANGES:
        words, limit = _RANGES[kind]
        return f'"{key}": expected a number {words} {problem["ctx"][limit]:g} (found {found})'
    if kind == "string_too_long":
        return f'"{key}": expected at most {problem["ctx"]["max_length"]} characters (found {len(problem["input"]):,})'
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'|(\d+)", problem["ctx"]["expected"])
        words = [a or b for a, b in choices]
        near = nearest(str(problem["input"])[:100], words)
        return f'"{key}": expected one of {", ".join(words)} (found {found}){near}'
    if kind in _EXPECTED:
        return f'"{key}": expected {_EXPECTED[kind]} (found {found})'
    return f'"{key}": {problem["msg"].removeprefix("Value error, ")} (found {found})'


def _keys_beside(loc: tuple) -> list[str]:
    """The keys that are known in the table in which `loc` stands."""
    model: Any = Unit
    for part in loc[:-1]:
        if isinstance(part, int) or model is None:
            continue
        if model is Unit and part == "channels":
            model = ChannelRule
        elif model is Unit and part == "visits":
            model = Visit
        elif part in getattr(model, "model_fields", {}):
            inner = model.model_fields[part].annotation
            model = next(
                (m for m in (inner, *getattr(inner, "__args__", ())) if hasattr(m, "model_fields")), model
            )
    return [k for k in model.model_fields if not (model is Unit and k == "name")]


def _line_of(text: str, loc: tuple) -> int | None:
    """1-based line on which a key stands, as well as can be told without a parser that keeps lines."""
    names = [str(part) for part in loc if not isinstance(part, int)]
    lines = text.splitlines()

    def find(pattern: str, start: int) -> int | None:
        return next((i for i in range(start, len(lines)) if re.match(pattern, lines[i])), None)

    for depth in range(len(names) - 1, -1, -1):
        start = 0
        if depth:
            table = r"\s*\.\s*".join(rf"[\"']?{re.escape(n)}[\"']?" for n in names[:depth])
            at = find(rf"\s*\[\[?\s*{table}\s*\]", 0)
            if at is None:
                continue
            start = at + 1
        at = find(
            rf"\s*[\"']?{re.escape(names[depth])}[\"']?\s*(=|\.)|\s*\[\[?\s*[\"']?{re.escape(names[depth])}[\"']?\s*[\].]",
            start,
        )
        if at is not None:
            return at + 1
    return None
