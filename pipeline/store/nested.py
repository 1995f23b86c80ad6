"""A folder of unit folders, dropped whole beside the units, stands for its units, as an archive of units does."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.logs.folder import UnitFiles, find_units

DEEPEST = 4
"""So many folders below the drop folder are looked into (common practice, no source)."""


def with_nested(found: Iterable[UnitFiles], logs: Path) -> tuple[UnitFiles, ...]:
    """`found` under `logs`, and in the place of each folder that holds folders with logs, the units in it.

    A folder with a unit.toml, or with logs of its own, is a unit whatever else it holds, unless those are all called
    UNIT__LOGGER.csv and lie beside two units or more. Files of a unit that lies in `logs` itself are joined to it; where
    two such folders hold one name, that may be two machines, and neither is taken apart.
    """
    unfolded = [(files, _inside(files, logs / files.name, DEEPEST)) for files in found]
    homes: dict[str, list[str]] = {}
    for files, inside in unfolded:
        if inside != (files,):
            for one in inside:
                if one.files:
                    homes.setdefault(one.name, []).append(files.name)
    units: dict[str, UnitFiles] = {}
    for files, inside in unfolded:
        twice = next((one.name for one in inside if len(homes.get(one.name, ())) > 1), None)
        if inside != (files,) and twice is not None:
            inside = (replace(files, files=(), problem=_may_be_two(files.name, twice, homes[twice])),)
        for one in inside:
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


def _may_be_two(folder: str, twice: str, homes: Sequence[str]) -> str:
    others = sorted({home for home in homes if home != folder})
    where = f'"{twice}" lies in "{others[0]}" too' if others else f'holds two folders called "{twice}"'
    return (
        f"{folder}: {where}, which may be another machine; give each machine one folder with all its files, "
        "named like no other"
    )


def _inside(files: UnitFiles, home: Path, deepest: int) -> tuple[UnitFiles, ...]:
    """The units in `home`, or `files` alone where it is one."""
    if deepest == 0 or files.toml is not None:
        return (files,)
    if not all(path.parent == home and _names_unit(path) for path in files.files):
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
