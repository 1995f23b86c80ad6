"""Two logs of one unit, read, segmented and compared: before a repair and after it.

The later log is another folder or file, or, where there is none, what was logged after a visit named in `unit.toml`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.cycles import on_one_clock
from pipeline.errors import LogFileError, UnitError, UsageError
from pipeline.logs import assemble, of_one_time, read_file
from pipeline.logs.source.units import is_log_name, stem_of

if TYPE_CHECKING:
    from pipeline.findings.comparison import Comparison, SegmentedLog
    from pipeline.logs.timeline import Timeline
    from pipeline.unit import Unit, Visit


@dataclass(frozen=True, kw_only=True)
class Compared:
    """A comparison, what it was made from, and the sentences about files that could not be read."""

    unit: Unit
    earlier: SegmentedLog
    later: SegmentedLog
    comparison: Comparison
    problems: tuple[str, ...]


def compare_places(earlier: Path, later: Path | None, *, visit: date | None = None) -> Compared:
    """Compare what was logged in `earlier` with what was logged in `later`, each a unit's folder or a logger file.

    later: None splits the log of `earlier` at `visit`, or at the last visit that its unit.toml names.
    Raises UsageError, UnitConfigError, or UnitError where one of the two holds no usable log.
    """
    from pipeline.findings.comparison import compare
    from pipeline.findings.thresholds import resolve
    from pipeline.unit_toml import load_unit

    toml = _toml_of(later) if later is not None else None
    unit = load_unit(_name_of(earlier), toml or _toml_of(earlier))
    resolve(unit)
    first, problems = _timeline(earlier, unit)
    if later is not None:
        second, more = _timeline(later, unit)
        problems += more
        if second.start_ns < first.start_ns:
            raise UsageError(
                f'"{later.name}" begins before "{earlier.name}"',
                remedy="name the earlier log first, the later one second",
            )
        before, after = _log(first, unit), _log(second, unit)
    else:
        before, after = _split(first, unit, visit)
    return Compared(
        unit=unit,
        earlier=before,
        later=after,
        comparison=compare(before, after, unit),
        problems=tuple(problems),
    )


def _files_of(place: Path) -> list[Path]:
    if place.is_file():
        return [place]
    if not place.is_dir():
        raise UsageError(f'there is no "{place.name}"', remedy="name the folder of a unit, or a logger file")
    files = sorted(p for p in place.iterdir() if p.is_file() and is_log_name(p.name))
    if not files:
        raise UsageError(
            f'"{place.name}" holds no logger files',
            remedy="name the folder of one unit, not the folder of a fleet",
        )
    return files


def _name_of(place: Path) -> str:
    return place.resolve().name if place.is_dir() else stem_of(place.name).partition("__")[0]


def _toml_of(place: Path) -> Path | None:
    toml = (place if place.is_dir() else place.parent) / "unit.toml"
    return toml if toml.is_file() else None


def _timeline(place: Path, unit: Unit) -> tuple[Timeline, list[str]]:
    tables, problems = [], []
    for path in _files_of(place):
        try:
            tables.extend(read_file(path, unit))
        except LogFileError as error:
            problems.append(str(error))
    if not tables:
        raise UnitError("; ".join(problems), file=place.name)
    near, far = of_one_time(tables, unit)
    return on_one_clock(assemble(near, unit), unit), problems + [str(error) for error in far]


def _split(timeline: Timeline, unit: Unit, visit: date | None) -> tuple[SegmentedLog, SegmentedLog]:
    """What was logged before a visit and after it: the one of `visit`, or the last that lies in the log."""
    from pipeline.cycles import find_cycles
    from pipeline.findings.comparison import SegmentedLog, parts
    from pipeline.unit import Visit

    named = (
        unit
        if visit is None
        else unit.model_copy(update={"visits": (_named(unit, visit) or Visit(on=visit),)})
    )
    remedy = (
        "name the later log too, or give the day of the visit: --visit 2026-05-04, or [[visits]] in unit.toml"
    )
    if not named.visits:
        raise UsageError(f"{unit.name}: there is no later log, and no visit is known", remedy=remedy)
    halves = parts(SegmentedLog(timeline=timeline, record=find_cycles(timeline, unit)), named)
    if halves is None:
        raise UsageError(f"{unit.name}: no visit lies within the log", remedy=remedy)
    return halves


def _named(unit: Unit, day: date) -> Visit | None:
    return next((v for v in unit.visits if v.on == day), None)


def _log(timeline: Timeline, unit: Unit) -> SegmentedLog:
    from pipeline.cycles import find_cycles
    from pipeline.findings.comparison import SegmentedLog

    return SegmentedLog(timeline=timeline, record=find_cycles(timeline, unit))
