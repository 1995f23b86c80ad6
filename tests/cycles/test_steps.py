"""The step of a current that all boundaries of a kind share."""

import numpy as np
import pytest

from pipeline.cycles import features, signals
from pipeline.cycles.steps import common_steps
from tests.cycles.plain_machine import START_NS, channel

SECOND = 1_000_000_000
GRID = np.arange(-60.0, 31.0)
TRUE_S = np.arange(1200.0, 12000.0, 1200.0)


def course(shape, *, interval_s=5.0, noise_a=0.03):
    """A current of 8 A that does `shape(seconds since)` after each true moment."""
    t = np.arange(0.0, 12600.0, interval_s)
    values = 8.0 + noise_a * np.random.default_rng(3).standard_normal(len(t))
    for moment in TRUE_S:
        values += np.where(t >= moment, shape(t - moment), 0.0) * (t < moment + 240)
    trace = signals.trace_of(channel("current", START_NS + (t * SECOND).astype(np.int64), values, interval_s))
    cells = signals.lay_cells([trace])
    return features.running_course(features.draw_cells(trace, cells), cells)


def found(running, *, off_s=12.0, calm_before=True):
    near_ns = START_NS + ((TRUE_S + off_s) * SECOND).astype(np.int64)
    return common_steps(running, near_ns, GRID, np.zeros((len(near_ns), len(GRID))), calm_before=calm_before)


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
