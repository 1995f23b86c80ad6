"""One unit through the rooms: read → segment → judge → report; and whether that has to be done again.

Nothing here prints, exits or raises: what went wrong is in the outcome.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import IceLogError, LogFileError, UnitError, fault_of, reason_of, remedy_of
from pipeline.logs import UnitFiles, assemble, of_one_time
from pipeline.logs.timeline import Problem
from pipeline.pictures import pictures_beside
from pipeline.report.options import ReportOptions
from pipeline.store import KeptReport, StorePlace, UnitStore
from pipeline.store.keeper import Keeper
from pipeline.store.names import why_refused

if TYPE_CHECKING:
    from pipeline.cycles.record import CycleRecord
    from pipeline.findings.evidence.elsewhere import Known
    from pipeline.findings.finding import Judgement
    from pipeline.logs.table import FileTable
    from pipeline.logs.timeline import Timeline
    from pipeline.report.summary import UnitSummary
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
    sisters: tuple[Known, ...] = ()  # machines of the same model, where they are known


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
    run = _UnitRun(job.files)
    if not run.is_open:
        return run.outcome()
    keeper = Keeper(job.files, folder=job.folder, options=job.options.report, reports=job.store)
    try:
        _through_the_rooms(job, keeper, run)
    except Exception as error:
        run.end(error)
    return _kept(keeper, run)


def _through_the_rooms(job: UnitJob, keeper: Keeper, run: _UnitRun) -> None:
    """The story of this program: files → Timeline → CycleRecord → Judgement → report. Each room is loaded when it is due."""
    with run.room("read"):
        timeline = _read(job, keeper, run)
    with run.room("segment"):
        timeline, record = _segment(timeline, run)
    with run.room("judge"):
        judgement = _judge(timeline, record, job, keeper, run)
    with run.room("report"):
        run.summary = _report(timeline, record, judgement, job, keeper, run)


def _read(job: UnitJob, keeper: Keeper, run: _UnitRun) -> Timeline:
    from pipeline.findings.thresholds import resolve
    from pipeline.unit_toml import load_unit

    run.unit = load_unit(job.files.name, job.files.toml)
    resolve(run.unit)  # all rooms use the thresholds: what cannot be is said before anything is read
    tables, far = of_one_time(_read_all(job, keeper, run), run.unit)
    for error in far:
        run.add(str(error), error.file)
    timeline = keeper.at_rest(assemble(tables, run.unit))
    run.rows = sum(source.rows for source in timeline.sources)
    return timeline


def _segment(timeline: Timeline, run: _UnitRun) -> tuple[Timeline, CycleRecord]:
    from pipeline.cycles import find_cycles, on_one_clock

    timeline = on_one_clock(timeline, run.unit)
    return timeline, find_cycles(timeline, run.unit)


def _judge(timeline: Timeline, record: CycleRecord, job: UnitJob, keeper: Keeper, run: _UnitRun) -> Judgement:
    from pipeline.findings.engine import judge
    from pipeline.findings.evidence.elsewhere import elsewhere_of

    elsewhere = elsewhere_of(keeper.past(), job.sisters, start_ns=timeline.start_ns)
    return judge(timeline, record, run.unit, elsewhere)


def _report(
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    job: UnitJob,
    keeper: Keeper,
    run: _UnitRun,
) -> UnitSummary:
    from pipeline.report.given import given_of
    from pipeline.report.summary import read_summary
    from pipeline.report.writing import write_unit

    given, unusable = given_of(run.unit, pictures_beside(job.files.toml))
    run.problems.extend(unusable)
    with keeper.whole() as folder:
        summary = write_unit(
            folder,
            unit=run.unit,
            timeline=timeline,
            record=record,
            judgement=judgement,
            problems=run.problems,
            options=job.options.report,
            given=given,
            past=keeper.past(),
            previous=read_summary(job.folder),
        )
        keeper.add_history(folder, summary)
    return summary


class _UnitRun:
    """One unit under way: its summary once there is one, what could not be read, and the seconds in each room."""

    def __init__(self, files: UnitFiles) -> None:
        self.name = files.name
        self.problems = list(files.refused)
        self.seconds: dict[str, float] = {}
        self.unit: Unit | None = None
        self.summary: UnitSummary | None = None
        self.rows = 0
        self.settled = True
        if refused := files.problem or why_refused(self.name):
            self.add(refused)
        self.is_open = bool(files.files) and not refused

    def add(self, message: str, file: str = "") -> None:
        self.problems.append(Problem(unit_name=self.name, file=file, message=message))

    @contextlib.contextmanager
    def room(self, name: str) -> Iterator[None]:
        started = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = time.perf_counter() - started

    def end(self, error: Exception) -> None:
        """The unit could not be reported. Its files are untouched; the other units go on."""
        self.unit = None
        if isinstance(error, LogFileError | UnitError) and self.problems:
            return  # the files that could not be read say why
        if isinstance(error, IceLogError):
            self.add(str(error), error.file)
        elif isinstance(error, OSError):
            self.settled = False
            self.add(f"{self.name}: the report could not be written ({reason_of(error)}); {remedy_of(error)}")
        elif isinstance(error, MemoryError):
            self.settled = False
            self.add(
                f"{self.name}: there is not enough memory for this unit; close other programs and run again with --jobs 1"
            )
        else:  # a fault of ours in one unit must not cost the others their reports
            self.add(f"{self.name}: {fault_of(error)}")

    def outcome(self) -> UnitOutcome:
        return UnitOutcome(
            name=self.name,
            summary=self.summary,
            problems=tuple(self.problems),
            rows=self.rows if self.summary is not None else 0,
            seconds=self.seconds,
            settled=self.settled,
        )


def _read_all(job: UnitJob, keeper: Keeper, run: _UnitRun) -> list[FileTable]:
    """Every log of the unit; a file that cannot be read is among the problems."""
    tables: list[FileTable] = []
    for path in job.files.files:
        try:
            read = keeper.read(path, run.unit)
        except LogFileError as error:
            run.add(str(error), error.file or path.name)
            continue
        for note in (note for table in read for note in table.source.notes if note.key == LEFT_OUT):
            run.add(note.values["why"], path.name)
        tables.extend(read)
    return tables


LEFT_OUT = "logs.note.member"
"""The note of a log in an archive that could not be read: no mere note, for the user may mend it."""


def _kept(keeper: Keeper, run: _UnitRun) -> UnitOutcome:
    """The outcome, remembered for the next run where trying again would bring nothing else."""
    if run.settled:
        client = run.unit.client.model_dump(mode="json") if run.unit is not None else {}
        rows = run.outcome().rows
        try:
            keeper.keep(problems=run.problems, rows=rows, client=client)
        except OSError as error:
            run.settled = False
            run.add(f"{run.name}: the store could not be written ({reason_of(error)}); {remedy_of(error)}")
    return run.outcome()


# What stands from the last run -----------------------------------------------------------------------------------------


def unchanged(job: UnitJob) -> UnitOutcome | None:
    """What the last run made of the unit, where nothing that it rests on has changed since; else None."""
    if job.store is None or not all(isinstance(file, Path) for file in job.files.files):
        return None  # files at a URL are not looked at before they are brought
    store = UnitStore(StorePlace(job.store), job.files.name)
    last = store.current(job.files, job.options.report, job.folder)
    outcome = _as_kept(job, last) if last is not None else None
    if outcome is not None:
        with contextlib.suppress(OSError):  # then the next run opens the files once more: no harm
            store.refresh()
    return outcome


def last_outcome(job: UnitJob) -> UnitOutcome | None:
    """What the last run made of the unit, whether it is out of date or not; None where there is nothing."""
    last = UnitStore(StorePlace(job.store), job.files.name).report if job.store is not None else None
    return _as_kept(job, last) if last is not None else None


def _as_kept(job: UnitJob, last: KeptReport) -> UnitOutcome | None:
    from pipeline.report.summary import read_summary

    summary = read_summary(job.folder) if last.outputs else None
    if last.outputs and summary is None:
        return None
    return UnitOutcome(name=job.files.name, summary=summary, problems=last.problems, rows=last.rows)


def unreported(name: str, message: str, *, settled: bool = True) -> UnitOutcome:
    """The outcome of a unit that was not even begun, or whose worker died. settled: see UnitOutcome."""
    problem = Problem(unit_name=name, file="", message=message)
    return UnitOutcome(name=name, summary=None, problems=(problem,), settled=settled)
