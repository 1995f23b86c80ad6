"""Cycles laid upon each other: the readings about each of many like events, put on one fine grid and moved until they lie on
the median of their neighbours.

Aligning each repetition with the average of the others and averaging again is Woody's method (C. D. Woody, Med. & Biol. Eng. 5
(1967) 539–553). Here the average is a median over a window of neighbours that moves along the log, so that it changes as the
machine does.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.signal.signals import Trace

NEIGHBOURS = 12  # events on either side whose median is the template; 6 to 24 do as well
EVERY = 6  # a template is made for every so manieth event
ROUNDS = 3
GRID_S = (2.0, 10.0)  # the grid is half of the quickest interval, between these
AT_ONCE = 100  # events, or templates, that are worked on at once: so a log of a year takes little more room than its readings
CAP = 9.0  # squared deviations of more than three times the usual count no more


@dataclass(frozen=True, kw_only=True)
class Template:
    """The course that neighbouring events share."""

    offsets_s: np.ndarray  # (l,): from the events' moments [s]
    values: (
        np.ndarray
    )  # (windows, l): median course of the events about each window's middle [unit of the trace]
    noise: np.ndarray  # (windows,): standard deviation of one point of it
    count: np.ndarray  # (windows,): events in it


@dataclass(frozen=True, kw_only=True)
class Laid:
    """Like events laid upon each other."""

    near_ns: (
        np.ndarray
    )  # int64 (n,): the moments at which they lie on their neighbours; all may be off by the same
    apart_s: np.ndarray  # (n,): standard deviation of each by itself [s]
    templates: list[Template]  # one a trace


def even_grid(before_s: float, after_s: float, traces: Sequence[Trace]) -> np.ndarray:
    """Offsets [s] from `before_s` before to `after_s` after an event, (l,), as fine as the quickest of `traces` allows."""
    step = float(np.clip(min(t.interval_s for t in traces) / 2, *GRID_S))
    return np.arange(-round(before_s / step), round(after_s / step) + 1) * step


def laid(traces: Sequence[Trace], near_ns: np.ndarray, offsets_s: np.ndarray, reach_s: float) -> Laid:
    """The events about `near_ns` (n,) [ns], each moved by at most `reach_s` a round, and what neighbours have in common."""
    shift_s, apart_s = aligned(traces, near_ns, offsets_s, reach_s)
    near_ns = near_ns + np.round(shift_s * 1e9).astype(np.int64)
    about = [readings_about(trace, near_ns, offsets_s) for trace in traces]
    templates = [template_of(rows, offsets_s, t.noise) for rows, t in zip(about, traces, strict=True)]
    return Laid(near_ns=near_ns, apart_s=apart_s, templates=templates)


def smoothed(course: np.ndarray, half: int) -> np.ndarray:
    """Mean over 2 half + 1 points along the last axis; beyond the ends the course (..., l) stays as it ends."""
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(course, 2 * half + 1, mode="nearest") if half >= 1 else course


def readings_about(trace: Trace, at_ns: np.ndarray, offsets_s: np.ndarray) -> np.ndarray:
    """Readings of `trace` about the moments `at_ns` (n,), on the even grid `offsets_s` (l,): drawn straight between readings, or
    averaged over one step of the grid where the logger is quicker. NaN beyond the trace and in its holes. Shape (n, l)."""
    out = np.empty((len(at_ns), len(offsets_s)))
    for part in parts_of(len(at_ns)):
        out[part] = _readings_about(trace, at_ns[part], offsets_s)
    return out


def parts_of(n: int) -> list[slice]:
    """`n` events, or windows, AT_ONCE at a time."""
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


def windows_of(n: int) -> np.ndarray:
    """The middles of the windows of `n` events, increasing; (windows,)."""
    if n <= 2 * EVERY:
        return np.array([n // 2])
    return np.arange(EVERY // 2, n, EVERY)


def template_of(values: np.ndarray, offsets_s: np.ndarray, noise: float) -> Template:
    """Median course of every window of `values` (n, l)."""
    n = len(values)
    level = np.concatenate([np.nan_to_num(medians(values[part], 1)) for part in parts_of(n)])
    if n > 2:
        values = values - (level - running_median(level))[:, None]
    middles, wide = windows_of(n), min(n, 2 * NEIGHBOURS + 1)
    first = np.clip(middles - NEIGHBOURS, 0, n - wide)
    about = [first[part, None] + np.arange(wide) for part in parts_of(len(first))]
    out = np.concatenate([medians(values[rows], 1) for rows in about])
    count = np.full(len(middles), wide)
    return Template(offsets_s=offsets_s, values=out, noise=1.2533 * noise / np.sqrt(count), count=count)


def medians(values: np.ndarray, axis: int) -> np.ndarray:
    """Median of what is known of `values` (rows, columns) along `axis`, in their unit; NaN where nothing is."""
    if not np.isnan(values).any():
        return np.median(values, axis=axis)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of slices of which nothing is known
        return np.nanmedian(values, axis=axis)


def window_of_each(n: int) -> np.ndarray:
    """Which window each of `n` events belongs to, (n,)."""
    return np.minimum(np.arange(n) // EVERY, len(windows_of(n)) - 1)


def running_median(values: np.ndarray, half: int = NEIGHBOURS) -> np.ndarray:
    """Median of each value's neighbours, at most `half` on either side; (n,)."""
    from scipy.ndimage import median_filter

    if len(values) <= 2 * half + 1:
        return np.full(len(values), np.median(values))
    return median_filter(values, 2 * half + 1, mode="nearest")


def aligned(
    traces: Sequence[Trace], at_ns: np.ndarray, offsets_s: np.ndarray, reach_s: float, rounds: int = ROUNDS
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
    window, parts = window_of_each(n), parts_of(n)
    moves = np.arange(-more, more + 1) * step
    for _ in range(rounds):
        cost = np.zeros((n, len(moves)))
        number = 0.0
        now_ns = at_ns + np.round(shift * 1e9).astype(np.int64)
        for trace in traces:
            wide = readings_about(trace, now_ns, grid)
            inner = wide[:, more : more + len(offsets_s)]
            courses = template_of(inner, offsets_s, trace.noise).values
            weight = min(1.0, step / trace.interval_s)
            off = np.empty(inner.shape)
            for part in parts:
                course = courses[window[part]]
                wide[part] -= np.nan_to_num(medians(inner[part] - course, 1))[:, None]
                np.abs(inner[part] - course, out=off[part])
            usual = 1.4826 * float(medians(off.ravel(), 0))
            usual = max(usual if np.isfinite(usual) else 0.0, trace.noise, 1e-9)
            for part in parts:
                course = courses[window[part]]
                for j in range(len(moves)):
                    d = ((wide[part, j : j + len(offsets_s)] - course) / usual) ** 2
                    cost[part, j] += weight * np.nansum(np.minimum(d, CAP), axis=1)
            number += weight
        best = cost.argmin(axis=1).clip(1, len(moves) - 2)
        row = np.arange(n)
        a, b, c = cost[row, best - 1], cost[row, best], cost[row, best + 1]
        bend = np.maximum(a - 2 * b + c, 1e-9)
        found = moves[best] + step * np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
        sd = step * np.sqrt(np.maximum(b, 1.0) / len(offsets_s) / number * 2 / bend)
        shift += found - running_median(found)
    return shift, np.clip(sd, 0.2, 60.0)
