"""One unit through the rooms: read → segment → judge → report.

Nothing here prints, exits or raises: what went wrong is in the outcome.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import IceLogError, LogFileError, UnitError
from pipeline.logs import UnitFiles, assemble, read_file
from pipeline.logs.timeline import Problem
from pipeline.report.options import ReportOptions

if TYPE_CHECKING:
    from pipeline.report import UnitSummary

Place = Path | str
"""A folder of this machine, or the URL of one for fsspec."""


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """How a folder is reported."""

    report: ReportOptions = field(default_factory=ReportOptions)
    jobs: int = 0  # units worked on at once, each on one core; 0: one a core
    cluster: str = ""  # address of a Dask scheduler, or "local"; "": processes of this machine


@dataclass(frozen=True, kw_only=True)
class UnitJob:
    """All that a worker needs to report one unit."""

    files: UnitFiles  # of paths, or of `staging.FarFile`s
    folder: Place  # where this unit's report goes
    options: RunOptions


@dataclass(frozen=True, kw_only=True)
class UnitOutcome:
    """What came of one unit. `summary` is None where nothing could be reported; then `problems` says why."""

    name: str
    summary: UnitSummary | None
    problems: tuple[Problem, ...] = ()
    rows: int = 0
    seconds: dict[str, float] = field(default_factory=dict)  # by room: read, segment, judge, report


def report_unit(job: UnitJob) -> UnitOutcome:
    """Take one unit through the rooms. Never raises: what went wrong is in the outcome's problems."""
    name, problems, seconds = job.files.name, [], {}
    if problem := job.files.problem or _name_taken(name):
        return unreported(name, problem)
    try:
        with _timed(seconds, "read"):
            from pipeline.unit import load_unit

            unit = load_unit(name, job.files.toml)
            tables = []
            for path in job.files.files:
                try:
                    tables.extend(read_file(path, unit))
                except LogFileError as error:
                    problems.append(Problem(unit_name=name, file=error.file or path.name, message=str(error)))
            timeline = assemble(tables, unit)
        with _timed(seconds, "segment"):
            from pipeline.cycles import find_cycles

            record = find_cycles(timeline, unit)
        with _timed(seconds, "judge"):
            from pipeline.findings import judge

            judgement = judge(timeline, record, unit)
        with _timed(seconds, "report"):
            from pipeline.report import write_unit

            summary = write_unit(
                job.folder,
                unit=unit,
                timeline=timeline,
                record=record,
                judgement=judgement,
                problems=problems,
                options=job.options.report,
            )
    except IceLogError as error:
        if not problems or not isinstance(error, LogFileError | UnitError):
            problems.append(Problem(unit_name=name, file=error.file, message=str(error)))
        return UnitOutcome(name=name, summary=None, problems=tuple(problems), seconds=seconds)
    except OSError as error:
        message = f"{name}: the report could not be written ({reason_of(error)}); {MAKE_ROOM}"
        return unreported(name, message, problems, seconds)
    except MemoryError:
        message = f"{name}: there is not enough memory for this unit; close other programs and run again with --jobs 1"
        return unreported(name, message, problems, seconds)
    except Exception as error:  # a fault of ours in one unit must not cost the others their reports
        return unreported(name, f"{name}: {_say_fault(error)}", problems, seconds)
    return UnitOutcome(
        name=name,
        summary=summary,
        problems=tuple(problems),
        rows=sum(source.rows for source in timeline.sources),
        seconds=seconds,
    )


MAKE_ROOM = "see whether the disk is full or may not be written to, and run again"

_FLEET_FILES = ("index.html", "fleet.csv")


def _name_taken(name: str) -> str:
    if name.casefold() not in _FLEET_FILES:
        return ""
    return f"{name}: a unit cannot have the name of a file of the fleet page; call its folder or files something else"


def unreported(name: str, message: str, problems: Sequence[Problem] = (), seconds=None) -> UnitOutcome:
    problem = Problem(unit_name=name, file="", message=message)
    return UnitOutcome(name=name, summary=None, problems=(*problems, problem), seconds=seconds or {})


def reason_of(error: BaseException) -> str:
    """Why, without a path of this machine."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return _without_paths(str(error)) or type(error).__name__


def _without_paths(text: str) -> str:
    return re.sub(r"(?:[A-Za-z]:)?[/\\](?:[^\s'\"/\\]+[/\\])+", "", text)


def _say_fault(error: Exception) -> str:
    frame = error.__traceback__
    while frame is not None and frame.tb_next is not None:
        frame = frame.tb_next
    where = f"{Path(frame.tb_frame.f_code.co_filename).name}:{frame.tb_lineno}" if frame is not None else "?"
    return (
        f"a fault of this program ({type(error).__name__} at {where}: {_without_paths(str(error))}); the unit's files are "
        "untouched; please send them to whoever maintains it"
    )


class _timed:
    def __init__(self, seconds: dict[str, float], room: str) -> None:
        self.seconds, self.room = seconds, room

    def __enter__(self) -> None:
        self.started = time.perf_counter()

    def __exit__(self, *_) -> None:
        self.seconds[self.room] = time.perf_counter() - self.started
