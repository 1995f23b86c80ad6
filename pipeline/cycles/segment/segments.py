"""What lies between two change points: how long, how steep, how high, running or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.segment.changepoints import change_points
from pipeline.cycles.signal.features import DrawCells, SlopeCells, search_signal
from pipeline.cycles.signal.signals import Cells


@dataclass(frozen=True, kw_only=True)
class Segments:
    """Touching stretches of cells; none reaches over a gap."""

    first: np.ndarray  # int64 (k,): first cell
    stop: np.ndarray  # int64 (k,): one past the last cell
    minutes: np.ndarray  # float (k,)
    opens_span: np.ndarray  # bool (k,): nothing is known of what came just before

    def __len__(self) -> int:
        return len(self.first)


def find_segments(
    colds: Sequence[SlopeCells],
    draws: Sequence[DrawCells],
    turns: np.ndarray,
    cells: Cells,
) -> Segments:
    """Change points of the search signal, span by span, every edge of a channel's holes and of "off", and `turns`, bool (cells,)."""
    edge = np.zeros(len(cells) + 1, dtype=bool)
    edge[:-1] = turns
    edge[cells.span_first] = True
    signal = search_signal(colds, draws, cells)
    for first, stop in zip(cells.span_first, cells.span_stop, strict=True):
        if stop - first >= 4:
            edge[change_points(signal[first:stop], penalty=PENALTY) + first] = True
    for channel in (*colds, *draws):
        known = np.isfinite(channel.level)
        edge[1:-1] |= known[1:] != known[:-1]
    for draw in draws:
        if np.isfinite(draw.off_below):
            off = draw.level < draw.off_below
            edge[1:-1] |= off[1:] != off[:-1]
    first = np.flatnonzero(edge[:-1])
    stop = np.append(first[1:], len(cells))
    return Segments(
        first=first,
        stop=stop,
        minutes=(stop - first) * (cells.step_s / 60.0),
        opens_span=np.isin(first, cells.span_first),
    )


PENALTY = 6.0
"""Price of a change in units of the search signal, in which one is three times the noise or a small part of a real
change: with noise of 1/3 a channel, 3 × Σ variance × log n (see `noise_penalty`) is near 4 for two channels."""


def means(values: np.ndarray, segments: Segments) -> np.ndarray:
    """Mean of `values` (cells,) over every segment (k,); NaN where a segment has no reading."""
    known = np.isfinite(values)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.add.reduceat(np.where(known, values, 0.0), segments.first) / np.add.reduceat(
            known.astype(np.float64), segments.first
        )
