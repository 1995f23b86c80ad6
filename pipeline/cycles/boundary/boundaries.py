"""Where runs begin, and where a clamp shows the compressor stop and start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import DrawCells
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
BETWEEN = (0.1, 0.9)  # parts of a step: a reading there is the mean of an interval in which it happened
BY_MEANS = 0.4  # of all steps with such a reading: the logger stores means
MEANS_LEAVE = 0.5  # of an interval is then still open


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
    """The change between off and running nearest to each of `near_ns` (m,): its moment [ns] (m,) and how long the readings leave it
    open [s] (m,); nan where none lies within two cells. It lies midway between two readings, or, where the logger stores means, where
    the mean between them says."""
    trace = draw.trace
    running = trace.values >= draw.off_below
    turn = np.flatnonzero(running[1:] != running[:-1]) + 1
    side = turn[running[turn] == on]
    out_ns, bracket_s = near_ns.copy(), np.full(len(near_ns), np.nan)
    if len(side) == 0:
        return out_ns, bracket_s
    moment_ns, gap_s = _by_means(trace, turn, side)
    right = np.searchsorted(moment_ns, near_ns).clip(0, len(side) - 1)
    left = np.maximum(right - 1, 0)
    best = np.where(np.abs(moment_ns[left] - near_ns) < np.abs(moment_ns[right] - near_ns), left, right)
    near = np.abs(moment_ns[best] - near_ns) * 1e-9 <= 2.5 * cells.step_s + gap_s[best]
    out_ns[near] = moment_ns[best][near]
    bracket_s[near] = gap_s[best][near]
    return out_ns, bracket_s


def _by_means(trace: Trace, turn: np.ndarray, side: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The moments [ns] of the changes to the readings `side` (k,), and how long these leave them open [s]. turn: all such changes."""
    middle_ns = (trace.time_ns[side] + trace.time_ns[side - 1]) // 2
    gap_s = (trace.time_ns[side] - trace.time_ns[side - 1]) * 1e-9
    parts = _parts(trace.values, turn)
    if np.mean(np.any((parts > BETWEEN[0]) & (parts < BETWEEN[1]), axis=0)) < BY_MEANS:
        return middle_ns, gap_s
    # Each reading is the mean of the interval that it ends.
    lasted = np.clip(_parts(trace.values, side), 0.0, 1.0).sum(axis=0)
    since_ns = np.round((lasted - 1.5) * gap_s * 1e9).astype(np.int64)
    return middle_ns + since_ns, MEANS_LEAVE * gap_s


def _parts(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """How much of the level before the changes to the readings `at` (k,) is in the last reading before them and in the first after, (2, k);
    1 and 0 where they happened between two readings."""
    before, after = values[np.maximum(at - 2, 0)], values[np.minimum(at + 1, len(values) - 1)]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.nan_to_num([(values[i] - after) / (before - after) for i in (at - 1, at)])
