"""Which lags of a cold line have their say."""

import numpy as np

from pipeline.cycles.lines import _likely


def test_a_lag_is_heard_that_nearly_all_speaks_for():
    assert _likely(np.array([0.02, 0.9, 0.08])).tolist() == [1]


def test_lags_that_are_all_alike_are_all_heard():
    assert _likely(np.full(11, 1 / 11)).tolist() == list(range(11))
