"""A fan that comes and goes in mid-freeze is taken out of the whole unit's current, and nothing else is."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.load import fans
from pipeline.cycles.signal import signals
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, channel, laid, runs_of, timeline, trace_of

FREEZE_S, GAS_S, CYCLES = 1200, 120, 8
FAN_A, PUMP_A, NOISE_A = 0.8, 0.3, 0.02
CELL_S = 10.0
UNIT = Unit(name="fans")


def compressor():
    """Its current at 1 s, and where it runs through harvests: the gas raises what it draws, the freeze lowers it. [A]"""
    climb = 4.0 + 1.6 * np.arange(1, GAS_S + 1) / GAS_S
    fall = 4.0 + 1.6 * np.exp(-np.arange(1, FREEZE_S + 1) / 300.0)
    gas = np.r_[np.zeros(FREEZE_S, dtype=bool), np.ones(GAS_S, dtype=bool)]
    return np.tile(np.r_[fall, climb], CYCLES), np.tile(gas, CYCLES)


def waves(n, seed=5):
    """On and off at random times, one to three minutes each, (n,) of bool."""
    rng = np.random.default_rng(seed)
    edges = np.cumsum(rng.integers(60, 180, n // 60))
    return np.searchsorted(edges, np.arange(n), side="right") % 2 == 0


def clamp(amps, interval_s, role="current"):
    step = round(interval_s)
    values = amps[::step] + NOISE_A * np.random.default_rng(1).standard_normal(len(amps[::step]))
    t = START_NS + (np.arange(len(values)) * step * 1e9).astype(np.int64)
    return channel(role, t, values, interval_s)


def searched(amps, interval_s, parts):
    trace = signals.trace_of(clamp(amps, interval_s))
    cells = signals.cells_of_width([trace], max(CELL_S, interval_s))
    return trace, runs_of([(round(s / cells.step_s), state) for s, state in parts]), cells


CYCLED = [(FREEZE_S, FREEZE), (GAS_S, HARVEST)] * CYCLES


@pytest.mark.parametrize(
    ("interval_s", "stops_in_harvest"),
    # At 20 s what comes with the gas, and the climb that the gas makes, are one.
    [(1.0, True), (5.0, True), (10.0, True), (20.0, True), (1.0, False), (5.0, False), (10.0, False)],
)
def test_what_is_left_is_the_current_without_the_fan(interval_s, stops_in_harvest):
    amps, gas = compressor()
    amps = amps + PUMP_A * ~gas
    fan = waves(len(amps)) & ~(gas & stops_in_harvest)
    if not stops_in_harvest:
        fan |= gas
    trace, runs, cells = searched(amps + FAN_A * fan, interval_s, CYCLED)
    left = fans.steady(trace, runs, cells)
    off = np.abs(left.values - amps[:: round(interval_s)])
    assert np.mean(off < 6 * NOISE_A) > 0.97
    assert np.median(off) < 2 * NOISE_A
    assert left.noise < 2 * NOISE_A


@pytest.mark.parametrize("interval_s", [20.0, 30.0])
def test_two_readings_are_enough_of_each_turn(interval_s):
    """A fan on for a minute and a half and off for one, in step with nothing: half of all readings stand beside a step."""
    amps, gas = compressor()
    fan = (np.arange(len(amps)) % 157 < 92) & ~gas
    trace, runs, cells = searched(amps + FAN_A * fan, interval_s, CYCLED)
    left = fans.steady(trace, runs, cells)
    off = np.abs(left.values - amps[:: round(interval_s)])
    assert np.mean(off[~gas[:: round(interval_s)]] < 6 * NOISE_A) > 0.97
    assert left.noise < 2 * NOISE_A


def test_what_it_does_in_harvests_can_be_told_beforehand():
    amps, gas = compressor()
    fan = waves(len(amps)) & ~gas
    trace, runs, cells = searched(amps + FAN_A * fan, 5.0, CYCLED)
    off, on = (fans.steady(trace, runs, cells, through) for through in (False, True))
    late = np.flatnonzero(gas[::5]).reshape(CYCLES, -1)[:, 5:-5]  # well inside each harvest
    assert np.abs(off.values[late] - amps[::5][late]).max() < 8 * NOISE_A
    assert np.abs(on.values[late] - amps[::5][late] + FAN_A).max() < 8 * NOISE_A


def test_a_search_that_found_nothing_is_no_hindrance():
    amps, gas = compressor()
    fan = waves(len(amps)) & ~gas
    trace, _, cells = searched(amps + FAN_A * fan, 2.0, CYCLED)
    left = fans.steady(trace, None, cells)
    assert np.mean(np.abs(left.values - amps[::2]) < 6 * NOISE_A) > 0.9


def test_a_step_after_the_first_reading_is_one():
    amps, gas = compressor()
    fan = (np.arange(len(amps)) % 157 < 92) & ~gas
    fan[:30] = False
    fan[30:90] = True
    trace, runs, cells = searched(amps + FAN_A * fan, 30.0, CYCLED)
    left = fans.steady(trace, runs, cells)
    assert np.abs(left.values[:3] - amps[:90:30]).max() < 6 * NOISE_A


def test_a_fan_stands_while_the_compressor_stands():
    amps, gas = compressor()
    idle = np.full(3600, 0.1)
    fan = waves(len(amps)) & ~gas
    amps, fan = np.r_[amps, idle, amps], np.r_[fan, np.zeros(3600, dtype=bool), fan]
    trace, runs, cells = searched(amps + FAN_A * fan, 5.0, [*CYCLED, (3600, IDLE), *CYCLED])
    left = fans.steady(trace, runs, cells)
    assert np.mean(np.abs(left.values - amps[::5]) < 6 * NOISE_A) > 0.97
    assert left.values[runs_slice(trace, len(compressor()[0]), 3600)].min() > -0.1


def runs_slice(trace, first_s, length_s):
    step = round(trace.interval_s)
    return slice(first_s // step + 1, (first_s + length_s) // step - 1)


def nothing(gas, n):
    return np.zeros(n)


def fan_that_harvests_stop(gas, n):
    return FAN_A * ~gas


def pause_as_a_freeze_begins(gas, n):
    """Twice in every freeze, at its beginning."""
    since = np.arange(n) % (FREEZE_S + GAS_S)
    return np.where((since < 100) | ((since >= 160) & (since < 220)) | gas, 0.0, FAN_A)


def trips(gas, n):
    """The compressor goes off three times in every freeze."""
    since = np.arange(n) % (FREEZE_S + GAS_S)
    off = sum(((since >= at) & (since < at + 90)) for at in (300, 600, 900))
    return np.where(off > 0, -3.9, 0.0)


@pytest.mark.parametrize("load", [nothing, fan_that_harvests_stop, pause_as_a_freeze_begins, trips])
@pytest.mark.parametrize("interval_s", [1.0, 10.0])
def test_other_machines_are_left_alone(load, interval_s):
    amps, gas = compressor()
    trace, runs, cells = searched(amps + load(gas, len(amps)), interval_s, CYCLED)
    assert fans.steady(trace, runs, cells) is None
    assert fans.steady(trace, None, cells) is None or load is pause_as_a_freeze_begins


@pytest.mark.parametrize("interval_s", [2.0, 5.0, 10.0])
def test_rounding_makes_no_load(interval_s):
    """Readings in tenths of an ampere flip to and fro for as long as the current lies between two of them."""
    amps, _ = compressor()
    noisy = amps[:: round(interval_s)]
    noisy = noisy + 0.06 * np.random.default_rng(3).standard_normal(len(noisy))
    clamp = laid(trace_of("current", np.round(noisy, 1), interval_s), 10.0)
    runs = runs_of([(round(s / clamp.cells.step_s), state) for s, state in CYCLED])
    assert fans.steady(clamp.trace, runs, clamp.cells) is None


@pytest.mark.parametrize("interval_s", [20.0, 30.0])
def test_harvests_are_found_by_a_slow_clamp_alone(interval_s):
    amps, gas = compressor()
    fan = (np.arange(len(amps)) % 157 < 92) & ~gas
    record = find_cycles(timeline([clamp(amps + PUMP_A * ~gas + FAN_A * fan, interval_s)]), UNIT)
    begin_s, end_s = np.array(
        [
            ((p.start_ns - START_NS) * 1e-9, (p.end_ns - START_NS) * 1e-9)
            for p in record.phases
            if p.kind == "harvest"
        ]
    ).T
    true_s = FREEZE_S + (FREEZE_S + GAS_S) * np.arange(CYCLES)
    assert len(begin_s) in (CYCLES - 1, CYCLES)
    for off_s in (begin_s - true_s[: len(begin_s)], end_s - GAS_S - true_s[: len(end_s)]):
        assert np.mean(np.abs(off_s) < 1.5 * interval_s) > 0.7
        assert np.median(np.abs(off_s)) < 1.2 * interval_s


def test_harvests_are_found_and_measured_with_the_fan_in():
    amps, gas = compressor()
    fan = waves(len(amps)) & ~gas
    record = find_cycles(timeline([clamp(amps + PUMP_A * ~gas + FAN_A * fan, 2.0)]), UNIT)
    harvests = [p for p in record.phases if p.kind == "harvest"]
    true_s = FREEZE_S + (FREEZE_S + GAS_S) * np.arange(CYCLES)
    found_s = np.array([(p.start_ns - START_NS) * 1e-9 for p in harvests])
    assert len(found_s) in (CYCLES - 1, CYCLES)  # the log ends with one
    assert np.abs(found_s - true_s[: len(found_s)]).max() < 20
    # The highest and the mean current are the clamp's own.
    with_fan = (amps + PUMP_A * ~gas + FAN_A * fan)[FREEZE_S + GAS_S : 2 * FREEZE_S + GAS_S]
    cycle = record.cycles.iloc[1]
    assert cycle["freeze_current_a"] == pytest.approx(with_fan.mean(), abs=0.05)
