"""Ways in which a logger may write its CSV. All of them are ours: no maker's layout is meant."""

from __future__ import annotations

import gzip
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.demo.simulator import NS, Simulation

Stamp = Literal[
    "iso-offset", "iso", "day-first", "dotted", "month-first-12h", "date-and-time", "elapsed", "epoch"
]

FAHRENHEIT_ROLES = frozenset(
    {"evaporator", "suction", "discharge", "condenser_in", "condenser_out", "ambient", "water_in", "bin"}
)


@dataclass(frozen=True, kw_only=True)
class LoggerFormat:
    """How one logger writes a table."""

    stamp: Stamp = "iso"
    delimiter: str = ","
    decimal: str = "."
    header: Sequence[str] = ("Time",)  # of the time column(s)
    labels: Mapping[str, str]  # role -> header; its order is the order of the columns
    units_row: Sequence[str] | None = None  # under the header, the time columns' cells included
    preamble: Sequence[str] = ()  # "{start}" stands for the first reading's local time
    footer: bool = False  # a block of lowest and highest readings after the data
    fahrenheit: bool = False
    milliamps: bool = False
    decimals: Mapping[str, int] = field(default_factory=dict)  # role -> decimals; else 1, 2 for current
    no_reading: str = ""
    line_end: str = "\n"
    bom: bool = False
    quoted: bool = False
    trailing_delimiter: bool = False


def csv_bytes(log: Simulation, dialect: LoggerFormat) -> bytes:
    """The log as the bytes of a CSV file; its rows are at whole seconds of the logger's clock."""
    seconds = log.time_ns // NS
    local = seconds + int(
        ZoneInfo(log.tz).utcoffset(datetime.fromtimestamp(int(seconds[0]), UTC)).total_seconds()
    )
    columns = _stamps(seconds, local, dialect.stamp, log.tz)
    columns += [_cells(log.channels[role], role, dialect) for role in dialect.labels]
    out = io.StringIO()
    first = str(local[0].astype("M8[s]")).replace("T", " ")
    lines = [line.replace("{start}", first) for line in dialect.preamble]
    lines.append(_row([*dialect.header, *dialect.labels.values()], dialect, quoted=dialect.quoted))
    if dialect.units_row is not None:
        lines.append(_row(dialect.units_row, dialect, quoted=dialect.quoted))
    end = (dialect.delimiter if dialect.trailing_delimiter else "") + dialect.line_end
    out.write("".join(line + dialect.line_end for line in lines))
    join = dialect.delimiter.join
    out.write("".join(join(cells) + end for cells in zip(*columns, strict=True)))
    if dialect.footer:
        out.write(_footer(log, dialect))
    return out.getvalue().encode("utf-8-sig" if dialect.bom else "utf-8")


def gzipped(data: bytes) -> bytes:
    """The same bytes each time: no name and no time of writing inside."""
    return gzip.compress(data, compresslevel=9, mtime=0)


def _row(cells: Sequence[str], dialect: LoggerFormat, *, quoted: bool) -> str:
    row = dialect.delimiter.join(f'"{cell}"' if quoted else cell for cell in cells)
    return row + (dialect.delimiter if dialect.trailing_delimiter else "")


def _stamps(seconds: np.ndarray, local: np.ndarray, stamp: Stamp, tz: str) -> list[list[str]]:
    """The time column(s) as text."""
    if stamp == "epoch":
        return [[str(s) for s in seconds.tolist()]]
    if stamp == "elapsed":
        return [[f"{s}.0" for s in (seconds - seconds[0]).tolist()]]
    texts = np.datetime_as_string(local.astype("M8[s]")).tolist()
    if stamp == "iso-offset":
        offset = datetime.fromtimestamp(int(seconds[0]), ZoneInfo(tz)).strftime("%z")
        return [[f"{s}{offset[:3]}:{offset[3:]}" for s in texts]]
    if stamp == "iso":
        return [[s.replace("T", " ") for s in texts]]
    if stamp == "day-first":
        return [[f"{s[8:10]}/{s[5:7]}/{s[:4]} {s[11:]}" for s in texts]]
    if stamp == "dotted":
        return [[f"{s[8:10]}.{s[5:7]}.{s[:4]} {s[11:]}" for s in texts]]
    if stamp == "date-and-time":
        return [[f"{s[8:10]}-{s[5:7]}-{s[:4]}" for s in texts], [s[11:] for s in texts]]
    return [[_twelve_hours(s) for s in texts]]


def _twelve_hours(iso: str) -> str:
    hour = int(iso[11:13])
    half = "AM" if hour < 12 else "PM"
    return f"{iso[5:7]}/{iso[8:10]}/{iso[:4]} {(hour + 11) % 12 + 1}:{iso[14:]} {half}"


def _cells(values: np.ndarray, role: str, dialect: LoggerFormat) -> list[str]:
    decimals = dialect.decimals.get(role, 2 if role.startswith("current") else 1)
    if dialect.fahrenheit and role in FAHRENHEIT_ROLES:
        values = 1.8 * values + 32
    if dialect.milliamps and role.startswith("current"):
        values, decimals = 1000 * values, 0
    form = f"%.{decimals}f"
    cells = [dialect.no_reading if math.isnan(v) else form % v for v in values.tolist()]
    return cells if dialect.decimal == "." else [c.replace(".", dialect.decimal) for c in cells]


def _footer(log: Simulation, dialect: LoggerFormat) -> str:
    blank = [""] * (len(dialect.header) - 1)
    lines = [""]
    for word, fold in (("Lowest", np.nanmin), ("Highest", np.nanmax)):
        cells = [_cells(np.array([fold(log.channels[role])]), role, dialect)[0] for role in dialect.labels]
        lines.append(_row([word, *blank, *cells], dialect, quoted=False))
    return "".join(line + dialect.line_end for line in lines)
