"""A network of convolutions with holes, which says of every point of a course what it is by what lies about it.

Each layer adds to what is known of a point what its neighbours say, the neighbours taken at wider and wider steps (dilated convolutions: F. Yu and
V. Koltun, ICLR 2016; layers that add to what is there: K. He and others, CVPR 2016; both
cited from memory). The weights stand in `weights.npz`, half precision;
`python -m tests.bench.worlds.learn` makes them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from itertools import count, takewhile

import numpy as np

WEIGHTS = files("pipeline.cycles.learned").joinpath("weights.npz")

Layers = Sequence[tuple[np.ndarray, np.ndarray]]


@cache
def _stored() -> Mapping[str, np.ndarray]:
    with WEIGHTS.open("rb") as file, np.load(file) as found:
        return {name: found[name].astype(np.float32) for name in found.files}


@cache
def layers_of(name: str) -> Layers:
    """(weights (width, inputs, outputs), bias (outputs,)) of each layer of the network called `name`."""
    stored = _stored()
    wanted = takewhile(lambda i: f"{name}.{i}.w" in stored, count())
    return tuple((stored[f"{name}.{i}.w"], stored[f"{name}.{i}.b"]) for i in wanted)


def said_by(layers: Layers, steps: Sequence[int], inputs: np.ndarray) -> np.ndarray:
    """What the network says of every point of `inputs` (n, l, k), float32, shape (n, l, outputs).

    steps: how far apart the neighbours are that each layer but the last looks at, in points; beyond the ends all is 0."""
    known = None
    for (weights, bias), step in zip(layers[:-1], steps, strict=True):
        come = np.maximum(_convolved(inputs if known is None else known, weights, step) + bias, 0.0)
        known = come if known is None else known + come
    weights, bias = layers[-1]
    return known @ weights[0] + bias


def _convolved(values: np.ndarray, weights: np.ndarray, step: int) -> np.ndarray:
    """Sum over the neighbours of every point of `values` (n, l, k), `step` apart, each by its own `weights` (width, k, outputs)."""
    n, length, k = values.shape
    half = len(weights) // 2
    padded = np.zeros((n, length + 2 * half * step, k), np.float32)
    padded[:, half * step : half * step + length] = values
    out = padded[:, :length] @ weights[0]
    for i in range(1, len(weights)):
        out += padded[:, i * step : i * step + length] @ weights[i]
    return out
