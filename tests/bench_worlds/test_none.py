"""Logs of what is no batch machine: they are what they say."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.worlds.none import CHANNELS, DEFROSTED_C, INTERVALS_S, KINDS, draw_none, strata, thermostat


def test_any_three_hundred_seeds_hold_every_kind_channel_set_and_interval():
    every = [strata(seed) for seed in range(500, 800)]
    kinds, roles, intervals = zip(*every, strict=True)
    assert set(kinds) == set(KINDS)
    assert set(roles) == set(CHANNELS)
    assert set(intervals) == set(INTERVALS_S)
    assert len(set(every)) > 250


def test_no_two_logs_are_alike():
    logs = [draw_none(seed) for seed in range(20) if strata(seed)[2] >= 10]
    assert len({log.readings[0].values.tobytes() for log in logs}) == len(logs)


def test_a_thermostat_keeps_its_box_between_its_two_temperatures_and_runs_as_much_as_the_load_asks():
    # Balance over whole cycles: pull × duty = (room − box) / wall. Here (25 − 5) / 36,000 s over 0.0015 K/s: 0.37.
    minutes = 2000
    still = np.zeros(minutes)
    air, coil, runs, heats = thermostat(
        60 * minutes, np.full(minutes, 25.0), still, still, 6.0, 4.0, 36_000.0, 0.0015, 10.0, np.array([60.0, 60.0]), 0.0, False
    )  # fmt: skip
    settled = slice(60 * 200, None)
    assert 3.7 < air[settled].min() < air[settled].max() < 6.3
    assert runs[settled].mean() == pytest.approx(0.37, abs=0.04)
    assert heats.max() == 0
    assert coil[settled].min() < -3


def test_an_electric_defrost_thaws_the_coil_with_the_compressor_off():
    minutes = 600
    defrost = np.zeros(minutes)
    defrost[300:330] = 1
    _air, coil, runs, heats = thermostat(
        60 * minutes, np.full(minutes, 25.0), 0 * defrost, defrost, -17.0, -19.0, 40_000.0, 0.003, 8.0, np.array([60.0, 300.0]), 0.05, False
    )  # fmt: skip
    during = slice(60 * 300, 60 * 330)
    assert runs[during].max() == 0
    assert heats[during].min() == 1
    assert coil[during].max() == pytest.approx(DEFROSTED_C, abs=0.5)


def test_a_log_is_the_same_each_time_it_is_drawn():
    one, other = draw_none(12), draw_none(12)
    assert all(np.array_equal(a.values, b.values) for a, b in zip(one.readings, other.readings, strict=True))
