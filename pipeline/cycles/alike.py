"""How long a line takes to show a boundary: about the same every time.

Each turn of a lagging line tells when the machine changed its state, but not well: the first seconds of a slow turn drown in what
the line does anyway. The turns themselves lie upon each other to within seconds. So all boundaries of one kind tell together
how long before the turn the change came, and by how much that differs; what they say is what each is told in advance (a
hierarchical model; Gelman et al. 2013, Bayesian Data Analysis, chapter 5, from memory).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from pipeline.cycles.likelihoods import ALIKE, BLUNDER
from pipeline.cycles.signals import Trace

# Common practice, no source, all of them.
LEAST, MOST = 4, 200  # boundaries that tell; more are not needed
STEP_S = 2.0
BEFORE_S, AFTER_S = 60.0, 60.0  # of the turns that are laid upon each other, at most, …
BEFORE = 0.5  # … and no more than this part of the phase before
REACH_CELLS, REACH_S = 2.5, 30.0  # by which a candidate may be off its turn
ROUNDS = 4
LEAST_FIT, ODD = 0.8, 4.0  # correlation of most, and times its distance from one: no turn like the others
SPREADS_S = (3.0, 6.0, 12.0, 25.0, 50.0)  # of the time from change to turn: all of them together choose


def agreed(
    likely: np.ndarray, grid: np.ndarray, trace: Trace, at_ns: np.ndarray, phase_s: float, cell_s: float
) -> np.ndarray:
    """Log likelihoods (k, t0) on `grid` [s] around candidates, with what all of them say of the time before the turn near
    `at_ns` (k,). phase_s: what most phases before take; boundaries with an odd turn stay as they are, and so do fewer than
    LEAST."""
    if len(at_ns) < LEAST:
        return likely
    late_s, fit = turns(trace, at_ns, BEFORE * phase_s, REACH_CELLS * cell_s + REACH_S)
    like = fit >= 1.0 - ODD * (1.0 - max(float(np.median(fit)), LEAST_FIT))
    if like.sum() < LEAST:
        return likely
    out = likely.copy()
    out[like] = _together(likely[like], grid, late_s[like])
    return out


def turns(trace: Trace, at_ns: np.ndarray, before_s: float, reach_s: float) -> tuple[np.ndarray, np.ndarray]:
    """How much later than `at_ns` (k,) each turn lies where all lie upon each other [s], and how well it then fits, (k,) each."""
    before, after = max(3, round(min(BEFORE_S, before_s) / STEP_S)), round(AFTER_S / STEP_S)
    reach = int(np.ceil(reach_s / STEP_S))
    width = before + after + 1
    offset_s = np.arange(-before - reach, after + reach + 1) * STEP_S
    at_s = (at_ns - trace.time_ns[0]) * 1e-9
    rows = np.interp(at_s[:, None] + offset_s, (trace.time_ns - trace.time_ns[0]) * 1e-9, trace.values)
    rows -= rows.mean(axis=1, keepdims=True)
    windows = np.lib.stride_tricks.sliding_window_view(rows, width, axis=1)
    size = np.sqrt(np.maximum(width * windows.var(axis=2), 1e-12))
    row, shift = np.arange(len(rows)), np.full(len(rows), reach)
    few = slice(None, None, max(1, len(rows) // MOST))
    fit = np.zeros((len(rows), 2 * reach + 1))
    for _ in range(ROUNDS):
        mould = np.median(windows[row, shift][few] / size[row, shift][few, None], axis=0)
        mould -= mould.mean()
        fit = np.einsum("ksw,w->ks", windows, mould) / (size * max(float(np.sqrt(mould @ mould)), 1e-9))
        shift = np.argmax(fit, axis=1)
        shift = np.clip(shift - round(float(np.median(shift)) - reach), 0, 2 * reach)
    # The top of the parabola through the best and its neighbours.
    at = np.argmax(fit, axis=1).clip(1, 2 * reach - 1)
    left, best, right = fit[row, at - 1], fit[row, at], fit[row, at + 1]
    bend = np.minimum(left - 2 * best + right, -1e-12)
    return (at + np.clip(0.5 * (left - right) / bend, -1.0, 1.0) - reach) * STEP_S, best


def _together(likely: np.ndarray, grid: np.ndarray, late_s: np.ndarray) -> np.ndarray:
    """`likely` (k, t0) and what all say of the time from the change to the turns, which lie `late_s` (k,) after the
    candidates [s]."""
    step = grid[1] - grid[0]
    off = np.arange(grid[0] - late_s.max(), grid[-1] - late_s.min() + step, step)  # from turn to change
    few = slice(None, None, max(1, len(late_s) // MOST))
    chance = np.exp(likely[few] - likely[few].max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    said = _read_at(chance, (off + late_s[few, None] - grid[0]) / step)
    heard = np.array([np.log(_mixed(_spread(said, s / step), len(off))).sum(axis=0) for s in SPREADS_S])
    spread = int(np.argmax(heard.max(axis=1)))
    share = np.exp((heard[spread] - heard[spread].max()) / len(said) ** ALIKE)
    prior = _mixed(_spread(share / share.sum(), SPREADS_S[spread] / step), len(off))
    wanted = (grid - late_s[:, None] - off[0]) / step
    return likely + np.log(_read_at(np.broadcast_to(prior, (len(late_s), len(off))), wanted))


def _spread(rows: np.ndarray, steps: float) -> np.ndarray:
    """`rows` (..., n) of probabilities, each blurred by a normal distribution of standard deviation `steps` [columns]."""
    return gaussian_filter1d(rows, steps, axis=-1, mode="constant", truncate=8.0)


def _mixed(chance: np.ndarray, count: int) -> np.ndarray:
    """`chance`, with the part BLUNDER of it shared out evenly over `count` columns."""
    return (1 - BLUNDER) * chance + BLUNDER / count


def _read_at(rows: np.ndarray, place: np.ndarray) -> np.ndarray:
    """`rows` (k, n) between their columns, at `place` (k, m); 0 beyond them."""
    inside = (place >= 0) & (place <= rows.shape[1] - 1)
    low = np.where(inside, place, 0.0).astype(np.int64).clip(0, rows.shape[1] - 2)
    part = np.where(inside, place, 0.0) - low
    row = np.arange(len(rows))[:, None]
    return np.where(inside, rows[row, low] * (1 - part) + rows[row, low + 1] * part, 0.0)
