"""A turn seen through a lagging clip is placed where the line turned, not where the clip shows it."""

import numpy as np
import pytest

from pipeline.cycles.boundary import turns
from tests.cycles.plain_machine import START_NS, trace_of

SECOND = 1_000_000_000


def test_the_answer_of_a_clip_with_two_nodes_is_the_textbook_one():
    # Two lags in a row answer a step with 1 − (a e^(−t/a) − b e^(−t/b)) / (a − b).
    a, b = 0.7 * 20.0, 0.3 * 20.0
    t = np.arange(5.0, 100.0, 5.0)
    exact = 1 - (a * np.exp(-t / a) - b * np.exp(-t / b)) / (a - b)
    found = turns.answer(t, np.array([0.0]), lag_s=20.0, line=(0.0, False))[0]
    assert np.abs(found - exact).max() < 0.04


def test_nothing_answers_before_the_change():
    assert (turns.answer(np.arange(-50.0, 0.0), np.array([0.0]), lag_s=10.0, line=(5.0, False)) == 0).all()


@pytest.mark.parametrize(("interval_s", "step_s"), [(1.0, 3.0), (4.0, 3.0), (0.997, 1.0), (10.0, 5.0)])
def test_all_answers_at_once_equal_each_by_itself(interval_s, step_s):
    offsets_s, moments_s = interval_s * (np.arange(-40, 20) + 0.5), step_s * np.arange(-30, 12)
    ways = (
        *((lag, line, 0.0) for lag in (0.0, 8.0, 34.0) for line in turns.LINES),
        (0.0, (0.0, False), interval_s),
    )
    plain = [turns.answer(offsets_s, moments_s, lag_s=lag, line=line, box_s=box) for lag, line, box in ways]
    assert np.abs(turns.answers(offsets_s, moments_s, ways) - plain).max() < 1e-9


@pytest.mark.parametrize("lag_s", [5.0, 24.0, 48.0])
def test_the_likeliest_moment_is_the_true_one_at_the_right_lag(lag_s):
    rng = np.random.default_rng(1)
    true_s = 600.0
    t = np.arange(0.0, 1200.0, 2.0)
    course = turns.answer(t, np.array([true_s]), lag_s=lag_s, line=(12.0, False))[0]
    values = -10.0 - 0.004 * t + 18.0 * course + 0.05 * rng.standard_normal(len(t))
    trace = trace_of("evaporator", values, 2.0)
    grid = np.arange(-100.0, 40.0)
    view = turns.look(trace, np.array([START_NS + int(true_s + 0.4 * lag_s) * SECOND]), 120.0, 30.0)
    weight = turns.weights(view, turns.Baseline(level=200.0, slope=0.1, bending=1e-8, tail=1.0, unlike=0.05))
    response = turns.answer(view.offsets_s, grid, lag_s=lag_s, line=(12.0, False))
    fit = turns.misfits(view, weight, response, sign=1.0, height=40.0)
    found_s = (view.anchor_ns[0] - START_NS) / SECOND + grid[np.argmin(fit.chi2[0])]
    assert found_s == pytest.approx(true_s, abs=4.0)


def test_a_turn_the_other_way_does_not_fit():
    t = np.arange(0.0, 400.0, 2.0)
    values = -10.0 + np.where(t > 200, 0.2 * (t - 200), 0.0)
    trace = trace_of("evaporator", values, 2.0)
    view = turns.look(trace, np.array([START_NS + 200 * SECOND]), 100.0, 40.0)
    weight = turns.weights(view, turns.Baseline(level=200.0, slope=0.1, bending=1e-8, tail=1.0, unlike=0.05))
    response = turns.answer(view.offsets_s, np.arange(-30.0, 30.0), lag_s=0.0, line=(0.0, True))
    up = turns.misfits(view, weight, response, sign=1.0, height=40.0).chi2.min()
    down = turns.misfits(view, weight, response, sign=-1.0, height=40.0).chi2.min()
    assert up + turns.NEVER / 2 < down
