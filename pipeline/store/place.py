"""Where the store lies, and what keeps it in order."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from pipeline import atomic
from pipeline.store.lock import held
from pipeline.store.names import short_name

DAMAGED_KEPT = 50
"""So many damaged pieces are kept to look at (common practice, no source); the oldest go first."""

UNPACKED = "unpacked"

_WAIT_S = 60.0


class StorePlace:
    """The store beside the reports in `reports`. Making one touches no disk."""

    def __init__(self, reports: Path) -> None:
        self.reports = reports
        self.root = reports / ".store"
        self.units = self.root / "units"
        self.making = self.root / "making"
        self.damaged = self.root / "damaged"
        self.unpacked = self.root / UNPACKED

    def for_one_run(self, *, wait_s: float = _WAIT_S) -> contextlib.AbstractContextManager[None]:
        """Hold the reports for one run; another one waits a minute. Raises Locked, OSError."""
        return held(
            self.root / "run.lock",
            wait_s=wait_s,
            busy=f'another run is still writing into "{self.reports.name}"',
            remedy="wait until it has ended, or name another folder with --to",
        )

    def for_one_watch(self) -> contextlib.AbstractContextManager[None]:
        """Hold the reports as their only watcher. Raises Locked, OSError."""
        return held(
            self.root / "watch.lock",
            busy=f'another watcher already keeps "{self.reports.name}" up to date',
            remedy="stop that one first, or name another folder with --to",
        )

    def for_one_post(self) -> contextlib.AbstractContextManager[None]:
        """Hold the reports as the only one who sends them. Raises Locked, OSError."""
        return held(
            self.root / "post.lock",
            wait_s=_WAIT_S,
            busy=f'another e-mail run is still under way for "{self.reports.name}"',
            remedy="wait until it has ended",
        )

    def folds_case(self) -> bool:
        """Whether the drive takes names that differ only in capitals for one. Only for whoever holds the run lock."""
        return (self.root / "RUN.LOCK").exists()

    def heal(self) -> int:
        """Remove what killed runs left behind; return how many pieces. Only for whoever holds the run lock."""
        if self.damaged.is_file():
            self.damaged.unlink()
        for folder in (self.units, self.making, self.unpacked):
            if folder.is_file():
                self.set_aside(folder, "store")
        for stranger in _files(self.units):  # folders of units lie there, nothing else
            self.set_aside(stranger, "store")
        removed = atomic.sweep(self.reports) + atomic.sweep(self.root)
        for folder in _folders(self.units):
            removed += atomic.sweep(folder)
            for stranger in _folders(folder):  # the store keeps files there, nothing else
                self.set_aside(stranger, folder.name)
        for folder in _folders(self.reports):
            removed += atomic.sweep(folder)
        for leftover in _folders(self.making):
            shutil.rmtree(leftover, ignore_errors=True)
            removed += 1
        return removed

    def forget_tables(self, units_there: Iterable[str]) -> None:
        """Drop what was read of units that are no longer among the inputs; their reports and history stay."""
        there = set(units_there)
        for folder in _folders(self.units):
            if folder.name not in there:
                for table in folder.glob("*.parquet"):
                    with contextlib.suppress(OSError):
                        table.unlink()

    def set_aside(self, path: Path, unit: str) -> None:
        """Move a damaged piece out of the way; it never comes back, what it held is made again."""
        self.damaged.mkdir(parents=True, exist_ok=True)
        moment = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        with contextlib.suppress(FileNotFoundError):
            os.replace(path, self.damaged / f"{moment}-{short_name(unit)}-{path.name}")
        kept = sorted(self.damaged.iterdir())
        for old in kept[: max(0, len(kept) - DAMAGED_KEPT)]:
            with contextlib.suppress(OSError):
                shutil.rmtree(old) if old.is_dir() else old.unlink()

    @contextlib.contextmanager
    def whole(self, folder: Path) -> Iterator[Path]:
        """An empty folder to write a unit's report into. Its files move to `folder` together at the end of the block.

        When the block fails (a full disk above all), or a file can't be replaced (a spreadsheet holds it open), `folder`
        is as it was.
        """
        making = self.making / f"{short_name(folder.name)}.{os.getpid()}"
        shutil.rmtree(making, ignore_errors=True)
        making.mkdir(parents=True)
        try:
            yield making
            folder.mkdir(parents=True, exist_ok=True)
            # The page last: whoever sees it sees the files that it was made with.
            paths = sorted(making.rglob("*"), key=lambda p: (p.suffix == ".html", p.name))
            moves = [(path, folder / path.relative_to(making)) for path in paths if path.is_file()]
            _move_together(moves, aside=making / ".before")
        finally:
            shutil.rmtree(making, ignore_errors=True)


def _move_together(moves: Sequence[tuple[Path, Path]], aside: Path) -> None:
    """Move each file to its place, or, where one can't be, none. Raises OSError."""
    aside.mkdir()
    done: list[tuple[Path, Path, bool]] = []
    try:
        for number, (path, place) in enumerate(moves):
            place.parent.mkdir(parents=True, exist_ok=True)
            before, is_new = aside / str(number), not place.exists()
            with contextlib.suppress(
                OSError
            ):  # nothing there yet, or a drive without links: then it can't be put back
                os.link(place, before)
            atomic.move(path, place)
            done.append((place, before, is_new))
    except OSError:
        for place, before, is_new in reversed(done):
            with contextlib.suppress(OSError):
                if is_new:
                    place.unlink()
                else:
                    os.replace(before, place)
        raise


def _folders(root: Path) -> list[Path]:
    return [Path(entry.path) for entry in _entries(root) if entry.is_dir(follow_symlinks=False)]


def _files(root: Path) -> list[Path]:
    return [Path(entry.path) for entry in _entries(root) if entry.is_file(follow_symlinks=False)]


def _entries(root: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(root) as entries:
            return list(entries)
    except (FileNotFoundError, NotADirectoryError):
        return []
