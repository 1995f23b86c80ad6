"""A folder of unit folders, dropped whole beside the units, stands for its units, as an archive of units does."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path

from pipeline.logs.source.units import UnitFiles, find_units, joined

DEEPEST = 4
"""So many folders below the drop folder are looked into (common practice, no source)."""


def with_nested(found: Iterable[UnitFiles], logs: Path) -> tuple[UnitFiles, ...]:
    """`found` under `logs`, and in the place of each folder that holds folders with logs, the units in it.

    A folder with a unit.toml, or with logs of its own, is a unit whatever else it holds, unless those are all called
    UNIT__LOGGER.csv and lie beside two units or more. Files of a unit of the same name are joined to it, unless
    `may_be_two_machines`.
    """
    alone, fleets = [], {}
    for files in found:
        inside = _inside(files, logs / files.name, DEEPEST)
        if inside == (files,):
            alone.append(files)
        else:
            fleets[files.name] = inside
    doubts = may_be_two_machines(fleets, {files.name for files in alone})
    refused = [UnitFiles(name=name, files=(), toml=None, problem=doubt) for name, doubt in doubts.items()]
    taken = [one for name, inside in fleets.items() if name not in doubts for one in inside]
    units: dict[str, UnitFiles] = {}
    for one in (*alone, *taken, *refused):
        units[one.name] = joined(units.get(one.name), one)
    return tuple(units[name] for name in sorted(units))


def may_be_two_machines(fleets: Mapping[str, Sequence[UnitFiles]], known: Collection[str]) -> dict[str, str]:
    """Which folders or archives must not be taken apart, and why, by their names.

    fleets: the units in each. known: units that are such without a doubt. A name that several of them hold, and each of
    them alone (bar/raw/x.csv, cafe/raw/y.csv), may be two machines; beside other units, or where a folder or archive is
    called by it, it is one machine's, seen again.
    """
    homes: dict[str, list[str]] = {}
    sizes: dict[str, int] = {}
    for fleet, inside in fleets.items():
        names = [unit.name for unit in inside if unit.files]
        sizes[fleet] = len(names)
        for name in names:
            homes.setdefault(name, []).append(fleet)
    doubts = {}
    for name, where in homes.items():
        is_known = name in known or any(sizes[home] > 1 or home.startswith(name) for home in where)
        if len(where) == 1 or (is_known and len(set(where)) == len(where)):
            continue
        for fleet in where:
            other = next((home for home in where if home != fleet), "")
            says = f'"{name}" lies in "{other}" too' if other else f'it holds two folders called "{name}"'
            doubts[fleet] = (
                f"{fleet}: {says}, which may be two machines; give each machine one folder of its own name, with all of its files"
            )
    return doubts


def _inside(files: UnitFiles, home: Path, deepest: int) -> tuple[UnitFiles, ...]:
    """The units in `home`, or `files` alone where it is one."""
    if deepest == 0 or files.toml is not None or home.is_symlink():  # a link may lead to a whole disk
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
