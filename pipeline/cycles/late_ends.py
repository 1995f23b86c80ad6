"""Harvests that a lone clamp shows to be much longer than all others: the fan and the pump, which a harvest stops, start late.

Most harvests of a whole unit's current end with one sharp rise. One that ends without it, and goes on without falling, as a freeze
would, until that rise comes, was not over.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.features import Course
from pipeline.cycles.halts import LEAST_HARVESTS
from pipeline.cycles.runs import Runs
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
BESIDE = 2  # cells beside the end of a harvest, in which it shows its rise
CLEAR = 6.0  # times the noise of a cell: a rise
SHOWN = 0.6  # of the harvests end with one
PART = 0.5  # of the usual rise is one
SELDOM = 0.1  # of the freezes show another soon after the first: no sign of an end
SINKS = 0.5  # of the usual rise: so far the current may sink before it comes
AFTER = 3  # cells of freeze that are left after it


def held(runs: Runs, course: Course, noise: float, cells: Cells) -> Runs:
    """`runs` with such harvests taken to where the rise comes. noise: of the level in a cell."""
    level, state = course.level, runs.state
    at = np.flatnonzero((state[:-1] == HARVEST) & (state[1:] == FREEZE) & ~runs.opens_span[1:])
    if len(at) < LEAST_HARVESTS:
        return runs
    rise = np.full(len(level), -np.inf)  # from the cell before to the one after
    rise[1:-1] = np.nan_to_num(level[2:] - level[:-2], nan=-np.inf)
    end = runs.stop[at]
    beside = rise[(end[:, None] + np.arange(-BESIDE, BESIDE + 1)).clip(0, len(level) - 1)]
    near = beside.max(axis=1)
    known = np.isfinite(near)
    usual = float(np.median(near[known])) if known.any() else 0.0
    least = PART * usual
    ends = near >= least
    if usual < CLEAR * noise or ends.sum() < SHOWN * known.sum():
        return runs
    after = BESIDE - int(np.median(np.argmax(beside[ends], axis=1)))  # cells from the rise to where most end
    longest = round(60.0 * cells.limits["harvest_most_min"] / cells.step_s)
    later = np.full(len(at), -1)
    for i, (first, begin, until) in enumerate(
        zip(runs.first[at].tolist(), end.tolist(), runs.stop[at + 1].tolist(), strict=True)
    ):
        ahead = rise[begin + BESIDE + 1 : min(until - AFTER, first + longest)]
        if len(ahead) and ahead.max() >= least:
            later[i] = begin + BESIDE + 1 + int(np.argmax(ahead))
    if (later[ends] >= 0).mean() > SELDOM:
        return runs
    stop, first = runs.stop.copy(), runs.first.copy()
    for i in np.flatnonzero(known & ~ends & (later >= 0)).tolist():
        stays = level[end[i] + 1 : later[i]]
        if (
            np.isfinite(stays).all()
            and (np.maximum.accumulate(stays) - stays).max(initial=0.0) < SINKS * usual
        ):
            stop[at[i]] = first[at[i] + 1] = later[i] + after
    return replace(runs, first=first, stop=stop)
