"""Cycles laid upon each other: the readings about each of many events, put on one fine grid and moved until they lie on the median
of those like them.

Aligning each repetition with the average of the others and averaging again is Woody's method (C. D. Woody, Med. & Biol. Eng. 5
(1967) 539–553). Here the average is a median over those of an event's neighbours in time that are most like it, so that it changes
as the machine does, and two kinds of cycle that take turns are not mixed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.signal.signals import Trace

REACH = 24  # events on either side among which those like one are sought
LIKE = 13  # so many, itself among them, make its template
POINTS = 60  # of each trace, at which events are compared
TIE = 1e-3  # noises for every event that lies between two, where both are alike
FAR = 3.0  # noises by which two are taken for further apart of which not all is known
ROUNDS = 3
NEAREST, EVERY = 25, 6  # in all rounds but the last each is laid on so many, chosen for so many together
GRID_S = (2.0, 10.0)  # the grid is half of the quickest interval, between these
AT_ONCE = 100  # events, or templates, that are worked on at once: so a log of a year takes little more room than its readings
REACH_PART, REACH_S = 0.4, (30.0, 60.0)  # of a harvest, and between these, a named moment may be off
FEW = 31  # an odd number of values, of which the median is quicker found by comparing them
CAP = 9.0  # squared deviations of more than three times the usual count no more


@dataclass(frozen=True, kw_only=True)
class Template:
    """The course that each event shares with those like it."""

    offsets_s: np.ndarray  # (l,): from the events' moments [s]
    values: np.ndarray  # (n, l): median course of those like each event [unit of the trace]
    noise: float  # standard deviation of one point of it


@dataclass(frozen=True, kw_only=True)
class Laid:
    """Like events laid upon each other."""

    near_ns: (
        np.ndarray
    )  # int64 (n,): the moments at which they lie on their neighbours; all may be off by the same
    apart_s: np.ndarray  # (n,): standard deviation of each by itself [s]
    like: np.ndarray  # (n, k): on which of the others each lies
    templates: list[Template]  # one a trace


def even_grid(before_s: float, after_s: float, traces: Sequence[Trace]) -> np.ndarray:
    """Offsets [s] from `before_s` before to `after_s` after an event, (l,), as fine as the quickest of `traces` allows."""
    step = float(np.clip(min(t.interval_s for t in traces) / 2, *GRID_S))
    return np.arange(-round(before_s / step), round(after_s / step) + 1) * step


def acts_laid(
    traces: Sequence[Trace], near_ns: np.ndarray, before_s: float, after_s: float, harvest_s: float
) -> Laid:
    """Acts of one kind about `near_ns` (n,) [ns] laid upon each other, from `before_s` before them to `after_s` after. harvest_s: how long
    a harvest was named."""
    reach_s = float(np.clip(REACH_PART * harvest_s, *REACH_S))
    return laid(traces, near_ns, even_grid(before_s, after_s, traces), reach_s)


def laid(
    traces: Sequence[Trace], near_ns: np.ndarray, offsets_s: np.ndarray, reach_s: float, count: int = LIKE
) -> Laid:
    """The events about `near_ns` (n,) [ns], each moved by at most `reach_s` a round, and what neighbours have in common."""
    shift_s, apart_s = aligned(traces, near_ns, offsets_s, reach_s, count)
    near_ns = near_ns + np.round(shift_s * 1e9).astype(np.int64)
    about = [readings_about(trace, near_ns, offsets_s) for trace in traces]
    like = alike(about, traces, float(offsets_s[1] - offsets_s[0]), count)
    templates = [template_of(rows, like, offsets_s, t.noise) for rows, t in zip(about, traces, strict=True)]
    return Laid(near_ns=near_ns, apart_s=apart_s, like=like, templates=templates)


def readings_about(trace: Trace, at_ns: np.ndarray, offsets_s: np.ndarray) -> np.ndarray:
    """Readings of `trace` about the moments `at_ns` (n,), on the even grid `offsets_s` (l,): drawn straight between readings, or
    averaged over one step of the grid where the logger is quicker. NaN beyond the trace and in its holes. Shape (n, l)."""
    out = np.empty((len(at_ns), len(offsets_s)))
    for part in parts_of(len(at_ns)):
        out[part] = _readings_about(trace, at_ns[part], offsets_s)
    return out


def parts_of(n: int) -> list[slice]:
    """`n` events, or templates, AT_ONCE at a time."""
    return [slice(k, k + AT_ONCE) for k in range(0, n, AT_ONCE)]


def _readings_about(trace: Trace, at_ns: np.ndarray, offsets_s: np.ndarray) -> np.ndarray:
    """As `readings_about`, of the few readings between the first of the moments and the last."""
    step = float(offsets_s[1] - offsets_s[0])
    base = int(trace.time_ns[0])
    wanted = (at_ns - base)[:, None] * 1e-9 + offsets_s
    flat = wanted.ravel()
    ends_ns = base + np.round(1e9 * np.array([flat.min() - step, flat.max() + step])).astype(np.int64)
    first, stop = np.searchsorted(trace.time_ns, ends_ns)
    about = slice(max(int(first) - 2, 0), int(stop) + 2)
    known, values = (trace.time_ns[about] - base) * 1e-9, trace.values[about]
    if trace.interval_s < 0.75 * step:
        area = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(known))])
        edges = np.interp(np.concatenate([flat - 0.5 * step, flat + 0.5 * step]), known, area)
        out = (edges[len(flat) :] - edges[: len(flat)]) / step
    else:
        out = np.interp(flat, known, values)
    right = np.searchsorted(known, flat).clip(1, len(known) - 1)
    bad = (
        (known[right] - known[right - 1] > max(3.5 * trace.interval_s, 10.0))
        | (flat < known[0])
        | (flat > known[-1])
    )
    out[bad] = np.nan
    return out.reshape(wanted.shape)


def alike(rows: Sequence[np.ndarray], traces: Sequence[Trace], step: float, count: int = LIKE) -> np.ndarray:
    """Which events each is laid on, itself among them: of its neighbours in time those whose readings are most like its own, whatever
    their level, and the nearest of those equally alike. What half an interval earlier or later explains is no difference: it only tells
    when the logger looked. rows: of each trace (n, l), on a grid of `step` seconds [unit of the trace]. Shape (n, k)."""
    n = len(rows[0])
    far = min(REACH, n - 1)
    apart = np.tile(TIE * np.abs(np.arange(-far, far + 1.0)), (n, 1))
    thin = slice(None, None, max(1, rows[0].shape[1] // POINTS))
    low, high = [], []
    for values, trace in zip(rows, traces, strict=True):
        free = (values - level_of(values)) / max(trace.noise, 1e-9)
        half = min(max(1, round(0.5 * trace.interval_s / step)), (free.shape[1] - 1) // 2)
        about = np.lib.stride_tricks.sliding_window_view(free, 2 * half + 1, axis=1)[:, thin]
        low.append(about.min(axis=2))
        high.append(about.max(axis=2))
    least, most = np.concatenate(low, axis=1), np.concatenate(high, axis=1)
    for k in range(1, far + 1):
        off = np.maximum(np.maximum(least[k:] - most[:-k], least[:-k] - most[k:]), 0.0)
        total = off.mean(axis=1)
        holed = np.isnan(total)
        total[holed] = FAR + np.nan_to_num(medians(off[holed], 1))
        apart[k:, far - k] += total
        apart[:-k, far + k] += total
    where = np.arange(n)[:, None] + np.arange(-far, far + 1)
    apart[(where < 0) | (where >= n)] = np.inf
    like = np.argpartition(apart, min(count, n) - 1, axis=1)[:, : min(count, n)]
    return np.take_along_axis(where, like, 1)


def shared(values: np.ndarray, like: np.ndarray) -> np.ndarray:
    """Median course of the events `like` (w, k) of `values` (n, l), whatever their level; (w, l)."""
    free = values - level_of(values)
    return np.concatenate([medians(free[like[part]], 1) for part in parts_of(len(like))])


def level_of(values: np.ndarray) -> np.ndarray:
    """Median of each row of `values` (n, l), in their unit; 0 where nothing is known. Shape (n, 1)."""
    level = [np.nan_to_num(medians(values[part], 1)) for part in parts_of(len(values))]
    return np.concatenate(level)[:, None]


def template_of(values: np.ndarray, like: np.ndarray, offsets_s: np.ndarray, noise: float) -> Template:
    """What each event of `values` (n, l) shares with those `like` it (n, k), at its own level."""
    out = shared(values, like) + level_of(values)
    return Template(offsets_s=offsets_s, values=out, noise=1.2533 * noise / np.sqrt(like.shape[1]))


def medians(values: np.ndarray, axis: int) -> np.ndarray:
    """Median of what is known of `values` (..., of any shape) along `axis`, in their unit; NaN where nothing is."""
    known = np.count_nonzero(~np.isnan(values), axis=axis, keepdims=True)
    if known.size and known.min() == values.shape[axis]:
        few = values.shape[axis] % 2 and values.shape[axis] <= FEW
        return _median_of_few(np.moveaxis(values, axis, 0)) if few else np.median(values, axis=axis)
    ordered = np.sort(values, axis=axis)  # what is not known comes last
    low, high = np.maximum(known - 1, 0) // 2, np.minimum(known // 2, values.shape[axis] - 1)
    middle = 0.5 * (np.take_along_axis(ordered, low, axis) + np.take_along_axis(ordered, high, axis))
    return np.squeeze(middle, axis=axis)


def _median_of_few(values: np.ndarray) -> np.ndarray:
    """Median of an odd number k of `values` (k, ...): of one more than half of them neither the least nor the greatest can be it, so both go, and
    one that was not yet looked at comes in; nine times as quick as a partition of each column."""
    middle = len(values) // 2
    some, others = list(values[: middle + 2]), list(values[middle + 2 :])
    while len(some) > 1:
        for i in range(1, len(some)):
            some[0], some[i] = np.minimum(some[0], some[i]), np.maximum(some[0], some[i])
        for i in range(1, len(some) - 1):
            some[i], some[-1] = np.minimum(some[i], some[-1]), np.maximum(some[i], some[-1])
        some = some[1:-1] + others[-1:]
        del others[-1:]
    return some[0]


def running_median(values: np.ndarray, half: int = 12) -> np.ndarray:
    """Median of each value's neighbours, at most `half` on either side; (n,)."""
    from scipy.ndimage import median_filter

    if len(values) <= 2 * half + 1:
        return np.full(len(values), np.median(values))
    return median_filter(values, 2 * half + 1, mode="nearest")


def aligned(
    traces: Sequence[Trace], at_ns: np.ndarray, offsets_s: np.ndarray, reach_s: float, count: int = LIKE
) -> tuple[np.ndarray, np.ndarray]:
    """Shift of each event that lays it on its neighbours [s] (n,), with none in common; and how sure it is: the standard
    deviation of each shift [s] (n,)."""
    n, step = len(at_ns), float(offsets_s[1] - offsets_s[0])
    shift, sd = np.zeros(n), np.full(n, step)
    if n < 3:
        return shift, sd
    more = round(reach_s / step)
    grid = np.concatenate(
        [
            offsets_s[0] - step * np.arange(more, 0, -1),
            offsets_s,
            offsets_s[-1] + step * np.arange(1, more + 1),
        ]
    )
    # First on the nearest in time: as long as events lie apart, those are most alike that lie apart by the same.
    wide_n = min(n, NEAREST)
    middles = np.arange(min(EVERY, n) // 2, n, EVERY)
    near = np.clip(middles - wide_n // 2, 0, n - wide_n)[:, None] + np.arange(wide_n)
    block = np.minimum(np.arange(n) // EVERY, len(middles) - 1)
    parts = parts_of(n)
    moves = np.arange(-more, more + 1) * step
    for turn in range(ROUNDS):
        cost = np.zeros((n, len(moves)))
        number = 0.0
        now_ns = at_ns + np.round(shift * 1e9).astype(np.int64)
        about = [readings_about(trace, now_ns, grid) for trace in traces]
        inners = [wide[:, more : more + len(offsets_s)] for wide in about]
        last = turn == ROUNDS - 1
        like, which = (alike(inners, traces, step, count), np.arange(n)) if last else (near, block)
        for trace, wide, inner in zip(traces, about, inners, strict=True):
            courses = shared(inner, like)
            weight = min(1.0, step / trace.interval_s)
            off = np.empty(inner.shape)
            for part in parts:
                course = courses[which[part]]
                wide[part] -= np.nan_to_num(medians(inner[part] - course, 1))[:, None]
                np.abs(inner[part] - course, out=off[part])
            usual = 1.4826 * float(medians(off.ravel(), 0))
            usual = max(usual if np.isfinite(usual) else 0.0, trace.noise, 1e-9)
            for part in parts:
                scaled, course = (
                    x.astype(np.float32) for x in (wide[part] / usual, courses[which[part]] / usual)
                )
                holed = np.isnan(scaled).any(axis=1) | np.isnan(course).any(axis=1)
                d = np.empty_like(course)
                for j in range(len(moves)):
                    np.subtract(scaled[:, j : j + len(offsets_s)], course, out=d)
                    np.minimum(np.square(d, out=d), CAP, out=d)
                    if holed.any():
                        d[holed] = np.nan_to_num(d[holed], copy=False)
                    cost[part, j] += weight * d.sum(axis=1)
            number += weight
        best = cost.argmin(axis=1).clip(1, len(moves) - 2)
        row = np.arange(n)
        a, b, c = cost[row, best - 1], cost[row, best], cost[row, best + 1]
        bend = np.maximum(a - 2 * b + c, 1e-9)
        found = moves[best] + step * np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
        sd = step * np.sqrt(np.maximum(b, 1.0) / len(offsets_s) / number * 2 / bend)
        shift += found - running_median(found)
    return shift, np.clip(sd, 0.2, 60.0)
