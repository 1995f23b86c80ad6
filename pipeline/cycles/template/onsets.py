"""When a current begins to move, and which of these moments are the two acts of a harvest where no line is read.

What gas does to a current, and which way, is the machine's own. But a freeze is long and its course is smooth; a harvest begins with the
first change that leaves that course and ends with the first that leads back to it. So the templates about the named starts and ends
are searched for the moments at which the current begins to move, and the two are taken that make the likeliest harvest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from pipeline.cycles.signal.signals import Trace
from pipeline.cycles.template import superpose

# Common practice, no source, all of them.
SMOOTH_S, BY_INTERVAL = 4.0, 0.3  # slopes are taken over so long, or over that part of an interval
SLOW_S = 75.0  # what lasts twice as long is the course, not a change
CLEAR = 5.0  # times the usual steepness, and what noise makes of it
LEAST_PART = 0.05  # of the steepest
GOES_ON = 0.4  # of the least steepness: it is still the same change
BEGUN = 0.5  # of its steepest a change has begun …
DRAWN = 0.25  # … and, where readings are drawn straight, that part of an interval later
BEFORE_S, AFTER_S, AFTER_END_S = 240.0, 180.0, 90.0  # about the named acts others are sought
BEFORE_PART, AFTER_PART, MOST_BACK_S = (
    0.4,
    0.3,
    360.0,
)  # no further than those parts of a freeze, nor than so long before a named end
REACH_PART, REACH_S = 0.4, (30.0, 60.0)  # of a harvest, and between these, a named moment may be off
USUAL_S, SPREAD = 150.0, 0.7  # how long a harvest lasts: log-normal
LEAST_S, MOST_PART, MOST_S = 20.0, 0.45, 900.0  # no shorter, no longer; MOST_PART of a cycle
BEFORE_COST, INSIDE_COST = 1.2, 0.8  # nats for a full change in the freeze before, or within the harvest
STEEP = 0.7  # nats for a change e times as steep
NEAR_S, NAMED = 25.0, 0.2  # with no change so near, the named moment is one, of that part of the steepest
LIKE = 25  # harvests whose median shows a slight change
FEW = 0.5  # of them must show a harvest
LEAST_HARVESTS = 3


@dataclass(frozen=True, kw_only=True)
class Onset:
    """A moment at which a current begins to move."""

    at: float  # [s]
    steep: float  # steepest slope of what follows, less that of the course [unit/s]


def onsets(offsets: np.ndarray, course: np.ndarray, noise: float, interval_s: float) -> list[Onset]:
    """When `course` (l,) begins to move, in order of time. offsets: (l,) [s], even; noise: of one point of it."""
    known = np.isfinite(course)
    if known.sum() < 10:
        return []
    course = np.where(known, course, np.nanmedian(course))
    step = float(offsets[1] - offsets[0])
    half = max(1, round(0.5 * max(SMOOTH_S, BY_INTERVAL * interval_s) / step))
    slope = np.gradient(superpose.smoothed(course, half), step)
    slope = slope - median_filter(slope, 2 * round(SLOW_S / step) + 1, mode="nearest")
    size = np.abs(slope)
    edge = half + 1
    inner = size[edge:-edge]
    if len(inner) < 5:
        return []
    by_noise = noise * np.sqrt(2.0) / ((2 * half + 1) * step)
    least = max(CLEAR * float(np.median(inner)), CLEAR * by_noise, LEAST_PART * float(inner.max()))
    found, i = [], edge
    while i < len(size) - edge:
        if size[i] < least:
            i += 1
            continue
        stop = i
        while stop < len(size) - edge and size[stop] >= GOES_ON * least and slope[stop] * slope[i] > 0:
            stop += 1
        top = i + int(np.argmax(size[i:stop]))
        first = top
        while first > edge and size[first - 1] >= BEGUN * size[top] and slope[first - 1] * slope[top] > 0:
            first -= 1
        below = size[first - 1] if slope[first - 1] * slope[top] > 0 else 0.0
        part = (BEGUN * size[top] - below) / max(size[first] - below, 1e-12)
        at = offsets[first - 1] + np.clip(part, 0.0, 1.0) * step + DRAWN * interval_s
        found.append(Onset(at=float(min(at, offsets[top])), steep=float(size[top])))
        i = max(stop, i + 1)
    return found


def likeliest_pair(
    starts: Sequence[Onset], ends: Sequence[Onset], named_s: float, most_s: float
) -> tuple[float, float] | None:
    """Start and end of the likeliest harvest, as offsets from the named ones [s]; None where no two make one.

    named_s: how long a harvest was named; most_s: none lasts longer. Unlikely is a harvest of unusual length, one that begins or ends
    with a slight change, and one that leaves other changes in the freeze before or within it unexplained.
    """
    steepest = max((o.steep for o in starts), default=0.0)
    best, chosen = -np.inf, None
    for start in starts:
        before = sum(o.steep for o in starts if start.at - BEFORE_S < o.at < start.at) / steepest
        later = [o for o in ends if named_s + o.at - start.at > 10.0]
        top = max((o.steep for o in later), default=1.0)
        for end in later:
            length_s = named_s + end.at - start.at
            if not LEAST_S <= length_s <= most_s:
                continue
            inside = sum(o.steep for o in later if o.at < end.at) / top
            score = -0.5 * (np.log(length_s / USUAL_S) / SPREAD) ** 2
            score += STEEP * np.log(start.steep / steepest * end.steep / top)
            score -= BEFORE_COST * before + INSIDE_COST * inside
            if score > best:
                best, chosen = score, (start.at, end.at)
    return chosen


def harvests_by_clamp(
    trace: Trace, start_ns: np.ndarray, end_ns: np.ndarray, freeze_s: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """(starts, ends) of the harvests named from `start_ns` to `end_ns` [ns], (k,) each, and the standard deviation of both [s] (2, k);
    None where the clamp shows too few. freeze_s: how long a freeze usually lasts."""
    if len(start_ns) < LEAST_HARVESTS:
        return None
    named_s = float(np.median(end_ns - start_ns)) * 1e-9
    most_s = min(MOST_PART * (named_s + freeze_s), MOST_S)
    back_s = min(BEFORE_S, BEFORE_PART * freeze_s)
    reach_s = float(np.clip(REACH_PART * named_s, *REACH_S))
    spans = (
        (start_ns, back_s, min(named_s + 30.0, AFTER_S)),
        (end_ns, min(named_s + back_s, MOST_BACK_S), min(AFTER_END_S, AFTER_PART * freeze_s)),
    )
    laid, shown = [], []
    for near_ns, before_s, after_s in spans:
        offsets = superpose.even_grid(before_s, after_s, [trace])
        events = superpose.laid([trace], near_ns, offsets, reach_s, LIKE)
        template = events.templates[0]
        laid.append(events)
        shown.append(
            [
                _with_named(onsets(offsets, course, template.noise, trace.interval_s))
                for course in template.values
            ]
        )
    pairs = [likeliest_pair(s, e, named_s, most_s) for s, e in zip(*shown, strict=True)]
    known = [p for p in pairs if p is not None]
    if len(known) < FEW * len(pairs):
        return None
    usual = tuple(np.median(known, axis=0))
    found = np.array([p if p is not None else usual for p in pairs])
    starts, ends = (
        events.near_ns + np.round(np.median(moment_s[events.like], axis=1) * 1e9).astype(np.int64)
        for events, moment_s in zip(laid, found.T, strict=True)
    )
    return starts, ends, np.array([events.apart_s for events in laid])


def _with_named(found: list[Onset]) -> list[Onset]:
    """`found` and, where none is near, the named moment as a change of its own."""
    if not found or any(abs(o.at) < NEAR_S for o in found):
        return found
    named = Onset(at=0.0, steep=NAMED * max(o.steep for o in found))
    return sorted([*found, named], key=lambda o: o.at)
