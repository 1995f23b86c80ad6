"""Machines that open every run with a harvest, so that no slab of before is frozen into the next.

A line cools from the first moment of a freeze. One that first warms as steeply as in a harvest, and falls only then, was
warmed by hot gas.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.label.moves import Scales
from pipeline.cycles.repair.opening_signs import (
    LEAST_HARVESTS,
    ByGas,
    ByLine,
    by_gas,
    by_line,
    falling,
    started,
)
from pipeline.cycles.segment.runs import Runs, rejoined
from pipeline.cycles.signal.features import Course, DrawCells
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source, all of them.
MOST = 0.6  # of the log's starts must show it …
STARTS = 2  # … and no fewer
FAINT = 0.5  # of what it takes to show, where most others do
SOON_S = 180.0  # after a start: no freeze is over by then


def opened_by_harvest(
    runs: Runs,
    cells: Cells,
    *,
    line: Course | None = None,
    scales: Scales | None = None,
    draw: DrawCells | None = None,
) -> Runs:
    """`runs` with a harvest at the beginning of every run that opens with one, where most of a log's runs do, by a cold `line`
    of these `scales`, or by a clamp's current `draw`, or by both."""
    before = np.r_[-1, runs.state[:-1]]
    begins = (before == IDLE) & ~runs.opens_span
    starts = np.flatnonzero(begins & (runs.state == FREEZE))
    harvests = runs.state == HARVEST
    already = int((begins & harvests).sum())
    many = len(starts) + already
    if len(starts) == 0 or many < STARTS or harvests.sum() < LEAST_HARVESTS:
        return runs
    first = {i: started(runs, i, draw) for i in starts.tolist()}
    ways: list[ByLine | ByGas] = []
    if line is not None and scales is not None:
        ways.append(by_line(runs, first, cells, line, scales, clamped=draw is not None))
    if draw is not None and (gas := by_gas(runs, first, cells, draw, line)) is not None:
        ways.append(gas)
    if not ways:
        return runs
    named = _soon_harvested(runs, starts, cells)
    found: dict[int, tuple[int, int]] = {}
    # What most runs plainly begin with, the others are believed to show faintly.
    for part in (1.0, FAINT):
        for i in np.setdiff1d(starts, [*named, *found]).tolist():
            seen = next((it for way in ways if (it := way.opening(i, part)) is not None), None)
            if seen is not None and seen[0] > runs.first[i - 1]:
                found[i] = seen
        if len(found) + len(named) + already < max(STARTS, MOST * many):
            return runs
    return _opened(runs, found, named)


def _opened(runs: Runs, found: dict[int, tuple[int, int]], named: np.ndarray) -> Runs:
    """`runs` with the harvests `found` (their first cells, and one past the last, by the runs that they open) and those that
    `named` freezes are."""
    state, first, margin, opens = [], [], [], []
    for i in range(len(runs.state)):
        begin, end = found.get(i, (0, 0))
        if i in found:
            state.append(HARVEST)
            first.append(begin)
            margin.append(runs.margin[i])
            opens.append(False)
        state.append(HARVEST if i in named else int(runs.state[i]))
        first.append(end if i in found else int(runs.first[i]))
        margin.append(runs.margin[i])
        opens.append(bool(runs.opens_span[i]))
    first = np.array(first)
    # Runs of one span touch; the last of a span ends where it did.
    stop = np.append(first[1:], runs.stop[-1])
    ends = np.flatnonzero(np.array(opens)[1:])
    stop[ends] = runs.stop[np.flatnonzero(runs.opens_span[1:])]
    return rejoined(
        Runs(
            state=np.array(state),
            first=first,
            stop=stop,
            margin=np.array(margin),
            opens_span=np.array(opens),
        )
    )


def _soon_harvested(runs: Runs, starts: np.ndarray, cells: Cells) -> np.ndarray:
    """Those of `starts` with a freeze that is over sooner than any is, and a harvest after it."""
    length_s = (runs.stop - runs.first)[starts] * cells.step_s
    after = np.r_[runs.state[1:], -1][starts]
    joined = ~np.r_[runs.opens_span[1:], True][starts]
    return starts[(length_s < SOON_S) & (after == HARVEST) & joined]


def without_odd_ones(runs: Runs, cells: Cells, line: Course | None = None) -> Runs:
    """`runs` without a harvest that seems to open a run here and there, but not most of them, or while the cold `line` falls:
    what a start does to a line and to a current, not hot gas."""
    state = runs.state
    before = np.r_[-1, state[:-1]]
    starts = np.flatnonzero((before == IDLE) & (state != IDLE) & ~runs.opens_span)
    length_s = (runs.stop - runs.first) * cells.step_s
    soon = (state[starts] == FREEZE) & (length_s[starts] < SOON_S)
    at = starts + soon
    at = at[at + 1 < len(state)]
    joined = ~runs.opens_span[at] & ~runs.opens_span[at + 1]
    at = at[(state[at] == HARVEST) & (state[at + 1] == FREEZE) & joined]
    if len(at) >= max(STARTS, MOST * len(starts)):
        at = at[falling(line, runs.first[at], runs.stop[at], cells)] if line is not None else at[:0]
    if len(at) == 0:
        return runs
    state = state.copy()
    state[at] = FREEZE
    return rejoined(replace(runs, state=state))
