"""How well a naming of the phases agrees with what every batch machine does."""

from __future__ import annotations

import numpy as np

from pipeline.cycles.segment.segments import Segments, jumps, rates
from pipeline.cycles.signal.features import SlopeCells
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source.
MOST_GOOD = 0.7  # of the cycles are such as batch machines make: each third may be harvested twice


def rank_of(
    state: np.ndarray, part: slice, course: SlopeCells | None, segments: Segments, cells: Cells, *, lone: bool
) -> float:
    """How well a naming agrees with what every batch machine does, 0…: possible and even cycles, state changes at
    sharp turns of the current, and its climbs within harvests. state: (k,), of every segment; part: which of them count."""
    rank = plausible(state, segments, part, lone=lone)
    if course is not None and rank > 0:
        rank *= (
            rank * _sharpness(state, part, course, segments) * _orderly(state, part, course, segments, cells)
        )
    return rank


def _orderly(state: np.ndarray, part: slice, course: SlopeCells, segments: Segments, cells: Cells) -> float:
    """Part of the running current's climbs that lies in harvests: over a freeze the suction pressure, and the current
    with it, can only fall."""
    rate = (
        np.nan_to_num(rates(course, segments, cells))
        * (segments.stop - segments.first - 1)
        * cells.step_s
        / 60.0
    )
    # A step up where a harvest begins, or where it ends and the fan comes back, is nobody's fault.
    same = np.r_[False, state[1:] == state[:-1]]
    jump = np.maximum(jumps(course, segments)[part], 0.0)
    climbs = np.maximum(rate[part], 0.0)
    within = climbs + np.where(same, jump, 0.0)
    whole = (climbs + jump).sum()
    return float(1.0 - within[state == FREEZE].sum() / whole) if whole > 0 else 1.0


def _sharpness(state: np.ndarray, part: slice, course: SlopeCells, segments: Segments) -> float:
    """How sharply the running current turns or steps where harvests are said to begin and to end: the median bend over
    two cells in parts of its swing, the lesser of both, square root. A machine does not change state in silence."""
    level = course.level
    known = level[np.isfinite(level)]
    if len(known) < 10:
        return 1.0
    swing = float(np.quantile(known, 0.95) - np.quantile(known, 0.05)) or 1.0
    bend = np.zeros(len(level))
    bend[2:-2] = np.abs(level[4:] - 2 * level[2:-2] + level[:-4])
    bend = np.nan_to_num(bend)
    near = np.maximum(bend, np.maximum(np.r_[0.0, bend[:-1]], np.r_[bend[1:], 0.0]))[segments.first[part]]
    begins = np.flatnonzero((state[1:] == HARVEST) & (state[:-1] == FREEZE)) + 1
    ends = np.flatnonzero((state[1:] == FREEZE) & (state[:-1] == HARVEST)) + 1
    stops = np.flatnonzero((state[1:] == IDLE) & (state[:-1] == HARVEST)) + 1
    if len(begins) == 0 or len(ends) + len(stops) == 0:
        return 0.0
    # Where the compressor stops the current turns as sharply as it can.
    turn = swing if len(stops) > len(ends) else np.median(near[ends])
    return float(np.sqrt(min(min(np.median(near[begins]), turn) / swing, 0.5)))


def plausible(state: np.ndarray, segments: Segments, part: slice, *, lone: bool) -> float:
    """Share of the running time (state: (k,), of every segment; part: which of them count) that lies in cycles such as batch machines make: freeze and harvest of a possible
    length, and a period like that of most. lone: a clamp alone named them; then it is less where many cycles are none such,
    however short."""
    good, period, running = _cycles_of(state, segments, part)
    if running <= 0 or len(good) == 0:
        return 0.0
    share = float(period[good].sum() / running)
    return round(share * min(float(good.mean()) / MOST_GOOD, 1.0) if lone else share, 2)


def evenness(state: np.ndarray, segments: Segments, *, lone: bool = False) -> float:
    """The same as a share of all cycles, 0…1, by the `state` (k,) of every segment: a freeze that never ends is none. lone: a clamp alone named them. Where most of what is
    left is longer than the others, harvests are then missing rather than made up, and it is their number that counts."""
    good, period, _ = _cycles_of(state, segments, slice(0, len(segments)))
    if not good.any():
        return 0.0
    by_time = float(period[good].sum() / period.sum())
    if not lone or good.all() or np.mean(period[~good] > np.median(period[good])) <= 0.5:
        return by_time
    return max(by_time, float(good.mean()))


def _cycles_of(state: np.ndarray, segments: Segments, part: slice) -> tuple[np.ndarray, np.ndarray, float]:
    """Which freezes with their harvests are like a batch machine's, how long each takes, and the whole running time."""
    head = np.flatnonzero(np.r_[True, state[1:] != state[:-1]] | segments.opens_span[part])
    kind = state[head]
    minutes = np.add.reduceat(segments.minutes[part], head)
    running = float(minutes[kind != IDLE].sum())
    whole = np.flatnonzero((kind[:-1] == FREEZE) & (kind[1:] == HARVEST))
    freeze, harvest = minutes[whole], minutes[whole + 1]
    period = freeze + harvest
    good = (freeze >= 4.0) & (harvest <= 15.0) & (harvest < 0.6 * freeze)
    if good.any():
        usual = np.median(period[good])
        good &= np.abs(period - usual) <= 0.35 * usual
    return good, period, running
