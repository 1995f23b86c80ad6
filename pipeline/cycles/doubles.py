"""Two harvests with no more than a minute or two of freezing between them, where one was named, and one where two were.

After a harvest a line falls, and all harvests of a log together show how. Where it has warmed as in a harvest, falls much as it
does after one, and then warms again as far as before, the gas was shut off and came again. A dip within a harvest (water that
runs in, a slab that slides) is neither as deep nor as steep; where it does not fall at all it does not freeze; and what it does
anyway within freezes is no second harvest.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.features import Course
from pipeline.cycles.runs import Runs, rejoined
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
PUPILS = 60  # freezes that show how the line usually waves
LEAST_HARVESTS = 4  # fewer do not show how the line falls after one
BOTH = 2.5  # times the usual harvest: no longer do both take together …
BETWEEN_S = 120.0  # … with no more than this between them
DIP = 0.06  # of the usual climb: how deep the line falls between the two at least …
NOISES = 8.0  # … and in parts of its noise
LIKE_A_FREEZE = 0.5, 2.0  # of what it usually falls by in that time
AGAIN = 0.25  # of the usual climb, by which the second harvest may stay behind the first
RISES = 0.5  # of how deep it fell, by which it climbs again: a valve that hunts makes waves on the way down
WAVES = 2.0  # times what it climbs by within a freeze, at least …
SLIGHT = 0.08  # … and this part of the usual climb: a second harvest
CLIMBS = 0.4  # of the usual climb, that the first one shows
WITH_RESTS = 3.0  # times the usual harvest: one with a rest takes no longer
LONG_ONES = 0.75  # of the freezes are shorter than the usual one: half may have been parted …
SOON = 0.2  # … of which this is, after a harvest, too soon for another …
LEAST_S = 20.0  # of the freeze between, and of the second harvest


def told_apart(runs: Runs, line: Course, cells: Cells) -> Runs:
    """`runs` with every harvest that was two made two. `line`: a cold line, or a current that moves like one."""
    level, state = line.level, runs.state
    joined = np.r_[~runs.opens_span[1:], False]
    at = np.flatnonzero((state == HARVEST) & joined & (np.r_[state[1:], -1] == FREEZE))
    if len(at) < LEAST_HARVESTS:
        return runs
    usual = max(1, round(float(np.median(runs.stop[at] - runs.first[at]))))
    ahead = round(BOTH * usual + BETWEEN_S / cells.step_s)
    tops = np.array([_top(level, a, b) for a, b in zip(runs.first[at], runs.stop[at] + 2, strict=True)])
    fall = _usual_fall(level, tops, 2 * ahead)
    climbs = level[tops] - level[np.maximum(runs.first[at] - 1, 0)]
    climb = float(np.nanmedian(climbs)) if np.isfinite(climbs).any() else np.nan
    noise = line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    least = max(DIP * climb, NOISES * noise)
    if not climb > least:
        return runs
    some = at[:: max(1, len(at) // PUPILS)] + 1
    waves = WAVES * _usual_wave(level, runs.first[some] + usual, runs.stop[some] - 2)
    few = max(1, round(LEAST_S / cells.step_s))
    first, last = runs.first[at], np.minimum(runs.first[at] + ahead, runs.stop[at + 1] - 1)
    index = first[:, None] + np.arange(ahead)
    inside = index < last[:, None]
    rows = np.where(inside, level[np.minimum(index, len(level) - 1)], -np.inf)
    whole = ~np.isnan(rows).any(axis=1) & (last - first >= 3 + 2 * few)
    rows[~whole] = 0.0
    before = np.maximum.accumulate(rows, axis=1)
    after = np.maximum.accumulate(rows[:, ::-1], axis=1)[:, ::-1]
    k = np.arange(len(at))
    deep = np.where(np.isfinite(rows), np.minimum(before, after) - np.where(inside, rows, 0.0), 0.0)
    q = np.argmax(deep, axis=1)
    one, two, low = before[k, q], after[k, q], rows[k, q]
    p = np.argmax(rows >= one[:, None], axis=1)
    r = np.argmax((rows >= two[:, None]) & (np.arange(ahead) >= q[:, None]), axis=1)
    dip, rise = one - low, two - low
    expected = -fall[np.minimum(q - p, len(fall) - 1)]
    over = (
        whole
        & (dip >= least)
        & (q - p >= few)
        & (LIKE_A_FREEZE[0] * expected <= dip)
        & (dip <= LIKE_A_FREEZE[1] * expected + least)
        & (one - level[np.maximum(first - 1, 0)] >= CLIMBS * climb)
    )
    second = (
        over
        & (rise >= np.maximum(max(least, waves), RISES * dip))
        & (r - q >= few)
        & (two >= one - AGAIN * climb)
    )
    # It fell as after a harvest, and what came then was a wave: the harvest was over.
    late = over & ~second & (NOISES * noise < waves) & (rise < waves) & (runs.stop[at] > first + q)
    if late.any():
        stop, heads = runs.stop.copy(), runs.first.copy()
        stop[at[late]] = heads[at[late] + 1] = (first + p + 1)[late]
        runs = replace(runs, first=heads, stop=stop)
    if not second.any():
        return runs
    cuts = np.column_stack([first + p + 1, first + q, first + r + 1])[second]
    return with_second(runs, dict(zip(at[second].tolist(), cuts.tolist(), strict=True)))


def without_waves(runs: Runs, line: Course, cells: Cells) -> Runs:
    """`runs` without second harvests soon after the first in which the cold line hardly climbs, or no further than it does anyway
    within freezes: a valve that hunts makes such waves."""
    level, state = line.level, runs.state
    inner = ~runs.opens_span
    harvests = (state == HARVEST) & inner & (np.r_[-1, state[:-1]] == FREEZE)
    freezes = np.flatnonzero(state == FREEZE)
    if harvests.sum() < LEAST_HARVESTS or len(freezes) < LEAST_HARVESTS:
        return runs
    length = runs.stop - runs.first
    usual = float(np.quantile(length[freezes], LONG_ONES))
    harvest = round(float(np.median(length[harvests])))
    soon = np.r_[False, length[:-1] < SOON * usual] & np.r_[False, inner[:-1]]
    second = np.flatnonzero(harvests & soon & (np.r_[-1, -1, state[:-2]] == HARVEST))
    if len(second) == 0:
        return runs
    some = freezes[length[freezes] > SOON * usual]
    some = some[:: max(1, len(some) // PUPILS)]
    wave = _usual_wave(level, runs.first[some] + harvest, runs.stop[some] - 2)
    noise = line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    climbs = np.array(
        [climb_of(level[max(a - 2, 0) : b + 2]) for a, b in zip(runs.first, runs.stop, strict=True)]
    )
    known = climbs[harvests & np.isfinite(climbs)]
    least = SLIGHT * float(np.median(known)) if len(known) else 0.0
    if wave > NOISES * noise:
        least = max(least, WAVES * wave)
    waves = climbs[second] < least
    if not waves.any():
        return runs
    state = state.copy()
    state[second[waves]] = FREEZE
    return rejoined(replace(runs, state=state))


def without_rests(runs: Runs, line: Course, cells: Cells) -> Runs:
    """`runs` with every short freeze between two harvests in which the cold line does not fall made one harvest with them: ice that
    melts keeps the line where it is for a while."""
    level, state = line.level, runs.state
    joined = ~runs.opens_span & np.r_[~runs.opens_span[1:], False]
    before, after = np.r_[-1, state[:-1]], np.r_[state[1:], -1]
    length, freezes, harvests = runs.stop - runs.first, state == FREEZE, np.flatnonzero(state == HARVEST)
    between = np.flatnonzero(freezes & joined & (before == HARVEST) & (after == HARVEST))
    if len(between) == 0 or len(harvests) < LEAST_HARVESTS:
        return runs
    some = harvests[:: max(1, len(harvests) // PUPILS)]
    climbs = np.array([climb_of(level[max(runs.first[i] - 1, 0) : runs.stop[i]]) for i in some])
    if not np.isfinite(climbs).any():
        return runs
    climb = float(np.nanmedian(climbs))
    noise = line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    least = max(DIP * climb, NOISES * noise)
    soon = length[between] < SOON * np.quantile(length[freezes], LONG_ONES)
    soon &= runs.stop[between + 1] - runs.first[between - 1] < WITH_RESTS * np.median(length[harvests])
    falls = np.array([climb_of(-level[runs.first[i] - 1 : runs.stop[i]]) for i in between])
    rests = between[soon & (falls < least)]
    if len(rests) == 0:
        return runs
    state = state.copy()
    state[rests] = HARVEST
    return rejoined(replace(runs, state=state))


def climb_of(row: np.ndarray) -> float:
    """How far a course climbs at most; NaN where it is not known."""
    return float((row - np.minimum.accumulate(row)).max()) if len(row) else np.nan


def _top(level: np.ndarray, first: int, stop: int) -> int:
    row = level[first:stop]
    return first + int(np.argmax(np.where(np.isfinite(row), row, -np.inf)))


def _usual_fall(level: np.ndarray, tops: np.ndarray, reach: int) -> np.ndarray:
    """How the line usually goes on after its warmest cell, (reach,): 0 or less."""
    index = np.minimum(tops[:, None] + np.arange(reach), len(level) - 1)
    rows = level[index] - level[tops][:, None]
    rows = rows[np.isfinite(rows).all(axis=1)]
    return np.minimum(np.median(rows, axis=0), 0.0) if len(rows) else np.zeros(reach)


def _usual_wave(level: np.ndarray, first: np.ndarray, stop: np.ndarray) -> float:
    """How far the line usually climbs within a freeze, of which these are the cells."""
    climbs = []
    for a, b in zip(first.tolist(), stop.tolist(), strict=True):
        row = level[a:b]
        if len(row) and np.isfinite(row).all():
            climbs.append(climb_of(row))
    return float(np.median(climbs)) if climbs else 0.0


def with_second(runs: Runs, found: dict[int, list[int]]) -> Runs:
    """`runs` with each harvest of `found` ended, a freeze, and a second harvest: their cells."""
    rows = []
    i = 0
    while i < len(runs.state):
        row = [int(runs.state[i]), int(runs.first[i]), int(runs.stop[i])]
        known = (float(runs.margin[i]), bool(runs.opens_span[i]))
        if i in found:
            end, again, over = found[i]
            over = max(over, row[2])
            rows += [(HARVEST, row[1], end, *known), (FREEZE, end, again, known[0], False)]
            rows.append((HARVEST, again, over, known[0], False))
            i += 1
            rows.append((int(runs.state[i]), over, int(runs.stop[i]), float(runs.margin[i]), False))
        else:
            rows.append((*row, *known))
        i += 1
    state, first, stop, margin, opens = (np.array(column) for column in zip(*rows, strict=True))
    return Runs(state=state, first=first, stop=stop, margin=margin, opens_span=opens)
