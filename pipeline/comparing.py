"""Two logs of one unit, read, segmented and compared: before a repair and after it.

The later log is another folder or file, or, where there is none, what was logged after a visit named in `unit.toml`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import LogFileError, UnitError, UsageError
from pipeline.logs import assemble, read_file
from pipeline.logs.source.units import is_log_name, stem_of

if TYPE_CHECKING:
    from pipeline.findings import Comparison
    from pipeline.findings.comparison import Log
    from pipeline.logs.timeline import Timeline
    from pipeline.unit import Unit


@dataclass(frozen=True, kw_only=True)
class Compared:
    """A comparison, what it was made from, and the sentences about files that could not be read."""

    unit: Unit
    earlier: Log
    later: Log
    comparison: Comparison
    problems: tuple[str, ...]


def compare_places(earlier: Path, later: Path | None, *, visit: date | None = None) -> Compared:
    """Compare what was logged in `earlier` with what was logged in `later`, each a unit's folder or a logger file.

    later: None splits the log of `earlier` at `visit`, or at the last visit that its unit.toml names.
    Raises UsageError, UnitConfigError, or UnitError where one of the two holds no usable log.
    """
    from pipeline.findings import compare
    from pipeline.findings.thresholds import resolve
    from pipeline.unit_toml import load_unit

    toml = _toml_of(later) if later is not None else None
    unit = load_unit(_name_of(earlier), toml or _toml_of(earlier))
    resolve(unit)
    first, problems = _timeline(earlier, unit)
    if later is not None:
        second, more = _timeline(later, unit)
        problems += more
    else:
        first, second = _split(first, _visit_ns(unit, first, visit))
    before, after = _log(first, unit), _log(second, unit)
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
    return assemble(tables, unit), problems


def _visit_ns(unit: Unit, timeline: Timeline, visit: date | None) -> int:
    """Noon of the day of the visit, in the unit's zone [ns UTC]."""
    days = [visit] if visit is not None else sorted(v.on for v in unit.visits)
    remedy = (
        "name the later log too, or give the day of the visit: --visit 2026-05-04, or [[visits]] in unit.toml"
    )
    if not days:
        raise UsageError(f"{unit.name}: there is no later log, and no visit is known", remedy=remedy)
    moments = [int(datetime(d.year, d.month, d.day, 12, tzinfo=unit.tz).timestamp()) * 10**9 for d in days]
    inside = [m for m in moments if timeline.start_ns < m < timeline.end_ns]
    if not inside:
        raise UsageError(f"{unit.name}: no visit lies within the log", remedy=remedy)
    return inside[-1]


def _split(timeline: Timeline, at_ns: int) -> tuple[Timeline, Timeline]:
    return _part(timeline, timeline.start_ns, at_ns), _part(timeline, at_ns, timeline.end_ns + 1)


def _part(timeline: Timeline, start_ns: int, end_ns: int) -> Timeline:
    """The readings of `timeline` in [start, end)."""
    channels = []
    for channel in timeline.channels:
        first, stop = channel.time_ns.searchsorted([start_ns, end_ns])
        if stop > first:
            channels.append(
                replace(
                    channel,
                    time_ns=channel.time_ns[first:stop],
                    values=channel.values[first:stop],
                    trusted=channel.trusted[first:stop],
                    masks={name: mask[first:stop] for name, mask in channel.masks.items()},
                )
            )
    if not channels:
        raise UnitError("there are no readings on one side of the visit", file=timeline.unit_name)
    doubts = tuple(
        replace(d, start_ns=max(d.start_ns, start_ns), end_ns=min(d.end_ns, end_ns))
        for d in timeline.doubts
        if d.start_ns < end_ns and d.end_ns > start_ns
    )
    return replace(
        timeline,
        channels=tuple(channels),
        doubts=doubts,
        start_ns=min(int(c.time_ns[0]) for c in channels),
        end_ns=max(int(c.time_ns[-1]) for c in channels),
    )


def _log(timeline: Timeline, unit: Unit) -> Log:
    from pipeline.cycles import find_cycles
    from pipeline.findings.comparison import Log

    return Log(timeline=timeline, record=find_cycles(timeline, unit))
