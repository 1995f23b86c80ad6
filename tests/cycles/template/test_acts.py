"""What a template says of an act, on courses whose act is known by construction."""

import numpy as np
import pytest

from pipeline.cycles.template import acts

T = np.arange(-200.0, 202.0, 2.0)


def lagged(course, lag_s):
    """Answer of a first-order lag, y' = (x − y) / lag, by its exact recursion over one step of the grid."""
    out = course.copy()
    keep = np.exp(-(T[1] - T[0]) / lag_s)
    for i in range(1, len(out)):
        out[i] = keep * out[i - 1] + (1 - keep) * course[i]
    return out


def likeliest(likely):
    return float(T[int(np.argmax(likely))])


@pytest.mark.parametrize("at", [-30.0, 0.0, 24.0])
def test_gas_comes_where_a_line_leaves_its_course(at):
    line = -0.01 * T + np.maximum(T - at, 0.0) * 0.2
    assert likeliest(acts.start_by_line(T, line, 0.02, 2.0)) == pytest.approx(at, abs=4.0)


@pytest.mark.parametrize("lag_s", [10.0, 40.0])
def test_a_lag_hardly_moves_the_departure(lag_s):
    line = lagged(np.maximum(T, 0.0) * 0.2, lag_s)
    assert likeliest(acts.start_by_line(T, line, 0.02, 2.0)) == pytest.approx(0.0, abs=15.0)


def test_a_line_that_does_not_rise_says_nothing():
    assert acts.start_by_line(T, -0.01 * T, 0.02, 2.0) is None
    assert acts.end_by_line(T, np.full(len(T), -8.0), 0.02, 2.0) is None


@pytest.mark.parametrize("at", [-40.0, 0.0, 30.0])
def test_gas_is_shut_at_a_sharp_top(at):
    line = np.where(at > T, 0.1 * (T - at), -0.05 * (T - at))
    assert likeliest(acts.end_by_line(T, line, 0.02, 2.0)) == pytest.approx(at, abs=5.0)


@pytest.mark.parametrize("lag_s", [25.0, 50.0])
def test_behind_a_lag_gas_is_shut_before_the_top(lag_s):
    line = lagged(np.where(T < 0, 0.1 * T, -0.05 * T), lag_s)
    top = likeliest(line)
    assert top > 0.8 * lag_s
    assert likeliest(acts.end_by_line(T, line, 0.02, 2.0)) < 0.6 * top


def test_a_steep_first_stage_of_a_harvest_is_not_its_end():
    line = np.where(T < -60, 0.3 * (T + 60), 0.04 * (T + 60))
    line = np.where(T > 0, line[T <= 0][-1] - 0.1 * T, line)
    assert likeliest(acts.end_by_line(T, line, 0.02, 2.0)) == pytest.approx(0.0, abs=6.0)


@pytest.mark.parametrize("height", [2.0, -2.0])
def test_a_step_lies_where_it_is_whichever_way_it_goes(height):
    current = 6.0 + np.where(T < 11.0, 0.0, height)
    (found,) = acts.changes(T, current, 2.0, 0.01)
    assert found.at == pytest.approx(11.0, abs=1.5)
    assert found.sign == np.sign(height)


def test_of_several_steps_beside_a_line_the_first_is_the_act():
    current = 6.0 + np.where(T < 0, 0.0, 1.0) + np.where(T < 45, 0.0, 1.0)
    says = acts.by_current(T, current, 0.01, 2.0, earliest_s=-60.0)
    assert likeliest(says) == pytest.approx(0.0, abs=2.0)


def test_a_current_that_only_falls_smoothly_says_nothing():
    assert acts.by_current(T, 8.0 - 0.002 * T, 0.01, 2.0, earliest_s=-60.0) is None
