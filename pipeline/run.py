"""One unit through the five rooms, and a folder of units side by side.

    read → segment → judge → report, for each unit by itself; then the fleet page over all of them.

Nothing here prints or exits: the command line shows what comes back.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import IceLogError, LogFileError, UsageError
from pipeline.logs import UnitFiles, assemble, find_units, read_file
from pipeline.logs.timeline import Problem
from pipeline.report import ReportOptions
from pipeline.unit import load_unit

if TYPE_CHECKING:
    from pipeline.report import UnitSummary


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """How a folder is reported."""

    report: ReportOptions = field(default_factory=ReportOptions)
    jobs: int = 0  # units worked on at once; 0: one a core


@dataclass(frozen=True, kw_only=True)
class UnitJob:
    """All that a worker needs to report one unit."""

    files: UnitFiles
    folder: Path  # where this unit's report goes
    options: RunOptions


@dataclass(frozen=True, kw_only=True)
class UnitOutcome:
    """What came of one unit. `summary` is None where nothing could be reported; then `problems` says why."""

    name: str
    summary: UnitSummary | None
    problems: tuple[Problem, ...] = ()
    rows: int = 0
    seconds: dict[str, float] = field(default_factory=dict)  # by room: read, segment, judge, report


@dataclass(frozen=True, kw_only=True)
class RunOutcome:
    """What came of a folder, units in the order of the fleet page."""

    units: tuple[UnitOutcome, ...]
    problems: tuple[Problem, ...]

    @property
    def complete(self) -> bool:
        """Every unit and every file was read."""
        return not self.problems


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far a run is: handed to the caller's `progress` after each unit."""

    done: int
    units: int
    rows: int
    seconds_left: float | None
    last: UnitOutcome


def report(
    logs: Path, reports: Path, options: RunOptions, *, progress: Callable[[Progress], None] | None = None
) -> RunOutcome:
    """Report every unit under `logs` into `reports`, then write the fleet page.

    Raises UsageError where the folders cannot be used; whatever is wrong with one unit or one file is among the
    problems of the outcome, and the others are reported.
    """
    from pipeline.report import write_fleet

    _check_folders(logs, reports)
    found = find_units(logs)
    if not found:
        raise UsageError(
            f'no logger files in "{logs.name}"', remedy="put one sub-folder a unit there, with its CSV files in it"
        )
    reports.mkdir(parents=True, exist_ok=True)
    jobs = [UnitJob(files=files, folder=reports / files.name, options=options) for files in found]
    outcomes = []
    rows, started = 0, time.monotonic()
    for outcome in _work(jobs, options.jobs or os.cpu_count() or 1):
        outcomes.append(outcome)
        rows += outcome.rows
        if progress:
            spent = time.monotonic() - started
            left = spent / len(outcomes) * (len(jobs) - len(outcomes))
            progress(Progress(done=len(outcomes), units=len(jobs), rows=rows, seconds_left=left, last=outcome))
    outcomes.sort(key=lambda outcome: outcome.name)
    problems = tuple(problem for outcome in outcomes for problem in outcome.problems)
    write_fleet(reports, [o.summary for o in outcomes if o.summary is not None], problems, options.report)
    return RunOutcome(units=tuple(outcomes), problems=problems)


def report_unit(job: UnitJob) -> UnitOutcome:
    """Take one unit through the rooms. Never raises: what went wrong is in the outcome's problems."""
    name, problems, seconds = job.files.name, [], {}
    try:
        with _timed(seconds, "read"):
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
        if not problems or not isinstance(error, LogFileError):
            problems.append(Problem(unit_name=name, file=error.file, message=str(error)))
        return UnitOutcome(name=name, summary=None, problems=tuple(problems), seconds=seconds)
    except Exception as error:  # a fault of ours in one unit must not cost the others their reports
        problems.append(Problem(unit_name=name, file="", message=_say_fault(error)))
        return UnitOutcome(name=name, summary=None, problems=tuple(problems), seconds=seconds)
    return UnitOutcome(
        name=name,
        summary=summary,
        problems=tuple(problems),
        rows=sum(source.rows for source in timeline.sources),
        seconds=seconds,
    )


def _check_folders(logs: Path, reports: Path) -> None:
    if not logs.is_dir():
        raise UsageError(f'there is no folder "{logs.name}"', remedy="name the folder that holds the logger files")
    if reports.exists() and not reports.is_dir():
        raise UsageError(f'"{reports.name}" is a file', remedy="name a folder for the reports with --to")
    if logs.resolve() == reports.resolve():
        raise UsageError(
            "the reports would land among the logger files", remedy="name another folder with --to"
        )


def _work(jobs: Sequence[UnitJob], workers: int):
    """Outcomes as they come, from a pool of processes; in this process where one worker is enough."""
    if workers == 1 or len(jobs) == 1:
        yield from map(report_unit, jobs)
        return
    from pipeline.pool import side_by_side

    yield from side_by_side(report_unit, jobs, workers=min(workers, len(jobs)), on_death=_died)


def _died(job: UnitJob) -> UnitOutcome:
    name = job.files.name
    message = f"{name}: the process that read this unit was stopped; run again, with --jobs 1 if memory is short"
    return UnitOutcome(name=name, summary=None, problems=(Problem(unit_name=name, file="", message=message),))


def _say_fault(error: Exception) -> str:
    frame = error.__traceback__
    while frame is not None and frame.tb_next is not None:
        frame = frame.tb_next
    where = f"{Path(frame.tb_frame.f_code.co_filename).name}:{frame.tb_lineno}" if frame is not None else "?"
    return (
        f"a fault of this program ({type(error).__name__} at {where}: {error}); the unit's files are untouched; "
        "please send them to whoever maintains it"
    )


class _timed:
    def __init__(self, seconds: dict[str, float], room: str) -> None:
        self.seconds, self.room = seconds, room

    def __enter__(self) -> None:
        self.started = time.perf_counter()

    def __exit__(self, *_) -> None:
        self.seconds[self.room] = time.perf_counter() - self.started
