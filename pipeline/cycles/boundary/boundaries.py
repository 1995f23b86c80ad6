"""Where runs begin, and where a clamp shows the compressor stop and start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import DrawCells
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where the runs begin."""

    start_ns: np.ndarray  # int64 (k,)
    uncertainty_s: np.ndarray  # float (k,): half-width of the 90 % interval
    by_draw: np.ndarray  # bool (k,): a current shows it


def shows_harvests(runs: Runs, placed: Placed) -> bool:
    """Does the clamp show most of the harvests' starts and ends?"""
    before = np.r_[-1, runs.state[:-1]]
    begins, ends = (before == FREEZE) & (runs.state == HARVEST), (before == HARVEST) & (runs.state == FREEZE)
    edges = ~runs.opens_span & (begins | ends)
    return bool(placed.by_draw[edges].mean() > 0.5) if edges.any() else False


def crossings(draw: DrawCells, near_ns: np.ndarray, on: bool, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """The change between off and running nearest to each of `near_ns` (m,): its moment [ns] (m,) (midway between two readings) and
    the time between those readings [s] (m,); nan where none lies within two cells."""
    trace = draw.trace
    running = trace.values >= draw.off_below
    turn = np.flatnonzero(running[1:] != running[:-1]) + 1
    side = turn[running[turn] == on]
    out_ns, bracket_s = near_ns.copy(), np.full(len(near_ns), np.nan)
    if len(side) == 0:
        return out_ns, bracket_s
    middle = (trace.time_ns[side] + trace.time_ns[side - 1]) // 2
    right = np.searchsorted(middle, near_ns).clip(0, len(side) - 1)
    left = np.maximum(right - 1, 0)
    best = np.where(np.abs(middle[left] - near_ns) < np.abs(middle[right] - near_ns), left, right)
    gap_s = (trace.time_ns[side] - trace.time_ns[side - 1])[best] * 1e-9
    near = np.abs(middle[best] - near_ns) * 1e-9 <= 2.5 * cells.step_s + gap_s
    out_ns[near] = middle[best][near]
    bracket_s[near] = gap_s[near]
    return out_ns, bracket_s
