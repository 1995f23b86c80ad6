"""What one cell of a log can be: a number, an error word, a blank, a moment, or text."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pipeline.logs.vocabulary.stamp_patterns import StampPattern, shape_of

ERROR_WORDS: frozenset[str] = frozenset(
    word
    for words in (
        "ol|o.l|o.l.|0l|-ol|+ol|.ol|ovl|ovf|over|overload|overflow|over-range|overrange|under|underflow|underrange|err|err.|error|err!",
        "fault|fail|failed|open|short|shorted|nan|n/a|na|n.a.|#n/a|#nv|#n/v|#value!|#wert!|#valor!|null|none|nil|-|--|---|----|-----",
        "------|--.-|---.-|*|**|***|****|*****|?|??|???|????|nc|n.c.|n/c|no-data|nodata|missing|bad|invalid|disconnected|unplugged",
        "detached|inf|-inf|+inf|infinity|-infinity|fallo|abierto|fehler|offen|bruch|erreur|ouvert|- - -|no sensor|no data|no probe",
        "sensor error|probe error|sensor open|sensor short|out of range|over range|under range|sin sensor|sin datos|sin sonda",
        "fuera de rango|kein fühler|keine daten|pas de sonde|hors plage|défaut|–|—|———|∞",
    )
    for word in words.split("|")
)
"""Words that loggers write where they have no reading, lower case. Common practice, no source."""


def spellings() -> list[str]:
    """`ERROR_WORDS` as loggers spell them (lower, upper, first capital), and the blank."""
    return sorted(
        {v for w in ERROR_WORDS for v in (w, w.upper(), w.capitalize(), w.title())} | {"NaN", "NAN", "#N/A"}
    )


_NUMBER = {
    ".": re.compile(r"[+\-−]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$"),
    ",": re.compile(r"[+\-−]?([0-9]+,?[0-9]*|,[0-9]+)([eE][+-]?[0-9]{1,3})?$"),
}
THOUSANDS = {".": (",", "'", "’", " ", "\u00a0", "\u202f"), ",": (".", "'", "’", " ", "\u00a0", "\u202f")}
_GROUPED = {
    (d, t): re.compile(rf"[+\-−]?[0-9]{{1,3}}({re.escape(t)}[0-9]{{3}})+({re.escape(d)}[0-9]*)?$")
    for d, marks in THOUSANDS.items()
    for t in marks
}
_WITH_UNIT = re.compile(
    r"([+\-−]?[0-9.,]+(?:[eE][+-]?[0-9]{1,3})?)\s*(°\s*[CF]?|º\s*[CF]?|℃|℉|[AV] ?(?:AC|DC)|[CFAKVW]|m[AVW]|kW|kWh|Ω|kΩ|%)$"
)
_ANY_DIGIT = str.maketrans("123456789", "000000000")


@dataclass(frozen=True, kw_only=True)
class CellKind:
    """What a cell can be. Cells that differ in their digits alone are of one kind, so that each is found out once."""

    shape: StampPattern | None  # of a date or time
    point: bool  # a number with a decimal point (or none)
    comma: bool  # a number with a decimal comma (or none)
    grouped_point: bool  # … with thousands marks and a decimal point (or none)
    grouped_comma: bool
    unit: str  # that stands behind the number, "" where none does
    word: bool  # an error word

    def number(self, decimal: str) -> bool:
        """Whether it is a number under the decimal mark `decimal`, "." or ","."""
        return self.point if decimal == "." else self.comma

    @property
    def reads(self) -> bool:
        """A time or a number of some sort."""
        return self.shape is not None or self.point or self.comma


@lru_cache(maxsize=8192)
def kind_of(cell: str) -> CellKind:
    """The kind of a cell that is not blank; `cell` has no blanks around it."""
    return _kind(cell.translate(_ANY_DIGIT)) if len(cell) <= 80 else _TEXT


_TEXT = CellKind(
    shape=None, point=False, comma=False, grouped_point=False, grouped_comma=False, unit="", word=False
)


@lru_cache(maxsize=16384)
def _kind(cell: str) -> CellKind:
    bare, unit = split_unit(cell)
    grouped = {d: bool(grouped_by(bare, d)) for d in ".,"}
    return CellKind(
        shape=shape_of(cell),
        point=bool(_NUMBER["."].match(bare)) or grouped["."],
        comma=bool(_NUMBER[","].match(bare)) or grouped[","],
        grouped_point=grouped["."],
        grouped_comma=grouped[","],
        unit=unit,
        word=cell.lower() in ERROR_WORDS,
    )


def is_number(cell: str, decimal: str) -> bool:
    """Whether the cell is a number with this decimal mark; thousands marks and a unit behind it are allowed."""
    return kind_of(cell.strip()).number(decimal)


def grouped_by(cell: str, decimal: str) -> str:
    """The thousands mark of a number that has one ("1,234.5" -> ","), else ""."""
    return next((t for t in THOUSANDS[decimal] if t in cell and _GROUPED[decimal, t].match(cell.strip())), "")


def split_unit(cell: str) -> tuple[str, str]:
    """("-3.5", "°C") for a cell that carries its unit; (cell, "") for any other."""
    match = _WITH_UNIT.match(cell.strip())
    return (match.group(1), match.group(2)) if match else (cell, "")
