"""What one cell of a log can be: a number, an error word, a blank, a moment, or text."""

from __future__ import annotations

import re
from functools import lru_cache

ERROR_WORDS: frozenset[str] = frozenset(
    [
        "ol",
        "o.l",
        "o.l.",
        "0l",
        "-ol",
        "+ol",
        ".ol",
        "ovl",
        "ovf",
        "over",
        "overload",
        "overflow",
        "over-range",
        "overrange",
        "under",
        "underflow",
        "underrange",
        "err",
        "err.",
        "error",
        "err!",
        "fault",
        "fail",
        "failed",
        "open",
        "short",
        "shorted",
        "nan",
        "n/a",
        "na",
        "n.a.",
        "#n/a",
        "#nv",
        "#n/v",
        "#value!",
        "#wert!",
        "#valor!",
        "null",
        "none",
        "nil",
        "-",
        "--",
        "---",
        "----",
        "-----",
        "------",
        "--.-",
        "---.-",
        "-",
        "-",
        "-",
        "*",
        "**",
        "***",
        "****",
        "*****",
        "?",
        "??",
        "???",
        "????",
        "nc",
        "n.c.",
        "n/c",
        "no-data",
        "nodata",
        "missing",
        "bad",
        "invalid",
        "disconnected",
        "unplugged",
        "detached",
        "inf",
        "-inf",
        "+inf",
        "infinity",
        "-infinity",
        "fallo",
        "abierto",
        "fehler",
        "offen",
        "bruch",
        "erreur",
        "ouvert",
    ]
) | {
    "- - -",
    "no sensor",
    "no data",
    "no probe",
    "sensor error",
    "probe error",
    "sensor open",
    "sensor short",
    "out of range",
    "over range",
    "under range",
    "sin sensor",
    "sin datos",
    "sin sonda",
    "fuera de rango",
    "kein fühler",
    "keine daten",
    "pas de sonde",
    "hors plage",
    "défaut",
    "–",
    "—",
    "———",
    "∞",
}
"""Words that loggers write where they have no reading, lower case. Common practice, no source."""


def spellings(words: frozenset[str] = ERROR_WORDS) -> list[str]:
    """The words as loggers spell them (lower, upper, first capital), and the blank."""
    return sorted(
        {v for w in words for v in (w, w.upper(), w.capitalize(), w.title())} | {"NaN", "NAN", "#N/A"}
    )


_NUMBER = {
    ".": re.compile(r"[+\-−]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$"),
    ",": re.compile(r"[+\-−]?(\d+,?\d*|,\d+)([eE][+-]?\d{1,3})?$"),
}
THOUSANDS = {".": (",", "'", "’", " ", "\u00a0", "\u202f"), ",": (".", "'", "’", " ", "\u00a0", "\u202f")}
_GROUPED = {
    (d, t): re.compile(rf"[+\-−]?\d{{1,3}}({re.escape(t)}\d{{3}})+({re.escape(d)}\d*)?$")
    for d, marks in THOUSANDS.items()
    for t in marks
}
_WITH_UNIT = re.compile(r"([+\-−]?[\d.,]+)\s*(°\s*[CF]|º\s*[CF]|[CFAKVW]|mA|kW|kWh|Ω|kΩ|%)$")


def is_error_word(cell: str) -> bool:
    return cell.strip().lower() in ERROR_WORDS


_ANY_DIGIT = str.maketrans("123456789", "000000000")


def is_number(cell: str, decimal: str) -> bool:
    """Whether the cell is a number with this decimal mark, thousands marks allowed."""
    return _is_number(cell.translate(_ANY_DIGIT), decimal)


@lru_cache(maxsize=8192)
def _is_number(cell: str, decimal: str) -> bool:
    cell = cell.strip()
    return bool(_NUMBER[decimal].match(cell)) or bool(cell and grouped_by(cell, decimal))


def grouped_by(cell: str, decimal: str) -> str:
    """The thousands mark of a number that has one ("1,234.5" -> ","), else ""."""
    return next((t for t in THOUSANDS[decimal] if t in cell and _GROUPED[decimal, t].match(cell.strip())), "")


def split_unit(cell: str) -> tuple[str, str]:
    """("-3.5", "°C") for a cell that carries its unit; (cell, "") for any other."""
    match = _WITH_UNIT.match(cell.strip())
    return (match.group(1), match.group(2)) if match else (cell, "")
