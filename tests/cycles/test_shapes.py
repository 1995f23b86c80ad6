"""What the cycles of a log have in common."""

import numpy as np

from pipeline.cycles import shapes


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
