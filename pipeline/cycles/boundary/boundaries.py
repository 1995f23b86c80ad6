"""Where runs begin by a lone clamp, roughly, and where a clamp shows the compressor stop and start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import Course, DrawCells, running_course
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.cycles.template import repeats

# Common practice, no source, all of them.
SNAP_CELLS = 2  # cells over which a visible turn is sought …
SNAP_FAR_CELLS = 8  # … and back from a harvest's named end


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where the runs begin."""

    start_ns: np.ndarray  # int64 (k,)
    uncertainty_s: np.ndarray  # float (k,): half-width of the 90 % interval
    by_draw: np.ndarray  # bool (k,): a current shows it
    by_cold: np.ndarray  # bool (k,): a cold line shows it


def named_by_clamp(
    runs: Runs, draw: DrawCells, cells: Cells, again: repeats.Repeats | None = None
) -> np.ndarray:
    """About when every run starts by a lone clamp [ns], int64 (k,). `again`: harvests that it shows again and again."""
    near_ns = _candidates(runs, running_course(draw, cells), cells)
    if again is None:
        return near_ns
    shown_ns, by_shape, _ = repeats.moments_of(again, runs)
    return np.where(by_shape, shown_ns, near_ns)


def shows_harvests(runs: Runs, placed: Placed) -> bool:
    """Does the clamp show most of the harvests' starts and ends?"""
    before = np.r_[-1, runs.state[:-1]]
    begins, ends = (before == FREEZE) & (runs.state == HARVEST), (before == HARVEST) & (runs.state == FREEZE)
    edges = ~runs.opens_span & (begins | ends)
    return bool(placed.by_draw[edges].mean() > 0.5) if edges.any() else False


def _candidates(runs: Runs, seen: Course, cells: Cells) -> np.ndarray:
    """Where each run seems to begin: where the current visibly turns near it, else its first cell [ns]."""
    named = runs.first
    near = named.copy()
    before = np.r_[IDLE, runs.state[:-1]]
    peaks = ~runs.opens_span & (before == HARVEST) & (runs.state == FREEZE)
    level = np.where(np.isfinite(seen.level), seen.level, -np.inf)
    clear = 3.0 * seen.slope_noise * np.sqrt(2) * cells.step_s / 60.0  # what noise does not do to one cell
    # A harvest ends at the highest cell near its named end, not before its middle; other turns bend the most.
    reach = np.minimum(SNAP_FAR_CELLS, (np.diff(runs.first, prepend=0)) // 2)
    for ahead in range(SNAP_CELLS, -SNAP_FAR_CELLS - 1, -1):
        at = np.clip(named + ahead, 0, len(cells) - 1)
        near = np.where(peaks & (ahead >= -reach) & (level[at] > level[near] + clear), at, near)
    padded = np.pad(seen.level, SNAP_CELLS + 1, mode="edge")
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * SNAP_CELLS + 3)[named]
    bend = np.abs(window[:, 2:] - 2 * window[:, 1:-1] + window[:, :-2])
    usable = ~runs.opens_span & ~peaks & np.isfinite(bend).all(axis=1)
    # What begins a run does not lie beyond it: there another turn bends the line.
    beyond = np.arange(-SNAP_CELLS, SNAP_CELLS + 1) >= (runs.stop - runs.first)[:, None]
    best = np.argmax(np.where(beyond, -np.inf, np.nan_to_num(bend, nan=-np.inf)), axis=1) - SNAP_CELLS
    near = np.where(usable, np.clip(named + best, 0, len(cells) - 1), near)
    # A turn lies in the midst of its cell; the clamp shows stops and starts at the cell's edge.
    halts = (before == IDLE) != (runs.state == IDLE)
    near, snapped = np.where(halts, runs.first, near), (usable | peaks) & ~halts
    return cells.start_ns[near] + np.where(snapped, round(0.5e9 * cells.step_s), 0)


def crossings(draw: DrawCells, near_ns: np.ndarray, on: bool, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """The change between off and running nearest to each of `near_ns`: its moment (midway between two readings) and
    the time between those readings [s]; nan where none lies within two cells."""
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
