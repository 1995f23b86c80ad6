"""What the cycles of a log have in common."""

import numpy as np

from pipeline.cycles.template import shapes


def test_one_drop_out_does_not_bend_the_average():
    """In one cycle of eighteen the cable came loose for a minute before the harvest."""
    cycle = np.r_[np.linspace(2.0, -2.0, 60), np.linspace(-1.0, 2.0, 12)]
    level = np.tile(cycle, 19)
    at = np.arange(1, 19) * len(cycle) - 12
    whole = shapes.average_about(level, at, 20)
    loose = level.copy()
    loose[at[7] - 6 : at[7] - 3] = -19.0
    assert np.ptp(shapes.average_about(loose, at, 20) - whole) < 0.2


def test_what_only_some_cycles_show_stays_in_the_average():
    cycle = np.r_[np.linspace(2.0, -2.0, 60), np.linspace(-1.0, 2.0, 12)]
    level = np.tile(cycle, 19)
    at = np.arange(1, 19) * len(cycle) - 12
    level[at[::3]] -= 1.5  # the readings of some fall into the dip in which fan and pump stop
    dip = shapes.average_about(level, at, 20)[20] - shapes.average_about(np.tile(cycle, 19), at, 20)[20]
    assert -0.6 < dip < -0.4


def test_noise_as_high_as_a_break_does_not_scatter_it():
    """A step down by one and a half times the noise of a bin, sought over fourteen bins by what lies two bins about it."""
    rng = np.random.default_rng(3)
    cycle = np.r_[np.zeros(40), np.linspace(0.3, 1.0, 6), np.linspace(0.5, 0.0, 12)]
    at = np.arange(1, 120) * len(cycle) + 46
    noise = 0.35
    level = np.tile(cycle, 121) + noise * rng.standard_normal(121 * len(cycle))
    off = shapes.known_again(level, at, 2, 1.4, 5, 14, noise) - at
    assert np.quantile(np.abs(off), 0.9) <= 1.0
