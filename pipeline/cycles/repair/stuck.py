"""Harvests that stay colder than all others and take longer: the slab does not let go, and the machine waits.

The line climbs as steeply as in any harvest, stops short of the usual warmth, stays there, and falls when the gas is shut off.
Level and slope of such a stretch are those of no phase that the log has taught, so that most of it is named freeze.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.label.moves import Scales
from pipeline.cycles.repair.halts import LEAST_HARVESTS, RISE_S
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import Course
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
STEEP, NOISES = 0.35, 4.0  # of the usual rise, and so many times the noise of a cell
COLD = 0.15  # of the usual height: it begins where freezes end
HIGH, LOW_PEAK = 0.2, 0.92  # of the usual height: what it climbs to, at least and at most
LONG = 1.3  # times the usual harvest: it lasts …
LATER = 1.0  # … and so much longer than was named
FALLS, FALL_S = 0.35, 90.0  # of what it climbed: so far it falls, so soon, when the gas is shut off …
AT_ONCE = 0.55  # … or so far, at once
STAYS = 0.3  # of what it climbed: so far it may sink before
WARM = 0.1  # of what it climbed, below its warmest: until then the gas was on


@dataclass(frozen=True, kw_only=True)
class _Usual:
    """What most harvests of the log show."""

    cells: int  # that they take
    rise: float  # over RISE_S [K]
    height: float  # that they reach, in swings
    at_once: bool  # the line falls at once when the gas is shut off


def held(runs: Runs, line: Course, scales: Scales, cells: Cells, *, at_once: bool = False) -> Runs:
    """`runs` with such harvests named from where the line climbs to where it falls. `line`: or a current that moves like one.
    at_once: it falls so far from where it was last warm, as a current does after a harvest in which no ice came off."""
    state, level = runs.state, line.level
    at = np.flatnonzero((state == HARVEST) & ~runs.opens_span & (np.r_[-1, state[:-1]] == FREEZE))
    if len(at) < LEAST_HARVESTS:
        return runs
    width = max(2, round(RISE_S / cells.step_s))
    height = (level - scales.cold) / scales.swing
    rises = np.full(len(level), np.nan)
    rises[:-width] = level[width:] - level[:-width]
    first, stop = runs.first[at], runs.stop[at]
    usual = _Usual(
        cells=int(np.median(stop - first)),
        rise=_median_of_most(rises, first - 1, stop),
        height=_median_of_most(height, first, stop + 2),
        at_once=at_once,
    )
    noise = line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    if not (usual.height > 0 and STEEP * usual.rise > NOISES * noise):
        return runs
    rows = []  # state, first cell, one past the last, margin, opens span
    columns = (state, runs.first, runs.stop, runs.margin, runs.opens_span)
    for row in zip(*(column.tolist() for column in columns), strict=True):
        row = list(row)
        if row[0] == FREEZE and not row[4]:
            if rows and rows[-1][0] == HARVEST:
                end = _held_on(level, height, rows[-1], row[2], usual, cells)
                rows[-1][2] = row[1] = row[1] if end is None else end
            begin = row[1] + usual.cells
            while (other := _within(level, height, rises, begin, row[2], usual, cells)) is not None:
                start, end = other
                rows += [[FREEZE, row[1], start, row[3], False], [HARVEST, start, end, row[3], False]]
                row[1] = end
                begin = end + usual.cells
        rows.append(row)
    state, first, stop, margin, opens = (np.array(column) for column in zip(*rows, strict=True))
    return Runs(state=state, first=first, stop=stop, margin=margin, opens_span=opens)


def _held_on(
    level: np.ndarray, height: np.ndarray, harvest: list, until: int, usual: _Usual, cells: Cells
) -> int | None:
    """One past the last cell of a cool `harvest` that goes on for long beyond what was named, before `until`; None: it does
    not."""
    first, stop = harvest[1:3]
    if not _most(height, first, stop + 2) < LOW_PEAK * usual.height:
        return None
    end = _end(level, first, stop, until, usual, cells)
    return end if end is not None and stop + LATER * usual.cells <= end < until - 1 else None


def _within(
    level: np.ndarray,
    height: np.ndarray,
    rises: np.ndarray,
    begin: int,
    until: int,
    usual: _Usual,
    cells: Cells,
) -> tuple[int, int] | None:
    """First cell, and one past the last, of a cool harvest between the cells `begin` and `until` that are named freeze."""
    width = max(2, round(RISE_S / cells.step_s))
    inside = slice(begin, max(until - width, begin))
    steep = np.flatnonzero((rises[inside] > STEEP * usual.rise) & (height[inside] < COLD * usual.height))
    for first in (begin + steep).tolist():
        end = _end(level, first, first + width, until, usual, cells)
        if end is not None and end < until - 1:
            peak = _most(height, first, end)
            if HIGH * usual.height < peak < LOW_PEAK * usual.height:
                return first, end
    return None


def _end(level: np.ndarray, first: int, since: int, until: int, usual: _Usual, cells: Cells) -> int | None:
    """One past the last cell of a harvest that begins with cell `first`, by where the line falls after `since`, before
    `until`; None where it does not, or sooner than a long harvest is over."""
    row = level[first - 1 : min(until, first + round(60.0 * cells.limits["harvest_most_min"] / cells.step_s))]
    named = since - first + 1
    if len(row) < 3 or not np.isfinite(row).all():
        return None
    ahead = max(1, round(FALL_S / cells.step_s))
    highest = np.maximum.accumulate(row)
    climbed = highest - row[0]
    later = row[np.minimum(np.arange(len(row)) + ahead, len(row) - 1)]
    falls = np.flatnonzero(((climbed > 0) & (highest - later > FALLS * climbed))[named:])
    if len(falls) == 0:
        return None
    end = min(named + int(falls[0]) + ahead, len(row))
    end = int(np.flatnonzero(row[:end] >= highest[end - 1] - WARM * climbed[end - 1])[-1]) + 1
    fall = row[end - 1] - row[min(end - 1 + ahead, len(row) - 1)]
    if usual.at_once and fall < AT_ONCE * climbed[end - 1]:
        return None
    sunk = (highest - row > STAYS * climbed)[named:end]
    return first - 1 + end if end >= LONG * usual.cells and not sunk.any() else None


def _most(values: np.ndarray, first: int, stop: int) -> float:
    """The greatest of `values` that is known from cell `first` to before `stop`; NaN where none is."""
    some = values[max(first, 0) : stop]
    some = some[np.isfinite(some)]
    return float(some.max()) if len(some) else np.nan


def _median_of_most(values: np.ndarray, first: np.ndarray, stop: np.ndarray) -> float:
    most = np.array([_most(values, a, b) for a, b in zip(first.tolist(), stop.tolist(), strict=True)])
    most = most[np.isfinite(most)]
    return float(np.median(most)) if len(most) else np.nan
