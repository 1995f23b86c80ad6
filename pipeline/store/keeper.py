"""What a unit's way through the rooms has to do with the store; without one it does nothing."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import atomic
from pipeline.logs import UnitFiles, read_file
from pipeline.logs.timeline import Problem, Timeline, at_rest
from pipeline.store.history import PastReport, history_csv, visit_of, with_visit
from pipeline.store.place import StorePlace
from pipeline.store.stamp import SeenFile
from pipeline.store.unit_store import KeptReport, UnitStore, outputs_of, unreadable

if TYPE_CHECKING:
    from pipeline.logs.table import FileTable
    from pipeline.report.summary import UnitSummary
    from pipeline.unit import Unit


class Keeper:
    """Reads a unit's files, gives its report a place, and remembers both. Made before anything is read."""

    def __init__(self, files: UnitFiles, *, folder: Path, options: object, reports: Path | None) -> None:
        """folder: where the unit's report goes. options: whatever else it depends on. reports: the folder whose store is
        used; None: without one."""
        self.files, self.folder = files, folder
        self.outputs: dict[str, SeenFile] = {}
        self.visit: PastReport | None = None
        self.store = UnitStore(StorePlace(reports), files.name) if reports is not None else None
        # Of the files as they are now: what changes from here on is for the next run.
        if self.store is not None:
            self.basis = self.store.basis(files, options)

    def read(self, path: Path, unit: Unit) -> Sequence[FileTable]:
        """The logs in `path`. Raises LogFileError."""
        try:
            return read_file(path, unit) if self.store is None else self.store.read(path, unit)
        except OSError as error:
            raise unreadable(path, error) from error

    def at_rest(self, timeline: Timeline) -> Timeline:
        """`timeline`, where it is long in files beside the store, so that it does not fill the memory."""
        return timeline if self.store is None else at_rest(timeline, self.store.place.making)

    @contextlib.contextmanager
    def whole(self) -> Iterator[Path]:
        """Where to write the report; it comes to its place whole, or not at all. Raises OSError."""
        if self.store is None:
            yield self.folder
            return
        with self.store.place.whole(self.folder) as folder:
            yield folder
            self.outputs = outputs_of(folder)

    def past(self) -> tuple[dict[str, Any], ...]:
        """Of each earlier report, oldest first: `log_end`, `level` and the figures."""
        if self.store is None:
            return ()
        return tuple(
            {"log_end": visit.log_end, "level": visit.level, **visit.figures}
            for visit in self.store.history()
        )

    def add_history(self, folder: Path, summary: UnitSummary) -> None:
        """`history.csv`: what the reports of earlier visits said, and this one. Raises OSError."""
        if self.store is not None:
            self.visit = visit_of(summary, self.basis.inputs, datetime.now(UTC))
            visits = with_visit(self.store.history(), self.visit)
            atomic.write_text(folder / "history.csv", history_csv(visits))

    def keep(self, *, problems: Sequence[Problem], rows: int, client: Mapping[str, Any]) -> None:
        """Remember the report, and what could not be read, for the next run. Raises OSError."""
        if self.store is not None:
            report = KeptReport(
                fingerprint=self.basis.fingerprint,
                outputs=self.outputs,
                problems=tuple(problems),
                rows=rows,
                client=client,
            )
            self.store.finish(report, files=self.files, visit=self.visit)
