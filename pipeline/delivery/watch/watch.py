"""The drop folder: whatever is put there is reported, again and again, for weeks.

    scan → wait until files rest → one run over what is due → say what came of it → wait for a change

Events of the system only wake the loop up early; what happened is found by scanning, so that a network drive that sends
no events, a missed one or a burst of thousands make no difference.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.delivery.watch.batch import BatchOutcome, Reported, run_batch
from pipeline.delivery.watch.settling import Rest
from pipeline.errors import UsageError
from pipeline.fleet.run import RunOptions, check_folders
from pipeline.logs.source.inputs import units_at
from pipeline.store import StorePlace
from pipeline.store.stamp import Stamp

REST_S = 5.0
SCAN_S = 60.0
PATIENCE_S = 900.0
"""A file rests after 5 s without a change; without events the folder is scanned once a minute; a log that never rests is
read as it stands every quarter of an hour (common practice, no source)."""

FIRST_RETRY_S, LONGEST_RETRY_S = 60.0, 3600.0
"""What failed though the files are well (a full disk) is tried again after a minute, then twice as late each time."""

_STOP_LOOK_S = 0.5


@dataclass(frozen=True, kw_only=True)
class WatchOptions:
    """How a drop folder is watched. All times in seconds."""

    run: RunOptions = field(default_factory=RunOptions)
    once: bool = False  # until all that lies there is reported, then stop
    rest_s: float = REST_S
    scan_s: float = SCAN_S
    patience_s: float = PATIENCE_S


@dataclass(frozen=True, kw_only=True)
class Scan:
    """What lies in the folder at one moment."""

    files: Mapping[Path, Stamp]
    units: Mapping[str, tuple[Path, ...]]
    notes: tuple[str, ...] = ()  # how the folder is taken, where that is not plain


Say = Callable[[str], None]


def watch(
    inbox: Path,
    reports: Path,
    options: WatchOptions,
    *,
    stop: threading.Event,
    say: Say,
) -> BatchOutcome:
    """Keep `reports` up to date with `inbox` until `stop` is set, or once; return what the last run came to.

    say: gets a line for whoever reads the log. Raises UsageError where the folders can't be used, Locked where another
    watcher keeps the same reports.
    """
    if not inbox.is_dir():
        raise UsageError(f'there is no folder "{inbox.name}"', remedy="make it, or name another one")
    check_folders(inbox, reports, ())
    try:
        with StorePlace(reports).for_one_watch(), _waker(inbox, say) as wake:
            return _Watcher(inbox, reports, options, stop=stop, wake=wake, say=say).run()
    except OSError as error:
        raise UsageError(
            f'the folder "{reports.name}" cannot be written to ({error.strerror})',
            remedy="see its rights and whether the disk is full, or name another one with --to",
        ) from error


class _Watcher:
    def __init__(
        self,
        inbox: Path,
        reports: Path,
        options: WatchOptions,
        *,
        stop: threading.Event,
        wake: threading.Event,
        say: Say,
    ) -> None:
        self.inbox, self.reports, self.options = inbox, reports, options
        self.stop, self.wake, self.say = stop, wake, say
        self.rest = Rest(rest_s=options.rest_s, patience_s=options.patience_s)
        self.handled: dict[str, tuple] | None = None  # unit -> stamps of its files at the last run
        self.last = BatchOutcome()
        self.retry_at: float | None = None
        self.retry_s = FIRST_RETRY_S
        self.away = False
        self.noted: set[str] = set()

    def run(self) -> BatchOutcome:
        while not self.stop.is_set():
            self.wake.clear()
            scan = self._scan()
            if scan is not None:
                now = time.monotonic()
                self.rest.update(scan.files, now)
                restless = self.rest.restless(now)
                if self._is_due(scan, restless, now):
                    self._report(scan, restless)
                    continue
                if self.options.once and not restless:
                    break
            elif self.options.once:
                break
            self._wait()
        return self.last

    def _scan(self) -> Scan | None:
        """None while the folder can't be reached: a share that is away for a night comes back."""
        try:
            scan = scan_folder(self.inbox)
        except OSError as error:
            if not self.away:
                self.say(f"the drop folder can't be reached ({error.strerror})")
            self.away = True
            self.last = BatchOutcome(settled=False, failure="the drop folder can't be reached")
            return None
        if self.away:
            self.say("the drop folder is back")
        self.away = False
        for note in scan.notes:
            if note not in self.noted:
                self.noted.add(note)
                self.say(note)
        return scan

    def _is_due(self, scan: Scan, restless: frozenset[Path], now: float) -> bool:
        if not scan.units:
            return False
        if self.retry_at is not None and now >= self.retry_at:
            return True
        ready = {
            name: _stamps(scan, name) for name, files in scan.units.items() if restless.isdisjoint(files)
        }
        if self.handled is None:
            return bool(ready)
        gone = self.handled.keys() - scan.units.keys()
        return bool(gone) or any(self.handled.get(name) != stamps for name, stamps in ready.items())

    def _report(self, scan: Scan, restless: frozenset[Path]) -> None:
        outcome = run_batch(
            self.inbox,
            self.reports,
            self.options.run,
            rested=scan.files.keys() - restless,
            note=self._note,
            stopped=self.stop.is_set,
        )
        if self.stop.is_set():
            self._tidy()
            return
        before = self.handled or {}
        self.handled = {
            name: before.get(name, ()) if not restless.isdisjoint(files) else _stamps(scan, name)
            for name, files in scan.units.items()
        }
        known = set(self.last.problems)
        new_problems = [problem for problem in outcome.problems if problem not in known]
        self.last = outcome
        for problem in new_problems:
            self.say(f"problem: {problem}")
        if outcome.failure:
            self.say(f"not reported: {outcome.failure}")
        if outcome.settled:
            self.retry_at, self.retry_s = None, FIRST_RETRY_S
        elif not self.options.once:
            self.retry_at = time.monotonic() + self.retry_s
            self.retry_s = min(2 * self.retry_s, LONGEST_RETRY_S)

    def _note(self, reported: Reported) -> None:
        if reported.level:
            self.say(f"{reported.unit}: reported, {reported.level}")
        else:
            self.say(f"{reported.unit}: not reported")

    def _tidy(self) -> None:
        """What the stopped run left half done goes at once, not only with the next run."""
        place = StorePlace(self.reports)
        with contextlib.suppress(Exception), place.for_one_run(wait_s=2.0):
            place.heal()

    def _wait(self) -> None:
        """Until something happens, a file may have come to rest, or it is time to look anyway."""
        now = time.monotonic()
        waits = [self.options.scan_s]
        if (look := self.rest.next_look(now)) is not None:
            waits.append(look)
        if self.retry_at is not None:
            waits.append(max(self.retry_at - now, 0.0))
        until = now + min(waits)
        while not self.stop.is_set() and (left := until - time.monotonic()) > 0:
            if self.wake.wait(min(left, _STOP_LOOK_S)):
                return


def scan_folder(inbox: Path) -> Scan:
    """Every file of every unit, unit.toml too, with its stamp. Raises OSError where the folder can't be listed."""
    files: dict[Path, Stamp] = {}
    units: dict[str, tuple[Path, ...]] = {}
    found = units_at(inbox)
    for unit in found.units:
        mine = (*unit.files, *([unit.toml] if unit.toml else []))
        mine = mine or (inbox / unit.name,)  # a folder that fills yet
        units[unit.name] = mine
        for path in mine:
            with contextlib.suppress(OSError):  # gone since it was listed: the next scan knows
                files[path] = Stamp.of(path)
    return Scan(files=files, units=units, notes=found.notes)


def _stamps(scan: Scan, unit: str) -> tuple:
    return tuple((path, scan.files.get(path)) for path in scan.units[unit])


@contextlib.contextmanager
def _waker(inbox: Path, say: Say) -> Iterator[threading.Event]:
    """An event that is set when something happens in `inbox`."""
    from watchfiles import watch as events

    wake = threading.Event()
    ended = threading.Event()

    def listen() -> None:
        while not ended.is_set():
            try:
                for _ in events(
                    inbox,
                    watch_filter=None,
                    stop_event=ended,
                    debounce=400,
                    step=100,
                    rust_timeout=1000,
                    raise_interrupt=False,
                ):
                    wake.set()
            except Exception as error:  # too many watches, a drive without events: scanning goes on alone
                say(f"no events from the system ({type(error).__name__}); the folder is scanned instead")
                return
            ended.wait(5.0)  # the folder itself was taken away

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    try:
        yield wake
    finally:
        ended.set()
        listener.join(timeout=3.0)
