"""What each phase looks like in this very log: how often a channel shows which level with which slope.

Level against slope (the phase plane) tells the phases apart whatever the channel measures: a freeze runs down one curve,
a harvest up another, a machine at rest creeps along a third. The planes are learned from a first naming of the phases
and used to name them again; nothing in them knows a temperature or a current.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEVEL_BINS, SLOPE_BINS = 24, 19
LEAST_WEIGHT = 3.0  # cells' worth of "could be anything" mixed into every bin
MEMORY_S = 15.0  # neighbouring cells say the same thing twice; common practice, no source


@dataclass(frozen=True, kw_only=True)
class Plane:
    """One channel's cells on the plane: `bin` (cells,), −1 where it has no reading."""

    role: str
    bin: np.ndarray


def plane_of(role: str, height: np.ndarray, slope: np.ndarray) -> Plane:
    """Cells on the plane. height: (cells,), 0 and 1 the usual ends of the channel; slope: (cells,), 1 a usual rise."""
    known = np.isfinite(height) & np.isfinite(slope)
    level = np.clip((np.nan_to_num(height) + 0.5) * (LEVEL_BINS / 2.0), 0, LEVEL_BINS - 1).astype(np.int64)
    middle = SLOPE_BINS // 2
    bent = np.arcsinh(np.nan_to_num(slope) * 30.0) * (middle / np.arcsinh(60.0))
    tilt = np.clip(np.rint(bent) + middle, 0, SLOPE_BINS - 1).astype(np.int64)
    return Plane(role=role, bin=np.where(known, level * SLOPE_BINS + tilt, -1))


def learned_costs(
    bins: np.ndarray, state: np.ndarray, sure: np.ndarray, cell_s: float, states: int = 3
) -> np.ndarray:
    """What a plane speaks against each phase, per cell, shape (cells, states) [nats].

    bins: the cells on the plane (`Plane.bin`, or a part of it);
    state: phase of every cell by the first naming; sure: which cells may teach.
    """
    known = bins >= 0
    size = LEVEL_BINS * SLOPE_BINS
    teach = known & sure
    counts = np.zeros((states, size))
    for s in range(states):
        counts[s] = np.bincount(bins[teach & (state == s)], minlength=size)
    counts = _smoothed(counts.reshape(states, LEVEL_BINS, SLOPE_BINS)).reshape(states, size)
    # How the cells of a bin were named, not how a phase spreads over bins: a short phase gains nothing by being short.
    share = (counts + LEAST_WEIGHT / states) / (counts.sum(axis=0) + LEAST_WEIGHT)
    cost = -np.log(share)
    cost -= cost.min(axis=0)
    table = np.concatenate([cost.T, np.zeros((1, states))])  # the last row is for "no reading"
    return table[bins] * (cell_s / (cell_s + MEMORY_S))


def _smoothed(counts: np.ndarray) -> np.ndarray:
    """Counts blurred by one bin each way, (states, level, slope)."""
    for axis in (1, 2):
        padded = np.pad(counts, [(1, 1) if a == axis else (0, 0) for a in range(3)], mode="edge")
        n = counts.shape[axis]
        take = [np.take(padded, range(i, i + n), axis=axis) for i in range(3)]
        counts = 0.25 * take[0] + 0.5 * take[1] + 0.25 * take[2]
    return counts
