"""Freezes that were taken for two, with a harvest between them that was none: a hand on the clip, a burst on the cable.

After a harvest the next slab starts from nothing and takes its whole time. Where two freezes, and what lies between them, are
together as long as one of the log's own, the ice was one. And harvests that the log's end cuts off before anything shows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.features import Course
from pipeline.cycles.runs import Runs, rejoined
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
LEAST_FREEZES = 6  # whole ones by which the usual length is known
STEADY = (
    0.06  # of the usual length, by which they spread at most (standard deviation by the median deviation)
)
SPREADS, CELLS = 3.0, 3.0  # by so many of which, and by so many cells, the whole may be off …
MOST_OFF = 0.1  # … and by no more than this part of the usual
LEAST_HARVESTS = 3  # whole ones that tell how far a course moves in a harvest …
MOST_ASKED = 50  # … more are not needed …
SHOWN = 0.15  # … of which one that the log's end cuts off shows this part
NEARLY_ALL = 0.8  # of the harvests move the course the same way …
LITTLE = 0.1  # … of which this is nothing
PART = 0.9  # of the usual: longer is a freeze of its own


def made_whole(runs: Runs, cells: Cells) -> Runs:
    """`runs` without harvests that part what is one freeze by its length, where freezes are all but equally long."""
    state, inner = runs.state, ~runs.opens_span
    length = (runs.stop - runs.first) * cells.step_s
    begins = np.r_[False, (state[:-1] == HARVEST) & inner[1:]] & (state == FREEZE)
    ends = np.r_[(state[1:] == HARVEST) & inner[1:], False] & (state == FREEZE)
    whole = begins & ends
    parted = np.zeros(len(state), dtype=bool)
    parted[1:-1] = (state[1:-1] == HARVEST) & whole[:-2] & whole[2:]
    at = np.flatnonzero(parted)
    if len(at) == 0 or whole.sum() < LEAST_FREEZES:
        return runs
    usual = float(np.median(length[whole]))
    spread = 1.4826 * float(np.median(np.abs(length[whole] - usual)))
    if spread > STEADY * usual:
        return runs
    before, after = length[at - 1], length[at + 1]
    allowed = min(max(SPREADS * spread, CELLS * cells.step_s), MOST_OFF * usual)
    one = np.abs(before + length[at] + after - usual) <= allowed
    one &= np.maximum(before, after) < PART * usual
    if not one.any():
        return runs
    state = state.copy()
    state[at[one]] = FREEZE
    return rejoined(replace(runs, state=state))


def without_unseen_first(runs: Runs, course: Course) -> Runs:
    """`runs` without harvests with which the log begins, or goes on after a hole, and in which the course at once moves the other
    way than over nearly all: they were over."""
    state, level = runs.state, course.level
    last = np.r_[runs.opens_span[1:], True]
    whole = np.flatnonzero((state == HARVEST) & ~runs.opens_span)
    opens = np.flatnonzero((state == HARVEST) & runs.opens_span & ~last)
    if len(opens) == 0:
        return runs
    moves = level[runs.stop[whole] - 1] - level[runs.first[whole] - 1]
    moves = moves[np.isfinite(moves)]
    if len(moves) < LEAST_HARVESTS:
        return runs
    usual = float(np.median(moves))
    way = np.sign(usual)
    if np.mean(way * moves > 0) < NEARLY_ALL:
        return runs
    # What opens a span is seen to move by the cell that follows it.
    none = [i for i in opens if _most(way * level[runs.first[i] : runs.stop[i] + 1]) < LITTLE * abs(usual)]
    if not none:
        return runs
    state = state.copy()
    state[none] = FREEZE
    return rejoined(replace(runs, state=state))


def _most(row: np.ndarray) -> float:
    """How far a course gets above its beginning; without bounds where it does not end below it."""
    return float(np.nanmax(row) - row[0]) if row[-1] < row[0] else np.inf


def without_unseen_last(runs: Runs, course: Course) -> Runs:
    """`runs` without harvests that the log's end, or a hole, cuts off before the course has moved as it does in a harvest."""
    state, level = runs.state, course.level
    last = np.r_[runs.opens_span[1:], True]
    begun = np.r_[False, state[:-1] == FREEZE] & ~runs.opens_span & (state == HARVEST)
    whole, cut = np.flatnonzero(begun & ~last), np.flatnonzero(begun & last)
    if len(cut) == 0:
        return runs

    def moved(i):
        return np.abs(level[runs.first[i] : runs.stop[i]] - level[runs.first[i] - 1]).max()

    known = [far for i in whole[:: max(1, len(whole) // MOST_ASKED)] if np.isfinite(far := moved(i))]
    none = [i for i in cut if len(known) >= LEAST_HARVESTS and moved(i) < SHOWN * np.median(known)]
    if not none:
        return runs
    state = state.copy()
    state[none] = FREEZE
    return rejoined(replace(runs, state=state))
