"""What is known of a unit beyond its logs: `unit.toml`, validated, with defaults by kind of machine.

Everything here is optional; a unit without the file is `Unit(name=<folder>)`. Durations are minutes, temperatures °C.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from datetime import time as clock_time
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from pipeline.errors import UnitConfigError
from pipeline.language.catalogue import languages

ROLES: Mapping[str, str] = MappingProxyType(
    {
        "evaporator": "°C",  # clip or thermistor on the evaporator plate or its outlet
        "suction": "°C",  # suction line
        "discharge": "°C",  # discharge line
        "liquid": "°C",  # liquid line
        "condenser_in": "°C",  # air (or water) into the condenser
        "condenser_out": "°C",  # air (or water) out of the condenser
        "ambient": "°C",  # room air away from the machine
        "water_in": "°C",  # supply water
        "reservoir": "°C",  # water in the reservoir
        "bin": "°C",  # inside the ice bin
        "current": "A",  # clamp on the whole unit
        "current_compressor": "A",  # clamp on the compressor lead only
        "power": "W",  # true power of the whole unit
        "voltage": "V",
        "power_factor": "",
        "energy": "kWh",  # running counter
        "suction_pressure": "kPa",  # gauge
        "discharge_pressure": "kPa",  # gauge
        "other": "",  # read and kept, used for nothing
    }
)
"""Every role that a channel can have, with its house unit."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def _a_role(role: str) -> str:
    if role not in ROLES:
        raise ValueError(f"no such role{_nearest(role, ROLES)}; the roles are {', '.join(ROLES)}")
    return role


def _a_language(language: str) -> str:
    if language not in languages():
        raise ValueError(f"expected one of {', '.join(languages())}{_nearest(language, languages())}")
    return language


Role = Annotated[str, AfterValidator(_a_role)]
Language = Annotated[str, AfterValidator(_a_language)]
Positive = Annotated[float, Field(gt=0)]
Band = tuple[Positive, Positive]


class Nameplate(_Strict):
    """What the plate and the data sheet say."""

    ice_kg_per_day: Positive | None = None
    at_air_c: float | None = None
    at_water_c: float | None = None
    energy_kwh_per_kg: Positive | None = None
    voltage_v: Positive | None = None
    phases: Literal[1, 3] = 1
    current_a: Positive | None = None
    refrigerant: str | None = None  # "R-404A", "R-290", …
    equipment: Literal["head", "remote-head", "remote-compressor", "self-contained"] | None = None
    made: date | None = None
    freeze_timer_min: Positive | None = None


class Measured(_Strict):
    """What the technician measured on site."""

    slab_kg: Positive | None = None  # ice of one cycle, weighed
    power_factor: Annotated[float, Field(gt=0, le=1)] | None = None
    voltage_v: Positive | None = None
    water_in_c: float | None = None


class ExpectedAt(_Strict):
    """A row of the service sheet: the lengths at one air and one water temperature."""

    air_c: float
    water_c: float
    freeze_min: Positive | Band
    harvest_min: Positive | Band | None = None


class Expected(_Strict):
    """What the service sheet says of a healthy machine. Bands [min]; their defaults: `EXPECTED_BY_KIND`."""

    freeze_min: Band | None = None
    harvest_min: Band | None = None
    at: tuple[ExpectedAt, ...] = ()  # lengths by air and water
    freeze_end_c: tuple[float, float] | None = None  # coldest and warmest end of freeze at the logged place
    discharge_c: float | None = None  # hottest discharge line
    split_k: Positive | None = None  # widest condenser split
    current_a: Positive | None = None  # running current in freeze

    @field_validator("freeze_min", "harvest_min")
    @classmethod
    def _in_order(cls, band: Band | None) -> Band | None:
        if band is not None and band[0] >= band[1]:
            raise ValueError("the first number must be the smaller one")
        return band


class Thermistor(_Strict):
    """An NTC thermistor: `r25_ohm` with `beta_k`, or Steinhart–Hart `a`, `b`, `c`."""

    r25_ohm: Positive | None = None
    beta_k: Positive | None = None
    a: float | None = None
    b: float | None = None
    c: float | None = None

    @model_validator(mode="after")
    def _one_model(self) -> Thermistor:
        beta = self.r25_ohm is not None and self.beta_k is not None
        steinhart = None not in (self.a, self.b, self.c)
        if beta == steinhart:
            raise ValueError("give r25_ohm and beta_k, or a, b and c")
        return self


class ChannelRule(_Strict):
    """What a column of a logger file is, where its header does not say (or says it wrongly)."""

    role: Role | None = None
    unit: (
        Literal[
            "°C", "°F", "K", "A", "mA", "W", "kW", "V", "kWh", "Wh", "ohm", "kohm", "kPa", "bar", "psi", ""
        ]
        | None
    ) = None
    thermistor: Thermistor | None = None
    add: float = 0.0  # added to a reading, in house units: a known probe error


class Clock(_Strict):
    """How the loggers' clocks are to be read."""

    date_order: Literal["day-first", "month-first", "year-first"] | None = None
    start: str | None = None  # ISO 8601: when elapsed seconds were zero
    offset_s: Mapping[str, float] = Field(default_factory=dict)  # file name -> seconds to add

    @field_validator("start")
    @classmethod
    def _is_a_moment(cls, start: str | None) -> str | None:
        if start is not None:
            try:
                datetime.fromisoformat(start)
            except ValueError:
                raise ValueError('expected an ISO 8601 time, such as "2026-05-04T10:00:00"') from None
        return start


class Client(_Strict):
    """Who gets the report."""

    name: str = ""
    email: tuple[str, ...] = ()
    language: Language = "en"
    units: Literal["si", "us"] | None = None


class Visit(_Strict):
    """A day on which something was done to the unit: judgement and `icelogs compare` split the logs there."""

    on: date
    at: clock_time | None = None  # of day, in the unit's zone; None: the log shows it, or noon stands in
    what: str = ""


Kind = Literal["slab", "cube", "unspecified"]

EXPECTED_BY_KIND: Mapping[str, Expected] = MappingProxyType(
    {
        # Common practice, no source: slab-and-grid machines freeze a sheet in about 20–25 min; cube machines differ
        # widely by size. The outer edges are set wide, so that leaving them means something.
        "slab": Expected(freeze_min=(12.0, 40.0), harvest_min=(0.75, 5.0)),
        "cube": Expected(freeze_min=(6.0, 75.0), harvest_min=(0.5, 8.0)),
        "unspecified": Expected(freeze_min=(6.0, 75.0), harvest_min=(0.5, 8.0)),
    }
)


class Unit(_Strict):
    """One machine. `name` is the folder (or the file's first part); `title` is what a page calls it."""

    name: str
    title: str = ""
    place: str = ""
    kind: Kind = "unspecified"
    cooling: Literal["air", "water"] = "air"
    time_zone: str = "UTC"
    nameplate: Nameplate = Nameplate()
    measured: Measured = Measured()
    expected: Expected = Expected()
    clock: Clock = Clock()
    channels: Mapping[str, Role | ChannelRule] = Field(default_factory=dict)  # "header" or "file.csv/header"
    thresholds: Mapping[str, float] = Field(default_factory=dict)  # overrides, by the names of the table
    client: Client = Client()
    visits: tuple[Visit, ...] = ()
    model: str = ""  # a label of the user's own: units of one label are sister machines

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        if zone not in available_timezones():
            raise ValueError(
                'not an IANA time zone, such as "Europe/Madrid" or "America/Chicago"'
                + _nearest(zone, sorted(available_timezones()))
            )
        return zone

    @property
    def tz(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    @property
    def shown_as(self) -> str:
        return self.title or self.name

    @property
    def expected_freeze_min(self) -> Band:
        """Band of a healthy freeze [min]: from `unit.toml`, else by kind."""
        return self.expected.freeze_min or EXPECTED_BY_KIND[self.kind].freeze_min

    @property
    def expected_harvest_min(self) -> Band:
        """Band of a healthy harvest [min]: from `unit.toml`, else by kind."""
        return self.expected.harvest_min or EXPECTED_BY_KIND[self.kind].harvest_min


def load_unit(name: str, toml: Path | None) -> Unit:
    """The unit called `name`, with what `toml` says of it (None: defaults).

    Raises UnitConfigError naming file, line, key, what was expected, and the nearest known key.
    """
    if toml is None:
        return Unit(name=name)
    file = f"{name}/{toml.name}"
    try:
        text = toml.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnitConfigError("the text is not UTF-8", file=file, remedy="save it again as UTF-8") from error
    except OSError as error:
        raise UnitConfigError(
            f"the file cannot be opened ({error.strerror or error})",
            file=file,
            remedy="check that it may be read",
        ) from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"\(at line (\d+), column \d+\)", str(error))
        raise UnitConfigError(
            f"not valid TOML ({error})",
            file=file,
            line=int(at[1]) if at else max(1, len(text.splitlines())),
            remedy='write key = "text", key = 12.5 or [table], each on a line of its own',
        ) from error
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
        problems = _told_once(error)
        raise UnitConfigError(
            "; ".join(_say_problem(p) for p in problems),
            file=file,
            line=_line_of(text, problems[0]["loc"]),
            remedy="the README lists every key",
        ) from error


def _told_once(error: ValidationError) -> list[Mapping[str, Any]]:
    """A channel may be a role or a table: only what is wrong with the one that was written is told."""
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


def _say_problem(problem: Mapping[str, Any]) -> str:
    """One sentence: the key, what was expected there, what was found."""
    loc, kind = problem["loc"], problem["type"]
    key = ".".join(str(part) for part in loc) or "the file"
    found = problem["input"]
    if kind == "extra_forbidden":
        known = _keys_beside(loc)
        return f'"{key}" is not a key that is known here{_nearest(str(loc[-1]), known)}'
    if kind == "greater_than":
        return f'"{key}": expected a number above {problem["ctx"]["gt"]:g} (found {found!r})'
    if kind == "less_than_equal":
        return f'"{key}": expected a number up to {problem["ctx"]["le"]:g} (found {found!r})'
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'|(\d+)", problem["ctx"]["expected"])
        words = [a or b for a, b in choices]
        return f'"{key}": expected one of {", ".join(words)} (found {found!r}){_nearest(str(found), words)}'
    if kind in _EXPECTED:
        return f'"{key}": expected {_EXPECTED[kind]} (found {found!r})'
    return f'"{key}": {problem["msg"].removeprefix("Value error, ")} (found {found!r})'


def _nearest(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word.casefold(), [k.casefold() for k in known], n=1, cutoff=0.6)
    match = next((k for k in known if close and k.casefold() == close[0]), "")
    return f'; did you mean "{match}"?' if match else ""


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
