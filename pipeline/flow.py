"""One unit through the rooms: read → segment → judge → report; and whether that has to be done again.

Nothing here prints, exits or raises: what went wrong is in the outcome.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import atomic
from pipeline.errors import IceLogError, LogFileError, UnitError
from pipeline.language.text import printable
from pipeline.logs import UnitFiles, assemble, read_file
from pipeline.logs.timeline import Problem
from pipeline.report.options import ReportOptions
from pipeline.store import (
    KeptReport,
    StorePlace,
    UnitStore,
    Visit,
    history_csv,
    outputs_of,
    visit_of,
    with_visit,
)
from pipeline.store.names import fits_windows
from pipeline.store.unit_store import unreadable

if TYPE_CHECKING:
    from pipeline.logs.table import FileTable
    from pipeline.report import UnitSummary
    from pipeline.unit import Unit

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

    files: UnitFiles  # of paths, or of `urls.FarFile`s
    folder: Place  # where this unit's report goes
    options: RunOptions
    store: Path | None = None  # the folder of reports whose store is used; None: without one


@dataclass(frozen=True, kw_only=True)
class UnitOutcome:
    """What came of one unit. `summary` is None where nothing could be reported; then `problems` says why."""

    name: str
    summary: UnitSummary | None
    problems: tuple[Problem, ...] = ()
    rows: int = 0
    seconds: dict[str, float] = field(default_factory=dict)  # by room: read, segment, judge, report
    settled: bool = True  # False: trying again may help though no input changes (a full disk, no memory)


def report_unit(job: UnitJob) -> UnitOutcome:
    """Take one unit through the rooms. Never raises: what went wrong is in the outcome's problems."""
    name, problems, seconds = job.files.name, list(job.files.refused), {}
    if problem := job.files.problem or _name_refused(name):
        return unreported(name, problem, problems)
    if not job.files.files:
        return UnitOutcome(name=name, summary=None, problems=tuple(problems))
    keeper = Keeper(job)
    try:
        with _timed(seconds, "read"):
            from pipeline.findings.thresholds import resolve
            from pipeline.unit_toml import load_unit

            unit = load_unit(name, job.files.toml)
            resolve(unit)  # all rooms use them: what cannot be is said before anything is read
            tables = []
            for path in job.files.files:
                try:
                    tables.extend(keeper.read(path, unit))
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
            from pipeline.report import read_summary, write_unit

            with keeper.whole() as folder:
                summary = write_unit(
                    folder,
                    unit=unit,
                    timeline=timeline,
                    record=record,
                    judgement=judgement,
                    problems=problems,
                    options=job.options.report,
                    previous=read_summary(job.folder),
                )
                keeper.add_history(folder, summary)
    except IceLogError as error:
        if not problems or not isinstance(error, LogFileError | UnitError):
            problems.append(Problem(unit_name=name, file=error.file, message=str(error)))
        return keeper.keep(UnitOutcome(name=name, summary=None, problems=tuple(problems), seconds=seconds))
    except OSError as error:
        message = f"{name}: the report could not be written ({reason_of(error)}); {remedy_of(error)}"
        return unreported(name, message, problems, seconds, settled=False)
    except MemoryError:
        message = f"{name}: there is not enough memory for this unit; close other programs and run again with --jobs 1"
        return unreported(name, message, problems, seconds, settled=False)
    except Exception as error:  # a fault of ours in one unit must not cost the others their reports
        return keeper.keep(unreported(name, f"{name}: {_say_fault(error)}", problems, seconds))
    outcome = UnitOutcome(
        name=name,
        summary=summary,
        problems=tuple(problems),
        rows=sum(source.rows for source in timeline.sources),
        seconds=seconds,
    )
    return keeper.keep(outcome, unit)


def unchanged(job: UnitJob) -> UnitOutcome | None:
    """What the last run made of the unit, where nothing that it rests on has changed since; else None."""
    if job.store is None:
        return None
    store = UnitStore(StorePlace(job.store), job.files.name)
    last = store.current(job.files, job.options.report, job.folder)
    outcome = _as_kept(job, last) if last is not None else None
    if outcome is not None:
        with contextlib.suppress(OSError):  # then the next run opens the files once more: no harm
            store.refresh()
    return outcome


def as_it_lies(job: UnitJob) -> UnitOutcome | None:
    """What the last run made of the unit, whether it is out of date or not; None where there is nothing."""
    last = UnitStore(StorePlace(job.store), job.files.name).report if job.store is not None else None
    return _as_kept(job, last) if last is not None else None


def _as_kept(job: UnitJob, last: KeptReport) -> UnitOutcome | None:
    from pipeline.report import read_summary

    summary = read_summary(job.folder) if last.outputs else None
    if last.outputs and summary is None:
        return None
    return UnitOutcome(name=job.files.name, summary=summary, problems=last.problems, rows=last.rows)


class Keeper:
    """What a unit's way through the rooms has to do with the store; without one it does nothing."""

    def __init__(self, job: UnitJob) -> None:
        self.job = job
        self.outputs: dict[str, tuple[int, int]] = {}
        self.visit: Visit | None = None
        self.store = UnitStore(StorePlace(job.store), job.files.name) if job.store is not None else None
        # Of the files as they are now: what changes from here on is for the next run.
        if self.store is not None:
            self.basis = self.store.basis(job.files, job.options.report)

    def read(self, path: Path, unit: Unit) -> Sequence[FileTable]:
        """The logs in `path`. Raises LogFileError."""
        try:
            return read_file(path, unit) if self.store is None else self.store.read(path, unit)
        except OSError as error:
            raise unreadable(path, error) from error

    @contextlib.contextmanager
    def whole(self) -> Iterator[Path]:
        """Where to write the report; it comes to its place whole, or not at all."""
        if self.store is None:
            yield self.job.folder
            return
        with self.store.place.whole(self.job.folder) as folder:
            yield folder
            self.outputs = outputs_of(folder)

    def add_history(self, folder: Path, summary: UnitSummary) -> None:
        """`history.csv`: what the reports of earlier visits said, and this one."""
        if self.store is not None:
            self.visit = visit_of(summary, self.basis.inputs, datetime.now(UTC))
            visits = with_visit(self.store.history(), self.visit)
            atomic.write_text(folder / "history.csv", history_csv(visits))

    def keep(self, outcome: UnitOutcome, unit: Unit | None = None) -> UnitOutcome:
        """`outcome`, remembered for the next run."""
        if self.store is None:
            return outcome
        report = KeptReport(
            fingerprint=self.basis.fingerprint,
            outputs=self.outputs,
            problems=outcome.problems,
            rows=outcome.rows,
            client=unit.client.model_dump(mode="json") if unit is not None else {},
        )
        try:
            self.store.finish(report, files=self.job.files, visit=self.visit)
        except OSError as error:
            message = f"{outcome.name}: reported, but the store could not be written ({reason_of(error)}); {remedy_of(error)}"
            problem = Problem(unit_name=outcome.name, file="", message=message)
            return replace(outcome, problems=(*outcome.problems, problem), settled=False)
        return outcome


_ON_WINDOWS = os.name == "nt"
_FLEET_FILES = ("index.html", "fleet.csv", "problems.csv", "ledger.jsonl", "clients.toml", "outbox")


def _name_refused(name: str) -> str:
    if printable(name) != name:
        return f"{name}: this name is not Unicode; rename the folder or files"
    if _ON_WINDOWS and not fits_windows(name):
        return f"{name}: Windows takes no folder of this name; rename the unit's folder or files"
    if name.casefold() in _FLEET_FILES:
        return f"{name}: a unit cannot have the name of a file of the fleet page; call its folder or files something else"
    return ""


def unreported(
    name: str, message: str, problems: Sequence[Problem] = (), seconds=None, *, settled: bool = True
) -> UnitOutcome:
    problem = Problem(unit_name=name, file="", message=message)
    return UnitOutcome(
        name=name, summary=None, problems=(*problems, problem), seconds=seconds or {}, settled=settled
    )


def remedy_of(error: Exception) -> str:
    """What to do about something that could not be written."""
    number = error.errno if isinstance(error, OSError) else None
    if number in (errno.EINVAL, errno.ENAMETOOLONG):
        return "give the unit's folder or files a shorter, plainer name, for the drive of the reports does not take this one"
    if number in (errno.EISDIR, errno.ENOTDIR, errno.EEXIST):
        return "something else lies in its place among the reports; move that away and run again"
    return "see whether the disk is full or may not be written to, and run again"


def reason_of(error: BaseException) -> str:
    """Why, without a path of this machine."""
    if isinstance(error, OSError) and error.strerror:
        return _without_paths(error.strerror)
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
