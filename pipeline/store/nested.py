"""A folder of unit folders, dropped whole beside the units, stands for its units, as an archive of units does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from pipeline.logs.folder import UnitFiles, find_units

DEEPEST = 4
"""So many folders below the drop folder are looked into (common practice, no source)."""


def with_nested(found: Iterable[UnitFiles], logs: Path) -> tuple[UnitFiles, ...]:
    """`found` under `logs`, and in the place of each folder that holds folders with logs, the units in it.

    A folder with a unit.toml, or with logs of its own, is a unit whatever else it holds, unless those are all called
    UNIT__LOGGER.csv and lie beside two units or more. Files of a unit of the same name are joined to it.
    """
    units: dict[str, UnitFiles] = {}
    for files in found:
        for one in _unfolded(files, logs):
            units[one.name] = joined(units.get(one.name), one)
    return tuple(units[name] for name in sorted(units))


def joined(before: UnitFiles | None, new: UnitFiles, *, toml: Path | None = None) -> UnitFiles:
    """The files of both as one unit. toml: the one to go by; None: that of `before`, else of `new`."""
    if before is None:
        return new
    files = (*before.files, *new.files)
    return UnitFiles(
        name=new.name,
        files=files,
        toml=toml or before.toml or new.toml,
        problem="" if files else before.problem or new.problem,
    )


def _unfolded(files: UnitFiles, logs: Path) -> tuple[UnitFiles, ...]:
    inside = _inside(files, logs / files.name, DEEPEST)
    names = [unit.name for unit in inside]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is None:
        return inside
    problem = (
        f'{files.name}: holds two folders called "{twice}", which may be two machines; '
        "give each machine's folder a name of its own"
    )
    return (replace(files, files=(), problem=problem),)


def _inside(files: UnitFiles, home: Path, deepest: int) -> tuple[UnitFiles, ...]:
    """The units in `home`, or `files` alone where it is one."""
    if deepest == 0 or files.toml is not None or not all(_names_unit(path) for path in files.files):
        return (files,)
    try:
        below = find_units(home)
    except OSError:  # loose files; or taken away, or not ours to open: then `files.problem` says so
        return (files,)
    units = [unit for one in below for unit in _inside(one, home / one.name, deepest - 1)]
    folders = {path.parent for unit in units for path in unit.files} - {home}
    return tuple(units) if len(folders) > bool(files.files) else (files,)


def _names_unit(path: Path) -> bool:
    return path.name.partition("__")[0] not in ("", path.name)
