"""The step of a current that all boundaries of a kind share."""

import numpy as np
import pytest

from pipeline.cycles.boundary.steps import common_steps
from pipeline.cycles.signal import signals
from tests.cycles.plain_machine import START_NS, Laid, trace_of

SECOND = 1_000_000_000
GRID = np.arange(-60.0, 31.0)
TRUE_S = np.arange(1200.0, 12000.0, 1200.0)


def course(shape, *, interval_s=5.0, noise_a=0.03):
    """A current of 8 A that does `shape(seconds since)` after each true moment."""
    t = np.arange(0.0, 12600.0, interval_s)
    values = 8.0 + noise_a * np.random.default_rng(3).standard_normal(len(t))
    for moment in TRUE_S:
        values += np.where(t >= moment, shape(t - moment), 0.0) * (t < moment + 240)
    trace = trace_of("current", values, interval_s)
    return Laid(trace=trace, cells=signals.lay_cells([trace])).running


def found(running, *, off_s=12.0, calm_before=True, spread_s=np.inf):
    """spread_s: how surely each boundary is expected where it is sought (standard deviation)."""
    near_ns = START_NS + ((TRUE_S + off_s) * SECOND).astype(np.int64)
    prior = np.repeat(-0.5 * (GRID[None] / spread_s) ** 2, len(near_ns), axis=0)
    return common_steps(running, near_ns, GRID, prior, calm_before=calm_before)


@pytest.mark.parametrize("interval_s", [1.0, 2.0, 5.0, 10.0])
def test_a_step_down_with_a_climb_after_it_is_the_moment(interval_s):
    likely, shown = found(course(lambda s: -1.5 + 0.02 * s, interval_s=interval_s))
    assert shown.all()
    assert np.abs(GRID[np.argmax(likely, axis=1)] + 12.0).max() <= 1.5 * interval_s + 1.0


def test_a_climb_is_no_step():
    likely, shown = found(course(lambda s: 3.0 * (1 - np.exp(-np.maximum(s, 0) / 40.0))))
    assert not shown.any()
    assert not likely.any()


def test_noise_is_no_step():
    assert not found(course(lambda s: 0.0 * s))[1].any()


def test_a_pump_that_stops_well_into_the_harvest_is_not_its_beginning():
    runs_on = course(lambda s: 1.2 * (1 - np.exp(-np.maximum(s, 0) / 10.0)) - 0.8 * (s > 25))
    assert not found(runs_on, off_s=20.0)[1].any()


def test_a_fan_that_comes_and_goes_at_its_own_times_is_not_common():
    rng = np.random.default_rng(5)
    late = iter(rng.uniform(-300, 300, len(TRUE_S)))
    assert not found(course(lambda s: -1.0 * (s > 150 + next(late))))[1].any()


@pytest.mark.parametrize("spread_s", [20.0, np.inf])
@pytest.mark.parametrize("second_s", [20.0, 30.0])
def test_of_two_steps_as_high_the_first_is_the_moment(spread_s, second_s):
    """The fan starts, and the pump after it; noise decides which of the two is the higher."""
    rng = np.random.default_rng(7)
    lower = iter(rng.choice([0.0, 0.1], len(TRUE_S)))

    def shape(since):
        less = next(lower)
        return (0.8 - less) * (since >= 0) + (0.7 + less) * (since >= second_s)

    likely, shown = found(course(shape, interval_s=2.0), calm_before=False, spread_s=spread_s)
    assert shown.all()
    assert np.abs(GRID[np.argmax(likely, axis=1)] + 12.0).max() <= 4.0


def test_where_a_boundary_shows_the_second_step_only_it_is_not_taken_for_the_first():
    first = iter([0.8, 0.8, 0.2, 0.8, 0.8, 0.8, 0.2, 0.8, 0.8])
    likely, shown = found(
        course(lambda s: next(first) * (s >= 0) + 0.9 * (s >= 30)), calm_before=False, spread_s=20.0
    )
    assert np.array_equal(shown, [True, True, False, True, True, True, False, True, True])
    assert np.abs(GRID[np.argmax(likely, axis=1)][shown] + 12.0).max() <= 8.0
