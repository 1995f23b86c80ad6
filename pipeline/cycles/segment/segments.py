"""What lies between two change points: how long, how steep, how high, running or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.segment.changepoints import change_points
from pipeline.cycles.signal.features import DrawCells, LevelCells
from pipeline.cycles.signal.signals import Cells


@dataclass(frozen=True, kw_only=True)
class Segments:
    """Touching stretches of cells; none reaches over a gap."""

    first: np.ndarray  # int64 (k,): first cell
    stop: np.ndarray  # int64 (k,): one past the last cell
    opens_span: np.ndarray  # bool (k,): nothing is known of what came just before

    def __len__(self) -> int:
        return len(self.first)


def find_segments(nats: np.ndarray, channels: Sequence[LevelCells | DrawCells], cells: Cells) -> Segments:
    """Change points of what the channels show, span by span, and every edge of a channel's holes and of "off".

    nats: (cells, 3), what they speak against each phase."""
    edge = np.zeros(len(cells) + 1, dtype=bool)
    edge[cells.span_first] = True
    odds = nats[:, 1:] - nats[:, :1]
    odds = odds / max(float(np.abs(odds).max(initial=0.0)), 1e-9)
    for first, stop in zip(cells.span_first, cells.span_stop, strict=True):
        if stop - first >= 4:
            edge[change_points(odds[first:stop], penalty=PENALTY) + first] = True
    for channel in channels:
        known = np.isfinite(channel.level)
        edge[1:-1] |= known[1:] != known[:-1]
        if isinstance(channel, DrawCells) and np.isfinite(channel.off_below):
            off = channel.level < channel.off_below
            edge[1:-1] |= off[1:] != off[:-1]
    first = np.flatnonzero(edge[:-1])
    stop = np.append(first[1:], len(cells))
    return Segments(
        first=first,
        stop=stop,
        opens_span=np.isin(first, cells.span_first),
    )


PENALTY = 0.05
"""Price of a change, where 1 is from a freeze for sure to a harvest for sure, or to a rest, squared and for one cell; common practice, no source."""


def means(values: np.ndarray, segments: Segments) -> np.ndarray:
    """Mean of `values` (cells,) over every segment (k,); NaN where a segment has no reading."""
    known = np.isfinite(values)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.add.reduceat(np.where(known, values, 0.0), segments.first) / np.add.reduceat(
            known.astype(np.float64), segments.first
        )
