"""How well a naming of the phases agrees with what every batch machine does."""

from __future__ import annotations

import numpy as np

from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.states import FREEZE, HARVEST


def evenness(state: np.ndarray, segments: Segments, *, lone: bool = False) -> float:
    """Share of the cycles' time, 0…1, that lies in cycles such as batch machines make: freeze and harvest of a possible length, and a
    period like that of most; a freeze that never ends is none. state: (k,), of every segment. lone: a clamp alone named them. Where most of
    what is left is longer than the others, harvests are then missing rather than made up, and it is the cycles' number that counts."""
    good, period = _cycles_of(state, segments)
    if not good.any():
        return 0.0
    by_time = float(period[good].sum() / period.sum())
    if not lone or good.all() or np.mean(period[~good] > np.median(period[good])) <= 0.5:
        return by_time
    return max(by_time, float(good.mean()))


def _cycles_of(state: np.ndarray, segments: Segments) -> tuple[np.ndarray, np.ndarray]:
    """Which freezes with their harvests are like a batch machine's, and how long each takes [min]."""
    head = np.flatnonzero(np.r_[True, state[1:] != state[:-1]] | segments.opens_span)
    kind = state[head]
    minutes = np.add.reduceat(segments.minutes, head)
    whole = np.flatnonzero((kind[:-1] == FREEZE) & (kind[1:] == HARVEST))
    freeze, harvest = minutes[whole], minutes[whole + 1]
    period = freeze + harvest
    good = (freeze >= 4.0) & (harvest <= 15.0) & (harvest < 0.6 * freeze)
    if good.any():
        usual = np.median(period[good])
        good &= np.abs(period - usual) <= 0.35 * usual
    return good, period
