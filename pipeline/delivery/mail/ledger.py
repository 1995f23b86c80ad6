"""What was sent to whom: one line a step, only ever added to, each on the disk before the next thing happens.

The states of a message to an address:

    trying    about to be handed to the server. If nothing follows, nobody knows whether it went out
    accepted  the server took it: it is never sent again unless asked
    deferred  the server could not be reached or said "not now" (4xx): it is tried again after `again_at`
    refused   the server said "never" (5xx): it is reported, and not tried again unless asked
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from pipeline import atomic
from pipeline.errors import DeliveryError
from pipeline.store.sealed import Damaged, seal, unseal

FILE = "ledger.jsonl"

_TORN = b" (cut short)\n"  # closes a line that a killed process or a full disk left unfinished


class State(StrEnum):
    """How far a message has come."""

    TRYING = "trying"
    ACCEPTED = "accepted"
    DEFERRED = "deferred"
    REFUSED = "refused"


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One step of one message."""

    at: str  # ISO 8601 with offset
    state: State
    message: str  # Message-ID
    to: tuple[str, ...]
    reports: Mapping[str, str]  # unit -> digest of what its report says
    said: str = ""  # the server's answer, or what stood in the way
    tries: int = 0  # how often this message was tried
    again_at: str = ""  # deferred: not before then


class Ledger:
    """The ledger in `path`. Open it only while holding its lock."""

    def __init__(self, path: Path) -> None:
        """Raises DeliveryError where a line is damaged (then what was sent can't be known), OSError."""
        self.path = path
        self._last: dict[tuple[str, str, str], Entry] = {}
        self._torn = False
        self._read()

    def last(self, unit: str, report: str, address: str) -> Entry | None:
        """The last step of this report to this address; None where it was never tried."""
        return self._last.get((unit, report, address))

    def add(self, entry: Entry) -> None:
        """Write `entry`, and return when the disk has it. Raises OSError: then it is not written and nothing may go on."""
        line = (_TORN if self._torn else b"") + seal(asdict(entry))
        is_new = not self.path.exists()
        self.path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(
            self.path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o600
        )
        before = os.fstat(handle).st_size
        try:
            try:
                written = os.write(handle, line)
                if written != len(line):
                    raise OSError(28, "No space left on device")
                os.fsync(handle)
            except OSError:
                with contextlib.suppress(OSError):
                    os.ftruncate(handle, before)
                raise
        finally:
            os.close(handle)
        if is_new:
            atomic.flush_folder(self.path.parent)
        self._torn = False
        self._remember(entry)

    def _remember(self, entry: Entry) -> None:
        for unit, report in entry.reports.items():
            for address in entry.to:
                self._last[unit, report, address] = entry

    def _read(self) -> None:
        try:
            lines = self.path.read_bytes().splitlines(keepends=True)
        except FileNotFoundError:
            return
        for number, line in enumerate(lines, start=1):
            if line.endswith(_TORN) or not line.endswith(b"\n"):
                continue  # cut short in the writing: a step is on the disk before the next thing happens, this one was not
            try:
                self._remember(_entry(unseal(line)))
            except (Damaged, KeyError, TypeError, ValueError) as damage:
                raise DeliveryError(
                    "this line of the ledger was altered, so what was sent can't be known",
                    file=self.path.name,
                    line=number,
                    remedy="put back an intact copy; or, if a client may get a message twice, move the file away",
                ) from damage
        self._torn = bool(lines) and not lines[-1].endswith(b"\n")


def waiting_until(entry: Entry) -> datetime | None:
    """When a deferred message may be tried again."""
    return datetime.fromisoformat(entry.again_at) if entry.again_at else None


def _entry(body: Mapping) -> Entry:
    return Entry(**dict(body) | {"state": State(body["state"]), "to": tuple(body["to"])})
