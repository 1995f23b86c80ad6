"""Harvests by a clamp alone: which of the changes of its current, that recur from cycle to cycle, are the two acts.

What gas does to a current, and which way, is the machine's own. But a freeze is long and its course is smooth; a harvest begins with the first
change that leaves it, and ends with the first that leads back. So the templates about the named starts and ends are searched
for the moments at which the current begins to move, and the pair is taken that makes the likeliest harvest.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from scipy.ndimage import median_filter

from pipeline.cycles import superpose
from pipeline.cycles.acts import smoothed
from pipeline.cycles.signals import Trace

E = lambda k, d: float(os.environ.get(k, d))
# Common practice, no source, all of them.
BEFORE_S, AFTER_S = 240.0, 180.0  # about a named act other changes are sought
SMOOTH_S = 4.0
CLEAR = E("CCLEAR", 5.0)  # times the usual steepness, and the noise's: a change
LEAST_PART = E("CLEAST", 0.08)  # of the steepest
BEGINS = 0.5  # of its steepest a change has begun
USUAL_S, SPREAD = 150.0, E("CSPREAD", 0.7)  # a harvest: log-normal
SKIPPED = E("CSKIP", 0.8)  # nats a change costs that a reading leaves unexplained
NEAR_S, NAMED = 25.0, E("CNAMED", 0.2)  # so steep is the named moment, of the steepest
BEFORE_COST = E("CBEF", 1.2)


@dataclass(frozen=True, kw_only=True)
class Onset:
    at: float  # [s]
    steep: float  # [A/s]


def onsets(offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float) -> list[Onset]:
    """When the current begins to move, in order of time."""
    known = np.isfinite(course)
    if known.sum() < 10:
        return []
    course = np.where(known, course, np.nanmedian(course))
    step = float(offsets[1] - offsets[0])
    half = max(1, round(max(SMOOTH_S, 0.3 * interval_s) / 2 / step))
    slope = np.gradient(smoothed(course, half), step)
    slope = slope - median_filter(slope, 2 * round(E("CSLOW", 75) / step) + 1, mode="nearest")
    size = np.abs(slope)
    edge = half + 1
    inner = size[edge:-edge]
    if len(inner) < 5:
        return []
    by_noise = noise * np.sqrt(2.0) / ((2 * half + 1) * step)
    least = max(CLEAR * float(np.median(inner)), CLEAR * by_noise, LEAST_PART * float(inner.max()))
    found = []
    i = edge
    while i < len(size) - edge:
        if size[i] < least:
            i += 1
            continue
        j = i
        while j < len(size) - edge and size[j] >= 0.4 * least and slope[j] * slope[i] > 0:
            j += 1
        k = i + int(np.argmax(size[i:j]))
        b = k
        while b > edge and size[b - 1] >= BEGINS * size[k] and slope[b - 1] * slope[k] > 0:
            b -= 1
        # between the last point under and the first over
        lo, hi = size[b - 1] if slope[b - 1] * slope[k] > 0 else 0.0, size[b]
        part = (BEGINS * size[k] - lo) / max(hi - lo, 1e-12) if hi > lo else 1.0
        at = offsets[b - 1] + np.clip(part, 0, 1) * step + 0.25 * interval_s
        found.append(Onset(at=float(min(at, offsets[k])), steep=float(size[k])))
        i = max(j, i + 1)
    return found


def pair(starts: list[Onset], ends: list[Onset], named_s: float, most_s: float) -> tuple[float, float] | None:
    """(start, end) as offsets from the named ones; named_s: how long a harvest was named. most_s: no harvest lasts longer."""
    if not starts or not ends:
        return None
    starts, ends = _with_named(starts), _with_named(ends)
    top_s = max(o.steep for o in starts)
    best, chosen = -np.inf, None
    for s in starts:
        before = sum(o.steep / top_s for o in starts if s.at - BEFORE_S < o.at < s.at)
        later = [o for o in ends if o.at > s.at - named_s + 10]
        top_e = max((o.steep for o in later), default=1.0)
        for e in later:
            length = named_s + e.at - s.at
            if length < 20.0 or length > most_s:
                continue
            between = sum(o.steep / top_e for o in later if o.at < e.at)
            score = -0.5 * (np.log(length / USUAL_S) / SPREAD) ** 2 - BEFORE_COST * before - SKIPPED * between
            score += E('CST', 0.7) * (np.log(s.steep / top_s) + np.log(e.steep / top_e))
            if score > best:
                best, chosen = score, (s.at, e.at)
    return chosen


def _with_named(found: list[Onset]) -> list[Onset]:
    """`found` and, where none is near, the named moment, as a change of its own."""
    if any(abs(o.at) < NEAR_S for o in found):
        return found
    return sorted([*found, Onset(at=0.0, steep=NAMED * max(o.steep for o in found))], key=lambda o: o.at)


def acts_of(trace: Trace, starts_ns: np.ndarray, ends_ns: np.ndarray, freeze_s: float):
    """(start, end) of every harvest [ns], (k,) each, and how sure (k,) each [s]; None where the clamp shows none."""
    step = float(np.clip(trace.interval_s / 2, 2.0, 10.0))
    named = float(np.median(ends_ns - starts_ns)) * 1e-9
    if named < E("CINT", 0) * trace.interval_s:
        return None
    most = min(0.45 * (named + freeze_s), 900.0)
    back = min(BEFORE_S, 0.4 * freeze_s)
    laid = []
    for at_ns, before, after in ((starts_ns, back, min(named + 30.0, AFTER_S)), (ends_ns, min(named + back, BEFORE_S + 120), min(AFTER_S / 2, 0.3 * freeze_s))):
        offsets = np.arange(-round(before / step), round(after / step) + 1) * step
        shift, apart = superpose.aligned([trace], at_ns, offsets, float(np.clip(0.4 * named, 30.0, 60.0)))
        near = at_ns + np.round(shift * 1e9).astype(np.int64)
        template = superpose.template_of(superpose.readings_about(trace, near, offsets), offsets, trace.noise)
        laid.append((offsets, near, apart, template))
    (so, sn, sa, st), (eo, en, ea, et) = laid
    found = []
    for w in range(len(st.values)):
        found.append(pair(onsets(so, st.values[w], st.noise[w], trace.interval_s), onsets(eo, et.values[w], et.noise[w], trace.interval_s), named, most))
    ok = [f for f in found if f is not None]
    if len(ok) < 0.5 * len(found):
        return None
    filled = np.array([f if f is not None else (np.nan, np.nan) for f in found])
    for c in range(2):
        bad = np.isnan(filled[:, c])
        filled[bad, c] = np.nanmedian(filled[:, c])
        filled[:, c] = superpose.running_median(filled[:, c], 2)
    n = len(starts_ns)
    windows = superpose.windows_of(n)
    s, e = (np.interp(np.arange(n), windows, filled[:, c]) for c in range(2))
    return sn + np.round(s * 1e9).astype(np.int64), en + np.round(e * 1e9).astype(np.int64), sa, ea
