"""An archive dropped beside the unit folders stands for a folder of units: each folder in it is a unit's."""

from __future__ import annotations

import hashlib
import os
import shutil
import unicodedata
import zipfile
import zlib
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from pipeline import atomic
from pipeline.errors import LogFileError
from pipeline.logs.source.archives import members_of, pieces_of
from pipeline.logs.source.nested import may_be_two_machines
from pipeline.logs.source.units import ARCHIVE_ENDINGS, UnitFiles, is_log_name, joined, stem_of
from pipeline.logs.timeline import Problem
from pipeline.pictures import is_picture
from pipeline.store import names
from pipeline.store.names import fits_windows, short_name
from pipeline.store.place import UNPACKED, StorePlace

MOST_FILES = 20_000
MOST_BYTES = 8_000_000_000
MOST_TIMES = 400
"""Bounds against an archive made to fill a disk: files, bytes unpacked, and bytes unpacked for each packed one. Logs pack
some 5 to 30 times (common practice, no source)."""

_LONGEST_NAME = 200


@dataclass(frozen=True, kw_only=True)
class _Member:
    info: zipfile.ZipInfo
    unit: str
    name: str


def unpack_fleets(
    found: Iterable[UnitFiles], logs: Path, place: StorePlace, rested: Collection[Path] | None = None
) -> tuple[tuple[UnitFiles, ...], tuple[Problem, ...]]:
    """`found` with the units that lie in archives of several, joined to those of the same name; and what can't be unpacked.

    An archive in a unit's own folder or named for one (UNIT__anything.zip), or whose logs all lie at its root, is left to
    the reader. rested: the archives that nobody is still copying (None: all); any other waits. What is unpacked lies in
    the store, and goes when its archive goes.
    """
    units: dict[str, UnitFiles] = {}
    fleets: dict[str, list[UnitFiles]] = {}
    problems: list[Problem] = []
    for files in found:
        kept = []
        for path in files.files:
            if path.parent != logs or path.suffix.lower() not in ARCHIVE_ENDINGS or "__" in path.name:
                kept.append(path)
                continue
            if rested is not None and path not in rested:
                continue
            try:
                members = _members(path)
                if members is None:
                    kept.append(path)
                    continue
                fleets[path.name] = _unpacked(path, members, place.unpacked)
            except LogFileError as error:
                problems.append(Problem(unit_name=files.name, file=path.name, message=str(error)))
            except OSError as error:
                reason = LogFileError(
                    f"can't be unpacked ({error.strerror})",
                    file=path.name,
                    remedy="see whether the disk is full",
                )
                problems.append(Problem(unit_name=files.name, file=path.name, message=str(reason)))
        if kept or files.refused or not files.files:
            units[files.name] = _joined(units.get(files.name), replace(files, files=tuple(kept)))
    doubts = may_be_two_machines(fleets, units.keys())
    for archive, doubt in doubts.items():
        problems.append(Problem(unit_name=stem_of(archive), file=archive, message=doubt))
    for one in (one for archive, inside in fleets.items() if archive not in doubts for one in inside):
        units[one.name] = _joined(units.get(one.name), one)
    wanted = {
        path.parent.name
        for inside in fleets.values()
        for one in inside
        for path in (*one.files, one.toml)
        if path
    }
    _forget(place.unpacked, wanted)
    return tuple(units[name] for name in sorted(units)), tuple(problems)


def _joined(before: UnitFiles | None, new: UnitFiles) -> UnitFiles:
    own = new.toml is not None and not is_unpacked(new.toml)
    return joined(before, new, toml=new.toml if own else None)


def is_unpacked(path: Path) -> bool:
    """Whether `path` came out of an archive."""
    return path.parent.parent.name == UNPACKED


def _members(path: Path) -> list[_Member] | None:
    """The logs and unit.toml files in an archive of units, and the pictures beside a unit.toml; None where it is one unit's. Raises LogFileError."""
    try:
        archive, everything = members_of(path, path.name)
    except LogFileError as error:
        raise LogFileError(
            "is no whole .zip", file=path.name, remedy="copy it again, or drop the files unpacked"
        ) from error
    archive.close()
    if any(".." in PurePosixPath(info.filename.replace("\\", "/")).parts for info in everything):
        raise LogFileError(
            "holds paths that lead out of it", file=path.name, remedy="don't trust it; ask whoever made it"
        )
    infos = [info for info in everything if _is_wanted(info.filename)]
    described = {_parent(info.filename) for info in infos if _base(info.filename) == "unit.toml"}
    if all(_parent(info.filename) == "" and "__" not in _base(info.filename) for info in infos):
        return None
    infos += [i for i in everything if is_picture(_base(i.filename)) and _parent(i.filename) in described]
    if len(infos) > MOST_FILES or sum(info.file_size for info in infos) > MOST_BYTES:
        raise LogFileError(
            f"unpacks to more than {MOST_FILES:,} files or {MOST_BYTES / 1e9:.0f} GB",
            file=path.name,
            remedy="unpack it yourself and drop the folders",
        )
    if any(info.flag_bits & 0x1 for info in infos):
        raise LogFileError("is locked with a password", file=path.name, remedy="drop it without one")
    homes: dict[str, set[str]] = {}
    for info in infos:
        homes.setdefault(_unit_of(info.filename, path), set()).add(_parent(info.filename))
    twice = next((unit for unit, parents in homes.items() if len(parents) > 1), None)
    if twice is not None:
        raise LogFileError(
            f'holds two folders called "{twice}", which may be two machines',
            file=path.name,
            remedy="give each machine's folder a name of its own",
        )
    members = _named_apart(infos, path)
    odd = next((m.name for m in members if names.ON_WINDOWS and not fits_windows(m.name)), None)
    if odd is not None:
        raise LogFileError(
            f'holds a file called "{odd}", a name that Windows does not take',
            file=path.name,
            remedy="have it renamed and packed again",
        )
    return members


def _named_apart(infos: Iterable[zipfile.ZipInfo], path: Path) -> list[_Member]:
    """A name for each file, which no other of its unit has on any drive; one that is there twice, alike, counts once.

    Raises LogFileError where a unit has two different unit.toml files.
    """
    members: dict[tuple[str, str], _Member] = {}
    for info in infos:
        unit, base, number = _unit_of(info.filename, path), _base(info.filename), 1
        stem, dot, ending = base.rpartition(".")
        if len(os.fsencode(base)) > _LONGEST_NAME:
            base = f"{short_name(stem)}{dot}{ending[:20]}"
            stem = base.rpartition(".")[0]
        name = base
        while (before := members.get((unit, _folded(name)))) is not None and not _alike(before.info, info):
            if base == "unit.toml":
                raise LogFileError(
                    f'holds two different files "unit.toml" of "{unit}"',
                    file=path.name,
                    remedy="leave out the wrong one and pack it again",
                )
            number += 1
            name = f"{stem} ({number}){dot}{ending}"
        members.setdefault((unit, _folded(name)), _Member(info=info, unit=unit, name=name))
    return list(members.values())


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _alike(one: zipfile.ZipInfo, other: zipfile.ZipInfo) -> bool:
    return (one.file_size, one.CRC) == (other.file_size, other.CRC)


def _unpacked(path: Path, members: list[_Member], root: Path) -> list[UnitFiles]:
    """The units of an archive, its files in `root`; unpacked once for the same content. Raises LogFileError, OSError."""
    with open(path, "rb") as file:
        content = hashlib.file_digest(file, "sha256").hexdigest()[:16]
    units: dict[str, list[_Member]] = {}
    for member in members:
        units.setdefault(member.unit, []).append(member)
    archive, _ = members_of(path, path.name)
    with archive:
        return [
            _unpack_unit(archive, path, unit, mine, root / f"{content}-{short_name(unit)}")
            for unit, mine in sorted(units.items())
        ]


def _unpack_unit(
    archive: zipfile.ZipFile, path: Path, unit: str, members: list[_Member], home: Path
) -> UnitFiles:
    """The unit, with each file that lies in `home` as the archive's directory says, or was put there anew."""
    if home.is_symlink() or home.is_file():
        home.unlink()
    home.mkdir(parents=True, exist_ok=True)
    expected = {member.name for member in members}
    for stranger in [
        p for p in home.iterdir() if p.name not in expected or not p.is_file() or p.is_symlink()
    ]:
        shutil.rmtree(stranger) if stranger.is_dir() and not stranger.is_symlink() else stranger.unlink()
    there, refused = [], []
    for member in sorted(members, key=lambda m: m.name):
        place = home / member.name
        try:
            if not _is_whole(place, member.info):
                _copy(archive, member, place, path)
            there.append(place)
        except LogFileError as error:
            place.unlink(missing_ok=True)
            refused.append(Problem(unit_name=unit, file=member.name, message=str(error)))
    toml = home / "unit.toml"
    lost = next((p for p in refused if p.file == toml.name), None)
    logs = tuple(p for p in there if p != toml and not is_picture(p.name)) if lost is None else ()
    problem = ""
    if not logs:
        shown = lost or next(iter(refused), None)
        problem = shown.message if shown else f"{unit}: {path.name} holds a unit.toml of it and no log"
        refused = [p for p in refused if p is not shown]
    return UnitFiles(
        name=unit,
        files=logs,
        toml=toml if toml in there else None,
        problem=problem,
        refused=tuple(refused),
    )


def _is_whole(place: Path, info: zipfile.ZipInfo) -> bool:
    """Whether the file holds just what the archive's directory says of it: size and CRC-32."""
    try:
        if place.stat().st_size != info.file_size:
            return False
        checksum = 0
        with open(place, "rb") as file:
            while piece := file.read(1 << 20):
                checksum = zlib.crc32(piece, checksum)
    except FileNotFoundError:
        return False
    return checksum == info.CRC


def _copy(archive: zipfile.ZipFile, member: _Member, to: Path, path: Path) -> None:
    """Put a member of the archive in its place. Raises LogFileError, OSError."""
    allowed = min(member.info.file_size, MOST_TIMES * max(member.info.compress_size, 1024))
    copied = 0
    with atomic.beside(to) as part, open(part, "wb") as target:
        for piece in pieces_of(archive, member.info, f"{path.name}/{member.name}"):
            copied += len(piece)
            if copied > allowed:
                raise LogFileError(
                    f'"{member.name}" in it unpacks to far more than a log would',
                    file=path.name,
                    remedy="unpack it yourself and look at it",
                )
            target.write(piece)


def _forget(root: Path, wanted: set[str]) -> None:
    if not root.is_dir():
        return
    for home in root.iterdir():
        if home.name not in wanted:
            shutil.rmtree(home, ignore_errors=True)


def _is_wanted(name: str) -> bool:
    parts = PurePosixPath(name.replace("\\", "/")).parts
    hidden = any(part.startswith((".", "~", "__MACOSX")) for part in parts)
    return bool(parts) and not hidden and (is_log_name(parts[-1]) or parts[-1] == "unit.toml")


def _base(name: str) -> str:
    return PurePosixPath(name.replace("\\", "/")).name


def _parent(name: str) -> str:
    parent = PurePosixPath(name.replace("\\", "/")).parent
    return "" if str(parent) in (".", "/", "..") else str(parent)


def _unit_of(name: str, path: Path) -> str:
    parent = _parent(name)
    if parent:
        return PurePosixPath(parent).name
    unit, underscores, _ = _base(name).partition("__")
    return unit if underscores and unit else stem_of(path.name)
