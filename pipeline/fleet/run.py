"""A folder of units, side by side on this machine or on a cluster; then the fleet page over all of them.

Nothing here prints or exits: the command line shows what comes back.
"""

from __future__ import annotations

import time
import unicodedata
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import atomic
from pipeline.errors import DeliveryError, UsageError, reason_of, remedy_of
from pipeline.fleet import urls
from pipeline.fleet.sisters import to_judge_beside_sisters
from pipeline.fleet.spread import size_of, work_on, workers_of
from pipeline.flow import (
    Place,
    RunOptions,
    UnitJob,
    UnitOutcome,
    last_outcome,
    report_unit,
    unchanged,
)
from pipeline.logs import UnitFiles
from pipeline.logs.source.inputs import Inputs, units_at
from pipeline.logs.timeline import Problem
from pipeline.store import StorePlace, unpack_fleets
from pipeline.store.unpack import is_unpacked

if TYPE_CHECKING:
    from pipeline.report.summary import UnitSummary

__all__ = ["Progress", "RunOptions", "RunOutcome", "UnitJob", "UnitOutcome", "report", "report_unit"]


@dataclass(frozen=True, kw_only=True)
class RunOutcome:
    """What came of a folder, units by name. Their summaries are without texts, what to clip next apart: those stand in the reports."""

    units: tuple[UnitOutcome, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...] = ()  # how LOGS was taken, where that is not plain

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
    unread: int = 0  # units that could not be reported


# A folder of units ----------------------------------------------------------------------------------------------------


def report(
    logs: Place,
    reports: Place,
    options: RunOptions,
    *,
    progress: Callable[[Progress], None] | None = None,
    rested: Collection[Path] | None = None,
) -> RunOutcome:
    """Report every unit under `logs` into `reports` whose report does not stand yet, then write the fleet page.

    rested: the files that nobody is still copying; a unit with any other keeps the report that it has. None: all are.
    Raises UsageError where the folders cannot be used, DeliveryError where the fleet page cannot be written; whatever
    is wrong with one unit or one file is among the problems of the outcome, and the others are reported.
    """
    from pipeline.report.fleet import write_fleet

    inputs = _find(logs)
    found = inputs.units
    check_folders(logs, reports, found)
    with ExitStack() as stack:
        if urls.is_url(reports):
            urls.prepare(reports)
            near = stack.enter_context(urls.scratch())
            kept, pages = near / "units", near / "fleet"
        else:
            kept = pages = reports
        _make_folder(pages)
        place = None if urls.is_url(reports) else StorePlace(reports)
        unpacked = ()
        if place is not None:
            _hold_alone(place, stack)
            if isinstance(logs, Path):
                home = logs if logs.is_dir() else logs.parent
                found, unpacked = unpack_fleets(found, home, place, rested)
            place.forget_tables(files.name for files in found)
            if place.folds_case():
                found = _distinct_names(found)
        jobs = [
            UnitJob(
                files=files,
                folder=_below(reports, files.name),
                options=options,
                store=None if place is None else reports,
            )
            for files in found
        ]
        every = tuple(job for job in jobs if rested is None or _rests(job, rested))
        outcomes, jobs = _already_done(jobs, rested)
        track = _Track(jobs, progress, done=len(outcomes), workers=workers_of(options))
        for outcome in work_on(jobs, options):
            if kept is not reports and outcome.summary is not None:
                _keep_summary(kept / outcome.name, outcome.summary)
            outcomes.append(_brief(outcome))
            track.add(outcomes[-1])
        anew = to_judge_beside_sisters(every, outcomes)
        for outcome in work_on(anew, options) if anew else ():
            if kept is not reports and outcome.summary is not None:
                _keep_summary(kept / outcome.name, outcome.summary)
            outcomes = [o for o in outcomes if o.name != outcome.name] + [_brief(outcome)]
        if place is not None and (jobs or anew):  # a worker that was killed on the way cleared nothing away
            with suppress(OSError):
                place.heal()
        outcomes.sort(key=lambda outcome: outcome.name)
        problems = (*unpacked, *(problem for outcome in outcomes for problem in outcome.problems))
        with _saying_of_fleet_page(OSError):
            write_fleet(pages, _Summaries(kept, outcomes), problems, options.report)
        if pages is not reports:
            with _saying_of_fleet_page(Exception):  # each file system has errors of its own
                urls.take(pages, reports)
                urls.sweep(reports)
    return RunOutcome(units=tuple(outcomes), problems=problems, notes=inputs.notes)


@contextmanager
def _saying_of_fleet_page(kind: type[Exception]) -> Iterator[None]:
    try:
        yield
    except kind as error:
        raise DeliveryError(
            f"the fleet page could not be written ({reason_of(error)})", remedy=remedy_of(error)
        ) from error


def _find(logs: Place) -> Inputs:
    try:
        found = units_at(urls.listing(logs) if urls.is_url(logs) else logs)
    except FileNotFoundError:
        raise UsageError(
            f'there is no folder or file "{logs.name}"', remedy="name the folder that holds the logger files"
        ) from None
    if not found.units:
        name = logs if urls.is_url(logs) else logs.resolve().name
        raise UsageError(
            f'no logger files in "{name}"', remedy="put one sub-folder a unit there, with its CSV files in it"
        )
    return found


def check_folders(logs: Place, reports: Place, found: Sequence[UnitFiles]) -> None:
    """What is written must not land among what the user gave, nor be taken for logs by the next run. Raises UsageError."""
    if not urls.is_url(reports) and reports.exists() and not reports.is_dir():
        raise UsageError(f'"{reports.name}" is a file', remedy="name a folder for the reports with --to")
    (logs_system, logs_path), (reports_system, reports_path) = urls.where(logs), urls.where(reports)
    if logs_system != reports_system:
        return
    if (
        isinstance(logs, Path) and logs.is_file()
    ):  # alone: only what is written beside it would be taken for logs
        logs_path = logs_path.parent
        inside = logs_path == reports_path
    else:
        inside = logs_path == reports_path or logs_path in reports_path.parents
    if inside:
        raise UsageError(
            "the reports would land among the logger files", remedy="name another folder with --to"
        )
    if reports_path in logs_path.parents:
        first = logs_path.relative_to(reports_path).parts[0]
        if any(files.name.casefold() == first.casefold() for files in found):
            raise UsageError(
                f'the report of "{first}" would land among the logger files',
                remedy="name another folder with --to",
            )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f'the folder "{folder.name}" cannot be made ({reason_of(error)})',
            remedy="name another one with --to",
        ) from error


def _below(reports: Place, name: str) -> Place:
    return urls.below(reports, name) if urls.is_url(reports) else reports / name


def _brief(outcome: UnitOutcome) -> UnitOutcome:
    """Only what the end of the run needs: the rest is on disk, and a fleet of thousands must not fill the memory."""
    if outcome.summary is None:
        return outcome
    clip = {k: v for k, v in outcome.summary.texts.items() if k == "next_clip"}
    return replace(
        outcome, summary=replace(outcome.summary, texts=clip, trace=(), trace_flags=(), previous=None)
    )


def _keep_summary(folder: Path, summary: UnitSummary) -> None:
    atomic.write_text(folder / "summary.json", summary.to_json())


def _distinct_names(found: Sequence[UnitFiles]) -> tuple[UnitFiles, ...]:
    """`found` for a drive to which capitals make no difference: a unit never gets the folder of another."""
    seen: dict[str, str] = {}
    apart = []
    for files in found:
        first = seen.setdefault(unicodedata.normalize("NFC", files.name).casefold(), files.name)
        if first != files.name:
            problem = (
                f'{files.name}: its name differs from "{first}" only in capitals or in how an accent is written, and the '
                "drive of the reports takes the two for one; rename it, or put its files with the other's"
            )
            files = replace(files, files=(), problem=problem)
        apart.append(files)
    return tuple(apart)


def _hold_alone(place: StorePlace, stack: ExitStack) -> None:
    """No other run writes meanwhile; what a killed one left is cleared away."""
    try:
        stack.enter_context(place.for_one_run())
        place.heal()
    except OSError as error:
        raise UsageError(
            f'the folder "{place.reports.name}" cannot be written to ({reason_of(error)})',
            remedy="see its rights and whether the disk is full, or name another one with --to",
        ) from error


def _already_done(
    jobs: Sequence[UnitJob], rested: Collection[Path] | None
) -> tuple[list[UnitOutcome], list[UnitJob]]:
    """Outcomes that still stand, in brief, and the jobs that are left to do."""
    done, left = [], []
    for job in jobs:
        held = rested is not None and not _rests(job, rested)
        outcome = last_outcome(job) if held else unchanged(job)
        if outcome is not None:
            done.append(_brief(outcome))
        elif not held:
            left.append(job)
    return done, left


def _rests(job: UnitJob, rested: Collection[Path]) -> bool:
    paths = (*job.files.files, *([job.files.toml] if job.files.toml else []))
    return all(path in rested or is_unpacked(path) for path in paths)


class _Summaries:
    """Whole summaries, worst first, one at a time from disk; can be walked again and again."""

    def __init__(self, folder: Path, outcomes: Sequence[UnitOutcome]) -> None:
        reported = sorted((o for o in outcomes if o.summary is not None), key=lambda o: o.summary.order)
        self.folder, self.names = folder, [outcome.name for outcome in reported]

    def __len__(self) -> int:
        return len(self.names)

    def __iter__(self) -> Iterator[UnitSummary]:
        from pipeline.report.summary import read_summary

        return (s for name in self.names if (s := read_summary(self.folder / name)) is not None)


class _Track:
    """Keeps count for `progress`. Time left goes by the size of the files: the largest units come first.

    It is told once every worker has had a unit: what they took to start says nothing of the rest.
    """

    def __init__(
        self,
        jobs: Sequence[UnitJob],
        progress: Callable[[Progress], None] | None,
        *,
        done: int = 0,
        workers: int = 1,
    ) -> None:
        self.progress = progress
        self.left = {job.files.name: size_of(job) + _UNIT_BYTES for job in jobs}
        self.weight_left = sum(self.left.values())
        self.units, self.rows, self.unread, self.finished = len(jobs) + done, 0, 0, 0
        self.starting = workers
        self.since = time.monotonic()

    def add(self, outcome: UnitOutcome) -> None:
        weight = self.left.pop(outcome.name)
        self.weight_left -= weight
        self.rows += outcome.rows
        self.unread += outcome.summary is None
        now = time.monotonic()
        if self.starting:
            self.starting -= 1
            self.since = now
        else:
            self.finished += weight
        if self.progress:
            self.progress(
                Progress(
                    done=self.units - len(self.left),
                    units=self.units,
                    rows=self.rows,
                    seconds_left=(now - self.since) / self.finished * self.weight_left
                    if self.finished
                    else None,
                    last=outcome,
                    unread=self.unread,
                )
            )


_UNIT_BYTES = 1_000_000
"""What a unit costs besides reading (its page above all), as bytes of a log; only the time left rests on it."""
