"""Logger files in, one aligned `Timeline` a unit out.

`read` takes a file to tables: `source` (bytes), `layout`, `rows`, `clock`, `long_format` (a channel a row), with the words of
`vocabulary`. `assembly` takes the tables of a unit to its Timeline: `channels`, `trust`, `alignment`. `check` says what was understood.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.logs.source.units import UnitFiles, find_units

if TYPE_CHECKING:
    from pipeline.errors import LogFileError
    from pipeline.logs.check.understanding import Understanding
    from pipeline.logs.table import FileTable
    from pipeline.logs.timeline import Timeline
    from pipeline.unit import Unit

__all__ = ["UnitFiles", "assemble", "find_units", "of_one_time", "read_file", "reading_key", "understand"]


def reading_key(unit: Unit) -> str:
    """The part of unit.toml that changes what `read_file` returns, as one line of JSON."""
    clock = unit.clock
    stated = "time_zone" in unit.model_fields_set  # else times are the logger's own
    return json.dumps([unit.time_zone, stated, clock.date_order, clock.start], ensure_ascii=False)


def read_file(path: Path, unit: Unit) -> tuple[FileTable, ...]:
    """The logs in one file, on the UTC clock, in the logger's own units (an archive may hold several logs).

    Raises LogFileError (file, line, remedy).
    """
    from pipeline.logs.read import read_file

    return read_file(path, unit)


def assemble(tables: Sequence[FileTable], unit: Unit) -> Timeline:
    """All that was logged of `unit`: loggers joined, on one clock, in house units, with roles, trust and doubts.

    Raises UnitError where no reading can be used.
    """
    from pipeline.logs.assembly import assemble

    return assemble(tables, unit)


def of_one_time(
    tables: Sequence[FileTable], unit: Unit
) -> tuple[Sequence[FileTable], tuple[LogFileError, ...]]:
    """(`tables` without those that lie decades from the longest one, what is said of each of these)."""
    from pipeline.logs.assembly import of_one_time

    return of_one_time(tables, unit)


def understand(
    files: Sequence[Path], unit: Unit, *, clocks: Callable[[Timeline, Unit], Timeline] | None = None
) -> Understanding:
    """What the reader makes of `files`, taken as one unit: the data behind `icelogs check`. Raises nothing for a bad
    file: it is listed with what is wrong. clocks: puts two loggers on one clock closer than the reader does."""
    from pipeline.logs.check.understanding import understand

    return understand(files, unit, clocks=clocks)
