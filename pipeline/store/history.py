"""A unit's history over visits: one line for each day on which it was reported anew, kept when the files are not.

The lines are the only part of the store that can't be made again, so each carries its own checksum: damage costs the
lines that it hit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import atomic
from pipeline.store.sealed import Damaged, seal, unseal

if TYPE_CHECKING:
    from pipeline.report import UnitSummary


@dataclass(frozen=True, kw_only=True)
class Visit:
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
        return datetime.fromisoformat(self.reported).date().isoformat()


def read_history(path: Path) -> tuple[tuple[Visit, ...], bool]:
    """Every visit, oldest first, and whether all lines were sound."""
    try:
        lines = path.read_bytes().splitlines(keepends=True)
    except FileNotFoundError:
        return (), True
    visits, sound = [], True
    for line in lines:
        try:
            body = unseal(line)
            visits.append(Visit(**body | {"codes": tuple(body["codes"])}))
        except (Damaged, KeyError, TypeError):
            sound = False
    return tuple(visits), sound


def add_visit(path: Path, visits: tuple[Visit, ...], new: Visit) -> tuple[Visit, ...]:
    """Write `visits` with `new`; it takes the place of one from the same day, and of the last on the same inputs.

    So the same files judged by a newer version are no new visit, and a file that grows all day is one a day. Raises OSError.
    """
    kept = list(visits)
    while kept and (kept[-1].day == new.day or kept[-1].inputs == new.inputs):
        kept.pop()
    kept.append(new)
    atomic.write_bytes(path, b"".join(seal(asdict(visit)) for visit in kept), durable=True)
    return tuple(kept)


def visit_of(summary: UnitSummary, inputs: str, now: datetime) -> Visit:
    """What a report that was just written says, in short. now: with its time zone."""
    numbers = {name: value for name, value in vars(summary).items() if isinstance(value, int | float | None)}
    return Visit(
        reported=now.isoformat(timespec="seconds"),
        inputs=inputs,
        log_start=summary.log_start,
        log_end=summary.log_end,
        level=summary.level,
        figures=numbers,
        codes=tuple(summary.codes),
    )
