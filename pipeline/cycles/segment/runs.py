"""Stretches of one phase."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Stretches of one phase. `opens_span`: no reading just before."""

    state: np.ndarray  # int64 (k,)
    first: np.ndarray  # int64 (k,): first cell
    stop: np.ndarray  # int64 (k,)
    margin: np.ndarray  # float (k,) [nats]
    opens_span: np.ndarray  # bool (k,)


def rejoined(runs: Runs) -> Runs:
    """`runs` with neighbours of one phase within a span made one."""
    head = np.flatnonzero(np.r_[True, runs.state[1:] != runs.state[:-1]] | runs.opens_span)
    return Runs(
        state=runs.state[head],
        first=runs.first[head],
        stop=runs.stop[np.append(head[1:], len(runs.state)) - 1],
        margin=np.maximum.reduceat(runs.margin, head),
        opens_span=runs.opens_span[head],
    )


def runs_of(start_ns: np.ndarray, end_ns: np.ndarray, off: np.ndarray, cells: Cells) -> Runs:
    """Phases by the harvests (k,) alone, int64 [ns], in which the compressor stands too. off: (cells,) of bool, where it stands."""
    state = np.where(off, IDLE, FREEZE)
    for a, b in zip(*(np.searchsorted(cells.start_ns, x) for x in (start_ns, end_ns)), strict=True):
        state[a:b] = HARVEST
    opens = np.zeros(len(cells), dtype=bool)
    opens[cells.span_first] = True
    first = np.flatnonzero(np.r_[True, state[1:] != state[:-1]] | opens)
    return Runs(
        state=state[first],
        first=first,
        stop=np.append(first[1:], len(cells)),
        margin=np.full(len(first), 2.0),
        opens_span=opens[first],
    )
