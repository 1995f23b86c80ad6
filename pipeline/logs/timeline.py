"""What the reading room hands on: one `Timeline` a unit.

Each channel keeps its own samples, so a boundary can be placed at the full rate of the logger that saw it. Times are
int64 nanoseconds since 1970-01-01 UTC. No array is written to after it was handed on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.language.text import Text, plain
from pipeline.logs.mapped import LEAST_SAMPLES, looked_through, on_disk

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, kw_only=True)
class Channel:
    """One column of one logger (or of several files of the same logger, joined in time)."""

    role: str  # a key of pipeline.unit.ROLES
    label: str  # the header as the logger wrote it; "column 3" where there was none
    file: str  # name of the logger file(s) it came from, never a path
    unit: str  # house unit: "°C", "A", "W", "V", "kPa", "kWh" or ""
    unit_read: str  # the unit as logged: "°F", "mA", …
    time_ns: np.ndarray  # int64 (n,), UTC, strictly increasing
    values: np.ndarray  # float64 (n,), in `unit`; NaN is "no reading", never zero
    trusted: np.ndarray  # bool (n,); False where a reading must not be used (NaN is never trusted)
    interval_s: float  # the logger's own interval: the usual step of time_ns [s]
    resolution: float  # the smallest step between readings [unit]; 0.0 where it is unknown
    chosen: bool  # used for its role; False: kept as the second of two candidates
    role_by: str  # "unit.toml", "header", "file name" or "behaviour"
    role_confidence: float  # 0…1
    masks: Mapping[str, np.ndarray] = field(default_factory=dict)  # check -> bool (n,), True where it objects
    clock: str = ""  # the logger, where its clock may differ from the unit's by what only the cycles tell

    def readings(self) -> tuple[np.ndarray, np.ndarray]:
        """Times [ns] and values, (n,) each, of the trusted samples: no copies where all are, and of a log at rest (`at_rest`) values
        that take memory only as long as the caller holds them."""
        values, trusted = looked_through(self.values), looked_through(self.trusted)
        if trusted.all():
            return self.time_ns, values
        return looked_through(self.time_ns)[trusted], values[trusted]


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """A span of a channel (or of the whole log) that is not trusted, or something the log does not show.

    code: one of "probe-fault", "probe-loose", "clamp-dead", "log-gap", "log-coarse", "clock-offset".
    """

    code: str
    start_ns: int
    end_ns: int
    role: str = ""  # "" where the whole log is meant
    label: str = ""  # header of the channel meant
    file: str = ""
    what: Text  # what was seen
    evidence: Mapping[str, Any] = field(default_factory=dict)  # numbers, named with their unit
    confidence: float = 1.0


@dataclass(frozen=True, kw_only=True)
class SourceFile:
    """What the reader understood of one file."""

    name: str
    rows: int
    start_ns: int
    end_ns: int
    interval_s: float
    dialect: Mapping[str, Any]  # encoding, delimiter, decimal, preamble lines, header, date format, …
    notes: tuple[Text, ...] = ()  # what was assumed, and how to overrule it


@dataclass(frozen=True, kw_only=True)
class Timeline:
    """All that was logged of one unit, on one clock."""

    unit_name: str
    time_zone: str
    start_ns: int  # first reading of any channel
    end_ns: int  # last reading of any channel
    channels: tuple[Channel, ...]
    doubts: tuple[Doubt, ...] = ()
    sources: tuple[SourceFile, ...] = ()
    own_clock: bool = False  # no zone is known: times are those that the loggers' clocks showed

    @property
    def tz(self) -> ZoneInfo:
        """The zone of `time_zone`."""
        return ZoneInfo(self.time_zone)

    def get(self, *roles: str) -> Channel | None:
        """The chosen channel of the first of `roles` that was logged, or None."""
        for role in roles:
            for channel in self.channels:
                if channel.chosen and channel.role == role:
                    return channel
        return None

    def frame(self) -> pd.DataFrame:
        """Every chosen channel in one table: index the union of sample times (UTC), a column a role, NaN where a
        channel has no trusted reading at that moment."""
        import pandas as pd

        chosen = [c for c in self.channels if c.chosen]
        index = np.unique(np.concatenate([c.time_ns for c in chosen])) if chosen else np.empty(0, np.int64)
        columns = {}
        for channel in chosen:
            column = np.full(len(index), np.nan)
            column[np.searchsorted(index, channel.time_ns)] = np.where(
                channel.trusted, channel.values, np.nan
            )
            columns[channel.role] = column
        return pd.DataFrame(columns, index=pd.DatetimeIndex(index.view("M8[ns]"), tz="UTC", name="time"))


PIECE = 1 << 18
"""Samples that are worked on at once where a pass over a long log would else make copies of it."""


def at_rest(timeline: Timeline, folder: Path) -> Timeline:
    """`timeline` with the arrays of its long channels in files of `folder`, so that they take no memory while nobody looks at them; as it is
    where the disk does not take them."""
    rested: dict[
        int, tuple[np.ndarray, np.ndarray]
    ] = {}  # by identity: the channels of a file share their times

    def resting(array: np.ndarray) -> np.ndarray:
        if id(array) not in rested:
            rested[id(array)] = array, on_disk(array, folder)
        return rested[id(array)][1]

    def channel_at_rest(channel: Channel) -> Channel:
        if len(channel.time_ns) < LEAST_SAMPLES:
            return channel
        return replace(
            channel,
            time_ns=resting(channel.time_ns),
            values=resting(channel.values),
            trusted=resting(channel.trusted),
            masks={check: resting(mask) for check, mask in channel.masks.items()},
        )

    try:
        return replace(timeline, channels=tuple(map(channel_at_rest, timeline.channels)))
    except OSError:
        return timeline


def holes(time_ns: np.ndarray, longest_ns: float) -> np.ndarray:
    """After which of the samples at `time_ns` (n,), increasing, no other one comes within `longest_ns`; the last one apart."""
    parts = [
        a + np.flatnonzero(np.diff(time_ns[a : a + PIECE + 1]) > longest_ns)
        for a in range(0, len(time_ns) - 1, PIECE)
    ]
    return np.concatenate(parts) if parts else np.empty(0, np.int64)


@dataclass(frozen=True, kw_only=True)
class Problem:
    """A file that could not be read, and why: the rest of the unit goes on without it."""

    unit_name: str
    file: str
    message: str  # the whole sentence, with the remedy

    def __post_init__(self) -> None:
        for field_name in ("unit_name", "file", "message"):
            object.__setattr__(self, field_name, plain(getattr(self, field_name)))

    @property
    def sentence(self) -> str:
        """The message with the unit in front: every unit may have a file of the same name."""
        unit, message = self.unit_name, self.message
        return message if message.startswith(unit) else f"{unit}/{message}"
