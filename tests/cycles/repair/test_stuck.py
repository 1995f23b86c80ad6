"""Harvests that stay cold and take long."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles.repair.stuck import held
from pipeline.cycles.segment.runs import Runs, rejoined
from pipeline.cycles.states import FREEZE, HARVEST
from tests.cycles.plain_machine import laid, runs_of, trace_of

STEP_S = 10.0
FREEZE_N, GAS = 120, 14  # cells
CYCLES, MIDST = 12, 5


def rise(top, n=GAS):
    return np.linspace(-8.0, top, n + 1)[1:]


def fall(start, n=FREEZE_N, slowness=25.0):
    return -8.0 + (start + 8.0) * np.exp(-np.arange(1, n + 1) / slowness)


def log(odd, named):
    """A cold line of CYCLES cycles. In the midst of them `odd` (n,) stands in the place of a harvest, and `named` of its cells
    are named harvest."""
    values, parts = [], []
    for number in range(CYCLES):
        gas = odd if number == MIDST else rise(14.0)
        values += [gas, fall(gas[-1], slowness=10.0 if number == MIDST else 25.0)]
        harvest = named if number == MIDST else GAS
        parts += [(harvest, HARVEST), (len(gas) + FREEZE_N - harvest, FREEZE)]
    values = np.r_[fall(14.0, 60), np.concatenate(values)]
    values += 0.05 * np.random.default_rng(2).standard_normal(len(values))
    line = laid(trace_of("evaporator", values, STEP_S))
    parts = [part for part in parts if part[0]]
    runs = runs_of([(60, FREEZE), *parts])
    return rejoined(runs), line.course, line.scales, line.cells


BEGINS = 60 + MIDST * (GAS + FREEZE_N)
COLD = np.r_[rise(2.0, 10), np.full(30, 2.0)]  # it gets no warmer, and the machine waits


@pytest.mark.parametrize("named", [12, 0])
def test_a_harvest_that_stays_cold_goes_on_until_the_line_falls(named):
    """Named for its first two minutes, or taken for a freeze altogether."""
    found = held(*log(COLD, named))
    odd = np.flatnonzero((found.state == HARVEST) & (np.abs(found.first - BEGINS) <= 3))
    assert len(odd) == 1
    assert abs(int(found.stop[odd[0]]) - BEGINS - len(COLD)) <= 2
    assert (found.state == HARVEST).sum() == CYCLES
    assert (found.first[1:] == found.stop[:-1]).all()


def test_all_harvests_alike_stay_as_they_were_named():
    runs, *rest = log(rise(14.0), GAS)
    found = held(runs, *rest)
    assert np.array_equal(found.first, runs.first)
    assert np.array_equal(found.state, runs.state)


@pytest.mark.parametrize(
    ("odd", "named"),
    [
        (np.r_[rise(2.0, 10), 2.0], 0),  # a hand on the clip: short
        (np.r_[rise(2.0, 120), np.full(30, 2.0)], 0),  # it warms slowly: the machine stands
        (np.r_[rise(14.0), np.full(20, 14.0)], GAS),  # as warm as all: the machine rests after a harvest
    ],
)
def test_what_is_no_such_harvest_is_left(odd, named):
    runs, *rest = log(odd, named)
    found = held(runs, *rest)
    assert np.array_equal(found.first, runs.first)


@pytest.mark.parametrize(("slowness", "goes_on"), [(4.0, True), (25.0, False)])
def test_a_current_falls_at_once_when_gas_is_shut_off_that_loosened_no_ice(slowness, goes_on):
    """After other harvests, and where the head pressure only goes down again, it falls for minutes."""
    values, parts = [fall(14.0, 60)], [(60, FREEZE)]
    for number in range(CYCLES):
        gas = COLD if number == MIDST else rise(14.0)
        values += [gas, fall(gas[-1], slowness=slowness if number == MIDST else 25.0)]
        parts += [(GAS, HARVEST), (len(gas) + FREEZE_N - GAS, FREEZE)]
    values = 10.0 + 0.2 * np.concatenate(values)
    values += 0.01 * np.random.default_rng(2).standard_normal(len(values))
    clamp = laid(trace_of("current_compressor", values, STEP_S))
    runs = runs_of(parts)
    found = held(runs, clamp.course, clamp.scales, clamp.cells, at_once=True)
    odd = int(found.stop[found.first == BEGINS][0])
    assert abs(odd - BEGINS - (len(COLD) if goes_on else GAS)) <= 2
    assert (found.first[1:] == found.stop[:-1]).all()


def test_noise_is_no_rise():
    runs, line, scales, cells = log(COLD, 0)
    hidden = replace(line, slope_noise=200.0)
    assert held(runs, hidden, scales, cells) is runs


def test_three_harvests_have_no_usual_course():
    runs, line, scales, cells = log(COLD, 0)
    few = Runs(
        **{name: getattr(runs, name)[:7] for name in ("state", "first", "stop", "margin", "opens_span")}
    )
    assert held(few, line, scales, cells) is few
