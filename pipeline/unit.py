"""What is known of a unit beyond its logs: `unit.toml`, validated, with defaults by kind of machine.

Everything here is optional; a unit without the file is `Unit(name=<folder>)`. Durations are minutes, temperatures °C.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.errors import UnitConfigError

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


class Expected(_Strict):
    """Bands of a healthy machine of this kind [min]. Defaults: `EXPECTED_BY_KIND`."""

    freeze_min: Band | None = None
    harvest_min: Band | None = None

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

    role: str | None = None
    unit: Literal["°C", "°F", "K", "A", "mA", "W", "kW", "V", "kWh", "Wh", "ohm", "kohm", "kPa", "bar", "psi", ""] | None = None
    thermistor: Thermistor | None = None
    add: float = 0.0  # added to a reading, in house units: a known probe error

    @field_validator("role")
    @classmethod
    def _known(cls, role: str | None) -> str | None:
        if role is not None and role not in ROLES:
            raise ValueError(f"no such role; the roles are {', '.join(ROLES)}")
        return role


class Clock(_Strict):
    """How the loggers' clocks are to be read."""

    date_order: Literal["day-first", "month-first", "year-first"] | None = None
    start: str | None = None  # ISO 8601: when elapsed seconds were zero
    offset_s: Mapping[str, float] = Field(default_factory=dict)  # file name -> seconds to add


class Client(_Strict):
    """Who gets the report."""

    name: str = ""
    email: tuple[str, ...] = ()
    language: Literal["en", "es"] = "en"
    units: Literal["si", "us"] | None = None


class Visit(_Strict):
    """A day on which something was done to the unit: `icelogs compare` splits the logs there."""

    on: date
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
    channels: Mapping[str, str | ChannelRule] = Field(default_factory=dict)  # "header" or "file.csv/header"
    thresholds: Mapping[str, float] = Field(default_factory=dict)  # overrides, by the names of the table
    client: Client = Client()
    visits: tuple[Visit, ...] = ()

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        if zone not in available_timezones():
            raise ValueError('not an IANA time zone, such as "Europe/Madrid" or "America/Chicago"')
        return zone

    @field_validator("channels")
    @classmethod
    def _known_roles(cls, channels: Mapping[str, str | ChannelRule]) -> Mapping[str, str | ChannelRule]:
        for header, rule in channels.items():
            if isinstance(rule, str) and rule not in ROLES:
                raise ValueError(f'"{rule}" (for "{header}") is no role; the roles are {", ".join(ROLES)}')
        return channels

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

    Raises UnitConfigError naming file, key and what was expected.
    """
    if toml is None:
        return Unit(name=name)
    try:
        table = tomllib.loads(toml.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UnitConfigError(f"not valid TOML ({error})", file=f"{name}/{toml.name}", remedy="mend that line") from error
    try:
        return Unit(**{"name": name} | table)
    except ValidationError as error:
        problems = "; ".join(_say_problem(e) for e in error.errors())
        raise UnitConfigError(problems, file=f"{name}/{toml.name}", remedy="see the keys in the README") from error


def _say_problem(error) -> str:
    key = ".".join(str(part) for part in error["loc"]) or "the file"
    if error["type"] == "extra_forbidden":
        return f'"{key}" is not a key that is known here'
    return f'"{key}": {error["msg"].removeprefix("Value error, ")} (found {error["input"]!r})'
