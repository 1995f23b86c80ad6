"""What is known of a unit beyond its logs: `unit.toml`, validated, with defaults by kind of machine.

Everything here is optional; a unit without the file is `Unit(name=<folder>)`. Durations are minutes, temperatures °C.
How the file is read, and what is said of a bad one, stands in `unit_toml.py`.
"""

from __future__ import annotations

import difflib
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
    BeforeValidator,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from pipeline.language.catalogue import languages
from pipeline.pictures import PICTURE_ENDINGS

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
        "current_fan": "A",  # clamps on single parts: condenser fan,
        "current_pump": "A",  # water pump,
        "current_dump": "A",  # dump (purge) valve,
        "current_grid": "A",  # cutter grid of a slab machine
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


class StrictModel(BaseModel):
    """What a technician or an office writes into a file: an unknown key or a number that is none is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True, allow_inf_nan=False)


def nearest(word: str, known: Iterable[str]) -> str:
    """The one of `known` that `word` may be meant for, as a question; "" where none is near."""
    close = difflib.get_close_matches(word.casefold(), [k.casefold() for k in known], n=1, cutoff=0.6)
    match = next((k for k in known if close and k.casefold() == close[0]), "")
    return f'; did you mean "{match}"?' if match else ""


def _a_role(role: str) -> str:
    if role not in ROLES:
        raise ValueError(f"no such role{nearest(role, ROLES)}; the roles are {', '.join(ROLES)}")
    return role


def _a_language(language: str) -> str:
    if language not in languages():
        raise ValueError(f"expected one of {', '.join(languages())}{nearest(language, languages())}")
    return language


def _a_number(value: object) -> object:
    if isinstance(value, bool):
        raise PydanticCustomError("float_type", "a number")
    return value


def _a_day(value: object) -> object:
    """What would be taken for seconds since 1970 is no day."""
    if isinstance(value, int | float) or (isinstance(value, str) and "-" not in value):
        raise PydanticCustomError("date_type", "a date")
    return value


def _of_our_time(day: date) -> date:
    if not 1900 <= day.year < 2100:
        raise ValueError("expected a day from 1900-01-01 to 2099-12-31")
    return day


def _a_time(value: object) -> object:
    """What would be taken for seconds since midnight is no time of day."""
    if isinstance(value, int | float) or (isinstance(value, str) and ":" not in value):
        raise PydanticCustomError("time_type", "a time of day")
    return value


Number = Annotated[float, BeforeValidator(_a_number)]
Role = Annotated[str, AfterValidator(_a_role)]
Language = Annotated[str, AfterValidator(_a_language)]
Positive = Annotated[Number, Field(gt=0, le=1e6)]
Minutes = Annotated[Number, Field(gt=0, le=10_080)]  # a week
Volts = Annotated[Number, Field(gt=0, le=1000)]
Amperes = Annotated[Number, Field(gt=0, le=10_000)]
Celsius = Annotated[Number, Field(ge=-100, le=200)]
TimeOfDay = Annotated[clock_time, BeforeValidator(_a_time)]
Day = Annotated[date, BeforeValidator(_a_day), AfterValidator(_of_our_time)]
Line = Annotated[str, Field(max_length=300)]
"""Ranges that no machine leaves (common practice, no source): a slip of the keyboard is told, not reckoned with."""

Band = tuple[Minutes, Minutes]

FARTHEST_S = 2e9
"""A logger's clock is off by less than this [s]: some 63 years, as from 1970 to 2033 (common practice, no source)."""


class Nameplate(StrictModel):
    """What the plate and the data sheet say."""

    ice_kg_per_day: Positive | None = None
    at_air_c: Celsius | None = None
    at_water_c: Celsius | None = None
    energy_kwh_per_kg: Annotated[Number, Field(gt=0, le=100)] | None = None
    voltage_v: Volts | None = None
    phases: Literal[1, 3] = 1
    current_a: Amperes | None = None
    refrigerant: Line | None = None  # "R-404A", "R-290", …
    equipment: Literal["head", "remote-head", "remote-compressor", "self-contained"] | None = None
    made: Day | None = None
    freeze_timer_min: Minutes | None = None


class Measured(StrictModel):
    """What the technician measured on site."""

    slab_kg: Annotated[Number, Field(gt=0, le=1000)] | None = None  # ice of one cycle, weighed
    power_factor: Annotated[Number, Field(gt=0, le=1)] | None = None
    voltage_v: Volts | None = None
    water_in_c: Celsius | None = None


class ExpectedAt(StrictModel):
    """A row of the service sheet: the lengths at one air and one water temperature."""

    air_c: Celsius
    water_c: Celsius
    freeze_min: Minutes | Band
    harvest_min: Minutes | Band | None = None


class Expected(StrictModel):
    """What the service sheet says of a healthy machine. Bands [min]; their defaults: `EXPECTED_BY_KIND`."""

    freeze_min: Band | None = None
    harvest_min: Band | None = None
    at: tuple[ExpectedAt, ...] = ()  # lengths by air and water
    freeze_end_c: tuple[Celsius, Celsius] | None = (
        None  # coldest and warmest end of freeze at the logged place
    )
    discharge_c: Celsius | None = None  # hottest discharge line
    split_k: Annotated[Number, Field(gt=0, le=200)] | None = None  # largest condenser air rise
    current_a: Amperes | None = None  # running current in freeze

    @field_validator("freeze_min", "harvest_min")
    @classmethod
    def _in_order(cls, band: Band | None) -> Band | None:
        if band is not None and band[0] >= band[1]:
            raise ValueError("the first number must be the smaller one")
        return band


class Thermistor(StrictModel):
    """An NTC thermistor: `r25_ohm` with `beta_k`, or Steinhart–Hart `a`, `b`, `c`."""

    r25_ohm: Annotated[Number, Field(gt=0, le=1e9)] | None = None
    beta_k: Annotated[Number, Field(gt=0, le=100_000)] | None = None
    a: Annotated[Number, Field(ge=-1, le=1)] | None = None
    b: Annotated[Number, Field(ge=-1, le=1)] | None = None
    c: Annotated[Number, Field(ge=-1, le=1)] | None = None

    @model_validator(mode="after")
    def _one_model(self) -> Thermistor:
        beta = self.r25_ohm is not None and self.beta_k is not None
        steinhart = None not in (self.a, self.b, self.c)
        if beta == steinhart:
            raise ValueError("give r25_ohm and beta_k, or a, b and c")
        return self


class ChannelRule(StrictModel):
    """What a column of a logger file is, where its header does not say (or says it wrongly)."""

    role: Role | None = None
    unit: Literal[
        "°C", "°F", "K", "mK", "m°C", "A", "mA", "µA", "W", "mW", "µW", "kW", "V", "mV", "kV", "kWh", "Wh",
        "ohm", "kohm", "kPa", "bar", "psi", "",
    ] | None = None  # fmt: skip
    thermistor: Thermistor | None = None
    a_per_v: Annotated[Number, Field(gt=0, le=1e6)] | None = (
        None  # of a clamp that gives a voltage: its ratio
    )
    r0_ohm: Annotated[Number, Field(gt=0, le=1e6)] | None = None  # of a resistance thermometer: at 0 °C
    add: Annotated[Number, Field(ge=-1e6, le=1e6)] = (
        0.0  # added to a reading, in house units: a known probe error
    )


class Clock(StrictModel):
    """How the loggers' clocks are to be read."""

    date_order: Literal["day-first", "month-first", "year-first"] | None = None
    start: str | None = None  # ISO 8601: when elapsed seconds were zero
    offset_s: Mapping[str, Annotated[Number, Field(ge=-FARTHEST_S, le=FARTHEST_S)]] = Field(
        default_factory=dict
    )  # file name -> seconds to add

    @field_validator("start")
    @classmethod
    def _is_a_moment(cls, start: str | None) -> str | None:
        if start is not None:
            try:
                moment = datetime.fromisoformat(start)
            except ValueError:
                raise ValueError('expected an ISO 8601 time, such as "2026-05-04T10:00:00"') from None
            if not 1970 <= moment.year < 2100:
                raise ValueError("expected a year from 1970 to 2099")
        return start


class Client(StrictModel):
    """Who gets the report."""

    name: Line = ""
    email: tuple[str, ...] = ()
    language: Language = "en"
    units: Literal["si", "us"] | None = None


def _a_list(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _beside_the_logs(name: str) -> str:
    if not name or name != Path(name).name or "\\" in name or name.startswith("."):
        raise ValueError("expected the name of a picture that lies beside the logs, without a folder")
    if Path(name).suffix.lower() not in PICTURE_ENDINGS:
        raise ValueError(f"expected a picture ({', '.join(sorted(PICTURE_ENDINGS))})")
    return name


def _in_words(alt: str) -> str:
    if not alt:
        raise ValueError("say in a few words what the photo shows, for whoever cannot see it")
    return alt


Lines = Annotated[tuple[Line, ...], BeforeValidator(_a_list)]
"""One line of text, or several."""
Picture = Annotated[str, AfterValidator(_beside_the_logs)]


class Firm(StrictModel):
    """Who made the report: stands at its head."""

    name: Line = ""
    telephone: Line = ""
    email: Line = ""
    author: Line = ""  # who wrote the report
    logo: Picture | None = None  # beside the logs


class Photo(StrictModel):
    """A photograph of a visit, beside the logs."""

    file: Picture
    alt: Annotated[Line, AfterValidator(_in_words)]  # what it shows


class Visit(StrictModel):
    """A visit to the unit: judgement and `icelogs compare` split the logs there; the pages show what was done.

    `on` may be a date, or a date with a time of day, which then is `at`.
    """

    on: Day
    at: TimeOfDay | None = None  # of day, in the unit's zone; None: the log shows it, or noon stands in
    what: Line = ""
    done: Lines = ()
    parts: Lines = ()  # put in
    readings: Lines = ()  # taken on site
    note: Line = ""
    next: Day | None = None  # visit
    photos: tuple[Photo, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _time_of_day(cls, table: Any) -> Any:
        if isinstance(table, Mapping) and isinstance(table.get("on"), datetime):
            moment = table["on"]
            if moment.tzinfo is None:
                return {"at": moment.time()} | dict(table) | {"on": moment.date()}
        return table


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


class Unit(StrictModel):
    """One machine. `name` is the folder (or the file's first part); `title` is what a page calls it."""

    name: str
    title: Line = ""
    place: Line = ""
    kind: Kind = "unspecified"
    cooling: Literal["air", "water"] = "air"
    time_zone: str = "UTC"
    nameplate: Nameplate = Nameplate()
    measured: Measured = Measured()
    expected: Expected = Expected()
    clock: Clock = Clock()
    channels: Mapping[str, Role | ChannelRule] = Field(default_factory=dict)  # "header" or "file.csv/header"
    thresholds: Mapping[str, Annotated[Number, Field(ge=-1e9, le=1e9)]] = Field(
        default_factory=dict
    )  # overrides, by the names of the table
    client: Client = Client()
    firm: Firm = Firm()
    visits: tuple[Visit, ...] = ()
    model: Line = ""  # a label of the user's own: units of one label are sister machines

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        if zone not in available_timezones():
            raise ValueError(
                'not an IANA time zone, such as "Europe/Madrid" or "America/Chicago"'
                + nearest(zone, sorted(available_timezones()))
            )
        return zone

    @property
    def tz(self) -> ZoneInfo:
        """The zone of `time_zone`."""
        return ZoneInfo(self.time_zone)

    @property
    def shown_as(self) -> str:
        """What a page calls it."""
        return self.title or self.name

    @property
    def expected_freeze_min(self) -> Band:
        """Band of a healthy freeze [min]: from `unit.toml`, else by kind."""
        return self.expected.freeze_min or EXPECTED_BY_KIND[self.kind].freeze_min

    @property
    def expected_harvest_min(self) -> Band:
        """Band of a healthy harvest [min]: from `unit.toml`, else by kind."""
        return self.expected.harvest_min or EXPECTED_BY_KIND[self.kind].harvest_min
