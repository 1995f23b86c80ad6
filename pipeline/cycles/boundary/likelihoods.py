"""Log likelihoods of moments, on a grid around each candidate: a row a boundary, or many trials of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.cycles.boundary import turns

# Common practice, no source, all of them.
MOST_SAY = 20.0  # nats
BLUNDER = 0.005  # chance that a channel's turn is no turn of this machine


def interval(likely: np.ndarray, grid: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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


def evidence(likely: np.ndarray) -> np.ndarray:
    """Log of the mean likelihood over the moments, the last axis."""
    top = likely.max(axis=-1, keepdims=True)
    return (top + np.log(np.exp(likely - top).mean(axis=-1, keepdims=True)))[..., 0]


def heard(scores: np.ndarray) -> np.ndarray:
    """`scores` of every trial for every boundary, (trials, k), so that no boundary speaks louder than MOST_SAY: one
    that is none of this kind must not choose for all."""
    return np.maximum(scores - scores.max(axis=0), -MOST_SAY)


def with_blunders(likely: np.ndarray) -> np.ndarray:
    """`likely` with a small chance that the turn is none of this machine's (all moments, the last axis, alike)."""
    top = likely.max(axis=-1, keepdims=True)
    chance = np.exp(likely - top)
    return top + np.log((1 - BLUNDER) * chance + BLUNDER * chance.mean(axis=-1, keepdims=True))


def rows_of(view: turns.View, rows) -> turns.View:
    return replace(view, anchor_ns=view.anchor_ns[rows], readings=view.readings[rows])


def moved(likely: np.ndarray, view: turns.View, near_ns: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Likelihoods (…, k, t0) around the readings on which the windows hang, moved onto the grid around the candidates."""
    step = grid[1] - grid[0]
    shift = (view.anchor_ns - near_ns) * 1e-9 / step
    place = (np.arange(len(grid))[None] - shift[:, None]).clip(0, len(grid) - 1)
    low = np.minimum(place.astype(np.int64), len(grid) - 2)
    part = (place - low).astype(likely.dtype)
    row = np.arange(len(near_ns))[:, None]
    at = row * len(grid) + low
    flat = likely.reshape(*likely.shape[:-2], -1)
    out = np.take(flat, at, axis=-1)
    out *= 1 - part
    ahead = np.take(flat, at + 1, axis=-1)
    ahead *= part
    out += ahead
    return out
