"""Who gets which report: the address in a unit's own `unit.toml`, else `clients.toml` for the fleet."""

from __future__ import annotations

import fnmatch
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, field_validator

from pipeline.delivery.mail.addresses import checked_address
from pipeline.errors import UnitConfigError
from pipeline.unit import Client, Language, StrictModel

FILE = "clients.toml"


Addresses = Annotated[tuple[str, ...], Field(min_length=1)]


class FleetClient(StrictModel):
    """One `[[client]]` of clients.toml."""

    name: str = ""
    email: Addresses
    machines: Annotated[tuple[str, ...], Field(min_length=1)]  # names of units, or patterns with * and ?
    language: Language = "en"
    units: Literal["si", "us"] = "si"
    time_zone: str | None = None  # for the dates in the message; None: each unit's own

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str | None) -> str | None:
        from zoneinfo import available_timezones

        if zone is not None and zone not in available_timezones():
            raise ValueError('not an IANA time zone, such as "Europe/Madrid" or "America/Chicago"')
        return zone


class Sender(StrictModel):
    """`[sender]` of clients.toml: whom the messages come from."""

    name: str = ""
    email: str
    reply_to: str | None = None


class ClientBook(StrictModel):
    """All of clients.toml."""

    sender: Sender | None = None
    client: tuple[FleetClient, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Recipient:
    """One client: gets one message about all of `machines`."""

    name: str
    addresses: tuple[str, ...]  # checked
    language: str
    units: Literal["si", "us"]
    time_zone: str | None
    machines: tuple[str, ...]  # unit names, sorted


def load_book(path: Path) -> ClientBook:
    """Raises UnitConfigError naming the key and what was expected; a missing file is an empty book."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        return ClientBook()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UnitConfigError(f"not valid TOML ({error})", file=path.name, remedy="mend that line") from error
    try:
        return ClientBook(**table)
    except ValidationError as error:
        problems = "; ".join(_say_problem(problem) for problem in error.errors())
        raise UnitConfigError(problems, file=path.name, remedy="see clients.toml in the README") from error


def recipients(
    units: Iterable[str], own: Mapping[str, Client], book: ClientBook
) -> tuple[tuple[Recipient, ...], tuple[str, ...]]:
    """Who gets what, and the units that nobody gets.

    own: unit -> the client of its unit.toml, which comes before the book. A unit that several clients of the book name
    goes to each of them. Raises UnitConfigError for what is no address.
    """
    names = sorted(units)
    lists: dict[tuple, list[str]] = {}
    for name in names:
        for key in _keys_for(name, own.get(name), book):
            lists.setdefault(key, []).append(name)
    everyone = tuple(
        Recipient(
            name=key[0],
            addresses=key[1],
            language=key[2],
            units=key[3],
            time_zone=key[4],
            machines=tuple(machines),
        )
        for key, machines in lists.items()
    )
    served = {name for recipient in everyone for name in recipient.machines}
    return everyone, tuple(name for name in names if name not in served)


def ill_addressed(own: Mapping[str, Client]) -> dict[str, UnitConfigError]:
    """The units whose own file holds something that is no address, and what to say of it."""
    faults = {}
    for name, client in own.items():
        try:
            _checked(client.email, f"{name}/unit.toml")
        except UnitConfigError as error:
            faults[name] = error
    return faults


def _keys_for(name: str, own: Client | None, book: ClientBook) -> list[tuple]:
    if own is not None and own.email:
        addresses = _checked(own.email, f"{name}/unit.toml")
        return [(own.name, addresses, own.language, own.units or "si", None)]
    keys = [
        (client.name, _checked(client.email, FILE), client.language, client.units, client.time_zone)
        for client in book.client
        if any(fnmatch.fnmatchcase(name, pattern.replace("[", "[[]")) for pattern in client.machines)
    ]
    return list(dict.fromkeys(keys))


def _checked(emails: Iterable[str], file: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(checked_address(email, file=file) for email in emails))


def _say_problem(error) -> str:
    key = ".".join(str(part) for part in error["loc"]) or "the file"
    if error["type"] == "extra_forbidden":
        return f'"{key}" is not a key that is known here'
    return f'"{key}": {error["msg"].removeprefix("Value error, ")}'
