"""A cold line and a current laid upon their own cycles: where each departs from its course, and so how far their clocks are apart.

All cycles are laid upon each other, readings interleaved, so that even slow loggers
show their course at a few seconds. A harvest shows in the line as a rise from its departure to its top, in the current as a break at the
beginning and one at the end, steps or bends, either way. Every shift of the one against the other, and every lag of the clip, is weighed
by the breaks that it would put at those two moments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.logs.alignment.clock_offset import (
    END_LAG_S,
    Kind,
    Offset,
    clock_offset,
    cost_of,
    cost_of_lag,
    paired,
)
from pipeline.logs.alignment.departure import departure_s
from pipeline.logs.alignment.shared_events import Rises, Steps

_SHARE_OF_STARTS = 0.6
_ODD_ALONE = 4.0
_SIDE_S = 45.0
_MARGIN_S = 240.0
_MOST_NATS = 15.0
_NOISE_SHARE = 0.005  # of the current's range: what a course is not straight by anyway
_LAGS_S = np.arange(END_LAG_S[0], END_LAG_S[1] + 1.0, 5.0)


@dataclass(frozen=True, kw_only=True)
class Trace:
    """Times [s], sorted, and readings, float64 (n,); the usual interval [s]."""

    at_s: np.ndarray
    values: np.ndarray
    interval_s: float


@dataclass(frozen=True, kw_only=True)
class Course:
    """Medians (m,) of all cycles' readings at `at_s` (m,) [s] from their steps; how many readings each holds."""

    at_s: np.ndarray
    level: np.ndarray
    count: np.ndarray


def course(
    trace: Trace, steps_s: np.ndarray, reach_s: tuple[float, float], low: np.ndarray, scale: np.ndarray
) -> Course:
    """The course from `reach_s[0]` to `reach_s[1]` about the steps (k,) [s]; each cycle less its `low` (k,), by its `scale` (k,)."""
    times, values = [], []
    for step, zero, unit in zip(steps_s, low, scale, strict=True):
        a, b = np.searchsorted(trace.at_s, (step + reach_s[0], step + reach_s[1]))
        times.append(trace.at_s[a:b] - step)
        values.append((trace.values[a:b] - zero) / unit)
    t, y = np.concatenate(times), np.concatenate(values)
    keep = ~np.isnan(y)
    t, y = t[keep], y[keep]
    cell = np.floor((t - reach_s[0]) / max(2.0, trace.interval_s / 10.0)).astype(int)
    order = np.lexsort((y, cell))
    t, y = t[order], y[order]
    _numbers, first, count = np.unique(cell[order], return_index=True, return_counts=True)
    return Course(
        at_s=np.add.reduceat(t, first) / count if len(t) else t, level=y[first + count // 2], count=count
    )


def line_and_current(
    line: Rises, current: Steps, of_line: Trace, of_current: Trace, span_s: tuple[float, float]
) -> Offset | None:
    """How far the current's clock is from the line's, or None where the log doesn't tell. span_s: first and last time of the current's."""
    intervals_s = (of_line.interval_s, of_current.interval_s)
    up, down = current.by_direction()
    ends = np.sort(line.end_s[~np.isnan(line.end_s)])
    kinds = [  # a load that alone steps up does so as a freeze begins, one that alone steps down as it ends
        Kind(reference_s=line.start_s, other_s=up, group=0, alone_nats=_ODD_ALONE),
        Kind(reference_s=line.start_s, other_s=down, group=0),
        Kind(reference_s=ends, other_s=up, group=1, lag_s=END_LAG_S),
        Kind(reference_s=ends, other_s=down, group=1, lag_s=END_LAG_S, alone_nats=_ODD_ALONE),
    ]
    rough = clock_offset(kinds, span_s=span_s, intervals_s=intervals_s)
    if rough is None:
        return None
    about = float(np.median(rough.at(line.start_s)))
    starts = [
        paired(k, about, rough.drift_s_per_day / 86400.0, span_s=span_s, intervals_s=intervals_s)
        for k in kinds[:2]
    ]
    best = max((s for s in starts if s is not None), key=lambda s: s.share, default=None)
    if best is not None and best.share >= _SHARE_OF_STARTS:
        return replace(_by_departures(best, line, of_line), ambiguous_s=rough.ambiguous_s)
    return _by_whole_cycles(rough, line, of_line, of_current)


def _by_departures(offset: Offset, line: Rises, of_line: Trace) -> Offset:
    """Steps at the beginnings are paired: the offset is right where the line departs at them."""
    steps_s = offset.other_s - offset.at(offset.reference_s)
    row = np.clip(np.searchsorted(line.start_s, offset.reference_s), 0, len(line.start_s) - 1)
    found = course(of_line, steps_s, (-150.0, 150.0), line.low_c[row], line.rise_k[row])
    after, spread = departure_s(found.at_s, found.level, found.count, 0.0, interval_s=of_line.interval_s)
    return replace(
        offset,
        offset_s=offset.offset_s - after,
        uncertainty_s=float(np.hypot(offset.uncertainty_s, 1.645 * spread)),
    )


def _by_whole_cycles(offset: Offset, line: Rises, of_line: Trace, of_current: Trace) -> Offset:
    """The offset moved to where the breaks of the current's course stand at the two ends of the line's rise."""
    duration_s = float(np.nanmedian(line.end_s - line.start_s)) if np.isfinite(line.end_s).any() else 120.0
    reach = duration_s + _MARGIN_S + _SIDE_S
    anchors = line.start_s
    moved = replace(of_current, at_s=of_current.at_s - offset.at(of_current.at_s))
    course_c = course(of_line, anchors, (-reach, reach), line.low_c, line.rise_k)
    course_a = course(moved, anchors, (-reach, reach), np.zeros(len(anchors)), np.ones(len(anchors)))
    if min(len(course_c.at_s), len(course_a.at_s)) < 12:
        return offset
    found = _rise_of(course_c, of_line.interval_s)
    at, nats = _breaks(course_a)
    if found is None or not len(at):
        return offset
    (start, start_sd), end = found
    shifts = np.arange(-_MARGIN_S, _MARGIN_S + 1.0, 1.0)
    kernel = np.exp(-0.5 * (np.arange(-30, 31) / max(start_sd, 1.0)) ** 2)
    opening = np.convolve(np.exp(np.interp(start + shifts, at, nats)), kernel / kernel.sum(), "same")
    lag_prior = np.exp(-cost_of_lag(_LAGS_S))
    closing = np.exp(np.interp(end + shifts[None, :] - _LAGS_S[:, None], at, nats)) * lag_prior[:, None]
    weight = opening * closing.sum(axis=0) * np.exp(-cost_of(offset.offset_s + shifts))
    near = np.abs(shifts - shifts[np.argmax(weight)]) <= 25.0
    weight = np.where(near, weight, 0.0) / weight[near].sum()
    later = float((weight * shifts).sum())
    spread = float(np.sqrt((weight * (shifts - later) ** 2).sum()))
    return replace(
        offset, offset_s=offset.offset_s + later, uncertainty_s=float(np.hypot(5.0, 1.645 * spread))
    )


def _rise_of(of_line: Course, interval_s: float) -> tuple[tuple[float, float], float] | None:
    """((departure, its standard deviation), top) of the line's course [s]."""
    t, y = of_line.at_s, of_line.level
    after = np.flatnonzero((y[:-1] < 0.5) & (y[1:] >= 0.5))
    if not len(after):
        return None
    half = int(after[np.argmin(np.abs(t[after]))])
    top = half + 1 + int(np.argmax(y[half + 1 :][t[half + 1 :] < t[half] + 300.0]))
    before = np.flatnonzero((t <= t[half]) & (t > t[half] - 240.0))
    bottom = before[np.argmin(y[before])]
    rough = float(t[bottom : half + 1][np.flatnonzero(y[bottom : half + 1] <= y[bottom] + 0.04)[-1]])
    return departure_s(t, y, of_line.count, rough, interval_s=interval_s), float(t[top])


def _breaks(of_current: Course) -> tuple[np.ndarray, np.ndarray]:
    """(moments [s], how much better two straight lines that part there explain what is about them than one [nats])."""
    t, y = of_current.at_s, of_current.level
    low, high = np.percentile(y, (5, 95))
    floor = (_NOISE_SHARE * (high - low)) ** 2
    spacing = float(np.median(np.diff(t)))
    at, nats = [], []
    for i in range(3, len(t) - 3):
        p = (t[i - 1] + t[i]) / 2
        if p - _SIDE_S < t[0] or p + _SIDE_S > t[-1]:
            continue
        at.append(p)
        nats.append(
            max(_gain(t, y, i, p, max(side, 4.0 * spacing), floor) for side in (_SIDE_S / 3, _SIDE_S))
        )
    side = _SIDE_S
    where, gain = np.array(at), np.array(nats)
    if not len(where):
        return where, gain
    peak = np.array([gain[np.abs(where - p) <= side / 2].max() for p in where])
    return where, np.maximum(gain - np.maximum(peak - _MOST_NATS, 0.0), 0.0)


def _gain(t: np.ndarray, y: np.ndarray, i: int, moment: float, side: float, floor: float) -> float:
    """How much better two straight lines that part at `i` explain the readings up to `side` seconds from there than one [nats]."""
    a, b = np.searchsorted(t, (moment - side, moment + side))
    if i - a < 3 or b - i < 3:
        return 0.0
    one, two = _misfit(t[a:b], y[a:b]), _misfit(t[a:i], y[a:i]) + _misfit(t[i:b], y[i:b])
    return 0.5 * min(b - a, 24) * float(np.log((one / (b - a) + floor) / (two / (b - a) + floor)))


def _misfit(t: np.ndarray, y: np.ndarray) -> float:
    """Sum of squares about the best straight line."""
    x = t - t.mean()
    spread = float(x @ x)
    rest = y - y.mean()
    return float(rest @ rest) - (float(x @ rest) ** 2 / spread if spread else 0.0)
