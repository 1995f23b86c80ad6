"""Second harvests soon after the first that a whole unit's current shows by its steps.

A harvest stops the fan and the pump: the current steps down, climbs while the gas is on, and steps up. Where most harvests of a log
do so, the same in the freeze's first part is the gas once more.
"""

from __future__ import annotations

import numpy as np

from pipeline.cycles import sharp
from pipeline.cycles.doubles import LONG_ONES, with_second
from pipeline.cycles.halts import LEAST_HARVESTS
from pipeline.cycles.repeats import SAME_CELLS, Repeats
from pipeline.cycles.runs import Runs
from pipeline.cycles.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
CLEAR = 4.0  # times the noise of a step
ABOUT_S = 60.0  # about where a harvest was named to begin, or end, it steps
SHOWN = 0.7  # of the harvests that do so
ALIKE = 0.5  # of the usual step, at least, and the inverse of it at most
SOON = 0.35  # of the usual freeze: later it is a harvest of its own
LEAST_S = 20.0  # of freeze before it, and of gas
LONG = 1.3  # times the usual harvest: no longer does it take
CLIMBS = 0.2  # of the usual climb


def second_harvests(runs: Runs, trace: Trace, cells: Cells, shape: Repeats | None) -> Runs:
    """`runs` with such harvests parted from the freezes, or from the first ones, that they were named with. shape: where it has
    harvests end, they do."""
    state = runs.state
    inner = np.r_[~runs.opens_span[1:], False]
    at = np.flatnonzero((state == HARVEST) & inner & ~runs.opens_span)
    at = at[(state[at - 1] == FREEZE) & (state[at + 1] == FREEZE)]
    over = sharp.readings_beside(trace.interval_s)
    if len(at) < LEAST_HARVESTS or len(trace.values) < 8 * over:
        return runs
    least = CLEAR * np.sqrt(2.0 / over) * trace.noise
    steps = sharp.steps_of(trace.values, least, over, -np.inf)
    when_ns, height = trace.time_ns[steps.at], steps.height
    ends = runs.stop[at]
    if shape is not None:
        inside = np.searchsorted(shape.first, runs.first[at] - SAME_CELLS).clip(0, len(shape.first) - 1)
        held = (shape.first[inside] < ends) & (shape.stop[inside] > runs.first[at])
        ends = np.where(held, np.minimum(ends, shape.stop[inside]), ends)
    begin_ns, end_ns = cells.start_ns[runs.first[at]], cells.start_ns[np.minimum(ends, len(cells) - 1)]
    jumps = np.array([_greatest(when_ns, height, x) for x in end_ns])
    if np.mean(jumps > 0) < SHOWN:
        return runs
    jump = float(np.median(jumps[jumps > 0]))
    total = np.r_[0.0, np.cumsum(trace.values)]
    first, last = (np.searchsorted(trace.time_ns, x) for x in (begin_ns, end_ns))
    climb = float(np.median(_climb(total, first + over, last, over)))
    usual_s = float(np.median(end_ns - begin_ns)) * 1e-9
    freeze_s = float(np.quantile(runs.stop[at + 1] - runs.first[at + 1], LONG_ONES)) * cells.step_s
    found = {}
    for i, end, cell in zip(at.tolist(), end_ns.tolist(), ends.tolist(), strict=True):
        until = min(end + round(SOON * freeze_s * 1e9), int(cells.start_ns[runs.stop[i + 1] - 1]))
        a, b = np.searchsorted(when_ns, (end + round(LEAST_S * 1e9), until))
        alike = (np.abs(height[a:b]) > ALIKE * jump) & (np.abs(height[a:b]) < jump / ALIKE)
        downs, ups = (a + np.flatnonzero(alike & (way * height[a:b] > 0)) for way in (-1, 1))
        for one in downs.tolist():
            long_s = (when_ns[ups] - when_ns[one]) * 1e-9
            later = ups[(long_s >= LEAST_S) & (long_s <= LONG * usual_s)]
            if len(later) == 0:
                continue
            two = int(later[0])
            if _climb(total, steps.at[one] + 1 + over, steps.at[two] + 1, over) < CLIMBS * climb:
                continue
            cut, again = (int(np.searchsorted(cells.start_ns, when_ns[k], side="right")) for k in (one, two))
            found[i] = [cell, max(cut, cell + 1), max(again, cut + 1, cell + 2)]
            break
    return with_second(runs, found) if found else runs


def _greatest(when_ns: np.ndarray, height: np.ndarray, about_ns: int) -> float:
    """The greatest step upwards about a moment; 0 where there is none."""
    about = round(ABOUT_S * 1e9)
    a, b = np.searchsorted(when_ns, (about_ns - about, about_ns + about))
    return float(height[a:b].max(initial=0.0))


def _climb(total: np.ndarray, first, stop, over: int):
    """By how much the last `over` readings before `stop` are higher than the first ones from `first` on."""
    n = len(total) - 1
    a, b, c, d = (np.clip(x, 0, n) for x in (first, first + over, stop - over, stop))
    return (total[d] - total[c] - total[b] + total[a]) / over
