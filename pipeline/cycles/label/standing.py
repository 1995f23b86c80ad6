"""Machines without hot gas, whose compressor stands while the ice comes loose: what a clamp alone shows of their harvests.

To it a harvest and a rest look alike, but that harvests last alike. So a stop after a freeze is a harvest, and what lasts far longer than the others
a harvest with a rest after it; what follows a run too short for a freeze is a trip.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from pipeline.cycles.segment.runs import Runs, rejoined
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source.
WHOLE_RUN = 0.35  # of the usual freeze: a shorter run is a trip, in which and after which no harvest comes
NEIGHBOURS = 25  # stops that tell what is usual there and then
REST = 3.0  # times the usual stop: a rest follows the harvest


def share_of_stops(runs: Runs) -> float:
    """Share of the stops after a freeze that were named to begin with a harvest, 0…1."""
    after = _after_freezes(runs)
    return float(np.mean(runs.state[after] == HARVEST)) if len(after) else 0.0


def by_stops(runs: Runs) -> Runs:
    """`runs` of a clamp alone, its stops named by their lengths."""
    first, stop, freeze = [], [], []
    for i in _after_freezes(runs).tolist():
        j = i + 1
        while j < len(runs.state) and runs.state[j] != FREEZE and not runs.opens_span[j]:
            j += 1
        first.append(int(runs.first[i]))
        stop.append(int(runs.stop[j - 1]))
        freeze.append(int(runs.stop[i - 1] - runs.first[i - 1]))
    if not first:
        return runs
    begin, lasts = np.array(first), np.array(stop) - np.array(first)
    usual = median_filter(lasts, NEIGHBOURS, mode="mirror")
    whole = np.array(freeze) >= WHOLE_RUN * np.median(freeze)
    harvest = np.where(whole, np.where(lasts > REST * usual, usual, lasts), 0)
    state = np.repeat(np.where(runs.state == FREEZE, FREEZE, IDLE), runs.stop - runs.first)
    for a, n in zip(begin - runs.first[0], harvest, strict=True):
        state[a : a + n] = HARVEST
    opens = np.zeros(len(state), bool)
    opens[runs.first[runs.opens_span] - runs.first[0]] = True
    head = np.flatnonzero(np.r_[True, state[1:] != state[:-1]] | opens)
    which = np.searchsorted(runs.first - runs.first[0], head, side="right") - 1
    return rejoined(
        Runs(
            state=state[head],
            first=head + runs.first[0],
            stop=np.append(head[1:], len(state)) + runs.first[0],
            margin=runs.margin[which],
            opens_span=opens[head],
        )
    )


def _after_freezes(runs: Runs) -> np.ndarray:
    """Which of `runs` open a stop that follows a freeze."""
    before = np.r_[-1, runs.state[:-1]]
    return np.flatnonzero((before == FREEZE) & (runs.state != FREEZE) & ~runs.opens_span)
