"""The network's arithmetic, held against SciPy's convolution."""

import numpy as np
import pytest
from scipy.signal import convolve

from pipeline.cycles.learned import network


def by_scipy(layers, steps, inputs):
    """Outside check: each layer as a full convolution whose kernel has zeros between its weights."""
    known = None
    for (weights, bias), step in zip(layers[:-1], steps, strict=True):
        spread = np.zeros(((len(weights) - 1) * step + 1, *weights.shape[1:]))
        spread[::step] = weights
        values = inputs if known is None else known
        come = np.zeros((len(values), weights.shape[2]))
        for i in range(weights.shape[1]):
            for o in range(weights.shape[2]):
                come[:, o] += convolve(values[:, i], spread[::-1, i, o], mode="same")
        come = np.maximum(come + bias, 0.0)
        known = come if known is None else known + come
    weights, bias = layers[-1]
    return known @ weights[0] + bias


@pytest.mark.parametrize("steps", [(1,), (1, 2, 4), (1, 8, 3)])
def test_layers_add_up_as_convolutions_with_holes(steps):
    rng = np.random.default_rng(2)
    layers = [
        (
            rng.normal(0, 0.5, (5, 3 if i == 0 else 4, 4)).astype(np.float32),
            rng.normal(0, 1, 4).astype(np.float32),
        )
        for i in range(len(steps))
    ]
    layers.append((rng.normal(0, 1, (1, 4, 2)).astype(np.float32), np.ones(2, np.float32)))
    inputs = rng.normal(0, 1, (2, 100, 3)).astype(np.float32)
    said = network.said_by(layers, steps, inputs)
    for one, seen in zip(said, inputs, strict=True):
        np.testing.assert_allclose(one, by_scipy(layers, steps, seen), atol=1e-4)


def test_the_stored_networks_are_small_and_say_what_they_are():
    """Every network that the pipeline asks is there, and each of its numbers is finite."""
    acts = [f"{act} {kind}" for act in ("start", "end") for kind in ("line", "current", "alone")]
    for name in (*acts, "phases", "phases alone"):
        assert len(network.layers_of(name)) > 2
    for name in (*acts, "phases", "phases alone", "phases line", "phases current", "phases other"):
        assert all(np.isfinite(w).all() and np.isfinite(b).all() for w, b in network.layers_of(name))
    assert network.WEIGHTS.stat().st_size < 250_000
