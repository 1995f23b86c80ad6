"""Steps of a current that come with every boundary of one kind: a fan or a pump that the harvest stops, and starts again.

Between two readings the current jumps, each time the same way and about as far. Where most boundaries of a log show that, the
jump is the moment; nothing has to be fitted.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from pipeline.cycles.boundary import turns
from pipeline.cycles.boundary.likelihoods import interval
from pipeline.cycles.signal.features import Course

# Common practice, no source, all of them.
OVER_S = 2.0  # a contactor, a fan's run-up and the logger's own filter are through within this time
SLOWEST_S = 10.0  # on a slower logger every climb is a step
LEAST_ROWS = 4  # boundaries that must show it
CLEAR = 4.0  # times the noise of a difference
COMMON = 0.75  # of the boundaries show it the same way …
ALIKE = 0.5  # … and no less than half as far as the usual
CALM_S = 30.0  # before the step, over which a freeze has not begun to climb
SAME_S = 6.0  # two steps lie the same time apart
TWO = 0.4  # of the boundaries show two of them, if it is the machine's habit
KNOWN = (
    0.4  # of the time in which a step is sought: half of the 90 % interval in which it is expected, at most
)
CLOSE_S = 10.0  # off the time at which most show one (standard deviation) …
NEARLY = 0.85  # … which is the first with so much of all their heights as the time that has the most
ALLOWED = 4.5  # nats by which what is known already may speak against a moment
FIRM = 60.0  # nats against any other moment


def common_steps(
    course: Course, near_ns: np.ndarray, grid: np.ndarray, prior: np.ndarray, *, calm_before: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Log likelihood (k, t0) on `grid` [s] around `near_ns` (k,) by a step that most of these boundaries show, and which
    of them show it (k,). prior: (k, t0), what is known of each moment already; calm_before: the boundary ends a freeze. Zeros
    and all False where there is none."""
    likely, shown = np.zeros((len(near_ns), len(grid))), np.zeros(len(near_ns), dtype=bool)
    trace = course.trace
    if trace.interval_s > SLOWEST_S or len(near_ns) < LEAST_ROWS:
        return likely, shown
    over = max(1, round(OVER_S / trace.interval_s))
    view = turns.look(
        trace, near_ns, -grid[0] + trace.interval_s, grid[-1] + (over + 1) * trace.interval_s, most=100_000
    )
    jump = view.readings[:, over:] - view.readings[:, :-over]
    offset = (view.anchor_ns - near_ns)[:, None] * 1e-9 + view.offsets_s[None]
    middle = 0.5 * (offset[:, over:] + offset[:, :-over])
    at_grid = np.clip(np.rint((middle - grid[0]) / (grid[1] - grid[0])), 0, len(grid) - 1).astype(np.int64)
    allowed = np.take_along_axis(prior - prior.max(axis=1, keepdims=True), at_grid, 1) > -ALLOWED
    # A step stands alone: a steep climb goes on before and after.
    way = np.sign(jump[:, over:-over])
    beside = np.maximum(way * jump[:, : -2 * over], way * jump[:, 2 * over :])
    size = np.zeros_like(jump)
    size[:, over:-over] = np.abs(jump[:, over:-over]) - np.maximum(beside, 0.0)
    size = np.where(allowed & np.isfinite(size), size, 0.0)
    best = np.argmax(size, axis=1)
    rows = np.arange(len(near_ns))
    height = np.sign(jump[rows, best]) * np.maximum(size[rows, best], 0.0)
    usual = float(np.median(height))
    if abs(usual) < CLEAR * np.sqrt(2) * max(trace.noise, trace.channel.resolution / np.sqrt(12)):
        return likely, shown
    same_way = np.where(np.sign(jump) == np.sign(usual), size, 0.0)
    known_s, half_s = interval(prior, grid)
    of_two = _first_of_two(same_way >= ALIKE * abs(usual), best, middle, known_s)
    known = half_s < KNOWN * (grid[-1] - grid[0])
    if of_two is not None:
        best = of_two
    elif known.any():
        best[known] = _at_one_time(same_way[known], middle[known] - known_s[known, None], abs(usual))
    height = np.sign(jump[rows, best]) * np.maximum(size[rows, best], 0.0)
    alike = (height * np.sign(usual) > ALIKE * abs(usual)) & (np.abs(height) < abs(usual) / ALIKE)
    if alike.mean() < COMMON:
        return likely, shown
    if calm_before:
        # In a freeze all is calm until the harvest begins: a step after a climb is a pump that runs on into the harvest.
        earlier = np.maximum(best - max(1, round(CALM_S / trace.interval_s)), 0)
        drift = np.abs(view.readings[rows, best] - view.readings[rows, earlier])
        if np.nanmedian(drift) > ALIKE * abs(usual):
            return likely, shown
    half = 0.5 * over * trace.interval_s
    beyond = np.maximum(np.abs(grid[None] - middle[rows, best][:, None]) - half, 0.0)
    firm = np.maximum(-0.5 * (beyond / (0.05 * trace.interval_s + 0.25)) ** 2, -FIRM)
    likely[alike] = firm[alike]
    return likely, alike


def _first_of_two(
    alike: np.ndarray, best: np.ndarray, offset_s: np.ndarray, known_s: np.ndarray
) -> np.ndarray | None:
    """`best` (k,), the step that each boundary shows best, or the one before it where many show two in the same distance: a
    fan or a pump was late; None where few do. alike: (k, steps), which are as high as usual; offset_s: when they are [s];
    known_s: (k,), where the boundary is expected."""
    rows = np.arange(len(best))
    first = np.argmax(alike, axis=1)
    last = alike.shape[1] - 1 - np.argmax(alike[:, ::-1], axis=1)
    apart = np.where(alike.any(axis=1), offset_s[rows, last] - offset_s[rows, first], 0.0)
    two = apart > 2 * SAME_S
    if two.mean() < TWO:
        return None
    usual_s = float(np.median(apart[two]))
    two &= np.abs(apart - usual_s) < SAME_S
    if two.mean() < TWO:
        return None
    begins_s = float(np.median((offset_s[rows, first] - known_s)[two]))
    # One that shows a single step shows the one that lies nearer to where the others have it.
    at_s = offset_s[rows, best]
    late = np.abs(at_s - known_s - begins_s) > np.abs(at_s - usual_s - known_s - begins_s)
    before = np.argmin(np.abs(offset_s - (at_s - usual_s)[:, None]), axis=1)
    return np.where(two, first, np.where(late, before, best))


def _at_one_time(size: np.ndarray, since_s: np.ndarray, usual: float) -> np.ndarray:
    """Which step of each boundary is the one that comes at the same time with nearly all, counted from where it is expected,
    (k,): the earliest, where there are several. size, since_s: (k, steps)."""
    step_s = 0.5 * SAME_S
    edges = np.arange(since_s.min(), since_s.max() + 2 * step_s, step_s)
    at = np.clip(((since_s - edges[0]) / step_s).astype(np.int64), 0, len(edges) - 1)
    highest = np.zeros((len(size), len(edges)))
    np.maximum.at(highest, (np.arange(len(size))[:, None], at), size)
    highest = maximum_filter1d(highest, 2 * round(SAME_S / step_s) + 1, axis=1)
    score = np.minimum(highest, usual).sum(axis=0)
    much = score >= NEARLY * score.max()
    first = int(np.argmax(much))
    stop = first + int(np.argmin(np.r_[much[first:], False]))
    centre = edges[0] + 0.5 * (first + stop) * step_s
    return np.argmax(size * np.exp(-0.5 * ((since_s - centre) / CLOSE_S) ** 2), axis=1)
