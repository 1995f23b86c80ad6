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


def plane_of(role: str, height: np.ndarray, slope: np.ndarray, counts: np.ndarray) -> Plane:
    """Cells on the plane. height: (cells,), 0 and 1 the usual ends of the channel; slope: (k,), of every segment, 1 a usual
    rise; counts: (k,), cells of every segment."""
    known = np.isfinite(height) & np.repeat(np.isfinite(slope), counts)
    level = np.clip((np.nan_to_num(height) + 0.5) * (LEVEL_BINS / 2.0), 0, LEVEL_BINS - 1).astype(np.int64)
    middle = SLOPE_BINS // 2
    bent = np.arcsinh(np.nan_to_num(slope) * 30.0) * (middle / np.arcsinh(60.0))
    tilt = np.clip(np.rint(bent) + middle, 0, SLOPE_BINS - 1).astype(np.int64)
    return Plane(role=role, bin=np.where(known, level * SLOPE_BINS + np.repeat(tilt, counts), -1))


def learned_costs(
    bins: np.ndarray, named: np.ndarray, first: np.ndarray, cell_s: float, states: int = 3
) -> np.ndarray:
    """What a plane speaks against each phase in each segment, shape (k, states) [nats].

    bins: the cells on the plane (`Plane.bin`, or a part of it); named: phase of every cell by the first naming, −1 where it
    may not teach; first: the first cell of every segment.
    """
    size = LEVEL_BINS * SLOPE_BINS
    # One row and one column more, for the cells that may not teach and for those without a reading.
    counts = np.bincount((named + 1) * (size + 1) + (bins + 1), minlength=(states + 1) * (size + 1))
    counts = counts.reshape(states + 1, size + 1)[1:, 1:].astype(np.float64)
    counts = _smoothed(counts.reshape(states, LEVEL_BINS, SLOPE_BINS)).reshape(states, size)
    # How the cells of a bin were named, not how a phase spreads over bins: a short phase gains nothing by being short.
    share = (counts + LEAST_WEIGHT / states) / (counts.sum(axis=0) + LEAST_WEIGHT)
    cost = -np.log(share)
    cost -= cost.min(axis=0)
    cost *= cell_s / (cell_s + MEMORY_S)
    table = np.column_stack([cost, np.zeros(states)])  # the last column is for "no reading"
    return np.column_stack([np.add.reduceat(row[bins], first) for row in table])


def _smoothed(counts: np.ndarray) -> np.ndarray:
    """Counts blurred by one bin each way, (states, level, slope)."""
    padded = np.pad(counts, [(0, 0), (1, 1), (0, 0)], mode="edge")
    counts = 0.25 * padded[:, :-2] + 0.5 * padded[:, 1:-1] + 0.25 * padded[:, 2:]
    padded = np.pad(counts, [(0, 0), (0, 0), (1, 1)], mode="edge")
    return 0.25 * padded[..., :-2] + 0.5 * padded[..., 1:-1] + 0.25 * padded[..., 2:]
