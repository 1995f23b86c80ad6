"""Words and numbers for people: one catalogue a language, values in the reader's units.

Page and message text lives in `language/<language>.toml`; what analysis says arrives as `Text` with its English pattern, and
the catalogue of another language translates it by key. What a language lacks is said in English. In HTML every value carries both systems of units, so that the
switch on the page needs no second page.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache, partial
from typing import Any

from markupsafe import Markup, escape

from pipeline.findings.finding import Verdict
from pipeline.language.catalogue import catalogue
from pipeline.language.text import Quantity, Text, figure, plus, quantity_of
from pipeline.report.clock import Offsets, local_day
from pipeline.report.options import Units

_OWN = {
    # Ice of a day where the words beside it say "a day"
    "_whole_kg": Quantity(si=(float, " kg", 0), us=(lambda kg: kg / 0.45359237, " lb", 0)),
}


@cache
def _quantity_of(name: str) -> Quantity | None:
    """The quantity that a value's name ends in, with those of pages alone; None for a count or a word."""
    return next((q for suffix, q in _OWN.items() if name.endswith(suffix)), None) or quantity_of(name)


@cache
def _switches(name: str) -> bool:
    """Whether a value of this name looks otherwise in US units."""
    quantity = _quantity_of(name)
    return quantity is not None and quantity.si != quantity.us


@cache
def _escaped(pattern: str) -> str:
    """A pattern of the catalogue as HTML."""
    return str(escape(pattern))


@cache
def _kept_together(pattern: str) -> str:
    """A pattern whose figures never part from their percent sign, nor from a ±."""
    return pattern.replace(" %", "\N{NO-BREAK SPACE}%").replace("± ", "±\N{NO-BREAK SPACE}")


@cache
def _plain_html(pattern: str) -> Markup:
    """A pattern of the catalogue without values, as HTML."""
    return Markup(_kept_together(_escaped(pattern)).format_map({}))


_MOMENT = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d")
"""How analysis writes a moment on the unit's own clock (`findings.evidence.stops.moment`): a page writes it as people do."""
LONG_MIN = 300  # from here on minutes are said in hours
DAY_ONE = date(2001, 1, 1)  # what the reading room calls the first day of a log without dates
DAYS_COUNTED = 90  # from there on: a log goes on for no longer
MOST_PCT = 300  # a change of more is said as over that: its figure tells nobody more


@dataclass(frozen=True, kw_only=True)
class Reader:
    """Whom a page is for, and of what kind of machine: says texts and values in a language and a system of units."""

    language: str = "en"
    units: Units = "si"
    cooling: str = "air"  # of the condenser: "air" or "water"

    @property
    def words(self) -> Mapping[str, str]:
        """The catalogue of the language: key -> pattern."""
        return catalogue(self.language, self.cooling)

    def t(self, key: str, **values: Any) -> str:
        """The page text `key`; `values` fill its pattern, shown in units where their name says one."""
        return self._fill(self.words[key], values, self.show)

    def t_html(self, key: str, **values: Any) -> Markup:
        """Like `t`, values as switchable elements; everything escaped."""
        if not values:
            return _plain_html(self.words[key])
        return Markup(self._fill(_escaped(self.words[key]), values, self.show_html))

    def say(self, text: Text) -> str:
        """What analysis says, as a plain string."""
        return self._fill(self.words.get(text.key, text.english), text.values, self.show)

    def say_html(self, text: Text, *, short: bool = False) -> Markup:
        """What analysis says, values as switchable elements; everything escaped. short: as in `show`."""
        pattern = _escaped(self.words.get(text.key, text.english))
        return Markup(self._fill(pattern, text.values, partial(self.show_html, short=short)))

    def technician(self, verdict: Verdict) -> str:
        """What a technician is told of the whole, as a plain string."""
        return " ".join(self._technician(verdict, self.say, self.t))

    def technician_html(self, verdict: Verdict) -> Markup:
        """The same with switchable values; everything escaped."""
        return Markup(" ").join(self._technician(verdict, self.say_html, self.t_html))

    def _technician(self, verdict: Verdict, say, t) -> list:
        sentences = [say(text) for text in (verdict.technician, verdict.since) if text is not None]
        for key, text in (("page.likeliest", verdict.likeliest), ("page.first_check", verdict.first_check)):
            if text is not None:
                sentences.append(t(key, said=say(text)))
        sentences = [s[:1].upper() + s[1:] for s in sentences]
        return [s if s.endswith((".", "?", "!")) else s + "." for s in sentences]

    def show(self, name: str, value: Any, units: Units | None = None, *, short: bool = False) -> str:
        """`value` converted and signed by the suffix of `name`: "12.3 min"; "–" where there is none. short: 60 °C and not
        60.0 °C, as befits a limit that nobody measured."""
        number, sign = self.split(name, value, units)
        point = self.words["number.decimal"]
        if short and point in number and sign:
            number = number.rstrip("0").removesuffix(point)
        return number + sign

    def split(self, name: str, value: Any, units: Units | None = None) -> tuple[str, str]:
        """The number and its sign apart: ("12.3", " min")."""
        if isinstance(value, Markup):
            return value, ""
        if value is None or (isinstance(value, float) and value != value):
            return "–", ""
        if isinstance(value, bool):
            return self.words[f"word.{'yes' if value else 'no'}"], ""
        if isinstance(value, str):
            if _MOMENT.fullmatch(value):
                return f"{self.day(date.fromisoformat(value[:10]))}, {value[11:]}", ""
            return self.term(name, value), ""
        quantity = _quantity_of(name)
        if quantity is None:
            return self._decimal(f"{value:g}" if isinstance(value, float) else str(value)), ""
        if quantity is quantity_of("_min") and value >= LONG_MIN:
            value, quantity = value / 60, quantity_of("_h")
        convert, sign, decimals = quantity.us if (units or self.units) == "us" else quantity.si
        if quantity is quantity_of("_pct") and value > MOST_PCT:
            return self.t("number.over", most=MOST_PCT), self.sign(sign)
        text = figure(name, convert(float(value)), decimals)
        return plus(name, text) + self._decimal(text), self.sign(sign)

    def sign(self, sign: str) -> str:
        """A unit sign in this language, its leading space kept (and never broken at)."""
        bare = sign.strip()
        return ("\N{NO-BREAK SPACE}" if sign.startswith(" ") else "") + self.words.get(f"sign.{bare}", bare)

    def show_html(self, name: str, value: Any, *, short: bool = False) -> Markup:
        """A value that the units switch can change. short: as in `show`."""
        if isinstance(value, Markup):
            return value
        si = self.show(name, value, "si", short=short)
        us = self.show(name, value, "us", short=short) if _switches(name) else si
        if si == us:
            return Markup(f"<bdi>{escape(si)}</bdi>") if isinstance(value, str) else escape(si)
        si, us = escape(si), escape(us)
        shown = us if self.units == "us" else si
        return Markup(f'<span class="q" data-si="{si}" data-us="{us}">{shown}</span>')

    def seconds(self, seconds: float) -> str:
        """ "30 s", "5 min", "1 h": the largest unit that needs no fraction."""
        if seconds != seconds:
            return "–"
        unit, size = next(
            ((u, s) for u, s in (("h", 3600), ("min", 60)) if seconds >= s and seconds % s == 0), ("s", 1)
        )
        return self.t(f"duration.{unit}", n=self.number(round(seconds / size, 3)))

    def length_html(self, days: float) -> Markup:
        """How long a log is: in minutes, hours or days, whichever says it best; switchable like any value."""
        return self.show_html(*_length(days))

    def length(self, days: float) -> str:
        """The same as a plain string."""
        return self.show(*_length(days))

    def number(self, value: float) -> str:
        """A bare number, as short as it goes."""
        return self._decimal(f"{value:g}")

    def tick(self, name: str, value: float, units: Units) -> str:
        """A label of an axis: the value converted, one decimal at most and only where it is needed, short sign."""
        quantity = quantity_of(name)
        if quantity is None:
            return self.number(value)
        convert, sign, _ = quantity.us if units == "us" else quantity.si
        short = sign.strip().replace("°C", "°").replace("°F", "°")
        text = f"{convert(value):.1f}".removesuffix(".0")
        return self._decimal(text) + (short if short == "°" else f"\N{NARROW NO-BREAK SPACE}{short}")

    def day(self, at: date, *, year: bool = True) -> str:
        """ "24 Mar 2026": the month in letters, so that no one reads it as the day; "day 2" of a log without dates."""
        counted = date(at.year, at.month, at.day) - DAY_ONE
        if 0 <= counted.days < DAYS_COUNTED:
            return self.t("calendar.day", n=counted.days + 1)
        month = self.words["calendar.months"].split()[at.month - 1]
        return f"{at.day} {month} {at.year}" if year else f"{at.day} {month}"

    def weekday(self, at: date) -> str:
        """ "Mon 8 Jun": for the rows of a week."""
        said = self.day(at, year=False)
        return (
            f"{self.words['calendar.weekdays'].split()[at.weekday()]} {said}" if said[0].isdigit() else said
        )

    def moment(self, time_ns: int, offsets: Offsets) -> str:
        """ "24 Mar 2026, 03:15" in the unit's zone."""
        at = local_day(time_ns, offsets)
        return f"{self.day(at)}, {at:%H:%M}"

    def span(self, start_ns: int, end_ns: int, offsets: Offsets) -> tuple[str, str]:
        """Both ends of a stretch, the second without the date where it is the same day."""
        first, last = local_day(start_ns, offsets), local_day(end_ns, offsets)
        end = (
            f"{last:%H:%M}" if first.date() == last.date() else f"{self.day(last, year=False)}, {last:%H:%M}"
        )
        return f"{self.day(first, year=False)}, {first:%H:%M}", end

    def term(self, name: str, value: str) -> str:
        """A word that we chose ourselves (a role, a phase) in this language; any other string stays as it is."""
        kind = name.rsplit("_", 1)[-1]
        return self.words.get(f"{kind}.{value}", value) if kind in ("role", "phase") else value

    def _decimal(self, number: str) -> str:
        number = "−" + number[1:] if number.startswith("-") else number
        if not number.strip("−0."):
            number = number.removeprefix("−")
        return number.replace(".", self.words["number.decimal"])

    @staticmethod
    def _fill(pattern: str, values: Mapping[str, Any], show) -> str:
        shown = {name: show(name, value) for name, value in values.items()}
        return _kept_together(pattern).format_map(shown)


def certainty(confidence: float) -> int:
    """A figure's reliability, 0 to 1, as one of three words: 1 the least."""
    return 3 if confidence >= 0.9 else 2 if confidence >= 0.7 else 1


def _length(days: float) -> tuple[str, float]:
    """Name (by whose suffix it is shown) and value of how long a log is."""
    hours = 24 * days
    name, value = (
        ("min", 60 * hours) if hours < 2 else ("h", hours) if round(hours, 1) < 48 else ("days", days)
    )
    return f"log_{name}", value
