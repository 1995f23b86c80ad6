"""What the cycles of a log have in common."""

import numpy as np

from pipeline.cycles.template import shapes


def test_noise_as_high_as_a_break_does_not_scatter_it():
    """A step down by one and a half times the noise of a bin, sought over fourteen bins by what lies two bins about it."""
    rng = np.random.default_rng(3)
    cycle = np.r_[np.zeros(40), np.linspace(0.3, 1.0, 6), np.linspace(0.5, 0.0, 12)]
    at = np.arange(1, 120) * len(cycle) + 46
    noise = 0.35
    level = np.tile(cycle, 121) + noise * rng.standard_normal(121 * len(cycle))
    off = shapes.known_again(level, at, 2, 1.4, 5, 14, noise) - at
    assert np.quantile(np.abs(off), 0.9) <= 1.0
