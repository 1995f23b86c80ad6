"""When a current begins to move: on courses whose acts are known by construction."""

import numpy as np
import pytest

from pipeline.cycles.template.onsets import onsets

T = np.arange(-240.0, 242.0, 2.0)


def approach(at, height, lag_s):
    """A current that goes over by `height`, beginning at `at` [s], with the time constant `lag_s`."""
    return height * np.where(at > T, 0.0, 1.0 - np.exp(-np.maximum(T - at, 0.0) / lag_s))


@pytest.mark.parametrize("height", [1.5, -1.5])
@pytest.mark.parametrize("lag_s", [1.0, 10.0, 25.0])
def test_a_current_begins_to_move_where_it_leaves_its_course(height, lag_s):
    current = 6.0 - 0.001 * T + approach(12.0, height, lag_s)
    (found,) = onsets(T, current, 0.01, 2.0)
    assert found.at == pytest.approx(12.0, abs=5.0)


def test_a_course_that_is_steep_all_along_holds_no_onset():
    assert onsets(T, 6.0 - 0.01 * T, 0.01, 2.0) == []


def test_no_reading_no_onset():
    assert onsets(T, np.full(len(T), np.nan), 0.01, 2.0) == []
