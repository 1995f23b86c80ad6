"""Where units are worked on: in processes of this machine or on a cluster, near their files or with the files brought.

One function reports a unit in all of these places, so all of them make the same bytes.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from pipeline.errors import UsageError, reason_of
from pipeline.fleet import urls
from pipeline.fleet.memory import give_back_large_arrays
from pipeline.flow import RunOptions, UnitJob, UnitOutcome, report_unit, unreported
from pipeline.pictures import pictures_named

_LOAD = ("pipeline.fleet.preload",)
"""What a worker imports before its first unit."""


def work_on(jobs: Sequence[UnitJob], options: RunOptions) -> Iterator[UnitOutcome]:
    """Outcomes as they come, largest units first so that none is left over at the end."""
    jobs = sorted(jobs, key=size_of, reverse=True)
    if options.cluster:
        yield from _on_cluster(jobs, options)
    elif len(jobs) == 1:
        yield report_anywhere(jobs[0])
    else:
        yield from on_this_machine(jobs, workers_of(options))


def workers_of(options: RunOptions) -> int:
    """How many units are worked on at once on this machine."""
    return options.jobs or os.cpu_count() or 1


def on_this_machine(jobs: Sequence[UnitJob], workers: int) -> Iterator[UnitOutcome]:
    """Outcomes as they come, from `workers` processes of this machine."""
    from pipeline.fleet.processes import side_by_side

    died = []
    for outcome in side_by_side(report_anywhere, jobs, workers=workers, on_death=lambda job: job, load=_LOAD):
        if isinstance(outcome, UnitJob):
            died.append(outcome)
        else:
            yield outcome
    for job in died:  # killed for want of memory, most likely: alone it has all there is
        yield from side_by_side(report_anywhere, [job], workers=1, on_death=_died, load=_LOAD)


def _on_cluster(jobs: Sequence[UnitJob], options: RunOptions) -> Iterator[UnitOutcome]:
    from pipeline.fleet.dask import connected, seen_by_all, spread_out

    jobs = [_absolute(job) for job in jobs]
    if not jobs:
        return
    with connected(options.cluster, workers=options.jobs) as client:
        places = [
            path.parent for path in (*jobs[0].files.files[:1], jobs[0].folder) if isinstance(path, Path)
        ]
        for folder in places:  # what holds for one unit holds for all: they lie side by side
            if not seen_by_all(client, partial(Path.is_dir, folder)):
                raise UsageError(
                    f'the workers of the cluster do not see the folder "{folder.name}"',
                    remedy="name a folder on a share that all of them mount at the same path, or a URL such as s3://…",
                )
        yield from spread_out(report_anywhere, jobs, client=client, on_death=_died, load=_LOAD)


def _absolute(job: UnitJob) -> UnitJob:
    """Workers have another working folder."""
    files = replace(
        job.files,
        files=tuple(f.resolve() if isinstance(f, Path) else f for f in job.files.files),
        toml=job.files.toml.resolve() if isinstance(job.files.toml, Path) else job.files.toml,
    )
    return replace(
        job,
        files=files,
        folder=job.folder.resolve() if isinstance(job.folder, Path) else job.folder,
        store=job.store.resolve() if job.store is not None else None,
    )


def _died(job: UnitJob) -> UnitOutcome:
    name = job.files.name
    return unreported(
        name,
        f"{name}: not finished, for its worker was killed each time or the cluster went away; see whether memory is "
        "short, and run again",
        settled=False,
    )


def report_anywhere(job: UnitJob) -> UnitOutcome:
    """Report one unit, be its files and its report at a URL or not. Never raises."""
    give_back_large_arrays()
    far = urls.is_url(job.folder) or any(isinstance(file, urls.FarFile) for file in job.files.files)
    if not far:
        return report_unit(job)
    name = job.files.name
    for attempt in range(FAR_ATTEMPTS):
        time.sleep(attempt * FAR_PAUSE_S)
        try:
            return _report_staged(job)
        except Exception as error:  # each file system has errors of its own
            reason = reason_of(error)
            if isinstance(error, FileNotFoundError | PermissionError):
                break
    return unreported(
        name, f"{name}: its files cannot be brought or its report not be put in place ({reason}); run again"
    )


FAR_ATTEMPTS, FAR_PAUSE_S = 3, 2.0
"""A share or a store that is away for a moment is asked again."""


def _report_staged(job: UnitJob) -> UnitOutcome:
    name = job.files.name
    with urls.scratch() as near:
        bring = partial(urls.bring, folder=near / "logs" / name)
        if any(isinstance(file, urls.FarFile) for file in job.files.files):
            toml = bring([job.files.toml])[0] if job.files.toml else None
            for picture in pictures_named(toml) if toml else ():
                urls.bring_if_there(urls.beside(job.files.toml.url, picture), toml.parent)
            job = replace(job, files=replace(job.files, files=bring(job.files.files), toml=toml))
        if not urls.is_url(job.folder):
            return report_unit(job)
        reports = near / "reports"
        for file in _said_before(name):
            urls.bring_if_there(urls.beside(job.folder, file), (reports / file).parent)
        outcome = report_unit(replace(job, folder=reports / name, store=reports))
        if outcome.summary is not None:
            history = _said_before(name)[-1]
            urls.put(reports / history, urls.beside(job.folder, history))
            urls.take(reports / name, job.folder)
        return outcome


def _said_before(name: str) -> tuple[str, str]:
    """What a report takes from those before it, by its place under the reports."""
    return f"{name}/summary.json", f".store/units/{name}/history.jsonl"


def size_of(job: UnitJob) -> int:
    """Bytes of all files of the unit."""
    total = 0
    for file in job.files.files:
        try:
            total += file.size if isinstance(file, urls.FarFile) else file.stat().st_size
        except OSError:  # reading it will say so
            continue
    return total
