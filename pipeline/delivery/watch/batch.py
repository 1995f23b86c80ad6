"""One run over the drop folder in a process of its own: whatever a library keeps hold of goes when the process ends."""

from __future__ import annotations

import contextlib
import multiprocessing as mp
import signal
import sys
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import IceLogError, reason_of, remedy_of
from pipeline.fleet.processes import interrupts_blocked, leave_with_parent
from pipeline.fleet.run import RunOptions

_GRACE_S = 10.0
_STOP_S = 3.0
"""So long a run that was asked to stop may take to end its workers; a cluster that hangs must not hold it up."""


@dataclass(frozen=True, kw_only=True)
class Reported:
    """One unit that was reported anew, or could not be."""

    unit: str
    level: str  # "" where it could not be reported


@dataclass(frozen=True, kw_only=True)
class BatchOutcome:
    """What came of one run."""

    units: int = 0
    problems: tuple[str, ...] = ()  # of all units, also of those that were not looked at again
    settled: bool = True  # False: trying again may help though no file changes
    failure: str = ""  # why there was no run at all


def run_batch(
    inbox: Path,
    reports: Path,
    options: RunOptions,
    *,
    rested: Collection[Path],
    note: Callable[[Reported], None],
    stopped: Callable[[], bool],
) -> BatchOutcome:
    """Report what is due, in another process, out of the files `rested`.

    When `stopped` comes true it ends at once, its workers before it: whoever clears up afterwards meets no writer.
    """
    context = mp.get_context("spawn")
    pipe, far = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(far, inbox, reports, options, frozenset(rested)))
    with interrupts_blocked():
        process.start()
    far.close()
    outcome = BatchOutcome(settled=False, failure="the run was stopped")
    try:
        while not stopped():
            if not pipe.poll(0.25):
                continue
            try:
                message = pipe.recv()
            except EOFError:
                break
            if isinstance(message, BatchOutcome):
                outcome = message
                break
            note(message)
    finally:
        if stopped():  # every file is written beside and renamed: there is nothing to wait for
            process.terminate()
            process.join(_STOP_S)
        else:
            process.join(_GRACE_S)
        if process.is_alive():
            process.kill()
            process.join()
        pipe.close()
    if process.exitcode and not stopped() and outcome.failure:
        outcome = BatchOutcome(settled=False, failure=f"the run ended early (exit status {process.exitcode})")
    return outcome


def _work(pipe, inbox: Path, reports: Path, options: RunOptions, rested: frozenset[Path]) -> None:
    signal.signal(
        signal.SIGINT, signal.SIG_IGN
    )  # Ctrl-C reaches the whole group; the watcher decides what ends
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # on the way out the workers are killed
    leave_with_parent()
    from pipeline.fleet.run import report

    def tell(progress) -> None:
        last = progress.last
        level = last.summary.level if last.summary is not None else ""
        pipe.send(Reported(unit=last.name, level=level))

    try:
        outcome = report(inbox, reports, options, progress=tell, rested=rested)
        result = BatchOutcome(
            units=len(outcome.units),
            problems=tuple(problem.sentence for problem in outcome.problems),
            settled=all(unit.settled for unit in outcome.units),
        )
    except IceLogError as error:
        result = BatchOutcome(settled=False, failure=str(error))
    except OSError as error:
        result = BatchOutcome(settled=False, failure=f"{reason_of(error)}; {remedy_of(error)}")
    with contextlib.suppress(BrokenPipeError):
        pipe.send(result)
