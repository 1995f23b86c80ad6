"""What is looked at, cell by cell: the level of a temperature, and of a current while the compressor runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.signal.signals import Cells, Trace, bridged, cell_means, sampled

COLD_ROLES = ("evaporator", "suction")  # cold lines, the better one first
DRAW_ROLES = ("current", "power", "current_compressor")  # what shows the compressor, the fullest first
OTHER_ROLES = ("discharge", "liquid", "condenser_out", "reservoir", "suction_pressure", "discharge_pressure")
RARE, FLASH_CELLS = 0.02, 5  # common practice, no source
OFF_BAND = (
    0.12,
    0.5,
)  # the off level ends, the running level begins, somewhere here (parts of the running level)


@dataclass(frozen=True, kw_only=True)
class LevelCells:
    """Level of a channel over the cells."""

    trace: Trace
    level: np.ndarray  # °C (or A) (cells,); NaN in longer holes
    noise: float  # standard deviation of one cell


@dataclass(frozen=True, kw_only=True)
class DrawCells:
    """A current or power over the cells."""

    trace: Trace
    level: np.ndarray  # A or W (cells,)
    running: float  # usual level with the compressor on
    off_below: float  # the compressor is off under this; nan where the channel never shows it stopped
    noise: float  # of one cell


def course_of(trace: Trace, cells: Cells) -> LevelCells:
    """Level of a channel in every cell."""
    return LevelCells(
        trace=trace, level=bridged(cell_means(trace, cells), cells), noise=_noise_of(trace, cells)
    )


def running_course(draw: DrawCells, cells: Cells) -> LevelCells:
    """Level of a current while the compressor runs, starting currents cut off; NaN while it stands."""
    off = draw.level < draw.off_below
    # A cell in which the compressor stopped or started is part one, part the other.
    off = off | np.r_[False, off[:-1]] | np.r_[off[1:], False]
    level = np.where(off, np.nan, draw.level)
    known = level[np.isfinite(level)]
    if len(known):
        level = np.minimum(level, 1.1 * np.quantile(sampled(known), 0.97))
    return LevelCells(trace=draw.trace, level=level, noise=draw.noise)


def _noise_of(trace: Trace, cells: Cells) -> float:
    """Standard deviation of the mean over one cell; rounding errors are not independent."""
    per_cell = max(1.0, cells.step_s / max(trace.interval_s, 1e-9))
    return max(trace.noise / np.sqrt(per_cell), trace.channel.resolution * 0.2)


def draw_cells(trace: Trace, cells: Cells) -> DrawCells | None:
    """Level of a current in every cell and where "off" ends, or None where it never shows a running machine."""
    level = bridged(cell_means(trace, cells), cells)
    known = level[np.isfinite(level)]
    if len(known) < 3:
        return None
    known = _without_flashes(known)
    top = float(np.quantile(sampled(known), 0.995))
    if top <= 0 or top < 6 * trace.noise:
        return None
    running = float(np.median(known[known > 0.5 * top]))
    off_below, noise = _off_below(known, running), _noise_of(trace, cells)
    return DrawCells(trace=trace, level=level, running=running, off_below=off_below, noise=noise)


def _without_flashes(level: np.ndarray) -> np.ndarray:
    """`level` without the rare and short stretches far above all else that a bad contact leaves: a compressor runs for
    minutes."""
    for _ in range(3):
        high = level > 0.5 * np.quantile(sampled(level), 0.995)
        edges = np.flatnonzero(np.diff(np.r_[False, high, False].astype(np.int8)))
        lasted = edges[1::2] - edges[::2]
        flashes = (
            high.mean() < RARE
            and np.repeat(lasted, lasted).size
            and np.median(np.repeat(lasted, lasted)) <= FLASH_CELLS
        )
        if not flashes:
            break
        level = level[~high]
    return level


def _off_below(known: np.ndarray, running: float) -> float:
    """The middle of the emptiest stretch between standing and running, so that a fan or a pump that runs on does not
    count as the compressor."""
    low, high = OFF_BAND
    counts, edges = np.histogram(known, bins=38, range=(low * running, high * running))
    smooth = np.convolve(counts, np.ones(5), mode="same")
    empty = np.flatnonzero(smooth == smooth.min())
    groups = np.split(empty, np.flatnonzero(np.diff(empty) > 1) + 1)
    longest = max(groups, key=len)
    return float(0.5 * (edges[longest[0]] + edges[longest[-1] + 1]))
