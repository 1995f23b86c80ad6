"""Spikes, noise, cells and gaps."""

import numpy as np
import pytest

from pipeline.cycles.signal.signals import (
    cell_means,
    despiked,
    lay_cells,
    median_of_three,
    noise_of,
    trace_of,
)
from tests.cycles.plain_machine import START_NS, channel

SECOND = 1_000_000_000


def wave(n=600):
    return 10.0 * np.sin(np.arange(n) / 40.0)


def test_the_median_of_three_equals_the_plain_one():
    values = np.random.default_rng(0).standard_normal(50)
    plain = [values[0], *(np.median(values[i - 1 : i + 2]) for i in range(1, 49)), values[-1]]
    assert np.allclose(median_of_three(values), plain)


@pytest.mark.parametrize("width", [1, 2, 3, 4])
@pytest.mark.parametrize("interval_s", [1.0, 5.0, 20.0])
def test_a_spike_of_up_to_four_readings_is_taken_out(width, interval_s):
    values = wave()
    spiked = values.copy()
    spiked[300 : 300 + width] += 40.0
    assert np.abs(despiked(spiked, interval_s, stops=False) - values).max() < 1.0


def test_a_level_that_stays_is_no_spike():
    values = np.repeat([0.0, 8.0], 200) + 0.01 * np.random.default_rng(0).standard_normal(400)
    assert np.abs(despiked(values, 10.0, stops=True) - values).max() == 0.0


def test_a_current_gone_for_half_a_minute_is_kept_as_a_stop():
    values = np.full(400, 8.0) + 0.05 * np.random.default_rng(0).standard_normal(400)
    values[200:203] = 0.0
    assert despiked(values, 10.0, stops=True)[201] == 0.0
    assert despiked(values, 2.0, stops=True)[201] > 7.0


@pytest.mark.parametrize("interval_s", [20.0, 30.0])
def test_runs_of_a_reading_or_two_are_kept(interval_s):
    """A compressor that trips again and again shows in single readings of a slow logger; a loose cable leaps anywhere."""
    rng = np.random.default_rng(2)
    values = 8.0 + 0.05 * rng.standard_normal(400)
    values[200:260] = 0.05
    runs = [202, 204, 213, 214, 217, 232, 236, 257, 259]
    values[runs] = 8.3 + 0.3 * rng.standard_normal(len(runs))
    spiked = values.copy()
    spiked[[244, 252]] = 30.0, 3.0
    kept = despiked(spiked, interval_s, stops=True)
    assert np.array_equal(np.delete(kept, [244, 252]), np.delete(values, [244, 252]))
    assert np.abs(kept[[244, 252]]).max() < 0.2


@pytest.mark.parametrize("low", [0.0, 0.05, 1.0])
def test_a_current_that_only_comes_and_goes_is_read_too(low):
    values = np.tile([low, 8.0, 8.2], 12)
    assert np.isfinite(despiked(values, 30.0, stops=True)).all()


def test_spikes_of_a_machine_that_runs_all_the_time_are_no_runs():
    values = 4.3 + 0.05 * np.random.default_rng(3).standard_normal(500)
    spiked = values.copy()
    for at, height in ((20, 12.0), (120, 15.0), (133, 13.0), (260, 25.0), (290, 14.0), (450, 12.5)):
        spiked[at : at + 3] = height
    assert np.abs(despiked(spiked, 30.0, stops=True) - values).max() < 0.5


@pytest.mark.parametrize("sigma", [0.05, 0.3, 2.0])
def test_noise_is_measured_on_a_slope(sigma):
    values = 0.4 * np.arange(5000) + sigma * np.random.default_rng(1).standard_normal(5000)
    assert noise_of(values, 0.0) == pytest.approx(sigma, rel=0.1)


def test_noise_is_never_less_than_rounding_makes():
    # A rounding error is even over a step: its standard deviation is step / √12.
    assert noise_of(np.round(wave() * 2) / 2, 0.5) >= 0.5 / np.sqrt(12)


def test_cells_do_not_reach_over_a_gap():
    time_ns = START_NS + np.r_[np.arange(100), np.arange(400, 500)] * 10 * SECOND
    trace = trace_of(channel("evaporator", time_ns, np.arange(200.0), 10.0))
    cells = lay_cells([trace])
    assert len(cells.span_first) == 2
    assert len(cells) == 200
    assert np.isfinite(cell_means(trace, cells)).all()


def test_an_uneven_clock_leaves_no_cell_empty():
    late = np.random.default_rng(2).uniform(-0.1, 0.1, 500) * 30
    time_ns = START_NS + ((np.arange(500) * 30 + late) * SECOND).astype(np.int64)
    trace = trace_of(channel("evaporator", time_ns, wave(500), 30.0))
    assert np.isfinite(cell_means(trace, lay_cells([trace]))).all()


def test_cell_means_equal_the_plain_means():
    trace = trace_of(channel("evaporator", START_NS + np.arange(1000) * SECOND, wave(1000), 1.0))
    cells = lay_cells([trace])
    plain = trace.values[:1000].reshape(-1, 10).mean(axis=1)
    assert np.allclose(cell_means(trace, cells)[:100], plain)


def fan_stops(at, *, height=-1.5, n=3000):
    """A current at 15 s with a dip of two readings at each of `at`."""
    values = 8.0 + 0.03 * np.random.default_rng(4).standard_normal(n)
    for i in at:
        values[i : i + 2] += height
    return values


def test_a_dip_that_comes_as_regularly_as_harvests_do_is_the_machines_own():
    at = np.arange(100, 2900, 140) + np.random.default_rng(2).integers(-8, 8, 20)
    ends = at + 14  # the fan and the pump start, of another height each time
    values = fan_stops(at)
    values[ends] += np.random.default_rng(3).uniform(0.6, 3.0, 20)
    kept = despiked(values, 15.0, stops=True)
    assert np.abs(kept[at] - values[at]).max() == 0.0


def test_dips_at_random_are_none():
    at = np.sort(np.random.default_rng(8).choice(np.arange(50, 2950, 6), 20, replace=False))
    values = fan_stops([])
    values[at] -= np.random.default_rng(3).uniform(1.0, 7.0, 20)
    assert despiked(values, 15.0, stops=True)[at].min() > 7.5


def test_the_hump_of_hot_gas_at_a_start_is_no_spike():
    """Three runs open with a harvest of a minute or two, as a slow logger sees them."""
    run = np.r_[17.4, 18.5, 19.3, 19.9, 19.0, 17.2, np.linspace(16.9, 14.0, 60)]
    values = np.tile(np.r_[np.zeros(40), run], 3)
    assert np.array_equal(despiked(values, 30.0, stops=True), values)
    spiked = values.copy()
    spiked[70] += 30.0
    assert np.array_equal(despiked(spiked, 30.0, stops=True)[:70], values[:70])
    assert despiked(spiked, 30.0, stops=True)[70] < 17.0


@pytest.mark.parametrize("interval_s", [15.0, 30.0])
def test_few_harvests_before_a_freeze_that_never_ends_are_no_spikes(interval_s):
    """Five harvests in a day: so few and so high that a spike does no better, but they climb and fall."""
    hump = np.array([-13.0, -5.0, 4.0, 9.5, 12.5, 14.3, 8.4, 4.7, 2.8, 1.3, 0.0, -2.0, -5.0, -9.0])
    values = np.full(2600, -16.0)
    for at in range(60, 360, 60):
        values[at : at + len(hump)] = hump
    values += 0.1 * np.random.default_rng(4).standard_normal(len(values))
    assert np.array_equal(despiked(values, interval_s, stops=False), values)
    for at in (1200, 1500, 1900):
        spiked = values.copy()
        spiked[at] += 60.0
        assert np.abs(np.delete(despiked(spiked, interval_s, stops=False) - values, at)).max() == 0.0
        assert despiked(spiked, interval_s, stops=False)[at] < -15.0


@pytest.mark.parametrize(("before", "stays"), [(4.5, False), (0.0, True)], ids=["running", "at a standstill"])
def test_spikes_on_top_of_each_other_leave_a_running_current(before, stays):
    """Six readings at four times the current of a machine that runs are the cable's; of one that stood, a start that failed."""
    rng = np.random.default_rng(5)
    values = 4.5 + 0.3 * np.sin(np.arange(3000) / 60.0) + 0.03 * rng.standard_normal(3000)
    values[1500:1540] = before
    values[1520:1526] = np.r_[13.3, 13.3, np.full(4, 20.2)]
    out = despiked(values, 10.0, stops=True)
    assert (out[1520:1526].max() > 10.0) == stays


def test_a_current_that_stands_for_long_is_no_drop_out():
    values = 4.5 + 0.3 * np.sin(np.arange(3000) / 60.0)
    values[1500:1506] = 0.0
    assert despiked(values, 10.0, stops=True)[1500:1506].max() < 0.1
