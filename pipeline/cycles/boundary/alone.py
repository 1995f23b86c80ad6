"""When harvests begin and end by a clamp alone.

What gas does to a current, and which way, is the machine's own. The templates about the named starts and ends are searched for the moments
at which the current begins to move, and the two are taken that make the likeliest harvest: by how long it lasts, by what it leaves
unexplained, and by weights that were learned of what such moments look like.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.ndimage import maximum_filter1d

from pipeline.cycles.boundary import weighing
from pipeline.cycles.signal.signals import Trace
from pipeline.cycles.template import superpose
from pipeline.cycles.template.onsets import Onset, onsets

# Common practice, no source, all of them.
BEFORE_S, AFTER_S, AFTER_END_S = 360.0, 270.0, 180.0  # about the named acts others are sought
BEFORE_PART, AFTER_PART, MOST_BACK_S = (
    0.4,
    0.3,
    480.0,
)  # no further than those parts of a freeze, nor than so long before a named end
BEYOND_S = 30.0  # the other end of what was named
USUAL_S, SPREAD = 150.0, 0.7  # how long a harvest lasts: log-normal
LEAST_S, MOST_PART, MOST_S = 20.0, 0.45, 900.0  # no shorter, no longer; MOST_PART of a cycle
LATER_S = 10.0  # after its start at least, to be looked at as an end
EARLIER_S, BEFORE_COST, INSIDE_COST = (
    240.0,
    1.2,
    0.8,
)  # nats for a full change so soon before in the freeze, or within the harvest
STEEP = 0.7  # nats for a change e times as steep
LEARNED, LEAST_NATS, NEAR_LEARNED_S = 0.5, -12.0, 6.0  # weight and floor of what the weights say so near
NEAR_S, NAMED = 25.0, 0.2  # with no change so near, the named moment is one, of that part of the steepest
FEW = 0.5  # of them must show a harvest
LEAST_HARVESTS = 3


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
    start = superpose.acts_laid([trace], start_ns, back_s, min(named_s + BEYOND_S, AFTER_S), named_s)
    end_back_s, ahead_s = min(named_s + back_s, MOST_BACK_S), min(AFTER_END_S, AFTER_PART * freeze_s)
    end = superpose.acts_laid([trace], end_ns, end_back_s, ahead_s, named_s)
    shown = [
        moments_of(trace, laid, named_s, ending=ending) for laid, ending in ((start, False), (end, True))
    ]
    pairs = [likeliest_pair(s, e, named_s, most_s) for s, e in zip(*shown, strict=True)]
    known = [p for p in pairs if p is not None]
    if len(known) < FEW * len(pairs):
        return None
    usual = tuple(np.median(known, axis=0))
    found = np.array([p if p is not None else usual for p in pairs])
    starts, ends = (
        laid.near_ns + np.round(np.median(moment_s[laid.like], axis=1) * 1e9).astype(np.int64)
        for laid, moment_s in zip((start, end), found[:, :2].T, strict=True)
    )
    open_s = [np.median(sd[laid.like], axis=1) for laid, sd in zip((start, end), found[:, 2:].T, strict=True)]
    return starts, ends, np.hypot(open_s, [start.apart_s, end.apart_s])


def moments_of(trace: Trace, laid: superpose.Laid, named_s: float, *, ending: bool) -> list[list[Onset]]:
    """The moments of each template at which the current begins to move, with what the weights say of them."""
    template = laid.templates[0]
    likely, _ = weighing.said_of(template, trace, named_s, ending=ending, kind="alone")
    likely = np.maximum(likely - likely.max(axis=1, keepdims=True), LEAST_NATS)
    near = max(1, round(NEAR_LEARNED_S / float(template.offsets_s[1] - template.offsets_s[0])))
    likely = maximum_filter1d(likely, 2 * near + 1, axis=1)
    found = []
    for course, said in zip(template.values, likely, strict=True):
        moved = _with_named(onsets(template.offsets_s, course, template.noise, trace.interval_s))
        nats = np.interp([o.at for o in moved], template.offsets_s, said)
        found.append([replace(o, nats=LEARNED * float(x)) for o, x in zip(moved, nats, strict=True)])
    return found


def likeliest_pair(
    starts: Sequence[Onset], ends: Sequence[Onset], named_s: float, most_s: float
) -> np.ndarray | None:
    """Start and end of the likeliest harvest, as offsets from the named ones [s], and by how much other pairs, as far as they are
    likely, differ from each [s], (4,); None where no two make one.

    named_s: how long a harvest was named; most_s: none lasts longer. Unlikely is a harvest of unusual length, one that begins or ends
    with a slight change, or an unlikely one, and one that leaves other changes in the freeze before or within it unexplained.
    """
    steepest = max((o.steep for o in starts), default=0.0)
    pairs, scores = [], []
    for start in starts:
        before = sum(o.steep for o in starts if start.at - EARLIER_S < o.at < start.at) / steepest
        later = [o for o in ends if named_s + o.at - start.at > LATER_S]
        top = max((o.steep for o in later), default=1.0)
        for end in later:
            length_s = named_s + end.at - start.at
            if not LEAST_S <= length_s <= most_s:
                continue
            inside = sum(o.steep for o in later if o.at < end.at) / top
            score = start.nats + end.nats - 0.5 * (np.log(length_s / USUAL_S) / SPREAD) ** 2
            score += STEEP * np.log(start.steep / steepest * end.steep / top)
            score -= BEFORE_COST * before + INSIDE_COST * inside
            pairs.append((start.at, end.at))
            scores.append(score)
    if not pairs:
        return None
    moments, likely = np.array(pairs), np.exp(np.array(scores) - max(scores))
    best = moments[np.argmax(likely)]
    return np.concatenate([best, np.sqrt(np.average((moments - best) ** 2, axis=0, weights=likely))])


def _with_named(found: list[Onset]) -> list[Onset]:
    """`found` and, where none is near, the named moment as a change of its own."""
    if not found or any(abs(o.at) < NEAR_S for o in found):
        return found
    named = Onset(at=0.0, steep=NAMED * max(o.steep for o in found))
    return sorted([*found, named], key=lambda o: o.at)
