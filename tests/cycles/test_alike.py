"""What all boundaries of one kind say together of how long a line takes to show them."""

import numpy as np
import pytest

from pipeline.cycles import alike, signals
from pipeline.cycles.likelihoods import interval
from tests.cycles.plain_machine import trace_of

GRID = np.arange(-120.0, 61.0, 2.0)
EVERY_S, LAG_S = 1200.0, 40.0


def _line(
    change_s: np.ndarray, lag_s: np.ndarray, *, interval_s: float = 5.0, noise: float = 0.05
) -> signals.Trace:
    """A line that climbs until each of `change_s` and falls after it, through a clip of two nodes that lags by `lag_s`."""
    time_s = np.arange(0.0, change_s[-1] + EVERY_S, interval_s)
    values = np.full(len(time_s), -10.0)
    for at, lag in zip(change_s, lag_s, strict=True):
        fine = np.arange(-120.0, 400.0, 1.0)
        course = np.where(fine < 0, (fine + 120.0) / 10.0, 12.0 - fine / 25.0).clip(0.0)
        for node_s in (0.7 * lag, 0.3 * lag):
            keep = np.exp(-1.0 / node_s)
            for i in range(1, len(course)):
                course[i] = keep * course[i - 1] + (1 - keep) * course[i]
        near = (time_s >= at + fine[0]) & (time_s <= at + fine[-1])
        values[near] += np.interp(time_s[near] - at, fine, course)
    values += np.random.default_rng(5).normal(0.0, noise, len(values))
    return trace_of("suction", values, interval_s, at_s=time_s)


def _likely(change_s: np.ndarray, near_s: np.ndarray, off_s: np.ndarray, spread_s: float) -> np.ndarray:
    """Each boundary's own likelihood, `off_s` beside the truth."""
    return -0.5 * ((GRID - (change_s - near_s + off_s)[:, None]) / spread_s) ** 2


def _case(count: int, *, odd: int = 0):
    rng = np.random.default_rng(3)
    change_s = 600.0 + EVERY_S * np.arange(count) + rng.uniform(0.0, 60.0, count)
    lag_s = np.full(count, LAG_S)
    lag_s[:odd] = 4.0
    near_s = change_s + 45.0 + rng.uniform(-20.0, 20.0, count)
    off_s = rng.normal(0.0, 15.0, count)
    trace = _line(change_s, lag_s)
    at_ns = trace.time_ns[0] + np.round(near_s * 1e9).astype(np.int64)
    return change_s, near_s, off_s, trace, at_ns


def test_all_together_place_each():
    change_s, near_s, off_s, trace, at_ns = _case(24)
    alone = _likely(change_s, near_s, off_s, 15.0)
    told = alike.agreed(alone, GRID, trace, at_ns, 120.0, 10.0)
    errors = [interval(x, GRID)[0] + near_s - change_s for x in (alone, told)]
    assert np.std(errors[0]) > 10.0
    assert np.std(errors[1]) < 0.5 * np.std(errors[0])
    # The mean of all stays where their likelihoods have it, and the doubt about that mean stays in each.
    assert np.mean(errors[1]) == pytest.approx(np.mean(errors[0]), abs=3.0)
    half = interval(told, GRID)[1]
    assert (np.abs(errors[1] - np.mean(off_s)) < half).mean() > 0.9
    assert (half > 1.645 * 15.0 / np.sqrt(24)).all()


def test_an_odd_turn_is_left_alone():
    change_s, near_s, off_s, trace, at_ns = _case(24, odd=1)
    trace.values[np.abs(trace.time_ns - at_ns[0]) < 90e9] = -10.0  # a dead plateau instead of a turn
    alone = _likely(change_s, near_s, off_s, 15.0)
    told = alike.agreed(alone, GRID, trace, at_ns, 120.0, 10.0)
    assert np.array_equal(told[0], alone[0])
    assert not np.array_equal(told[1], alone[1])


def test_few_boundaries_say_nothing():
    change_s, near_s, off_s, trace, at_ns = _case(3)
    alone = _likely(change_s, near_s, off_s, 15.0)
    assert alike.agreed(alone, GRID, trace, at_ns, 120.0, 10.0) is alone


def test_turns_lie_where_plain_correlation_has_them():
    """The same by NumPy's own correlation coefficient, one window after another."""
    _, _, _, trace, at_ns = _case(8)
    late_s, fit = alike.turns(trace, at_ns, 60.0, 40.0)
    at_s = (at_ns - trace.time_ns[0]) * 1e-9
    x = np.arange(-60.0, 61.0, 2.0)
    time_s = (trace.time_ns - trace.time_ns[0]) * 1e-9
    rows = np.interp((at_s + late_s)[:, None] + x, time_s, trace.values)
    rows = (rows - rows.mean(axis=1, keepdims=True)) / rows.std(axis=1, keepdims=True)
    mould = np.median(rows, axis=0)
    for i in range(len(at_s)):
        tried_s = np.arange(-40.0, 40.1, 2.0)
        tried = [np.interp(at_s[i] + s + x, time_s, trace.values) for s in tried_s]
        corr = [np.corrcoef(mould, row)[0, 1] for row in tried]
        assert tried_s[int(np.argmax(corr))] == pytest.approx(late_s[i], abs=3.0)
        assert max(corr) == pytest.approx(fit[i], abs=0.01)
