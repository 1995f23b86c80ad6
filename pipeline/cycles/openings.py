"""Machines that open every run with a harvest, so that no slab of before is frozen into the next.

A line cools from the first moment of a freeze. One that first warms as steeply as in a harvest, and falls only then, was
warmed by hot gas.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.features import Course, DrawCells
from pipeline.cycles.moves import Scales
from pipeline.cycles.runs import Runs, rejoined
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source, all of them.
LEAST_HARVESTS = 3  # fewer have no usual length
CLIMBS = 0.03  # of the usual rise: the line climbs …
STEEP = 0.1  # … and all in all more steeply than a standing machine warms …
HIGH = 0.08  # of a swing: higher than a probe's wobble …
NOISES = 8.0  # … and than its noise
REST_S = 300.0  # of the standing line by which it is known how it goes on …
SLIGHT = 0.015  # of a swing above that: a line at room temperature hardly gets warmer …
SLIGHT_NOISES = 4.0  # … and of its noise, at every start: there are several …
LASTS_S = 30.0  # … but it does so for as long as this
DROPS, DROP_S = 0.3, 60.0  # of the usual fall, and over how long: how steeply the freeze begins
FALLS = 0.03  # of a swing: lower than a probe's wobble
LONG = 1.5  # times the usual harvest
MOST = 0.6  # of the log's starts must show it
STARTS = 2  # and no fewer
GAS_CLIMBS, GAS_DROPS = 0.1, 0.6  # of what the current usually climbs over a harvest, and drops after it …
GAS_RESTS = 0.5  # … and of that, at most, in as long a time again
SOON_S = 180.0  # after a start: no freeze is over by then


def opened_by_harvest(runs: Runs, line: Course, scales: Scales, cells: Cells, *, clamped: bool) -> Runs:
    """`runs` with a harvest at the beginning of every run that opens with one, where most of a log's runs do.

    clamped: a current shows when the runs begin; without one a run begins where the line does.
    """
    before = np.r_[-1, runs.state[:-1]]
    starts = np.flatnonzero((before == IDLE) & (runs.state == FREEZE) & ~runs.opens_span)
    harvests = runs.state == HARVEST
    if len(starts) < STARTS or harvests.sum() < LEAST_HARVESTS:
        return runs
    reach = max(2, round(LONG * float(np.median((runs.stop - runs.first)[harvests]))))
    found = {}
    named = _soon_harvested(runs, starts, cells)
    for i in np.setdiff1d(starts, named).tolist():
        warming = _warming(line, scales, cells, int(runs.first[i]), int(runs.stop[i]), reach, clamped)
        if warming is None:
            rest = runs.first[i - 1], runs.first[i], runs.stop[i]
            warming = _slight_warming(line, scales, cells, *map(int, rest), reach, clamped)
        if warming is not None and warming[0] > runs.first[i - 1]:
            found[i] = warming
    return _opened(runs, found, named, len(starts))


def opened_by_gas(runs: Runs, draw: DrawCells, cells: Cells) -> Runs:
    """Likewise by the current of a compressor alone: from the first cell on it climbs, and then it drops as it does when the gas
    stops."""
    level, before = draw.level, np.r_[-1, runs.state[:-1]]
    starts = np.flatnonzero((before == IDLE) & (runs.state == FREEZE) & ~runs.opens_span)
    ended = np.flatnonzero((before == HARVEST) & (runs.state == FREEZE) & ~runs.opens_span)
    if len(starts) < STARTS or len(ended) < LEAST_HARVESTS:
        return runs
    over = max(1, round(DROP_S / cells.step_s))
    top = runs.first[ended] + np.arange(-2, 3)[:, None]
    top = level[top.clip(0, len(level) - 1)].max(axis=0)
    after = level[(runs.first[ended] + over).clip(0, len(level) - 1)]
    climbs = top - level[np.maximum(runs.first[ended - 1] - 1, 0)]
    known = np.isfinite(top) & np.isfinite(after) & np.isfinite(climbs)
    if known.sum() < LEAST_HARVESTS:
        return runs
    climb, drop = float(np.median(climbs[known])), float(np.median((top - after)[known]))
    if drop < NOISES * draw.noise:
        return runs
    reach = max(3, round(LONG * float(np.median((runs.stop - runs.first)[ended - 1]))))
    found = {}
    named = _soon_harvested(runs, starts, cells)
    for i in np.setdiff1d(starts, named).tolist():
        first = int(runs.first[i]) + 1  # the compressor may start late in the cell before
        row = level[first : min(first + reach + 2 * over, int(runs.stop[i]))]
        if len(row) < 2 * over + 2 or not np.isfinite(row).all():
            continue
        peak = int(np.argmax(row[: len(row) - 2 * over]))
        near, far = row[peak] - row[peak + over], row[peak + over] - row[peak + 2 * over]
        if (
            row[peak] - row[0] >= max(GAS_CLIMBS * climb, SLIGHT_NOISES * draw.noise)
            and near >= GAS_DROPS * drop
            and far <= GAS_RESTS * near
        ):
            found[i] = (first - 1, first + peak + 1)
    return _opened(runs, found, named, len(starts))


def _opened(runs: Runs, found: dict[int, tuple[int, int]], named: np.ndarray, starts: int) -> Runs:
    """`runs` with the harvests `found` (their first cells, and one past the last, by the runs that they open) and `named` already,
    where most of the `starts` have one."""
    if len(found) + len(named) < max(STARTS, MOST * starts):
        return runs
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
        at = at[_falls(line, runs.first[at], runs.stop[at], cells)] if line is not None else at[:0]
    if len(at) == 0:
        return runs
    state = state.copy()
    state[at] = FREEZE
    return rejoined(replace(runs, state=state))


def _falls(line: Course, first: np.ndarray, stop: np.ndarray, cells: Cells) -> np.ndarray:
    """Whether the line is much colder at the end of each stretch of cells than at its beginning, (k,) of bool."""
    known = line.level[np.isfinite(line.level)]
    swing = float(np.ptp(np.quantile(known, (0.05, 0.95)))) if len(known) else np.inf
    noise = line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    return line.level[first] - line.level[stop - 1] > max(FALLS * swing, NOISES * noise)


def _warming(
    line: Course, scales: Scales, cells: Cells, first: int, stop: int, reach: int, clamped: bool
) -> tuple[int, int] | None:
    """First cell, and one past the last, of the steep warming at the start of a run; None where there is none."""
    low = max(first - (1 if clamped else reach), 0)  # a run may begin late in the cell before
    level = line.level[low : min(first + reach, stop - 1)]
    if len(level) < 3 or not np.isfinite(level).all():
        return None
    peak = int(np.argmax(level))
    per_cell = scales.rise * cells.step_s / 60.0
    noise = line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    climbs = np.diff(level[: peak + 1]) > max(CLIMBS * per_cell, 2.0 * noise)
    begin = peak
    while begin > 0 and climbs[max(begin - 2, 0) : begin].any():  # it may pause for a cell
        begin -= 1
    climb = float(level[peak] - level[begin])
    if peak == len(level) - 1 or climb < max(
        HIGH * scales.swing, NOISES * noise, STEEP * per_cell * (peak - begin)
    ):
        return None
    begin = first if clamped else low + begin
    return begin, max(low + peak, begin + 1)


def _slight_warming(
    line: Course, scales: Scales, cells: Cells, rest: int, first: int, stop: int, reach: int, clamped: bool
) -> tuple[int, int] | None:
    """First cell, and one past the last, in which a line that has come to rest near the room's temperature, and can hardly
    get warmer, bends upwards before it drops; None where it does not. rest: first cell of the stop before the run."""
    until = max(first - 1, rest) if clamped else max(first - reach, rest)
    since = max(rest, until - round(REST_S / cells.step_s))
    before = line.level[since:until]
    level = line.level[until : min(first + reach, stop)]
    if len(before) < 6 or len(level) < 4 or not np.isfinite(before).all() or not np.isfinite(level).all():
        return None
    slope, start = np.polyfit(np.arange(since, until), before, 1)
    off = before - (start + slope * np.arange(since, until))
    noise = max(line.slope_noise * np.sqrt(2) * cells.step_s / 60.0, float(off.std()))
    above = level - (start + max(slope, 0.0) * np.arange(until, until + len(level)))
    peak = int(np.argmax(above))
    least = max(SLIGHT * scales.swing, SLIGHT_NOISES * noise)
    ahead = level[peak : peak + 1 + max(1, round(DROP_S / cells.step_s))]
    drops = (ahead[0] - ahead[-1]) / max(len(ahead) - 1, 1) * 60.0 / cells.step_s
    if above[peak] < least or drops < DROPS * scales.fall:
        return None
    low = np.flatnonzero(above[:peak] < noise)
    begin = first if clamped else until + (int(low[-1]) if len(low) else 0)
    end = until + peak + 1
    return (begin, end) if (end - begin) * cells.step_s >= LASTS_S else None
