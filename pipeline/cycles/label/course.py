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
    course, won_by, cost = cheapest_of_each(costs[None], changes[None], begin)
    return course[0], won_by[0], float(cost[0])


def cheapest_of_each(
    costs: np.ndarray, changes: np.ndarray, begin: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`cheapest` of several rows of segments at once, which takes hardly longer than of one: (rows, k), (rows, k), (rows,).
    costs: (rows, k, s); changes: (rows, k, s, s)."""
    rows, _, states = costs.shape
    costs = costs + NUDGE * np.arange(states)
    turned = np.concatenate([changes[:, :1], changes[:, :0:-1].transpose(0, 1, 3, 2)], axis=1)
    begins = np.zeros((2 * rows, states))
    begins[:rows] = begin
    least = least_costs(np.concatenate([costs, costs[:, ::-1]]), np.concatenate([changes, turned]), begins)
    forward, backward = least[:rows], least[rows:]
    through = np.ascontiguousarray((forward + backward[:, ::-1] - costs).transpose(2, 0, 1))
    course, cheapest_cost = np.argmin(through, axis=0), through.min(axis=0)
    np.put_along_axis(through, course[None], np.inf, axis=0)
    return course, through.min(axis=0) - cheapest_cost, cheapest_cost[:, -1]


def least_costs(costs: np.ndarray, changes: np.ndarray, begin: np.ndarray) -> np.ndarray:
    """Least cost of being in every state of every segment, the segment included, in several rows of segments at once, shape
    (rows, k, s). costs: (rows, k, s); changes: (rows, k, s, s); begin: (rows, s)."""
    rows, k, states = costs.shape
    length = max(1, int(np.sqrt(k)))
    blocks = -(-k // length)
    # The states come first and the blocks last: NumPy is quick along a long last axis.
    steps = np.zeros((states, states, rows, blocks * length))
    np.add(changes.transpose(2, 3, 0, 1), costs.transpose(2, 0, 1), out=steps[..., :k])
    steps[..., 0] = np.where(np.eye(states, dtype=bool), 0.0, FAR)[..., None]
    steps = steps.reshape(states, states, rows * blocks, length)
    within = np.ascontiguousarray(steps.transpose(3, 0, 1, 2))
    for i in range(1, length):  # becomes the product from the block's first segment to this one
        within[i] = _product(within[i - 1], within[i])
    whole = np.ascontiguousarray(within[-1].reshape(states, states, rows, blocks).transpose(3, 2, 0, 1))
    enter = np.empty((blocks, rows, states))
    enter[0] = begin + costs[:, 0]
    for block in range(1, blocks):
        enter[block] = (enter[block - 1][:, :, None] + whole[block - 1]).min(axis=1)
    enter = np.ascontiguousarray(enter.transpose(2, 1, 0)).reshape(1, states, rows * blocks)
    out = _product(enter, within.swapaxes(0, 1))  # (length, s, rows × blocks)
    return out.reshape(length, states, rows, blocks).transpose(2, 3, 0, 1).reshape(rows, -1, states)[:, :k]


def _product(first: np.ndarray, then: np.ndarray) -> np.ndarray:
    """The matrix product (+ for ×, min for +) of (a, s, …) and (s, b, …), shape (a, b, …)."""
    best = first[:, 0, None] + then[0]
    for state in range(1, len(then)):
        np.minimum(best, first[:, state, None] + then[state], out=best)
    return best
