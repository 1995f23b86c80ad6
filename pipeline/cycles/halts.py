"""Stops that no clamp shows: a line that warms up in mid-freeze because the compressor stands, not because of hot gas.

Both warm the line. Hot gas does so at once, from where freezes end; a standing compressor slowly, from wherever the freeze
happened to be. Told apart by the log's own harvests.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.features import Course
from pipeline.cycles.moves import Scales
from pipeline.cycles.runs import Runs
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source, all of them.
LEAST_HARVESTS = 4  # fewer have no usual rise
RISE_S = 40.0  # hot gas shows its steepest rise within this time
SLOW_RISE = 0.5  # of the usual one: too slow for hot gas
WARM_START = 0.06  # of a swing above where freezes end there and then: the freeze was not at its end
# A second harvest on the heels of the first starts warm and has less to climb, but it gets as warm, and soon.
LOW_PEAK = 0.85  # of the usual one
LONG = 1.8  # times the usual harvest


def unseen_stops(runs: Runs, line: Course, scales: Scales, cells: Cells) -> Runs:
    """`runs` with every "harvest" after a freeze that warms slowly, from too warm a start, and not far or
    not soon, called idle."""
    at = np.flatnonzero((runs.state == HARVEST) & (np.r_[-1, runs.state[:-1]] == FREEZE) & ~runs.opens_span)
    if len(at) < LEAST_HARVESTS:
        return runs
    width = max(2, round(RISE_S / cells.step_s))
    rise, start, peak = np.full((3, len(at)), np.nan)
    for i, (first, stop) in enumerate(zip(runs.first[at].tolist(), runs.stop[at].tolist(), strict=True)):
        level = line.level[first - 1 : stop + 1]
        if len(level) >= 3 and np.isfinite(level).all():
            over = min(width, len(level) - 1)
            rise[i] = (level[over:] - level[:-over]).max()
            start[i], peak[i] = (np.array([level.min(), level.max()]) - scales.cold[first]) / scales.swing
    known = np.isfinite(rise)
    if known.sum() < LEAST_HARVESTS:
        return runs
    slow = rise < SLOW_RISE * np.median(rise[known])
    length = runs.stop[at] - runs.first[at]
    other = (peak < LOW_PEAK * np.median(peak[known])) | (length > LONG * np.median(length[known]))
    stops = at[known & slow & other & (start > WARM_START)]
    if len(stops) == 0:
        return runs
    state = runs.state.copy()
    state[stops] = IDLE
    return replace(runs, state=state)
