"""The cheapest course of states through a row of segments: Viterbi's dynamic programme, many blocks at a time.

Least cost over all courses (Viterbi 1967, IEEE Trans. Inf. Theory 13, 260) is a product of matrices in which + stands for ×
and min for +. The row is cut into blocks whose products are formed side by side, so that NumPy works on long arrays where
a plain loop would take one segment at a time; the result is the same.
"""

from __future__ import annotations

import numpy as np

FAR = 1e12  # a cost that no course pays
NUDGE = 1e-7  # makes one of several equal courses the cheapest


def cheapest(
    costs: np.ndarray, changes: np.ndarray, begin: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """The cheapest course (k,), by how much each of its states won over the next best (k,), and its whole cost.

    costs: shape (k, s), of every state in every segment; changes: shape (k, s, s), from each state of the segment before
    to each state of this one (the first is not used); begin: shape (s,), of beginning in a state.
    """
    costs = costs + NUDGE * np.arange(costs.shape[1])
    forward = least_costs(costs, changes, begin)
    turned = np.concatenate([changes[:1], changes[:0:-1].transpose(0, 2, 1)])
    backward = least_costs(costs[::-1], turned, np.zeros(costs.shape[1]))[::-1]
    through = forward + backward - costs
    ranked = np.sort(through, axis=1)
    return np.argmin(through, axis=1), ranked[:, 1] - ranked[:, 0], float(ranked[-1, 0])


def least_costs(costs: np.ndarray, changes: np.ndarray, begin: np.ndarray) -> np.ndarray:
    """Least cost of being in every state of every segment, the segment included, shape (k, s)."""
    k, states = costs.shape
    steps = changes + costs[:, None, :]
    steps[0] = np.where(np.eye(states, dtype=bool), 0.0, FAR)
    length = max(1, int(np.sqrt(k)))
    blocks = -(-k // length)
    padded = np.empty((blocks * length, states, states))
    padded[:k] = steps
    padded[k:] = steps[0]
    padded = np.ascontiguousarray(padded.reshape(blocks, length, states, states).transpose(1, 0, 2, 3))
    within = np.empty_like(
        padded
    )  # (length, blocks, s, s): product from the block's first segment to this one
    within[0] = padded[0]
    for i in range(1, length):
        best = within[i - 1, :, :, 0, None] + padded[i, :, 0, None, :]
        for s in range(1, states):
            np.minimum(best, within[i - 1, :, :, s, None] + padded[i, :, s, None, :], out=best)
        within[i] = best
    enter = np.empty((blocks, states))
    enter[0] = begin + costs[0]
    for b in range(1, blocks):
        enter[b] = (enter[b - 1][:, None] + within[-1, b - 1]).min(axis=0)
    out = (enter[None, :, :, None] + within).min(axis=2)  # (length, blocks, s)
    return out.transpose(1, 0, 2).reshape(-1, states)[:k]
