"""When a current begins to move: a freeze is long and its course is smooth; a harvest begins with a change that leaves that course and ends
with one that leads back to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from pipeline.cycles.template import superpose

# Common practice, no source, all of them.
SMOOTH_S, BY_INTERVAL = 4.0, 0.3  # slopes are taken over so long, or over that part of an interval
SLOW_S = 75.0  # what lasts twice as long is the course, not a change
CLEAR = 5.0  # times the usual steepness, and what noise makes of it
LEAST_PART = 0.05  # of the steepest
GOES_ON = 0.4  # of the least steepness: it is still the same change
BEGUN = 0.5  # of its steepest a change has begun …
DRAWN = 0.25  # … and, where readings are drawn straight, that part of an interval later


@dataclass(frozen=True, kw_only=True)
class Onset:
    """A moment at which a current begins to move."""

    at: float  # [s]
    steep: float  # steepest slope of what follows, less that of the course [unit/s]
    nats: float = 0.0  # log odds by other evidence


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
