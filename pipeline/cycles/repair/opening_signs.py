"""What a run that opens with a harvest shows: a cold line that warms before it falls, a current that climbs and then drops as it
does when the hot gas stops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.label.moves import Scales
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import Course, DrawCells
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
LEAST_HARVESTS = 3  # fewer have no usual length
CLIMBS = 0.03  # of the usual rise: the line climbs …
STEEP = 0.1  # … and all in all more steeply than a standing machine warms …
HIGH = 0.08  # of a swing: higher than a probe's wobble …
NOISES = 8.0  # … and than its noise
LEAST_REST = 6  # cells that tell how a standing line goes on …
REST_S = 300.0  # … before the start
SLIGHT = 0.015  # of a swing above that: a line at room temperature hardly gets warmer …
SLIGHT_NOISES = 4.0  # … and of its noise, at every start: there are several …
LASTS_S = 30.0  # … but it does so for as long as this
DROPS, DROP_S = 0.3, 60.0  # of the usual fall, and over how long: how steeply the freeze begins
FALLS, RISES = 0.03, 0.02  # of a swing: lower, and higher, than a probe's wobble
LONG = 1.5  # times the usual harvest
GAS_CLIMBS, GAS_DROPS = 0.1, 0.6  # of what the current usually climbs over a harvest, and drops after it …
GAS_RESTS = 0.5  # … and of that, at most, in as long a time again
WHOLE = 0.85  # of the next cell: the compressor ran all through this one
EARLY = 2  # cells that a line with a clamp beside it may be too early
LATE = 3  # cells by which a run may be named too late


@dataclass(frozen=True, kw_only=True)
class ByLine:
    """A cold line that warms before it falls."""

    runs: Runs
    cells: Cells
    line: Course
    scales: Scales
    clamped: bool  # a current shows when the runs begin; without one a run begins where the line does
    reach: int  # cells: no harvest is longer
    first: dict[int, int]  # cell in which the compressor starts, of each run
    rests: dict[int, tuple[int, int]]  # the last cells of the stop before each start, and one past them
    noise: float  # of a cell of the standing line

    def opening(self, i: int, part: float) -> tuple[int, int] | None:
        """First cell, and one past the last, of the warming at the start of the run `i`; None where there is none. part: of
        what it usually takes."""
        return self._steep(i, part) or self._slight(i, part)

    def _steep(self, i: int, part: float) -> tuple[int, int] | None:
        first, stop = self.first[i], int(self.runs.stop[i])
        low = max(first - (EARLY if self.clamped else self.reach), 0)
        level = self.line.level[low : min(first + self.reach, stop - 1)]
        if len(level) < 3 or not np.isfinite(level).all():
            return None
        peak = int(np.argmax(level))
        per_cell = self.scales.rise * self.cells.step_s / 60.0
        climbs = np.diff(level[: peak + 1]) > max(CLIMBS * per_cell, 2.0 * self.noise)
        begin = peak
        while begin > 0 and climbs[max(begin - 2, 0) : begin].any():  # it may pause for a cell
            begin -= 1
        climb = float(level[peak] - level[begin])
        least = part * max(HIGH * self.scales.swing, NOISES * self.noise)
        if peak == len(level) - 1 or climb < max(least, STEEP * per_cell * (peak - begin)):
            return None
        begin = first if self.clamped else low + begin
        return begin, max(low + peak, begin + 1)

    def _slight(self, i: int, part: float) -> tuple[int, int] | None:
        """Likewise where the line has come to rest near the room's temperature, and can hardly get warmer."""
        first, stop = self.first[i], int(self.runs.stop[i])
        since, until = self.rests[i]
        before, level = self.line.level[since:until], self.line.level[until : min(first + self.reach, stop)]
        if len(before) < LEAST_REST or len(level) < 4 or not np.isfinite([*before, *level]).all():
            return None
        slope, start = np.polyfit(np.arange(since, until), before, 1)
        off = before - (start + slope * np.arange(since, until))
        noise = max(self.noise, float(off.std()))
        above = level - (start + max(slope, 0.0) * np.arange(until, until + len(level)))
        peak = int(np.argmax(above))
        ahead = level[peak : peak + 1 + max(1, round(DROP_S / self.cells.step_s))]
        drops = (ahead[0] - ahead[-1]) / max(len(ahead) - 1, 1) * 60.0 / self.cells.step_s
        least = part * max(SLIGHT * self.scales.swing, SLIGHT_NOISES * noise)
        if above[peak] < least or drops < DROPS * self.scales.fall:
            return None
        low = np.flatnonzero(above[:peak] < noise)
        begin = first if self.clamped else until + (int(low[-1]) if len(low) else 0)
        end = until + peak + 1
        return (begin, end) if (end - begin) * self.cells.step_s >= part * LASTS_S else None


def by_line(
    runs: Runs, first: dict[int, int], cells: Cells, line: Course, scales: Scales, *, clamped: bool
) -> ByLine:
    """What the cold `line` shows at the starts of runs. first: the cells in which they lie, by run."""
    harvests = runs.state == HARVEST
    reach = max(2, round(LONG * float(np.median((runs.stop - runs.first)[harvests]))))
    rests = {}
    for i, begins in first.items():
        since = int(runs.first[i - 1])
        until = max(begins - (1 if clamped else reach), since)
        rests[i] = max(since, until - round(REST_S / cells.step_s)), until
    noise = _rest_noise(line, rests, cells)
    return ByLine(
        runs=runs,
        cells=cells,
        line=line,
        scales=scales,
        clamped=clamped,
        reach=reach,
        first=first,
        rests=rests,
        noise=noise,
    )


def _rest_noise(line: Course, rests: dict[int, tuple[int, int]], cells: Cells) -> float:
    """Standard deviation of a cell of the standing line about its trend; of any cell where it stands too shortly."""
    squares, free = 0.0, 0
    for since, until in rests.values():
        level = line.level[since:until]
        if len(level) >= LEAST_REST and np.isfinite(level).all():
            at = np.arange(len(level))
            off = level - np.polyval(np.polyfit(at, level, 1), at)
            squares, free = squares + float(off @ off), free + len(level) - 2
    if not free:
        return line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    readings = max(1.0, cells.step_s / line.trace.interval_s)
    return max(float(np.sqrt(squares / free)), line.trace.channel.resolution / np.sqrt(12 * readings))


@dataclass(frozen=True, kw_only=True)
class ByGas:
    """A current that climbs from the first cell on, and then drops as it does when the gas stops."""

    runs: Runs
    cells: Cells
    draw: DrawCells
    line: Course | None  # a cold line, which must not fall meanwhile
    first: dict[int, int]  # cell in which the compressor starts, of each run
    reach: int  # cells: no harvest is longer
    climb: float  # over a usual harvest [A]
    drop: float  # over DROP_S after it [A]

    def opening(self, i: int, part: float) -> tuple[int, int] | None:
        """As `ByLine.opening`."""
        level, first = self.draw.level, self.first[i]
        over = max(1, round(DROP_S / self.cells.step_s))
        begin = first
        if not level[first] > WHOLE * level[min(first + 1, len(level) - 1)]:
            begin += 1  # the compressor started late in this cell
        row = level[begin : min(begin + self.reach + 2 * over, int(self.runs.stop[i]))]
        if len(row) < 2 * over + 2 or not np.isfinite(row).all():
            return None
        peak = int(np.argmax(row[: len(row) - 2 * over]))
        near, far = row[peak] - row[peak + over], row[peak + over] - row[peak + 2 * over]
        climbs = row[peak] - row[0] >= part * max(GAS_CLIMBS * self.climb, SLIGHT_NOISES * self.draw.noise)
        drops = near >= part * GAS_DROPS * self.drop and far <= GAS_RESTS / part * near
        end = begin + peak + 1
        falls = self.line is not None and falling(self.line, np.array([first]), np.array([end]), self.cells)
        return (first, end) if climbs and drops and not falls else None


def by_gas(
    runs: Runs, first: dict[int, int], cells: Cells, draw: DrawCells, line: Course | None
) -> ByGas | None:
    """What the current `draw` shows at the starts of runs, in the cells `first`; None where it does not show when the gas stops."""
    level, before = draw.level, np.r_[-1, runs.state[:-1]]
    ended = np.flatnonzero((before == HARVEST) & (runs.state == FREEZE) & ~runs.opens_span)
    if len(ended) < LEAST_HARVESTS:
        return None
    over = max(1, round(DROP_S / cells.step_s))
    top = runs.first[ended] + np.arange(-2, 3)[:, None]
    top = level[top.clip(0, len(level) - 1)].max(axis=0)
    after = level[(runs.first[ended] + over).clip(0, len(level) - 1)]
    climbs = top - level[np.maximum(runs.first[ended - 1] - 1, 0)]
    known = np.isfinite(top) & np.isfinite(after) & np.isfinite(climbs)
    if known.sum() < LEAST_HARVESTS:
        return None
    climb, drop = float(np.median(climbs[known])), float(np.median((top - after)[known]))
    if drop < SLIGHT_NOISES * draw.noise:
        return None
    reach = max(3, round(LONG * float(np.median((runs.stop - runs.first)[ended - 1]))))
    return ByGas(
        runs=runs, cells=cells, draw=draw, line=line, first=first, reach=reach, climb=climb, drop=drop
    )


def started(runs: Runs, i: int, draw: DrawCells | None) -> int:
    """Cell in which the run `i` begins: up to LATE cells before its naming, where the current runs already."""
    first = int(runs.first[i])
    if draw is None or not draw.level[first] >= draw.off_below:
        return first
    least = max(first - LATE, int(runs.first[i - 1]) + 1)
    while first > least and draw.level[first - 1] >= draw.off_below:
        first -= 1
    return first


def falling(line: Course, first: np.ndarray, stop: np.ndarray, cells: Cells) -> np.ndarray:
    """Whether the line is much colder at the end of each stretch of cells than at its beginning, and has not been warmer
    meanwhile, (k,) of bool: by how much it answers late is not known so well that its end alone would tell."""
    known = line.level[np.isfinite(line.level)]
    swing = float(np.ptp(np.quantile(known, (0.05, 0.95)))) if len(known) else np.inf
    noise = line.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    falls = line.level[first] - line.level[stop - 1] > max(FALLS * swing, NOISES * noise)
    least = max(RISES * swing, 2.0 * noise)
    level = np.where(np.isfinite(line.level), line.level, -np.inf)
    warmer = [
        level[a:b].max() - line.level[max(a - 1, 0)] > least
        for a, b in zip(first.tolist(), stop.tolist(), strict=True)
    ]
    return falls & ~np.array(warmer, dtype=bool)
