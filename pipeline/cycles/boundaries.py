"""Each boundary at full rate, at the moment the machine changed state, with how far it may be off.

For every kind of boundary each channel gives the likelihood of every moment around the candidate: a clamp by the step of
the current or by the readings between which it stopped or started, a cold line by its lagged turn (`turns`). The
likelihoods are added; the boundary is the middle of what results, its uncertainty the half-width of the 90 % interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles import repeats, turns
from pipeline.cycles.features import Course, DrawCells, running_course
from pipeline.cycles.likelihoods import evidence, heard, interval, moved, rows_of, with_blunders
from pipeline.cycles.lines import POOL, UNLIKE, add_line
from pipeline.cycles.runs import Group, Habits, Runs, groups_of, habits_of
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.cycles.steps import common_steps

# Common practice, no source, all of them, except where another source is named.
SLOWER = 2.5  # times the current's interval or a cell
SNAP_CELLS = 2  # cells over which a visible turn is sought …
SNAP_FAR_CELLS = 8  # … and back from a harvest's named end, where a current shows it
EDGE = 1.5  # cells by which a candidate may be off that a lagging line gave …
UNSEEN = 1.5  # … one that no channel shows …
SEEN = 0.8  # … one that the current itself gave (standard deviation) …
SHORTEST_HARVEST = 0.35  # of what the naming made of it
TOO_SOON = 30.0  # nats
UNIFORM_90 = 0.45  # half of the middle 90 % of an even spread, in parts of its width
LEFT_OUT_S, BLURRED_S = 4.0, 12.0  # of a cold line, and of a current that turns instead of stepping
AFTER_FREEZE, AFTER_HARVEST = 0.7, 0.3  # of what a current's turn says (not a step) is heard beside a line …
BESIDE_SHAPE = 0.3  # … and beside the shape of all cycles
STOP_SAYS = 0.3  # of what a line says of a harvest's end before a stop is heard: it only warms more slowly
REACH_S = 30.0  # so much later than usual a harvest's end before a stop is sought, at most
LEAST_ENDED = 4  # harvests that tell how long they last
LEAST_SPREAD_S = 8.0  # by which one differs from another, at least
ODD_LENGTH = 0.05  # so many last longer, or are cut off
CLEAR_NATS = 3.0  # a step shows where it is this much likelier than none


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where the runs begin."""

    start_ns: np.ndarray  # int64 (k,)
    uncertainty_s: np.ndarray  # float (k,): half-width of the 90 % interval
    by_draw: np.ndarray  # bool (k,): a current shows it
    by_cold: np.ndarray  # bool (k,): a cold line shows it
    lag_s: dict[str, float]


def place(
    runs: Runs,
    colds: Sequence[Course],
    draws: Sequence[DrawCells],
    cells: Cells,
    delays: Sequence[int | None],
    again: repeats.Repeats | None = None,
) -> Placed:
    """The start of every run. `delays`: cells by which each cold line answers later than the current by which the runs
    were named; None where the current does not move like that line. `again`: harvests that a clamp shows again and again
    where no line is read."""
    course = running_course(draws[0], cells) if draws else None
    # A line that answers as soon as the current does is the better witness: the current goes on with the head pressure.
    named_by_draw = course is not None and (
        not colds or (delays[0] or 0) > 0 or _slower(colds[0], course, cells)
    )
    leading = course if named_by_draw else colds[0]
    back_cells = SNAP_FAR_CELLS if named_by_draw else SNAP_CELLS
    near_ns = _candidates(
        runs, leading, cells, back_cells=back_cells, cold=not named_by_draw, stops=bool(draws)
    )
    k = len(near_ns)
    seen_s = np.full(k, SEEN * cells.step_s)
    by_shape = np.zeros(k, dtype=bool)
    if again is not None:
        shown_ns, by_shape, off_s = repeats.moments_of(again, runs)
        near_ns, seen_s = np.where(by_shape, shown_ns, near_ns), np.where(by_shape, off_s, seen_s)
    if not draws:
        near_ns = _within_reach(near_ns, runs)
    groups = groups_of(runs, near_ns, cells)
    grid = _moments(cells, bool(colds))
    total = [np.zeros((len(g.at), len(grid))) for g in groups]
    by_draw, by_cold = np.zeros(k, dtype=bool), np.zeros(k, dtype=bool)
    for draw in draws[:1]:
        for group, likely in zip(groups, total, strict=True):
            if IDLE in (group.before, group.after):
                more, by_draw[group.at] = _stops_and_starts(draw, group, grid, cells)
                likely += more
    lag_s = {}
    for cold, delay in zip(colds, delays, strict=True):
        late_ns = round((delay or 0) * cells.step_s * 1e9) if named_by_draw else 0
        lag_s[cold.trace.role] = add_line(cold, groups, runs, grid, cells, total, by_cold, late_ns)
    start_ns, uncertainty_s = near_ns.copy(), np.full(k, cells.step_s)
    habits = habits_of(course, runs, cells, apart=False) if course is not None else None
    before, ended = np.r_[-1, runs.state[:-1]], np.zeros(0, np.int64)
    # Harvest starts come first in `groups`: a harvest ends no sooner than it can after it began.
    for group, likely in zip(groups, total, strict=True):
        drawn_s = np.zeros(len(group.at))
        if group.before == HARVEST:
            likely += _after_start(group, start_ns, near_ns, grid)
            if group.after == IDLE and not draws:
                likely *= STOP_SAYS
                likely += _as_long_as_others(group, start_ns, ended, grid)
            elif group.after == FREEZE:
                ended = group.at[before[group.at - 1] != IDLE]
        if course is not None and IDLE not in (group.before, group.after):
            seen = -0.5 * (grid / seen_s[group.at, None]) ** 2
            prior = seen if named_by_draw else _around(likely, grid, cells)
            more, by_draw[group.at], sharp = _steps(course, habits, group, grid, prior)
            if not sharp:
                # The line knows of the same moment, by another model of how a course bends.
                says = AFTER_HARVEST if group.before == HARVEST else AFTER_FREEZE
                more = np.where(by_cold[group.at, None], says * more, more)
                # So does the shape of all cycles, which noise and fans bend less.
                more = np.where(by_shape[group.at, None], prior + BESIDE_SHAPE * (more - prior), more)
            elif named_by_draw:
                # A step that this boundary shows faintly says no more than the shape does.
                faint = by_shape[group.at] & ~by_draw[group.at]
                more = np.where(faint[:, None], prior + BESIDE_SHAPE * (more - prior), more)
            likely += more
            drawn_s = np.full(len(group.at), UNIFORM_90 * course.trace.interval_s if sharp else BLURRED_S)
            prior = np.broadcast_to(prior, likely.shape)
            more, stepped = common_steps(
                course, group.near_ns, grid, prior, calm_before=group.before == FREEZE
            )
            likely += more
            by_draw[group.at[stepped]] = True
            drawn_s[stepped] = UNIFORM_90 * course.trace.interval_s
        unseen = ~(by_draw | by_cold)[group.at]
        if unseen.any():
            # What no channel shows lies where others of its kind do, as far as one can tell.
            others = interval(likely[~unseen], grid)[0] if not unseen.all() else np.zeros(1)
            likely[unseen] -= 0.5 * ((grid - np.median(others)) / (UNSEEN * cells.step_s)) ** 2
        middle, half = interval(likely, grid)
        start_ns[group.at] = group.near_ns + np.round(middle * 1e9).astype(np.int64)
        uncertainty_s[group.at] = np.hypot(half, _left_out(group, by_draw, by_cold, drawn_s, lag_s, cells))
    return Placed(
        start_ns=start_ns, uncertainty_s=uncertainty_s, by_draw=by_draw, by_cold=by_cold, lag_s=lag_s
    )


def _slower(cold: Course, draw: Course, cells: Cells) -> bool:
    """Is the line logged so much more slowly than the current that its turns show too late?"""
    return cold.trace.interval_s > SLOWER * max(draw.trace.interval_s, cells.step_s)


def _left_out(
    group: Group, by_draw, by_cold, drawn_s: np.ndarray, lag_s: dict[str, float], cells: Cells
) -> np.ndarray:
    """What the likelihoods leave out, (k,) [s]: half of the 90 % interval of the faults of the models themselves. From
    simulated logs of three machines with their truth; it grows with the lag that had to be estimated."""
    lag = max((x for x in lag_s.values() if np.isfinite(x)), default=0.0)
    by_line = LEFT_OUT_S + (0.4 if group.after == HARVEST else 0.25) * lag
    out = np.full(len(group.at), cells.step_s)
    out = np.where(by_cold[group.at], by_line, out)
    return np.where(by_draw[group.at], np.minimum(out, drawn_s), out)


def shows_harvests(runs: Runs, placed: Placed) -> bool:
    """Does the clamp show most of the harvests' starts and ends?"""
    before = np.r_[-1, runs.state[:-1]]
    begins, ends = (before == FREEZE) & (runs.state == HARVEST), (before == HARVEST) & (runs.state == FREEZE)
    edges = ~runs.opens_span & (begins | ends)
    return bool(placed.by_draw[edges].mean() > 0.5) if edges.any() else False


def _candidates(
    runs: Runs, seen: Course | None, cells: Cells, *, back_cells: int, cold: bool, stops: bool
) -> np.ndarray:
    """Where each run seems to begin: where the course visibly turns near it, else its first cell [ns].

    back_cells: how far before its naming a harvest's end may be sought;
    cold: it is a cold line, which turns up for a harvest; stops: a clamp shows stops and starts, at the cell's edge.
    """
    if seen is None:
        return cells.start_ns[runs.first]
    named = runs.first
    near = named.copy()
    before = np.r_[IDLE, runs.state[:-1]]
    peaks = ~runs.opens_span & (before == HARVEST) & (runs.state == FREEZE)
    turns_up = (before == FREEZE) | (runs.state == HARVEST)
    level = np.where(np.isfinite(seen.level), seen.level, -np.inf)
    clear = 3.0 * seen.slope_noise * np.sqrt(2) * cells.step_s / 60.0  # what noise does not do to one cell
    # A harvest ends at the warmest cell near its named end, not before its middle; other turns bend the most.
    reach = np.minimum(back_cells, (np.diff(runs.first, prepend=0)) // 2)
    for ahead in range(SNAP_CELLS, -back_cells - 1, -1):
        at = np.clip(named + ahead, 0, len(cells) - 1)
        near = np.where(peaks & (ahead >= -reach) & (level[at] > level[near] + clear), at, near)
    padded = np.pad(seen.level, SNAP_CELLS + 1, mode="edge")
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * SNAP_CELLS + 3)[named]
    bend = window[:, 2:] - 2 * window[:, 1:-1] + window[:, :-2]
    bend = np.where(turns_up[:, None], bend, -bend) if cold else np.abs(bend)
    usable = ~runs.opens_span & ~peaks & np.isfinite(bend).all(axis=1)
    # What begins a run does not lie beyond it: there another turn bends the line.
    beyond = np.arange(-SNAP_CELLS, SNAP_CELLS + 1) >= (runs.stop - runs.first)[:, None]
    best = np.argmax(np.where(beyond, -np.inf, np.nan_to_num(bend, nan=-np.inf)), axis=1) - SNAP_CELLS
    near = np.where(usable, np.clip(named + best, 0, len(cells) - 1), near)
    snapped = usable | peaks
    if stops:
        halts = (before == IDLE) != (runs.state == IDLE)
        near, snapped = np.where(halts, runs.first, near), snapped & ~halts
    # A turn lies in the midst of its cell.
    return cells.start_ns[near] + np.where(snapped, round(0.5e9 * cells.step_s), 0)


def _moments(cells: Cells, lagging: bool) -> np.ndarray:
    """Moments around a candidate at which a boundary may lie [s]."""
    step = float(np.clip(cells.step_s / 10.0, 1.0, 5.0))
    reach = 2.5 * cells.step_s + 5.0
    back = reach + (turns.LAGS_S[-1] if lagging else 0.0)
    return np.arange(-np.ceil(back / step), np.ceil(reach / step) + 1) * step


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


def _within_reach(near_ns: np.ndarray, runs: Runs) -> np.ndarray:
    """`near_ns` (k,) with the candidates of harvest ends before a stop so near to where others end that the moments around them
    hold that too: a line that goes on warming is named a harvest for long."""
    before = np.r_[-1, runs.state[:-1]]
    ended = np.flatnonzero(~runs.opens_span & (before == HARVEST) & (runs.state != HARVEST))
    others, stops = ended[runs.state[ended] == FREEZE], ended[runs.state[ended] == IDLE]
    if len(others) < LEAST_ENDED:
        return near_ns
    usual_ns = np.median(near_ns[others] - near_ns[others - 1])
    out = near_ns.copy()
    out[stops] = np.minimum(out[stops], out[stops - 1] + np.int64(usual_ns + REACH_S * 1e9))
    return out


def _as_long_as_others(group: Group, start_ns: np.ndarray, ended: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Log prior (k, t0) of the end of a harvest after which the machine stands, which a line hardly shows: most are as long as
    those, `ended`, after which it freezes on."""
    if len(ended) < LEAST_ENDED:
        return np.zeros((len(group.at), len(grid)))
    lengths_s = (start_ns[ended] - start_ns[ended - 1]) * 1e-9
    usual_s = float(np.median(lengths_s))
    spread_s = max(1.4826 * float(np.median(np.abs(lengths_s - usual_s))), LEAST_SPREAD_S)
    at_s = (start_ns[group.at - 1] - group.near_ns) * 1e-9 + usual_s
    bell = np.exp(-0.5 * ((grid - at_s[:, None]) / spread_s) ** 2)
    bell /= spread_s * np.sqrt(2 * np.pi)
    return np.log((1 - ODD_LENGTH) * bell + ODD_LENGTH / (grid[-1] - grid[0]))


def _around(likely: np.ndarray, grid: np.ndarray, cells: Cells) -> np.ndarray:
    """Log prior (k, t0) about what is known already, wide enough for a lag that was judged amiss."""
    middle, half = interval(likely, grid)
    reach = (1.5 * half + EDGE * cells.step_s)[:, None]
    off = np.maximum(np.abs(grid[None] - middle[:, None]) - reach, 0.0) / cells.step_s
    return -2.0 * off**2


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
