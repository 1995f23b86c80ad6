"""A unit's history over visits: one line for each day on which it was reported anew, kept when the files are not.

The lines are the only part of the store that can't be made again, so each carries its own checksum: damage costs the
lines that it hit.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import atomic
from pipeline.store.sealed import Damaged, seal, unseal

if TYPE_CHECKING:
    from pipeline.report.summary import UnitSummary


FIGURES = (
    "days",
    "cycles",
    "cycles_per_day",
    "freeze_min",
    "harvest_min",
    "ice_kg_per_day",
    "idle_share",
    "air_c",
    "water_c",
    "made_ice_kg_per_day",
)
"""What is kept of a report, by the names of `UnitSummary`."""


@dataclass(frozen=True, kw_only=True)
class PastReport:
    """What a report said, in short."""

    reported: str  # ISO 8601 with offset
    inputs: str  # digest of the files and unit.toml that it rests on
    log_start: str  # ISO 8601 with the offset of the unit's zone
    log_end: str
    level: str  # of the verdict
    figures: Mapping[str, float | None] = field(default_factory=dict)  # named with their unit
    codes: tuple[str, ...] = ()  # of the findings, worst first

    @property
    def day(self) -> str:
        """When it was reported, as an ISO 8601 date."""
        return datetime.fromisoformat(self.reported).date().isoformat()


def read_history(path: Path) -> tuple[tuple[PastReport, ...], bool]:
    """Every visit, oldest first, and whether all lines were sound."""
    try:
        lines = path.read_bytes().splitlines(keepends=True)
    except FileNotFoundError:
        return (), True
    visits, sound = [], True
    for line in lines:
        try:
            body = unseal(line)
            visits.append(PastReport(**body | {"codes": tuple(body["codes"])}))
        except (Damaged, KeyError, TypeError):
            sound = False
    return tuple(visits), sound


def with_visit(visits: Sequence[PastReport], new: PastReport) -> tuple[PastReport, ...]:
    """`visits` and `new`, which takes the place of the last ones of the same visit: see `_same_visit`."""
    kept = list(visits)
    while kept and _same_visit(kept[-1], new):
        kept.pop()
    return (*kept, new)


def _same_visit(last: PastReport, new: PastReport) -> bool:
    """Whether `new` only says better what `last` said: the same files judged by a newer version, the same stretch judged with another
    unit.toml, or a file that grew on the day of `last`.

    A log that begins where the last one did and ends on a later day is a visit of its own: a folder in which the files of all visits
    lie always begins with the first. So are two logs that one day brings and that share no moment: files of old visits put in late.
    """
    if last.inputs == new.inputs:
        return True
    (a, b), (c, d) = (map(datetime.fromisoformat, (r.log_start, r.log_end)) for r in (last, new))
    return (a, b) == (c, d) or (last.day == new.day and a < d and c < b)


def write_history(path: Path, visits: Sequence[PastReport]) -> None:
    """The inverse of `read_history`. Raises OSError."""
    atomic.write_bytes(path, b"".join(seal(asdict(visit)) for visit in visits), durable=True)


def history_csv(visits: Sequence[PastReport]) -> str:
    """A row a visit, for a spreadsheet: when, over which log, the verdict, the figures, the findings' codes."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["reported", "log_start", "log_end", "verdict", *FIGURES, "findings"])
    for visit in visits:
        figures = (visit.figures.get(name) for name in FIGURES)
        row = [visit.reported, visit.log_start, visit.log_end, visit.level]
        table.writerow([*row, *("" if f is None else f for f in figures), " ".join(visit.codes)])
    return text.getvalue()


def visit_of(summary: UnitSummary, inputs: str, now: datetime) -> PastReport:
    """What a report says, in short. inputs: digest of what it rests on. now: with its time zone."""
    return PastReport(
        reported=now.isoformat(timespec="seconds"),
        inputs=inputs,
        log_start=summary.log_start,
        log_end=summary.log_end,
        level=summary.level,
        figures={name: getattr(summary, name) for name in FIGURES},
        codes=tuple(summary.codes),
    )
