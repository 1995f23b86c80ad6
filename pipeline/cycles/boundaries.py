"""Each boundary at full rate, at the moment the machine changed state, with how far it may be off.

For every kind of boundary each channel gives the likelihood of every moment around the candidate: a clamp by the step of
the current or by the readings between which it stopped or started, a cold line by its lagged turn (`turns`). The
likelihoods are added; the boundary is the middle of what results, its uncertainty the half-width of the 90 % interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles import turns
from pipeline.cycles.features import Course, DrawCells, running_course
from pipeline.cycles.labels import FREEZE, HARVEST, IDLE
from pipeline.cycles.signals import Cells
from pipeline.cycles.steps import common_steps

BEFORE_S, HARVEST_BEFORE_S = 150.0, 45.0  # course before a turn that is looked at; a harvest bends more
MOST_BEND = 0.04  # a course bends in 20 s by no more than this part of its swing
AFTER_S, MOST_AFTER_S = 30.0, 80.0  # a turn is read off its first part; later the machine does other things
SHOWN = 0.25  # … which is when the line has gone this part of its swing
UNLIKE = 0.01  # what no model of a turn has right, in parts of the channel's swing
HARVEST_WITNESS = 0.15
ALIKE = 0.75  # what the models have wrong, they have wrong at every boundary alike: 1.0, as if all were one witness; 0.0, all their own
LEAST_SHARE = 0.1  # a lag less likely than this is not heard
WIDE = 3  # cells
POOL = 24  # boundaries of one kind that choose lag and shape together
SLOWER = 2.5  # times the current's interval or a cell
SNAP_CELLS = 2  # cells over which a visible turn is sought …
SNAP_FAR_CELLS = 8  # … and back from a harvest's named end, where a current shows it
EDGE = 1.5  # cells by which a candidate may be off that a lagging line gave …
SEEN = 0.8  # … and one that the current itself gave (standard deviation)
SHOWN_SPREAD = 0.7  # how far the time after which a turn shows varies, in parts of it
SHORTEST_HARVEST = 0.35  # of what the naming made of it
TOO_SOON = 30.0  # nats
UNIFORM_90 = 0.45  # half of the middle 90 % of an even spread, in parts of its width
LEFT_OUT_S, BLURRED_S = 4.0, 12.0  # of a cold line, and of a current that turns instead of stepping
CLEAR_NATS = 3.0  # a step shows where it is this much likelier than none
MOST_SAY = 20.0  # nats
BLUNDER = 0.02  # chance that a channel's turn is no turn of this machine


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Stretches of one phase. `opens_span`: no reading just before."""

    state: np.ndarray  # int64 (k,)
    first: np.ndarray  # int64 (k,): first cell
    stop: np.ndarray  # int64 (k,)
    margin: np.ndarray  # float (k,) [nats]
    opens_span: np.ndarray  # bool (k,)


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Where the runs begin."""

    start_ns: np.ndarray  # int64 (k,)
    uncertainty_s: np.ndarray  # float (k,): half-width of the 90 % interval
    by_draw: np.ndarray  # bool (k,): a current shows it
    by_cold: np.ndarray  # bool (k,): a cold line shows it
    lag_s: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class _Group:
    """Boundaries of one kind: which runs begin with them, and which way a cold line turns."""

    at: np.ndarray
    near_ns: np.ndarray
    before: int
    after: int
    sign: float
    before_s: float  # time that most have before them until the last boundary
    after_s: float


KINDS = (  # from, to, the way a cold line turns
    (FREEZE, HARVEST, 1.0),
    (HARVEST, FREEZE, -1.0),
    (HARVEST, IDLE, -1.0),
    (FREEZE, IDLE, 1.0),
    (IDLE, FREEZE, -1.0),
    (IDLE, HARVEST, 1.0),
)


def place(
    runs: Runs,
    colds: Sequence[Course],
    draws: Sequence[DrawCells],
    cells: Cells,
    delays: Sequence[int | None],
) -> Placed:
    """The start of every run. `delays`: cells by which each cold line answers later than the current by which the runs
    were named; None where the current does not move like that line."""
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
    groups = _groups(runs, near_ns, cells)
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
        lag_s[cold.trace.role] = _add_cold(cold, groups, runs, grid, cells, total, by_cold, late_ns)
    start_ns, uncertainty_s = near_ns.copy(), np.full(k, cells.step_s)
    bending = _bendings(course, runs, cells, apart=False) if course is not None else np.zeros(3)
    # Harvest starts come first in `groups`: a harvest ends no sooner than it can after it began.
    for group, likely in zip(groups, total, strict=True):
        drawn_s = np.zeros(len(group.at))
        if group.before == HARVEST:
            likely += _after_start(group, start_ns, near_ns, grid)
        if course is not None and IDLE not in (group.before, group.after):
            seen = -0.5 * (grid / (SEEN * cells.step_s)) ** 2
            prior = seen if named_by_draw else _around(likely, grid, cells)
            more, by_draw[group.at], sharp = _steps(course, group, grid, bending, prior)
            likely += more
            drawn_s = np.full(len(group.at), UNIFORM_90 * course.trace.interval_s if sharp else BLURRED_S)
            prior = np.broadcast_to(prior, likely.shape)
            more, stepped = common_steps(
                course, group.near_ns, grid, prior, calm_before=group.before == FREEZE
            )
            likely += more
            by_draw[group.at[stepped]] = True
            drawn_s[stepped] = UNIFORM_90 * course.trace.interval_s
        middle, half = _interval(likely, grid)
        start_ns[group.at] = group.near_ns + np.round(middle * 1e9).astype(np.int64)
        uncertainty_s[group.at] = np.hypot(half, _left_out(group, by_draw, by_cold, drawn_s, lag_s, cells))
    return Placed(
        start_ns=start_ns, uncertainty_s=uncertainty_s, by_draw=by_draw, by_cold=by_cold, lag_s=lag_s
    )


def _slower(cold: Course, draw: Course, cells: Cells) -> bool:
    """Is the line logged so much more slowly than the current that its turns show too late?"""
    return cold.trace.interval_s > SLOWER * max(draw.trace.interval_s, cells.step_s)


def _left_out(
    group: _Group, by_draw, by_cold, drawn_s: np.ndarray, lag_s: dict[str, float], cells: Cells
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
    best = np.argmax(np.nan_to_num(bend, nan=-np.inf), axis=1) - SNAP_CELLS
    near = np.where(usable, np.clip(named + best, 0, len(cells) - 1), near)
    snapped = usable | peaks
    if stops:
        halts = (before == IDLE) != (runs.state == IDLE)
        near, snapped = np.where(halts, runs.first, near), snapped & ~halts
    # A turn lies in the midst of its cell.
    return cells.start_ns[near] + np.where(snapped, round(0.5e9 * cells.step_s), 0)


def _groups(runs: Runs, near_ns: np.ndarray, cells: Cells) -> list[_Group]:
    before = np.r_[-1, runs.state[:-1]]
    length_s = (runs.stop - runs.first) * cells.step_s
    groups = []
    for a, b, sign in KINDS:
        at = np.flatnonzero(~runs.opens_span & (before == a) & (runs.state == b))
        if len(at):
            groups.append(
                _Group(
                    at=at,
                    near_ns=near_ns[at],
                    before=a,
                    after=b,
                    sign=sign,
                    before_s=float(np.quantile(length_s[at - 1], 0.2)),
                    after_s=float(np.quantile(length_s[at], 0.2)),
                )
            )
    return groups


def _moments(cells: Cells, lagging: bool) -> np.ndarray:
    """Moments around a candidate at which a boundary may lie [s]."""
    step = float(np.clip(cells.step_s / 10.0, 1.0, 5.0))
    reach = 2.5 * cells.step_s + 5.0
    back = reach + (turns.LAGS_S[-1] if lagging else 0.0)
    return np.arange(-np.ceil(back / step), np.ceil(reach / step) + 1) * step


def _interval(likely: np.ndarray, grid: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median of every row's posterior and the half-width of its middle 90 % [s]."""
    weight = np.exp(likely - likely.max(axis=1, keepdims=True))
    share = np.cumsum(weight, axis=1)
    share /= share[:, -1:]
    step = grid[1] - grid[0]

    def quantile(q):
        at = (share < q).sum(axis=1).clip(0, len(grid) - 1)
        row = np.arange(len(at))
        below = np.where(at > 0, share[row, at - 1], 0.0)
        inside = (q - below) / np.maximum(share[row, at] - below, 1e-12)
        return grid[at] + (inside - 0.5) * step

    return quantile(0.5), 0.5 * (quantile(0.95) - quantile(0.05))


def _stops_and_starts(draw: DrawCells, group: _Group, grid: np.ndarray, cells: Cells):
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


def _steps(course: Course, group: _Group, grid: np.ndarray, bending: np.ndarray, prior: np.ndarray):
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
    known = course.level[np.isfinite(course.level)]
    if len(rows) == 0 or len(known) < 3:
        return likely, shown, False
    swing = float(np.quantile(known, 0.98) - np.quantile(known, 0.02)) or 1.0
    baseline = turns.Baseline(
        level=10 * swing,
        slope=_usual_slope(course),
        bending=float(bending[group.before]),
        tail=0.0,
        unlike=UNLIKE * swing,
    )
    view = _rows_of(view, rows)
    weight = turns.weights(view, baseline)
    near_ns = group.near_ns[rows]
    prior = np.broadcast_to(prior, (len(group.at), len(grid)))[rows]
    # A sample of the boundaries chooses how the current answers; then all of them are placed by that answer.
    few = slice(None, None, max(1, len(rows) // POOL))
    sample = _rows_of(view, few)
    trials = []
    for line, box in ((ln, bx) for ln in turns.LINES for bx in (0.0, trace.interval_s)):
        if box and line != (0.0, False):
            continue
        response = turns.answer(view.offsets_s, grid, lag_s=0.0, line=line, box_s=box)
        for sign in (1.0, -1.0):
            fit = turns.misfits(sample, weight, response, sign=sign, height=swing)
            trials.append((fit, response, sign, line == (0.0, False)))
    scale = max(1.0, min(fit.per_reading for fit, *_ in trials))
    scores = [
        _evidence(_moved(-0.5 * fit.chi2 / scale, sample, near_ns[few], grid) + prior[few])
        for fit, *_ in trials
    ]
    _, response, sign, sharp = trials[int(np.argmax(_heard(np.array(scores)).sum(axis=1)))]
    best = turns.misfits(view, weight, response, sign=sign, height=swing)
    likely[rows] = _with_blunders(_moved(-0.5 * best.chi2 / scale, view, near_ns, grid)) + prior
    whole = np.einsum("kw,kw->k", view.readings @ weight.inverse, view.readings)
    shown[rows] = (whole - best.chi2.min(axis=1)) / scale > 2 * CLEAR_NATS
    return likely, shown, sharp


def _after_start(group: _Group, start_ns: np.ndarray, near_ns: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Log prior (k, t0) of a harvest's end, given where it began."""
    length_s = (group.near_ns - near_ns[group.at - 1]) * 1e-9
    earliest_s = (start_ns[group.at - 1] - group.near_ns) * 1e-9 + SHORTEST_HARVEST * length_s
    return np.where(grid[None] < earliest_s[:, None], -TOO_SOON, 0.0)


def _around(likely: np.ndarray, grid: np.ndarray, cells: Cells) -> np.ndarray:
    """Log prior (k, t0) about what is known already, wide enough for a lag that was judged amiss."""
    middle, half = _interval(likely, grid)
    reach = (1.5 * half + EDGE * cells.step_s)[:, None]
    off = np.maximum(np.abs(grid[None] - middle[:, None]) - reach, 0.0) / cells.step_s
    return -2.0 * off**2


def _evidence(likely: np.ndarray) -> np.ndarray:
    """Log of the mean likelihood over the moments, the last axis."""
    top = likely.max(axis=-1, keepdims=True)
    return (top + np.log(np.exp(likely - top).mean(axis=-1, keepdims=True)))[..., 0]


def _heard(scores: np.ndarray) -> np.ndarray:
    """`scores` of every trial for every boundary, (trials, k), so that no boundary speaks louder than MOST_SAY: one
    that is none of this kind must not choose for all."""
    return np.maximum(scores - scores.max(axis=0), -MOST_SAY)


def _with_blunders(likely: np.ndarray) -> np.ndarray:
    """`likely` with a small chance that the turn is none of this machine's (all moments, the last axis, alike)."""
    top = likely.max(axis=-1, keepdims=True)
    chance = np.exp(likely - top)
    return top + np.log((1 - BLUNDER) * chance + BLUNDER * chance.mean(axis=-1, keepdims=True))


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


def _add_cold(cold: Course, groups, runs: Runs, grid, cells: Cells, total, by_cold, late_ns: int) -> float:
    """Adds the likelihoods of a cold line to `total`, marks what it shows in `by_cold`, and returns its lag [s].

    late_ns: how long after its candidate a boundary shows in the line, beyond what `candidates` allowed for.
    """
    swing = float(np.nanquantile(cold.level, 0.98) - np.nanquantile(cold.level, 0.02)) or 1.0
    bending = _bendings(cold, runs, cells, apart=True)
    work = []
    for number, group in enumerate(groups):
        most_s = HARVEST_BEFORE_S if group.before == HARVEST else BEFORE_S
        before_s = float(np.clip(0.8 * group.before_s, 3 * cold.trace.interval_s, most_s))
        longest = max(_time_to_show(cold, group.near_ns + late_ns, cells, swing), 3.5 * cold.trace.interval_s)
        after_s = float(np.clip(0.8 * group.after_s, 2 * cold.trace.interval_s, longest))
        # Stops and starts that a clamp showed are known already; what the line makes of them only tells its lag.
        view = turns.look(cold.trace, group.near_ns + late_ns, before_s, after_s)
        rows = np.flatnonzero(np.isfinite(view.readings).all(axis=1))
        if len(rows) == 0:
            continue
        bend = min(float(bending[group.before]), 3.0 * (MOST_BEND * swing) ** 2 / 20.0**3)
        baseline = turns.Baseline(
            level=10 * swing, slope=_usual_slope(cold), bending=bend, tail=0.3 * swing, unlike=UNLIKE * swing
        )
        work.append((number, group, baseline, _rows_of(view, rows), rows))
    if not work:
        return float("nan")
    thin = max(1, round(3.0 / (grid[1] - grid[0])))
    scores = np.full((len(turns.LAGS_S), len(work), len(turns.LINES)), -np.inf)
    scales = np.ones(len(work))
    for j, (number, group, baseline, view, rows) in enumerate(work):
        few = slice(None, None, max(1, len(rows) // POOL))
        sample, near_ns = _rows_of(view, few), group.near_ns[rows[few]]
        known = total[number][rows[few]][:, ::thin]
        weight = turns.weights(sample, baseline)
        few_moments = grid[::thin]
        answers = np.stack(
            [
                turns.answer(sample.offsets_s, few_moments, lag_s=lag, line=line)
                for lag in turns.LAGS_S
                for line in turns.LINES
            ]
        )
        fit = turns.misfits(sample, weight, answers, sign=group.sign, height=2 * swing)
        scales[j] = max(1.0, float(fit.per_reading.min()))
        shown = np.stack(
            [
                _shown_prior(few_moments, lag, line, cells, late_ns)
                for lag in turns.LAGS_S
                for line in turns.LINES
            ]
        )
        likely = _with_blunders(_moved(-0.5 * fit.chi2 / scales[j], sample, near_ns, few_moments))
        likely += shown[:, None] + known
        said = _evidence(likely).sum(axis=-1) / len(near_ns) ** ALIKE
        scores[:, j] = said.reshape(len(turns.LAGS_S), -1) + turns.PRIOR
    # The smooth course of a freeze or a rest tells the lag; a harvest bends too much by itself to be a good witness.
    witness = np.array([HARVEST_WITNESS if group.before == HARVEST else 1.0 for _, group, *_ in work])
    standing = scores.max(axis=2) @ witness
    share = np.exp(standing - standing.max())
    share /= share.sum()
    for j, (number, group, baseline, view, rows) in enumerate(work):
        weight = turns.weights(view, baseline)
        # The lag is seldom known for certain: every lag that may be true has its say.
        mixed = np.full((len(rows), len(grid)), -np.inf)
        for i in np.flatnonzero(share > LEAST_SHARE):
            lag, line = turns.LAGS_S[i], turns.LINES[int(np.argmax(scores[i, j]))]
            response = turns.answer(view.offsets_s, grid, lag_s=lag, line=line)
            fit = turns.misfits(view, weight, response, sign=group.sign, height=2 * swing)
            likely = _with_blunders(_moved(-0.5 * fit.chi2 / scales[j], view, group.near_ns[rows], grid))
            likely += _shown_prior(grid, lag, line, cells, late_ns)
            likely -= _evidence(likely)[:, None]
            mixed = np.logaddexp(mixed, likely + np.log(share[i]))
        total[number][rows] += mixed
        by_cold[group.at[rows]] = True
    return float(share @ np.array(turns.LAGS_S))


def _time_to_show(cold: Course, near_ns: np.ndarray, cells: Cells, swing: float) -> float:
    """How long after a turn the line has usually gone SHOWN of its swing [s], between AFTER_S and MOST_AFTER_S."""
    start = np.searchsorted(cells.start_ns, near_ns, side="right") - 1
    for ahead in range(1, int(MOST_AFTER_S / cells.step_s) + 1):
        gone = np.abs(cold.level[np.minimum(start + ahead, len(cells) - 1)] - cold.level[start])
        if np.nanmedian(np.append(gone, 0.0)) >= SHOWN * swing:
            return float(np.clip(ahead * cells.step_s, AFTER_S, MOST_AFTER_S))
    return MOST_AFTER_S


def _rows_of(view: turns.View, rows) -> turns.View:
    return replace(view, anchor_ns=view.anchor_ns[rows], readings=view.readings[rows])


def _shown_prior(grid: np.ndarray, lag: float, line, cells: Cells, late_ns: int) -> np.ndarray:
    """Log prior (t0,) about a candidate: it lies where the lagging line visibly turned, the change came before it."""
    shown_s = turns.shown_after_s(lag, line, cells.step_s)
    spread = 0.5 * cells.step_s + SHOWN_SPREAD * (shown_s + 0.2 * lag)
    return -0.5 * ((grid - late_ns * 1e-9 + shown_s) / spread) ** 2


def _moved(likely: np.ndarray, view: turns.View, near_ns: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Likelihoods (…, k, t0) around the readings on which the windows hang, moved onto the grid around the candidates."""
    step = grid[1] - grid[0]
    shift = (view.anchor_ns - near_ns) * 1e-9 / step
    place = (np.arange(len(grid))[None] - shift[:, None]).clip(0, len(grid) - 1)
    low = np.minimum(place.astype(np.int64), len(grid) - 2)
    part = place - low
    row = np.arange(len(near_ns))[:, None]
    return likely[..., row, low] * (1 - part) + likely[..., row, low + 1] * part


def _usual_slope(course: Course) -> float:
    return max(float(np.nanquantile(np.abs(course.slope), 0.9)) / 60.0, 1e-6)


def _bendings(course: Course, runs: Runs, cells: Cells, *, apart: bool) -> np.ndarray:
    """Intensity of the slow bending of the course within freeze, harvest and idle [unit²/s³], (3,): from second
    differences over one cell, whose variance is 2/3 × intensity × Δ³ and the noise. apart: the two are told apart by
    second differences over WIDE cells (of a slow probe; a current bends too sharply for that)."""
    level = course.level
    state = np.repeat(runs.state, runs.stop - runs.first)
    noise = (course.slope_noise * np.sqrt(2) * cells.step_s / 60.0) ** 2 * 6
    unit = 2 / 3 * cells.step_s**3
    out = np.full(3, 1e-12)

    def spread(s, h):
        bend = np.abs(level[2 * h :] - 2 * level[h:-h] + level[: -2 * h])
        inside = bend[(state[2 * h :] == s) & (state[h:-h] == s) & (state[: -2 * h] == s) & np.isfinite(bend)]
        # The quieter half: a phase bends most at its ends, and there the turn is what is sought.
        return float(np.quantile(inside, 0.25) / 0.3186) ** 2 if len(inside) >= 5 else np.nan

    for s in range(3):
        near, wide = spread(s, 1), spread(s, WIDE) if apart else np.nan
        if np.isfinite(near):
            found = max(near - noise, 0.02 * near) / unit
            if np.isfinite(wide):
                found = max(min(found, (wide - near) / unit / (WIDE**3 - 1)), 0.02 * found)
            out[s] = max(found, 1e-12)
    return out
