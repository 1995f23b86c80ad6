"""Each day of a log as one ribbon of 24 hours on the unit's own clock: when it made ice, when it rested."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.report.clock import Offsets, S, local_day
from pipeline.report.numbers.columns import KINDS, phases_of

CELL_MIN = 5  # a ribbon is looked at by eye: a shorter stop is not drawn
STATES = ("ice", "off", "unclear", "gap")
_STATE_OF = {
    PhaseKind.FREEZE: "ice",
    PhaseKind.HARVEST: "ice",
    PhaseKind.IDLE: "off",
    PhaseKind.UNCLEAR: "unclear",
    PhaseKind.GAP: "gap",
}

MOST_DAYS = 14  # days in a picture: ribbons on a page that prints on two sheets, or in a message


@dataclass(frozen=True, kw_only=True)
class Day:
    """date: ISO 8601, local. cycles: complete ones that ended on it. whole: nearly all of it was logged. runs: (from, to,
    state) in minutes after midnight by the clock on the wall, `state` one of STATES; nothing stands outside the log."""

    date: str
    cycles: int
    whole: bool
    runs: tuple[tuple[int, int, str], ...]


def hours_of(
    record: CycleRecord, offsets: Offsets, *, cycles: Sequence[int], whole: Sequence[bool]
) -> tuple[Day, ...]:
    """The days of the record, first to last. cycles, whole: of each day, as `days.days_of` has them."""
    if not record.phases:
        return ()
    edges, kinds = phases_of(record)
    states = np.array([STATES.index(_STATE_OF[kind]) for kind in KINDS])[kinds]
    cell, a_day = CELL_MIN * 60 * S, 24 * 60 // CELL_MIN
    first = int(offsets.local_ns(edges[:1])[0] // (24 * 3600 * S))
    local = (np.arange(len(cycles) * a_day) + first * a_day) * cell
    middles = offsets.utc_ns(local + cell // 2)
    at = np.searchsorted(edges, middles, side="right") - 1
    inside = (at >= 0) & (at < len(states))
    seen = np.where(inside, states[np.clip(at, 0, len(states) - 1)], -1).reshape(-1, a_day)
    return tuple(
        Day(
            date=local_day(int(middles[n * a_day + a_day // 2]), offsets).date().isoformat(),
            cycles=int(cycles[n]),
            whole=bool(whole[n]),
            runs=_runs(row),
        )
        for n, row in enumerate(seen)
    )


def _runs(row: np.ndarray) -> tuple[tuple[int, int, str], ...]:
    cuts = np.flatnonzero(np.diff(np.concatenate([[-2], row, [-2]])))
    return tuple(
        (int(a) * CELL_MIN, int(b) * CELL_MIN, STATES[row[a]]) for a, b in pairwise(cuts) if row[a] >= 0
    )


def days_from(table: Sequence[Mapping[str, Any]]) -> tuple[Day, ...]:
    """The days that a summary keeps as the fields of each."""
    return tuple(Day(**{**d, "runs": tuple((a, b, state) for a, b, state in d["runs"])}) for d in table)
