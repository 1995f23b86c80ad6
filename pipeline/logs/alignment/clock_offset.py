"""Two loggers whose clocks disagree: how far, how fast it grows, and how surely.

Every harvest leaves its mark in each logger. The differences between the moments in one and in the other pile up at the
true offset; false pairs (other harvests, the other corner) spread out or pile up lower. Then a straight line through the
matched pairs gives offset and drift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.logs.alignment.shared_events import Events

FARTHEST_S = 6 * 3600.0
LEAST_PAIRS = 5
_BIN_S = 5.0
_LAG_S = 12.0
"""How much later a clip on the pipe shows the hot gas than the clamp shows its valve. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Offset:
    """The other clock minus the reference clock: offset_s + drift_s_per_day × days from `middle_s`."""

    offset_s: float
    drift_s_per_day: float
    middle_s: float
    uncertainty_s: float  # half-width of the 90 % interval
    pairs: int
    share: float  # of the reference's events that found their partner
    ambiguous_s: float  # another offset that fits nearly as well (one cycle further), else 0.0

    def at(self, seconds: np.ndarray) -> np.ndarray:
        return self.offset_s + self.drift_s_per_day * (seconds - self.middle_s) / 86400.0


def clock_offset(
    reference: Events, other: Events, *, intervals_s: tuple[float, float], kinds: tuple[str, str]
) -> Offset | None:
    """The offset between two loggers, or None where their events don't tell it.

    kinds: "cold" or "clamp", of the reference and of the other. Two of one kind turn the same way. Otherwise the hot gas may
    step the current up on one machine and down on another, and both ways are tried.
    """
    same_kind = kinds[0] == kinds[1]
    pairings = [((reference.up_s, other.up_s), (reference.down_s, other.down_s))]
    if not same_kind:
        pairings.append(((reference.up_s, other.down_s), (reference.down_s, other.up_s)))
    tolerance = max(15.0 if same_kind else 60.0, 0.75 * sum(intervals_s))
    piles = [(pairing, pile) for pairing in pairings if (pile := _pile(pairing, tolerance)) is not None]
    if not piles:
        return None
    pairing, coarse, ambiguous = _highest(piles, tolerance)
    lag = 0.0 if same_kind else _LAG_S if kinds[0] == "cold" else -_LAG_S
    # the ends of harvests lag more than their beginnings: see `shared_events.corners`
    sharp = pairing[:1] if min(len(pairing[0][0]), len(pairing[0][1])) >= LEAST_PAIRS else pairing
    t, d, possible = _matched(sharp, coarse, 1.5 * tolerance)
    if len(t) < LEAST_PAIRS or len(t) < 0.4 * possible:
        return None
    return _line(t, d + lag, intervals_s, possible, ambiguous, lag)


def _differences(pairing: tuple) -> np.ndarray:
    parts = []
    for a, b in pairing:
        if not len(a) or not len(b):
            continue
        first = np.searchsorted(b, a - FARTHEST_S)
        last = np.searchsorted(b, a + FARTHEST_S)
        parts += [b[i:j] - x for x, i, j in zip(a, first, last, strict=True)]
    return np.concatenate(parts) if parts else np.empty(0)


_EDGES = np.arange(-FARTHEST_S, FARTHEST_S + _BIN_S, _BIN_S)
_CENTERS = _EDGES[:-1] + _BIN_S / 2


def _pile(pairing: tuple, tolerance: float) -> np.ndarray | None:
    """How many differences lie about each offset of `_CENTERS`; None where there are too few to tell."""
    differences = _differences(pairing)
    if len(differences) < LEAST_PAIRS:
        return None
    counts = np.histogram(differences, _EDGES)[0].astype(float)
    width = max(1, round(tolerance / _BIN_S))
    kernel = np.concatenate([np.arange(1, width + 1), np.arange(width, 0, -1)[1:]]) / width
    pile = np.convolve(counts, kernel, "same")
    return pile if pile.max() >= 0.6 * LEAST_PAIRS else None


def _highest(piles: list[tuple[tuple, np.ndarray]], tolerance: float) -> tuple[tuple, float, float]:
    """(pairing, offset, another offset nearly as likely or 0.0).

    Clocks that may well agree are let be: the wrong correction is worse than none. And of piles of nearly one height
    (cycles of one length look alike one cycle on) the nearest to zero is meant.
    """
    top = max(float(pile.max()) for _pairing, pile in piles)
    home = np.abs(_CENTERS) <= max(90.0, 1.5 * tolerance)
    at_home = [(float(np.where(home, pile, 0.0).max()), i) for i, (_pairing, pile) in enumerate(piles)]
    if max(at_home)[0] >= 0.6 * top:
        pairing, pile = piles[max(at_home)[1]]
        at = int(np.argmax(np.where(home, pile, 0.0)))
    else:
        pairing, pile = max(piles, key=lambda p: float(p[1].max()))
        tall = np.flatnonzero(pile >= 0.85 * pile.max())
        near = tall[np.abs(_CENTERS[tall]) <= np.abs(_CENTERS[tall]).min() + 2 * tolerance]
        at = int(near[np.argmax(pile[near])])
    far = np.flatnonzero((pile >= 0.9 * pile[at]) & (np.abs(_CENTERS - _CENTERS[at]) > 4 * tolerance))
    ambiguous = float(_CENTERS[far[np.argmax(pile[far])]]) if len(far) else 0.0
    return pairing, float(_CENTERS[at]), ambiguous


def _matched(pairing: tuple, offset: float, reach: float) -> tuple[np.ndarray, np.ndarray, int]:
    """(moments in the reference, other minus reference, pairs that could be) for events that match at `offset`."""
    t, d, possible = [], [], 0
    for a, b in pairing:
        if not len(a) or not len(b):
            continue
        inside = (a + offset >= b[0] - reach) & (a + offset <= b[-1] + reach)
        possible += int(inside.sum())
        i = np.clip(np.searchsorted(b, a + offset), 1, len(b) - 1) if len(b) > 1 else np.zeros(len(a), int)
        nearest = np.where(np.abs(b[i] - a - offset) < np.abs(b[i - 1] - a - offset), b[i], b[i - 1])
        difference = nearest - a
        ok = np.abs(difference - offset) <= reach
        t.append(a[ok])
        d.append(difference[ok])
    if not t:
        return np.empty(0), np.empty(0), 0
    t_all, d_all = np.concatenate(t), np.concatenate(d)
    order = np.argsort(t_all)
    return t_all[order], d_all[order], possible


def _line(
    t: np.ndarray,
    d: np.ndarray,
    intervals_s: tuple[float, float],
    possible: int,
    ambiguous: float,
    lag: float,
) -> Offset:
    """Offset and drift by the median of slopes (Theil 1950, Sen 1968), each corner kind brought to one level first."""
    middle = float(np.median(t))
    span = float(t[-1] - t[0])
    drift = 0.0
    if span > 12 * 3600.0 and len(t) >= 8:
        third = len(t) // 3
        early, late = slice(0, third), slice(-third, None)
        slopes = (d[late][:, None] - d[early][None, :]) / (t[late][:, None] - t[early][None, :])
        drift = float(np.median(slopes))
    level = d - drift * (t - middle)
    offset = float(np.median(level))
    spread = 1.4826 * float(np.median(np.abs(level - offset)))
    noise = 1.645 * spread / np.sqrt(len(t))
    scatter_of_drift = 2.0 * spread / max(np.sqrt(len(t)) * span, 1.0)
    if abs(drift) < 3.0 * scatter_of_drift or abs(drift) * span < 5.0 + 0.6 * sum(intervals_s):
        drift = 0.0
        offset = float(np.median(d))
    return Offset(
        offset_s=offset,
        drift_s_per_day=drift * 86400.0,
        middle_s=middle,
        uncertainty_s=float(noise + 0.25 * sum(intervals_s) + abs(lag)),
        pairs=len(t),
        share=len(t) / max(possible, 1),
        ambiguous_s=ambiguous,
    )
