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
from pipeline.cycles.features import Course, DrawCells
from pipeline.cycles.labels import FREEZE, HARVEST, IDLE
from pipeline.cycles.signals import Cells

POOL = 40  # boundaries of one kind that choose lag and shape together
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
    before: int
    after: int
    sign: float


def place(
    runs: Runs, colds: Sequence[Course], draws: Sequence[DrawCells], cells: Cells, *, step: float, polarity: int
) -> Placed:
    """The start of every run."""
    near_ns = cells.start_ns[runs.first].copy()
    k = len(near_ns)
    before = np.r_[-1, runs.state[:-1]]
    inner = ~runs.opens_span
    groups = []
    for a, b, sign in (
        (FREEZE, HARVEST, 1.0),
        (HARVEST, FREEZE, -1.0),
        (HARVEST, IDLE, -1.0),
        (FREEZE, IDLE, 1.0),
        (IDLE, FREEZE, -1.0),
        (IDLE, HARVEST, 1.0),
    ):
        at = np.flatnonzero(inner & (before == a) & (runs.state == b))
        if len(at):
            groups.append(_Group(at=at, before=a, after=b, sign=sign))
    lags = [_lag_limit(cold) for cold in colds]
    grid = _moments(cells, [c.trace.interval_s for c in colds], max(lags, default=0.0))
    total = {id(g): np.zeros((len(g.at), len(grid))) for g in groups}
    by_draw, by_cold = np.zeros(k, dtype=bool), np.zeros(k, dtype=bool)
    if draws:
        for group in groups:
            likely, shown = _draw_likelihood(draws[0], group, near_ns, grid, step, polarity, cells)
            total[id(group)] += likely
            by_draw[group.at] = shown
    lag_s = {}
    for cold in colds:
        lag_s[cold.trace.role] = _add_cold(cold, groups, runs, near_ns, grid, cells, total, by_cold)
    start_ns, uncertainty_s = near_ns.copy(), np.full(k, cells.step_s)
    for group in groups:
        middle, half = _interval(total[id(group)], grid)
        start_ns[group.at] = near_ns[group.at] + np.round(middle * 1e9).astype(np.int64)
        uncertainty_s[group.at] = half
    return Placed(start_ns=start_ns, uncertainty_s=uncertainty_s, by_draw=by_draw, by_cold=by_cold, lag_s=lag_s)


def _lag_limit(cold: Course) -> float:
    return turns.LAGS_S[-1]


def _moments(cells: Cells, intervals_s: Sequence[float], lag_s: float) -> np.ndarray:
    """Moments around a candidate at which a boundary may lie [s]."""
    step = float(np.clip(cells.step_s / 10.0, 1.0, 5.0))
    reach = 2.5 * cells.step_s + 10.0
    return np.arange(-np.ceil((reach + lag_s) / step), np.ceil(reach / step) + 1) * step


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


def _draw_likelihood(draw: DrawCells, group: _Group, near_ns, grid, step, polarity, cells):
    """Log likelihood (k, t0) of each moment by the clamp, and where it shows the boundary at all (k,)."""
    near = near_ns[group.at]
    if (group.before == IDLE) != (group.after == IDLE):
        found_ns, bracket_s = crossings(draw, near, group.after != IDLE, cells)
    elif step > max(4 * draw.noise, 0.02 * draw.running):
        way = polarity if group.after == HARVEST else -polarity
        found_ns, bracket_s = current_steps(draw, near, np.full(len(near), way), step, cells)
    else:
        return np.zeros((len(near), len(grid))), np.zeros(len(near), dtype=bool)
    shown = np.isfinite(bracket_s)
    middle = (found_ns - near) * 1e-9
    half = 0.5 * np.nan_to_num(bracket_s, nan=1.0)
    beyond = np.maximum(np.abs(grid[None] - middle[:, None]) - half[:, None], 0.0) / (0.1 * draw.trace.interval_s + 0.25)
    likely = np.maximum(-0.5 * beyond**2, -60.0)
    likely[~shown] = 0.0
    return likely, shown


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


def current_steps(
    draw: DrawCells, near_ns: np.ndarray, way: np.ndarray, step: float, cells: Cells
) -> tuple[np.ndarray, np.ndarray]:
    """The step of the running current nearest to each of `near_ns`: its moment and the time between the readings
    around it [s]; nan where no step of about the usual height lies within three cells."""
    trace = draw.trace
    n = len(trace.values)
    reach = max(3, round(3 * cells.step_s / trace.interval_s))  # readings either side that may hold the step
    side = max(1, min(reach, round(15.0 / trace.interval_s)))  # readings averaged on each side of it
    centre = np.searchsorted(trace.time_ns, near_ns)
    half = reach + side
    at = np.clip(centre[:, None] + np.arange(-half, half + 1), 0, n - 1)
    total = np.cumsum(np.pad(trace.values[at], ((0, 0), (1, 0))), axis=1)
    split = np.arange(side, 2 * half + 2 - side)
    after = total[:, split + side] - total[:, split]
    before = total[:, split] - total[:, split - side]
    height = (after - before) / side * way[:, None]
    best = np.argmax(height, axis=1)
    index = np.clip(centre - half + split[best], 1, n - 1)
    gap_s = (trace.time_ns[index] - trace.time_ns[index - 1]) * 1e-9
    good = height[np.arange(len(best)), best] > 0.5 * step
    return (trace.time_ns[index] + trace.time_ns[index - 1]) // 2, np.where(good, gap_s, np.nan)


def _add_cold(cold: Course, groups, runs: Runs, near_ns, grid, cells: Cells, total, by_cold) -> float:
    """Adds the likelihoods of a cold line to `total`, marks what it shows in `by_cold`, and returns its lag [s]."""
    minutes = np.diff(np.append(near_ns, cells.start_ns[runs.stop[-1] - 1])) * 1e-9
    work = []
    swing = float(np.nanquantile(cold.level, 0.98) - np.nanquantile(cold.level, 0.02)) or 1.0
    baseline = turns.Baseline(
        level=10 * swing, slope=_usual_slope(cold), bending=_bending(cold, cells), tail=swing
    )
    for group in groups:
        room_before, room_after = minutes[group.at - 1], minutes[group.at]
        before_s = float(np.clip(0.8 * np.quantile(room_before, 0.2), 3 * cold.trace.interval_s, 150.0))
        after_s = float(np.clip(0.8 * np.quantile(room_after, 0.2), 2 * cold.trace.interval_s, 75.0))
        view = turns.look(cold.trace, near_ns[group.at], before_s, after_s)
        rows = np.flatnonzero(np.isfinite(view.readings).all(axis=1))
        if len(rows):
            work.append((group, _rows_of(view, rows), near_ns[group.at][rows], rows))
    if not work:
        return float("nan")
    coarse = grid[:: max(1, round(3.0 / (grid[1] - grid[0])))]
    thin = [_thinned(*w) for w in work]
    scores = np.full((len(turns.LAGS_S), len(work), len(turns.LINES)), -np.inf)
    for i, lag in enumerate(turns.LAGS_S):
        for j, (group, view, near, rows) in enumerate(thin):
            weight = turns.precision(view, baseline, lag)
            known = total[id(group)][rows][:, :: max(1, round(3.0 / (grid[1] - grid[0])))]
            for m, line in enumerate(turns.LINES):
                both = _cold_likelihood(view, weight, group.sign, near, coarse, lag, line, swing) + known
                top = both.max(axis=1)
                scores[i, j, m] = float((top + np.log(np.exp(both - top[:, None]).mean(axis=1))).sum())
    best_lag = int(np.argmax(scores.max(axis=2).sum(axis=1)))
    lag = turns.LAGS_S[best_lag]
    for j, (group, view, near, rows) in enumerate(work):
        line = turns.LINES[int(np.argmax(scores[best_lag, j]))]
        weight = turns.precision(view, baseline, lag)
        total[id(group)][rows] += _cold_likelihood(view, weight, group.sign, near, grid, lag, line, swing)
        by_cold[group.at[rows]] = True
    return lag


def _rows_of(view: turns.View, rows: np.ndarray) -> turns.View:
    return replace(view, anchor_ns=view.anchor_ns[rows], readings=view.readings[rows])


def _thinned(group: _Group, view: turns.View, near: np.ndarray, rows: np.ndarray):
    """At most POOL of the boundaries, evenly over the log."""
    pick = slice(None, None, max(1, len(rows) // POOL))
    return group, _rows_of(view, pick), near[pick], rows[pick]


def _cold_likelihood(view, weight, sign, near_ns, grid, lag, line, swing) -> np.ndarray:
    """Log likelihood (k, t0) on `grid` around `near_ns`, with a chance of a blunder in it."""
    response = turns.answer(view.offsets_s, grid, lag_s=lag, line=line)
    gain = turns.likelihoods(view, weight, response, sign=sign, height=2 * swing)
    shift = (view.anchor_ns - near_ns) * 1e-9
    # The windows hang on readings, the grid on the candidates: moved onto each other.
    step = grid[1] - grid[0]
    place = (np.arange(len(grid))[None] - (shift / step)[:, None]).clip(0, len(grid) - 1)
    low = np.minimum(place.astype(np.int64), len(grid) - 2)
    part = place - low
    moved = np.take_along_axis(gain, low, 1) * (1 - part) + np.take_along_axis(gain, low + 1, 1) * part
    top = moved.max(axis=1, keepdims=True)
    even = np.log(np.exp(moved - top).mean(axis=1, keepdims=True)) + top
    return np.logaddexp(moved + np.log(1 - BLUNDER), even + np.log(BLUNDER))


def _usual_slope(cold: Course) -> float:
    return max(float(np.nanquantile(np.abs(cold.slope), 0.9)) / 60.0, 1e-4)


def _bending(cold: Course, cells: Cells) -> float:
    """Intensity of the slow bending of the course [K²/s³], from second differences over two cells where the line is
    quiet: their variance is 2/3 × intensity × Δ³ and the noise."""
    apart = 2
    level = cold.level
    bend = level[2 * apart :] - 2 * level[apart:-apart] + level[: -2 * apart]
    bend = bend[np.isfinite(bend)]
    if len(bend) < 5:
        return 1e-9
    noise = (cold.slope_noise * np.sqrt(2) * cells.step_s / 60.0) ** 2 * 6
    spread = float(np.median(np.abs(bend)) / 0.6745) ** 2
    return max(spread - noise, 0.02 * spread, 1e-12) / (2 / 3 * (apart * cells.step_s) ** 3)
