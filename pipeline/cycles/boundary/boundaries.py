"""Each boundary by a lone clamp at full rate, with how far it may be off.

For every kind of boundary the clamp gives the likelihood of every moment around the candidate: by the step or turn of the
current, or by the readings between which it stopped or started. The boundary is the middle of what results, its uncertainty
the half-width of the 90 % interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.boundary import turns
from pipeline.cycles.boundary.likelihoods import evidence, heard, interval, moved, rows_of, with_blunders
from pipeline.cycles.boundary.steps import common_steps
from pipeline.cycles.segment.runs import Group, Habits, Runs, groups_of, habits_of
from pipeline.cycles.signal.features import Course, DrawCells, running_course
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.cycles.template import repeats

# Common practice, no source, all of them.
SNAP_CELLS = 2  # cells over which a visible turn is sought …
SNAP_FAR_CELLS = 8  # … and back from a harvest's named end
UNSEEN = 1.5  # cells by which a candidate may be off that the clamp does not show …
SEEN = 0.8  # … and one that it does (standard deviation)
SHORTEST_HARVEST = 0.35  # of what the naming made of it
TOO_SOON = 30.0  # nats
UNIFORM_90 = 0.45  # half of the middle 90 % of an even spread, in parts of its width
BLURRED_S = 12.0  # left out by the likelihoods of a current that turns instead of stepping
BESIDE_SHAPE = 0.3  # of what a current says is heard beside the shape of all cycles
UNLIKE = 0.01  # what no model of a turn has right, in parts of the channel's swing
POOL = 24  # boundaries of one kind that choose a shape together
CLEAR_NATS = 3.0  # a step shows where it is this much likelier than none


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where the runs begin."""

    start_ns: np.ndarray  # int64 (k,)
    uncertainty_s: np.ndarray  # float (k,): half-width of the 90 % interval
    by_draw: np.ndarray  # bool (k,): a current shows it
    by_cold: np.ndarray  # bool (k,): a cold line shows it


def place_by_clamp(runs: Runs, draw: DrawCells, cells: Cells, again: repeats.Repeats | None = None) -> Placed:
    """The start of every run by a lone clamp. `again`: harvests that it shows again and again."""
    course = running_course(draw, cells)
    near_ns = _candidates(runs, course, cells)
    k = len(near_ns)
    seen_s = np.full(k, SEEN * cells.step_s)
    by_shape = np.zeros(k, dtype=bool)
    if again is not None:
        shown_ns, by_shape, off_s = repeats.moments_of(again, runs)
        near_ns, seen_s = np.where(by_shape, shown_ns, near_ns), np.where(by_shape, off_s, seen_s)
    groups = groups_of(runs, near_ns, cells)
    grid = _moments(cells)
    by_draw = np.zeros(k, dtype=bool)
    start_ns, uncertainty_s = near_ns.copy(), np.full(k, cells.step_s)
    habits = habits_of(course, runs, cells, apart=False)
    # Harvest starts come first in `groups`: a harvest ends no sooner than it can after it began.
    for group in groups:
        likely = np.zeros((len(group.at), len(grid)))
        drawn_s = np.zeros(len(group.at))
        if IDLE in (group.before, group.after):
            more, by_draw[group.at] = _stops_and_starts(draw, group, grid, cells)
            likely += more
        if group.before == HARVEST:
            likely += _after_start(group, start_ns, near_ns, grid)
        if IDLE not in (group.before, group.after):
            prior = -0.5 * (grid / seen_s[group.at, None]) ** 2
            more, by_draw[group.at], sharp = _steps(course, habits, group, grid, prior)
            # The shape of all cycles knows of the same moment, and noise and fans bend it less; a step that this boundary shows
            # faintly says no more than the shape does.
            shaped = by_shape[group.at] & (~by_draw[group.at] if sharp else True)
            likely += np.where(shaped[:, None], prior + BESIDE_SHAPE * (more - prior), more)
            drawn_s = np.full(len(group.at), UNIFORM_90 * course.trace.interval_s if sharp else BLURRED_S)
            prior = np.broadcast_to(prior, likely.shape)
            more, stepped = common_steps(
                course, group.near_ns, grid, prior, calm_before=group.before == FREEZE
            )
            likely += more
            by_draw[group.at[stepped]] = True
            drawn_s[stepped] = UNIFORM_90 * course.trace.interval_s
        unseen = ~by_draw[group.at]
        if unseen.any():
            # What the clamp does not show lies where others of its kind do, as far as one can tell.
            others = interval(likely[~unseen], grid)[0] if not unseen.all() else np.zeros(1)
            likely[unseen] -= 0.5 * ((grid - np.median(others)) / (UNSEEN * cells.step_s)) ** 2
        middle, half = interval(likely, grid)
        start_ns[group.at] = group.near_ns + np.round(middle * 1e9).astype(np.int64)
        left_out_s = np.where(by_draw[group.at], np.minimum(cells.step_s, drawn_s), cells.step_s)
        uncertainty_s[group.at] = np.hypot(half, left_out_s)
    return Placed(
        start_ns=start_ns,
        uncertainty_s=uncertainty_s,
        by_draw=by_draw,
        by_cold=np.zeros(k, dtype=bool),
    )


def shows_harvests(runs: Runs, placed: Placed) -> bool:
    """Does the clamp show most of the harvests' starts and ends?"""
    before = np.r_[-1, runs.state[:-1]]
    begins, ends = (before == FREEZE) & (runs.state == HARVEST), (before == HARVEST) & (runs.state == FREEZE)
    edges = ~runs.opens_span & (begins | ends)
    return bool(placed.by_draw[edges].mean() > 0.5) if edges.any() else False


def _candidates(runs: Runs, seen: Course, cells: Cells) -> np.ndarray:
    """Where each run seems to begin: where the current visibly turns near it, else its first cell [ns]."""
    named = runs.first
    near = named.copy()
    before = np.r_[IDLE, runs.state[:-1]]
    peaks = ~runs.opens_span & (before == HARVEST) & (runs.state == FREEZE)
    level = np.where(np.isfinite(seen.level), seen.level, -np.inf)
    clear = 3.0 * seen.slope_noise * np.sqrt(2) * cells.step_s / 60.0  # what noise does not do to one cell
    # A harvest ends at the highest cell near its named end, not before its middle; other turns bend the most.
    reach = np.minimum(SNAP_FAR_CELLS, (np.diff(runs.first, prepend=0)) // 2)
    for ahead in range(SNAP_CELLS, -SNAP_FAR_CELLS - 1, -1):
        at = np.clip(named + ahead, 0, len(cells) - 1)
        near = np.where(peaks & (ahead >= -reach) & (level[at] > level[near] + clear), at, near)
    padded = np.pad(seen.level, SNAP_CELLS + 1, mode="edge")
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * SNAP_CELLS + 3)[named]
    bend = np.abs(window[:, 2:] - 2 * window[:, 1:-1] + window[:, :-2])
    usable = ~runs.opens_span & ~peaks & np.isfinite(bend).all(axis=1)
    # What begins a run does not lie beyond it: there another turn bends the line.
    beyond = np.arange(-SNAP_CELLS, SNAP_CELLS + 1) >= (runs.stop - runs.first)[:, None]
    best = np.argmax(np.where(beyond, -np.inf, np.nan_to_num(bend, nan=-np.inf)), axis=1) - SNAP_CELLS
    near = np.where(usable, np.clip(named + best, 0, len(cells) - 1), near)
    # A turn lies in the midst of its cell; the clamp shows stops and starts at the cell's edge.
    halts = (before == IDLE) != (runs.state == IDLE)
    near, snapped = np.where(halts, runs.first, near), (usable | peaks) & ~halts
    return cells.start_ns[near] + np.where(snapped, round(0.5e9 * cells.step_s), 0)


def _moments(cells: Cells) -> np.ndarray:
    """Moments around a candidate at which a boundary may lie [s]."""
    step = float(np.clip(cells.step_s / 10.0, 1.0, 5.0))
    reach = 2.5 * cells.step_s + 5.0
    return np.arange(-np.ceil(reach / step), np.ceil(reach / step) + 1) * step


def _stops_and_starts(draw: DrawCells, group: Group, grid: np.ndarray, cells: Cells):
    """Log likelihood (k, t0) by the readings between which the clamp shows the compressor stop or start, and where it
    shows that (k,)."""
    found_ns, bracket_s = crossings(draw, group.near_ns, group.after != IDLE, cells)
    shown = np.isfinite(bracket_s)
    middle = (found_ns - group.near_ns) * 1e-9
    half = 0.5 * np.nan_to_num(bracket_s, nan=1.0)
    beyond = np.maximum(np.abs(grid[None] - middle[:, None]) - half[:, None], 0.0)
    likely = np.maximum(-0.5 * (beyond / (0.05 * draw.trace.interval_s + 0.25)) ** 2, -60.0)
    likely[~shown] = 0.0
    return likely, shown


def _steps(course: Course, habits: Habits, group: Group, grid: np.ndarray, prior: np.ndarray):
    """Log likelihood (k, t0) by the step or turn of the running current, where it shows one (k,), and whether
    it is a clean step."""
    trace = course.trace
    likely = np.zeros((len(group.at), len(grid)))
    shown = np.zeros(len(group.at), dtype=bool)
    before_s = float(np.clip(0.8 * group.before_s, 2 * trace.interval_s, 60.0))
    after_s = float(np.clip(0.8 * group.after_s, 2 * trace.interval_s, 40.0))
    # Readings are not averaged before a step is sought in them.
    view = turns.look(trace, group.near_ns, before_s - 0.5 * grid[0], after_s, most=2 * turns.MOST_READINGS)
    rows = np.flatnonzero(np.isfinite(view.readings).all(axis=1))
    if len(rows) == 0 or not np.isfinite(habits.swing):
        return likely, shown, False
    swing = habits.swing
    baseline = turns.Baseline(
        level=10 * swing,
        slope=habits.slope,
        bending=float(habits.bending[group.before]),
        tail=0.0,
        unlike=UNLIKE * swing,
    )
    view = rows_of(view, rows)
    weight = turns.weights(view, baseline)
    near_ns = group.near_ns[rows]
    prior = np.broadcast_to(prior, (len(group.at), len(grid)))[rows]
    # A sample of the boundaries chooses how the current answers; then all of them are placed by that answer.
    few = slice(None, None, max(1, len(rows) // POOL))
    sample = rows_of(view, few)
    step = (0.0, False)
    ways = ((0.0, step, 0.0), (0.0, step, trace.interval_s), *((0.0, line, 0.0) for line in turns.LINES[1:]))
    responses = turns.answers(view.offsets_s, grid, ways)
    signs = np.array([1.0, -1.0])
    fit = turns.misfits(sample, weight, responses[:, None], sign=signs[:, None, None], height=swing)
    scale = max(1.0, float(fit.per_reading.min()))
    scores = evidence(moved(-0.5 * fit.chi2 / scale, sample, near_ns[few], grid) + prior[few])
    trial = int(np.argmax(heard(scores.reshape(-1, len(sample.anchor_ns))).sum(axis=1)))
    way, sign = trial // len(signs), signs[trial % len(signs)]
    best = turns.misfits(view, weight, responses[way], sign=sign, height=swing)
    likely[rows] = with_blunders(moved(-0.5 * best.chi2 / scale, view, near_ns, grid)) + prior
    shown[rows] = (best.unchanged - best.chi2.min(axis=1)) / scale > 2 * CLEAR_NATS
    return likely, shown, ways[way][1] == step


def _after_start(group: Group, start_ns: np.ndarray, near_ns: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Log prior (k, t0) of a harvest's end, given where it began."""
    length_s = (group.near_ns - near_ns[group.at - 1]) * 1e-9
    earliest_s = (start_ns[group.at - 1] - group.near_ns) * 1e-9 + SHORTEST_HARVEST * length_s
    return np.where(grid[None] < earliest_s[:, None], -TOO_SOON, 0.0)


def crossings(draw: DrawCells, near_ns: np.ndarray, on: bool, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """The change between off and running nearest to each of `near_ns`: its moment (midway between two readings) and
    the time between those readings [s]; nan where none lies within two cells."""
    trace = draw.trace
    running = trace.values >= draw.off_below
    turn = np.flatnonzero(running[1:] != running[:-1]) + 1
    side = turn[running[turn] == on]
    out_ns, bracket_s = near_ns.copy(), np.full(len(near_ns), np.nan)
    if len(side) == 0:
        return out_ns, bracket_s
    middle = (trace.time_ns[side] + trace.time_ns[side - 1]) // 2
    right = np.searchsorted(middle, near_ns).clip(0, len(side) - 1)
    left = np.maximum(right - 1, 0)
    best = np.where(np.abs(middle[left] - near_ns) < np.abs(middle[right] - near_ns), left, right)
    gap_s = (trace.time_ns[side] - trace.time_ns[side - 1])[best] * 1e-9
    near = np.abs(middle[best] - near_ns) * 1e-9 <= 2.5 * cells.step_s + gap_s
    out_ns[near] = middle[best][near]
    bracket_s[near] = gap_s[near]
    return out_ns, bracket_s
