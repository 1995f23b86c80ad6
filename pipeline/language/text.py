"""A sentence that can still be translated and shown in the reader's units.

Analysis never formats a number for a reader. It makes a `Text`: a key, the English pattern, and the values in house
units (°C, K, A, kg, min, W, kPa). `say` turns it into a string in a language and a system of units. A value's name
carries its unit by suffix, which is how `say` knows what to convert: see `QUANTITIES`.
"""

from __future__ import annotations

import math
import string
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType
from typing import Any

Catalogue = Mapping[str, str]  # Text.key -> pattern in another language


@dataclass(frozen=True, kw_only=True)
class Text:
    """One sentence: `key` finds its translation, `english` is the pattern, `values` fill it, in house units."""

    key: str
    english: str
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """How a value whose name ends in a suffix is shown in SI and in US units."""

    si: tuple[Callable[[float], float], str, int]  # conversion, sign, decimals
    us: tuple[Callable[[float], float], str, int]


def _same(x: float) -> float:
    return x


_LB_PER_KG = 1 / 0.45359237  # exact: 1 lb = 0.45359237 kg (NIST SP 811, appendix B.8)
_PSI_PER_KPA = 1 / 6.894757  # NIST SP 811, appendix B.8

# Longest suffix wins. °F = 1.8 °C + 32 and a step of 1 K = 1.8 °F: NIST SP 811, appendix B.
QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {
        "_c": Quantity(si=(_same, " °C", 1), us=(lambda x: 1.8 * x + 32, " °F", 1)),
        "_k": Quantity(si=(_same, " K", 1), us=(lambda x: 1.8 * x, " °F", 1)),
        "_k_per_min": Quantity(si=(_same, " K/min", 1), us=(lambda x: 1.8 * x, " °F/min", 1)),
        "_k_per_day": Quantity(si=(_same, " K/day", 2), us=(lambda x: 1.8 * x, " °F/day", 2)),
        "_a": Quantity(si=(_same, " A", 1), us=(_same, " A", 1)),
        "_ah": Quantity(si=(_same, " A·h", 2), us=(_same, " A·h", 2)),
        "_w": Quantity(si=(_same, " W", 0), us=(_same, " W", 0)),
        "_v": Quantity(si=(_same, " V", 0), us=(_same, " V", 0)),
        "_kwh": Quantity(si=(_same, " kWh", 2), us=(_same, " kWh", 2)),
        "_kwh_per_day": Quantity(si=(_same, " kWh a day", 1), us=(_same, " kWh a day", 1)),
        "_kwh_per_kg": Quantity(
            si=(_same, " kWh/kg", 3), us=(lambda x: 100 * x / _LB_PER_KG, " kWh/100 lb", 2)
        ),
        "_kpa": Quantity(si=(_same, " kPa", 0), us=(lambda x: x * _PSI_PER_KPA, " psi", 0)),
        "_kg": Quantity(si=(_same, " kg", 2), us=(lambda x: x * _LB_PER_KG, " lb", 2)),
        "_kg_per_day": Quantity(si=(_same, " kg a day", 0), us=(lambda x: x * _LB_PER_KG, " lb a day", 0)),
        "_s": Quantity(si=(_same, " s", 0), us=(_same, " s", 0)),
        "_s_per_day": Quantity(si=(_same, " s a day", 1), us=(_same, " s a day", 1)),
        "_min": Quantity(si=(_same, " min", 1), us=(_same, " min", 1)),
        "_min_per_day": Quantity(si=(_same, " min/day", 2), us=(_same, " min/day", 2)),
        "_h": Quantity(si=(_same, " h", 1), us=(_same, " h", 1)),
        "_days": Quantity(si=(_same, " days", 1), us=(_same, " days", 1)),
        "_per_hour": Quantity(si=(_same, " an hour", 0), us=(_same, " an hour", 0)),
        "_per_day": Quantity(si=(_same, " a day", 1), us=(_same, " a day", 1)),
        "_pct": Quantity(si=(_same, " %", 0), us=(_same, " %", 0)),
    }
)


@cache
def quantity_of(name: str) -> Quantity | None:
    """The quantity that a value's name ends in, or None (a count, a word)."""
    return next((QUANTITIES[s] for s in sorted(QUANTITIES, key=len, reverse=True) if name.endswith(s)), None)


def show(name: str, value: Any, *, units: str = "si") -> str:
    """`value` as a reader sees it: converted and signed by the suffix of `name`; `units` is "si" or "us"."""
    quantity = quantity_of(name)
    if value is None or (isinstance(value, float) and value != value):
        return "–"
    if quantity is None or isinstance(value, str):
        return f"{value:g}" if isinstance(value, float) else str(value)
    convert, sign, decimals = quantity.us if units == "us" else quantity.si
    text = figure(name, convert(float(value)), decimals)
    return f"{plus(name, text)}{text}{sign}".replace("-", "−", 1)


def figure(name: str, value: float, decimals: int) -> str:
    """`value` with so many decimals; a difference (`shift_…`) that is not zero has as many more as show one figure of it."""
    if name.startswith("shift_") and 0 < abs(value) < 0.5 * 10**-decimals:
        decimals = min(math.ceil(-math.log10(abs(value))), 6)
    return f"{value:.{decimals}f}"


def plus(name: str, shown: str) -> str:
    """The sign before a value that says which way something moved, where `shown` is above zero."""
    return "+" if name.startswith("moved_") and float(shown) > 0 else ""


def say(text: Text, *, units: str = "si", catalogue: Catalogue | None = None) -> str:
    """`text` as a string in the language of `catalogue` (None: English), values in `units` ("si" or "us")."""
    pattern = (catalogue or {}).get(text.key, text.english)
    shown = {name: show(name, value, units=units) for name, value in text.values.items()}
    return string.Formatter().vformat(pattern, (), shown)


def printable(name: str) -> str:
    """`name` with a question mark for each byte that is no Unicode: a file system may hold such names, no page or table can."""
    return name.encode("utf-8", "replace").decode("utf-8")


def plain(text: str) -> str:
    """`text` for a terminal or a log of lines, whatever a file is called: no sign in it moves, hides or colours anything."""
    return "".join(" " if unicodedata.category(c) in _UNSEEN else c for c in printable(text))


_UNSEEN = ("Cc", "Cf", "Zl", "Zp")  # control and format characters, line and paragraph ends
