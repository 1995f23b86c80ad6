"""What a lagging line's template says of both acts, on lines whose acts and lags are known by construction."""

import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline.cycles.boundary import lagged
from pipeline.cycles.segment.runs import Habits
from pipeline.cycles.template.superpose import Template

STEP_S = 2.0
T = np.arange(-200.0, 202.0, STEP_S)
HABITS = Habits(swing=30.0, slope=0.25, bending=np.full(3, 1e-6))
WINDOWS = 5


def seen(line, *lags_s):
    """`line` behind first-order lags: SciPy's filter, y' = (x − y) / lag held over a step (the general-purpose reference here)."""
    for lag_s in lags_s:
        keep = np.exp(-STEP_S / lag_s)
        line = lfilter([1 - keep], [1, -keep], line, zi=[keep * line[0]])[0]
    return line


def act(course, *, ending):
    rows = np.repeat(course[None], WINDOWS, axis=0)
    template = Template(offsets_s=T, values=rows, noise=np.full(WINDOWS, 0.02), count=np.full(WINDOWS, 25))
    before_s, after_s = (180.0, 1200.0) if ending else (1200.0, 180.0)
    return lagged.Act(template=template, ending=ending, before_s=before_s, after_s=after_s)


STARTS = np.where(T < 0, -0.005 * T - 12.0, -12.0 + 30.0 * (1 - np.exp(-np.maximum(T, 0) / 60.0)))
ENDS = np.where(T < 0, 15.0 + 0.02 * T, -10.0 + 25.0 * np.exp(-np.maximum(T, 0) / 40.0))


@pytest.mark.parametrize("lags_s", [(6.0,), (20.0,), (24.0, 10.0)])
def test_both_acts_are_told_behind_a_lag(lags_s):
    acts = [act(seen(STARTS, *lags_s), ending=False), act(seen(ENDS, *lags_s), ending=True)]
    for says in lagged.likelihoods(acts, HABITS, 2.0, 10.0):
        assert says.shape == (WINDOWS, len(T))
        assert np.abs(T[says.argmax(axis=1)]).max() <= 12.0


def test_a_longer_lag_leaves_more_open():
    def width(*lags_s):
        _, says = lagged.likelihoods(
            [act(seen(STARTS, *lags_s), ending=False), act(seen(ENDS, *lags_s), ending=True)],
            HABITS,
            2.0,
            10.0,
        )
        share = np.exp(says[2] - says[2].max())
        share /= share.sum()
        middle = (share * T).sum()
        return np.sqrt((share * (T - middle) ** 2).sum())

    assert width(40.0) > width(5.0)


def test_a_line_of_which_nothing_is_known_says_nothing():
    unread = act(np.full(len(T), np.nan), ending=True)
    assert lagged.likelihoods([unread], HABITS, 2.0, 10.0) == [None]
    still = Habits(swing=np.nan, slope=np.nan, bending=np.full(3, 1e-12))
    assert lagged.likelihoods([act(ENDS, ending=True)], still, 2.0, 10.0) == [None]
