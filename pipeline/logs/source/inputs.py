"""What the user named, as units: a folder of units with whatever is nested in it, one unit's own folder, or one file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.logs.source.nested import with_nested
from pipeline.logs.source.units import UnitFiles, find_units, own_unit, unit_of, why_not_regular


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """The units, and how the place was taken where that is not plain: sentences for the terminal."""

    units: tuple[UnitFiles, ...]
    notes: tuple[str, ...] = ()


def units_at(place: Path) -> Inputs:
    """The units at `place`, a folder of this machine or elsewhere, or a file. Raises FileNotFoundError, PermissionError."""
    if isinstance(place, Path) and not place.is_dir():
        return _of_file(place)
    name = place.resolve().name if isinstance(place, Path) else place.name
    own = own_unit(place, name)
    if own is not None:
        note = f'"{name}" holds a unit.toml beside its logs: taken for one unit of that name'
        return Inputs(units=(own,), notes=(note,))
    found = find_units(place)
    units = with_nested(found, place) if isinstance(place, Path) else found
    if (place / "unit.toml").is_file():
        note = f'the unit.toml in "{name}" counts for no unit; put it into the folder of its unit, beside the logs'
        return Inputs(units=units, notes=(note,))
    return Inputs(units=units)


def _of_file(path: Path) -> Inputs:
    """One file as a unit: called by its folder where that is a unit's own (it holds a unit.toml), else by its name."""
    if not path.exists() and not path.is_symlink():
        raise FileNotFoundError(path)
    beside = path.parent / "unit.toml"
    name = path.resolve().parent.name if beside.is_file() else unit_of(path.name)
    named = path.parent / f"{name}__unit.toml"
    toml = next((p for p in (beside, named) if p.is_file()), None)
    if why := why_not_regular(path):
        return Inputs(units=(UnitFiles(name=name, files=(), toml=toml, problem=f"{path.name}: {why}"),))
    return Inputs(units=(UnitFiles(name=name, files=(path,), toml=toml),))
