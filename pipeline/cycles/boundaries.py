"""Each boundary at full rate, at the moment the machine changed state, with how far it may be off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.features import ColdCells, DrawCells
from pipeline.cycles.labels import FREEZE, HARVEST, IDLE
from pipeline.cycles.signals import Cells

UNIFORM_90 = 0.45  # half-width of the 90 % interval of a uniform error, in parts of its whole width


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


def place(
    runs: Runs,
    colds: Sequence[ColdCells],
    draws: Sequence[DrawCells],
    cells: Cells,
    *,
    step: float,
    polarity: int,
) -> Placed:
    """The start of every run."""
    start_ns = cells.start_ns[runs.first].copy()
    width_s = np.full(len(start_ns), cells.step_s)
    by_draw = np.zeros(len(start_ns), dtype=bool)
    inner = ~runs.opens_span
    before = np.r_[IDLE, runs.state[:-1]]
    for draw in draws[:1]:
        onoff = inner & ((before == IDLE) != (runs.state == IDLE)) & np.isfinite(draw.off_below)
        found_ns, bracket_s = crossings(draw, start_ns[onoff], runs.state[onoff] != IDLE, cells)
        ok = np.isfinite(bracket_s)
        at = np.flatnonzero(onoff)[ok]
        start_ns[at], width_s[at], by_draw[at] = found_ns[ok], bracket_s[ok], True
        if step > max(4 * draw.noise, 0.02 * draw.running):
            turn = inner & (
                (before == FREEZE) & (runs.state == HARVEST) | (before == HARVEST) & (runs.state == FREEZE)
            )
            way = np.where(runs.state == HARVEST, polarity, -polarity)
            found_ns, bracket_s = current_steps(draw, start_ns[turn], way[turn], step, cells)
            ok = np.isfinite(bracket_s)
            at = np.flatnonzero(turn)[ok]
            start_ns[at], width_s[at], by_draw[at] = found_ns[ok], bracket_s[ok], True
    return Placed(
        start_ns=start_ns,
        uncertainty_s=UNIFORM_90 * width_s,
        by_draw=by_draw,
        by_cold=inner & ~by_draw & bool(colds),
        lag_s={},
    )


def crossings(
    draw: DrawCells, near_ns: np.ndarray, on: np.ndarray, cells: Cells
) -> tuple[np.ndarray, np.ndarray]:
    """The change between off and running nearest to each of `near_ns`: its moment (midway between two readings) and
    the time between those readings [s]; nan where none lies within two cells."""
    trace = draw.trace
    running = trace.values >= draw.off_below
    turns = np.flatnonzero(running[1:] != running[:-1]) + 1
    out_ns, bracket_s = near_ns.copy(), np.full(len(near_ns), np.nan)
    for wanted in (True, False):
        side = turns[running[turns] == wanted]
        mine = np.flatnonzero(on == wanted)
        if len(side) == 0 or len(mine) == 0:
            continue
        middle = (trace.time_ns[side] + trace.time_ns[side - 1]) // 2
        right = np.searchsorted(middle, near_ns[mine]).clip(0, len(side) - 1)
        left = np.maximum(right - 1, 0)
        best = np.where(
            np.abs(middle[left] - near_ns[mine]) < np.abs(middle[right] - near_ns[mine]), left, right
        )
        gap_s = (trace.time_ns[side] - trace.time_ns[side - 1])[best] * 1e-9
        near = np.abs(middle[best] - near_ns[mine]) * 1e-9 <= 2.5 * cells.step_s + gap_s
        out_ns[mine[near]] = middle[best][near]
        bracket_s[mine[near]] = gap_s[near]
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
    window = trace.values[at]
    total = np.cumsum(np.pad(window, ((0, 0), (1, 0))), axis=1)
    split = np.arange(side, 2 * half + 1 - side + 1)
    after = (total[:, split + side] if side else 0) - total[:, split]
    before = total[:, split] - total[:, split - side]
    height = (after - before) / side * way[:, None]
    best = np.argmax(height, axis=1)
    row = np.arange(len(best))
    index = np.clip(centre - half + split[best], 1, n - 1)
    gap_s = (trace.time_ns[index] - trace.time_ns[index - 1]) * 1e-9
    good = height[row, best] > 0.5 * step
    return (trace.time_ns[index] + trace.time_ns[index - 1]) // 2, np.where(good, gap_s, np.nan)
