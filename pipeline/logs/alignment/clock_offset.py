"""Two loggers whose clocks disagree: how far, how fast it grows, and how surely.

Each kind of event is held against its own kind: the beginnings of a line's rises against the steps that stand at the beginnings of
harvests, their ends against those at the ends. A candidate offset under which a step that belongs to the beginnings were laid on the
ends explains one of the two kinds, the true one both. Candidates are all offsets of up to six hours; a priori clocks agree to
minutes, or are whole hours apart, or, least often, anything else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import theilslopes

FARTHEST_S = 6 * 3600.0
LEAST_PAIRS = 5
ENOUGH_EVENTS = 20
"""Of either logger, to say that they show different machines. Common practice, no source."""
AS_MANY = 0.5
"""Of the reference's events the other logger shows at least, to say so. Common practice, no source."""
_BIN_S = 5.0
_EDGES = np.arange(-FARTHEST_S, FARTHEST_S + _BIN_S, _BIN_S)
_CENTERS = _EDGES[:-1] + _BIN_S / 2
END_LAG_S = (-10.0, 90.0)
"""How much later than the act a clip on the pipe shows the end of a harvest. Common practice, no source."""
USUAL_LAG_S = 12.0
LAG_SPREAD_S = 8.0
"""The same, usually, and its mean deviation from that [s]. Common practice, no source."""
MOST_DRIFT = 15.0 / 86400.0
"""A quartz clock in the cold is not further off [s/s]. Common practice, no source."""
_DRIFT_NATS = 1.0
_LEAST_SHARE = 0.4
_NATS_PER_SHARE = 12.0
"""What it is worth that all events of one kind find their partner [nats]."""


@dataclass(frozen=True, kw_only=True)
class Kind:
    """Events of one kind that two loggers may share. reference_s (n,), other_s (k,): sorted times [s].

    group: kinds of one number explain the same events (a harvest may step the current up or down): the best one counts.
    alone_nats: what it costs where no other group explains anything: the kind is seldom met alone.
    lag_s: how much later than the other logger the reference may show them: (least, most).
    """

    reference_s: np.ndarray
    other_s: np.ndarray
    group: int
    alone_nats: float = 0.0
    lag_s: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, kw_only=True)
class Offset:
    """The other clock minus the reference clock: offset_s + drift_s_per_day × days from `middle_s`."""

    offset_s: float
    drift_s_per_day: float
    middle_s: float
    uncertainty_s: float  # half-width of the 90 % interval
    pairs: int
    share: float  # of the reference's events that found their partner
    ambiguous_s: float  # another offset that explains the events as well (one cycle further), else 0.0

    def at(self, seconds: np.ndarray) -> np.ndarray:
        """How far the clock is off [s] at `seconds` (n,) of the other one."""
        return self.offset_s + self.drift_s_per_day * (seconds - self.middle_s) / 86400.0


def clock_offset(
    kinds: Sequence[Kind], *, span_s: tuple[float, float], intervals_s: tuple[float, float]
) -> Offset | None:
    """The offset between two loggers, or None where their events don't tell it.

    span_s: first and last time of the other logger. Both loggers' times are seconds after one origin.
    """
    prior = cost_of(_CENTERS)
    found = None
    for drift, shares in _shares(kinds, span_s, _width(intervals_s)):
        score = _NATS_PER_SHARE * _explained(kinds, shares) - prior - (_DRIFT_NATS if drift else 0.0)
        if found is None or score.max() > found[0].max():
            found = score, shares, drift
    score, shares, drift = found
    best = int(np.argmax(score))
    if max(float(s[best]) for s in shares) < _LEAST_SHARE:
        return None
    chosen = max(range(len(kinds)), key=lambda i: float(shares[i][best]))
    explained = score + prior
    far = (explained >= 0.93 * explained[best]) & (np.abs(_CENTERS - _CENTERS[best]) > 300.0)
    ambiguous = float(_CENTERS[np.argmax(np.where(far, score, -np.inf))]) if far.any() else 0.0
    return _paired(
        kinds[chosen],
        float(_CENTERS[best]),
        drift,
        span_s=span_s,
        intervals_s=intervals_s,
        ambiguous_s=ambiguous,
    )


def together(
    kinds: Sequence[Kind], *, span_s: tuple[float, float], intervals_s: tuple[float, float]
) -> float | None:
    """The share of the reference's events of one kind that find their partner at the best offset and drift, 0…1, while both loggers show events;
    None where too few do. Arguments as of `clock_offset`."""
    shown = [k for k in kinds if min(len(k.reference_s), len(k.other_s)) > 0]
    if not shown:
        return None
    begin, over = (
        pick(after(k.reference_s[i] for k in shown), after(k.other_s[i] for k in shown))
        for i, pick, after in ((0, max, min), (-1, min, max))
    )
    kept = [
        replace(k, reference_s=_between(k.reference_s, begin, over), other_s=_between(k.other_s, begin, over))
        for k in shown
    ]
    # A clamp on which harvests do not show has steps too, at its stops: they are few, and say nothing of the others.
    kept = [k for k in kept if len(k.other_s) >= AS_MANY * len(k.reference_s)]
    if max((min(len(k.reference_s), len(k.other_s)) for k in kept), default=0) < ENOUGH_EVENTS:
        return None
    span_s = max(span_s[0], begin), min(span_s[1], over)
    return max(
        float(s.max()) for _drift, shares in _shares(kept, span_s, _width(intervals_s)) for s in shares
    )


def _between(times: np.ndarray, first: float, last: float) -> np.ndarray:
    return times[(times >= first) & (times <= last)]


def _shares(
    kinds: Sequence[Kind], span_s: tuple[float, float], width: float
) -> Iterator[tuple[float, list[np.ndarray]]]:
    """(drift [s/s], of each kind the share at each offset of `_CENTERS`), for each drift that is tried."""
    middle = sum(span_s) / 2
    for drift in _drifts(span_s, width):
        straight = [replace(k, other_s=k.other_s - drift * (k.other_s - middle)) for k in kinds]
        yield drift, [_share(kind, span_s, width) for kind in straight]


def _drifts(span_s: tuple[float, float], width: float) -> np.ndarray:
    """Drifts to be tried [s/s], none first: so far apart that the events stay within `width` [s] of each other over the log."""
    span = span_s[1] - span_s[0]
    side = np.arange(1, int(MOST_DRIFT * span / (2 * width)) + 1) * 2 * width / max(span, 1.0)
    return np.concatenate([[0.0], *([d, -d] for d in side)]) if len(side) else np.zeros(1)


def _explained(kinds: Sequence[Kind], shares: Sequence[np.ndarray]) -> np.ndarray:
    """Sum over the groups of the best kind's share at each offset of `_CENTERS`, less what a kind alone costs."""
    groups = sorted({k.group for k in kinds})
    best = {
        g: np.max([s for k, s in zip(kinds, shares, strict=True) if k.group == g], axis=0) for g in groups
    }
    total = np.zeros(len(_CENTERS))
    for group in groups:
        others = sum((best[g] for g in groups if g != group), np.zeros(len(_CENTERS)))
        alone = np.clip(1.0 - others / _LEAST_SHARE, 0.0, 1.0)
        own = [
            s - alone * np.minimum(k.alone_nats / _NATS_PER_SHARE, s)
            for k, s in zip(kinds, shares, strict=True)
            if k.group == group
        ]
        total += np.max(own, axis=0)
    return total


def _width(intervals_s: tuple[float, float]) -> float:
    """How far from each other two loggers may show one moment [s]."""
    return max(15.0, sum(intervals_s))


def _share(kind: Kind, span_s: tuple[float, float], width: float) -> np.ndarray:
    """At each offset of `_CENTERS`, how many of the reference's events that the other log covers have their partner, 0…1, less what chance
    would find."""
    a, b = kind.reference_s, kind.other_s
    if len(a) < LEAST_PAIRS or len(b) < LEAST_PAIRS:
        return np.zeros(len(_CENTERS))
    first, last = np.searchsorted(b, a - FARTHEST_S), np.searchsorted(b, a + FARTHEST_S)
    differences = np.concatenate([b[i:j] - x for x, i, j in zip(a, first, last, strict=True)])
    counts = np.histogram(differences, _EDGES)[0].astype(float)
    reach = max(1, round(width / _BIN_S))
    kernel = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1)
    pile = np.convolve(counts, kernel, "same")
    possible = np.searchsorted(a, span_s[1] - _CENTERS, side="right") - np.searchsorted(
        a, span_s[0] - _CENTERS
    )
    chance = min(0.9, len(b) * float(kernel.sum()) * _BIN_S / max(span_s[1] - span_s[0], 1.0))
    share = np.where(possible >= LEAST_PAIRS, pile / np.maximum(possible, LEAST_PAIRS), 0.0)
    share = np.clip((share - chance) / (1.0 - chance), 0.0, 1.0) * np.minimum(1.0, possible / 8.0)
    if kind.lag_s[1] > kind.lag_s[0]:  # the other logger shows the event earlier, by the lag
        lags = np.arange(round(kind.lag_s[0] / _BIN_S), round(kind.lag_s[1] / _BIN_S) + 1)
        least, most = int(lags[0]), int(lags[-1])
        padded = np.pad(share, (max(most, 0), max(-least, 0)))
        less = _cost_of_lag(lags * _BIN_S) / _NATS_PER_SHARE
        parts = [
            padded[max(most, 0) - lag :][: len(share)] - cost for lag, cost in zip(lags, less, strict=True)
        ]
        share = np.maximum(np.max(parts, axis=0), 0.0)
    return share


def cost_of(offset_s: np.ndarray | float) -> np.ndarray:
    """Cost (n,) [nats] of offsets `offset_s` (n,) [s] a priori: less log probability, up to a constant. Common practice, no source."""
    hours = 3600.0 * np.arange(-6, 7)
    cost = np.where(hours == 0.0, 0.0, np.where(np.abs(hours) == 3600.0, 3.0, 5.0))
    near = np.min(cost + np.abs(np.asarray(offset_s)[..., None] - hours) / 60.0, axis=-1)
    return np.minimum(near, 8.0)


def _cost_of_lag(lag_s: np.ndarray) -> np.ndarray:
    """The same of `lag_s` (n,), how much later than the act a clip shows the end of a harvest [s]. Common practice, no source."""
    return np.minimum(np.abs(lag_s - USUAL_LAG_S) / LAG_SPREAD_S, 7.0)


def _paired(
    kind: Kind,
    about_s: float,
    about_drift: float,
    *,
    span_s: tuple[float, float],
    intervals_s: tuple[float, float],
    ambiguous_s: float,
) -> Offset | None:
    """Offset and drift of the pairs of one kind about an offset [s] that drifts [s/s], by the median of slopes (Theil 1950, Sen 1968); None where too
    few pair."""
    a, b = kind.reference_s, kind.other_s
    if len(a) < LEAST_PAIRS or len(b) < LEAST_PAIRS:
        return None
    offset, middle_lag = about_s, sum(kind.lag_s) / 2
    reach = 1.5 * _width(intervals_s) + (kind.lag_s[1] - kind.lag_s[0]) / 2
    away = about_drift * (a - sum(span_s) / 2)
    covered = (a + offset >= span_s[0]) & (a + offset <= span_s[1])
    a, away = a[covered], away[covered]
    target = a + offset + away - middle_lag
    i = np.clip(np.searchsorted(b, target), 1, len(b) - 1)
    partner = np.where(np.abs(b[i] - target) < np.abs(b[i - 1] - target), b[i], b[i - 1])
    near = np.abs(partner - target) <= reach
    t, d = a[near], partner[near] - a[near]
    if len(t) < LEAST_PAIRS or len(t) < _LEAST_SHARE * len(a):
        return None
    lag = USUAL_LAG_S if kind.lag_s != (0.0, 0.0) else 0.0
    middle, span = float(np.median(t)), float(t[-1] - t[0])
    drift, level = 0.0, float(np.median(d))
    if span > 12 * 3600.0 and len(t) >= 8:
        slope, _intercept, low, high = theilslopes(d, t, 0.95)
        if low * high > 0 and abs(slope) * span > 3.0:
            drift, level = float(slope), float(np.median(d - slope * (t - middle)))
    rest = d - drift * (t - middle) - level
    spread = 1.4826 * float(np.median(np.abs(rest)))
    return Offset(
        offset_s=level + lag,
        drift_s_per_day=drift * 86400.0,
        middle_s=middle,
        uncertainty_s=float(
            np.hypot(1.645 * 1.2533 * spread / np.sqrt(len(t)), max(5.0, 0.1 * max(intervals_s))) + lag
        ),
        pairs=len(t),
        share=len(t) / max(len(a), 1),
        ambiguous_s=ambiguous_s,
    )
