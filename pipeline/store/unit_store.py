"""What is kept of one unit: its files as read, and what its last report rests on."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import atomic
from pipeline.errors import LogFileError
from pipeline.logs.timeline import Problem
from pipeline.pictures import pictures_beside
from pipeline.store import tables
from pipeline.store.history import PastReport, read_history, with_visit, write_history
from pipeline.store.place import StorePlace
from pipeline.store.sealed import Damaged, seal, unseal
from pipeline.store.stamp import SeenFile, Stamp, look
from pipeline.store.versions import reader_version, report_version

if TYPE_CHECKING:
    from pipeline.logs import UnitFiles
    from pipeline.logs.table import FileTable
    from pipeline.unit import Unit

FORMAT = 2
"""Of the index; another one is taken for no index."""


@dataclass(frozen=True, kw_only=True)
class KeptFile:
    """One input file as it was last looked at, and what the reader made of it: `parts`, or the `refusal`."""

    seen: SeenFile
    read_by: str = ""  # "" where it was only looked at
    reading_key: str = ""
    parts: tuple[tables.Part, ...] = ()
    refusal: tuple[str, str, str, int | None] | None = None  # found, remedy, file, line of the LogFileError


@dataclass(frozen=True, kw_only=True)
class KeptReport:
    """The unit's last report: what it rests on, what it wrote, and what could not be read."""

    fingerprint: str
    outputs: Mapping[str, SeenFile] = field(default_factory=dict)  # by name under the unit's folder
    problems: tuple[Problem, ...] = ()
    rows: int = 0
    client: Mapping[str, Any] = field(default_factory=dict)  # of unit.toml: who gets messages


@dataclass(frozen=True, kw_only=True)
class Basis:
    """All that a report rests on: the same digest means the same report."""

    inputs: str  # the files and unit.toml alone
    fingerprint: str  # with the options and the version of the program


class UnitStore:
    """The store of one unit. Used by one process at a time; nothing is written before `finish`."""

    def __init__(self, place: StorePlace, name: str) -> None:
        self.place = place
        self.name = name
        self.folder = place.units / name
        self.index = self.folder / "index.json"
        self.report: KeptReport | None = None
        self._files: dict[str, KeptFile] = {}
        self._keys: dict[Path, str] = {}
        self._opened = False  # a file's content had to be read
        self._load()

    # What is there ----------------------------------------------------------------------------------------------------

    def basis(self, files: UnitFiles, options: object) -> Basis:
        """What a report made now would rest on.

        options: whatever else the report depends on; its `repr` counts. A file that can't be opened counts by the
        reason, so that it is tried again when that changes.
        """
        self._keys = _keys_of(_paths(files))
        inputs = self._inputs(files)
        return Basis(
            inputs=_digest(inputs),
            fingerprint=_digest(inputs, repr(options), reader_version(), report_version()),
        )

    def current(self, files: UnitFiles, options: object, folder: Path) -> KeptReport | None:
        """The last report in `folder`, if it rests on just these inputs and each file that it wrote is as it was written."""
        self._keys = _keys_of(_paths(files))
        report = self.report
        if report is None or self._surely_changed(files):
            return None
        if report.fingerprint != self.basis(files, options).fingerprint:
            return None
        outputs = as_written(folder, report.outputs)
        if outputs is None:
            return None
        if outputs != report.outputs:
            self._opened = True
            self.report = report = replace(report, outputs=outputs)
        return report

    # Reading ----------------------------------------------------------------------------------------------------------

    def read(self, path: Path, unit: Unit) -> tuple[FileTable, ...]:
        """The logs in `path`, parsed only where that was not done before.

        Raises LogFileError, be it from now or from the time when the same content was refused.
        """
        from pipeline.logs import read_file, reading_key

        key = self._key(path)
        try:
            seen = self._look(path)
        except OSError as error:
            raise unreadable(path, error) from error
        kept = self._files.get(key)
        made_by = {"read_by": reader_version(), "reading_key": reading_key(unit)}
        if kept and (kept.seen.content, kept.read_by, kept.reading_key) == (seen.content, *made_by.values()):
            if kept.refusal is not None:
                found, remedy, file, line = kept.refusal
                raise LogFileError(found, remedy=remedy, file=file, line=line)
            try:
                return tables.load(self.folder, kept.parts)
            except Damaged as damage:
                self.place.set_aside(self.folder / str(damage), self.name)
        try:
            logs = read_file(path, unit)
        except LogFileError as error:
            if self._unchanged(path, seen):
                refusal = (error.found, error.remedy, error.file, error.line)
                self._files[key] = KeptFile(seen=seen, **made_by, refusal=refusal)
            raise
        except OSError as error:
            raise unreadable(path, error) from error
        if self._unchanged(path, seen):
            stem = _digest(key, seen.content, *made_by.values())[:32]
            # A full disk costs the next run a second reading, not this one its report.
            with contextlib.suppress(OSError):
                self._files[key] = KeptFile(seen=seen, **made_by, parts=tables.keep(self.folder, stem, logs))
        return logs

    # Keeping ----------------------------------------------------------------------------------------------------------

    def finish(self, report: KeptReport, *, files: UnitFiles, visit: PastReport | None = None) -> None:
        """Keep what was read and what came of it; drop what no input holds any more. Raises OSError."""
        there = set(_keys_of(_paths(files)).values())
        self._files = {key: kept for key, kept in self._files.items() if key in there}
        self.report = report
        atomic.write_bytes(self.index, seal(self._as_json()))
        if visit is not None:
            write_history(self._history, with_visit(self.history(), visit))
        wanted = {part.file for kept in self._files.values() for part in kept.parts}
        for table in self.folder.glob("*.parquet"):
            if table.name not in wanted:
                with contextlib.suppress(OSError):
                    table.unlink()

    def refresh(self) -> None:
        """Keep how the files look now, where one had to be opened to see that it is the same. Raises OSError."""
        if self._opened:
            atomic.write_bytes(self.index, seal(self._as_json()))

    def history(self) -> tuple[PastReport, ...]:
        """What earlier reports said, oldest first. Where a line is damaged, a copy of them all is set aside."""
        visits, sound = read_history(self._history)
        if not sound:
            with contextlib.suppress(OSError):
                self.place.set_aside(self._history, self.name)
                write_history(self._history, visits)
        return visits

    @property
    def _history(self) -> Path:
        return self.folder / "history.jsonl"

    # Inside -----------------------------------------------------------------------------------------------------------

    def _inputs(self, files: UnitFiles) -> str:
        tokens: list[Any] = [files.problem, [problem.message for problem in files.refused]]
        for path in _paths(files):
            try:
                tokens.append([self._key(path), self._look(path).content])
            except OSError as error:
                tokens.append([self._key(path), f"unreadable {error.errno}"])
        return json.dumps(tokens)

    def _surely_changed(self, files: UnitFiles) -> bool:
        """Told by sizes, without opening a file."""
        for path in _paths(files):
            kept = self._files.get(self._key(path))
            with contextlib.suppress(OSError):
                if kept is not None and Stamp.of(path).size != kept.seen.stamp.size:
                    return True
        return False

    def _look(self, path: Path) -> SeenFile:
        key = self._key(path)
        kept = self._files.get(key)
        seen = look(path, kept.seen if kept else None)
        if kept is not None and seen is kept.seen:
            return seen
        self._opened = True
        same = kept is not None and seen.content == kept.seen.content
        self._files[key] = replace(kept, seen=seen) if same else KeptFile(seen=seen)
        return seen

    def _key(self, path: Path) -> str:
        return self._keys.get(path) or _key(path)

    @staticmethod
    def _unchanged(path: Path, seen: SeenFile) -> bool:
        try:
            return Stamp.of(path) == seen.stamp
        except OSError:
            return False

    def _load(self) -> None:
        try:
            raw = self.index.read_bytes()
        except OSError:
            return
        try:
            body = unseal(raw)
            if body["format"] != FORMAT:
                return
            self._files = {key: _kept_file(entry) for key, entry in body["files"].items()}
            self.report = _kept_report(body["report"])
        except (Damaged, KeyError, TypeError, ValueError):
            self._files, self.report = {}, None
            with contextlib.suppress(OSError):
                self.place.set_aside(self.index, self.name)

    def _as_json(self) -> dict[str, Any]:
        return {
            "format": FORMAT,
            "unit": self.name,
            "written": datetime.now(UTC).isoformat(timespec="seconds"),
            "files": {key: asdict(kept) for key, kept in self._files.items()},
            "report": asdict(self.report),
        }


def unreadable(path: Path, error: OSError) -> LogFileError:
    """The error of a file that is there (or was) but can't be opened."""
    if isinstance(error, FileNotFoundError):
        return LogFileError(
            "went away while it was read", file=path.name, remedy="put it back if it was not meant to go"
        )
    if isinstance(error, PermissionError):
        return LogFileError(
            "may not be opened", file=path.name, remedy="give this account the right to read it"
        )
    reason = error.strerror or type(error).__name__
    return LogFileError(
        f"cannot be read ({reason})", file=path.name, remedy="see whether the drive is in order"
    )


def _kept_file(entry: Mapping[str, Any]) -> KeptFile:
    return KeptFile(
        seen=_seen(entry["seen"]),
        read_by=entry["read_by"],
        reading_key=entry["reading_key"],
        parts=tuple(tables.Part(**part) for part in entry["parts"]),
        refusal=tuple(entry["refusal"]) if entry["refusal"] else None,
    )


def _kept_report(entry: Mapping[str, Any]) -> KeptReport:
    return KeptReport(
        fingerprint=entry["fingerprint"],
        outputs={name: _seen(about) for name, about in entry["outputs"].items()},
        problems=tuple(Problem(**problem) for problem in entry["problems"]),
        rows=entry["rows"],
        client=entry["client"],
    )


def _seen(entry: Mapping[str, Any]) -> SeenFile:
    return SeenFile(stamp=Stamp(**entry["stamp"]), at_ns=entry["at_ns"], content=entry["content"])


def outputs_of(folder: Path) -> dict[str, SeenFile]:
    """Each file under `folder` as it is now, by its name there. Raises OSError."""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return {path.relative_to(folder).as_posix(): look(path, None) for path in files}


def as_written(folder: Path, outputs: Mapping[str, SeenFile]) -> Mapping[str, SeenFile] | None:
    """`outputs` as they look now, or None where one of them is gone or holds something else.

    Its content counts, whatever its time: a folder that was copied holds the same reports. It is read where the stamp
    cannot vouch for it.
    """
    now = {}
    for name, before in outputs.items():
        try:
            now[name] = look(folder / name, before)
        except OSError:
            return None
        if now[name].content != before.content:
            return None
    return now


def _key(path: Path, parts: int = 2) -> str:
    return "/".join(path.parts[-parts:])


def _keys_of(paths: Sequence[Path]) -> dict[Path, str]:
    """What tells each file from the others of its unit: its last two names, or more where those are alike.

    Not the whole path: where a unit's folder lies changes nothing that is read.
    """
    keys, parts = {path: _key(path) for path in paths}, 2
    while len(set(keys.values())) < len(keys) and parts < max(len(path.parts) for path in paths):
        parts += 1
        count = Counter(keys.values())
        keys = {path: key if count[key] == 1 else _key(path, parts) for path, key in keys.items()}
    return keys


def _paths(files: UnitFiles) -> tuple[Path, ...]:
    return (*files.files, *([files.toml] if files.toml else []), *pictures_beside(files.toml))


def _digest(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode("utf-8", "surrogateescape")).hexdigest()
