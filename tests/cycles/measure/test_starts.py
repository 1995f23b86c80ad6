"""Compressor starts on a clamp and without one."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, channel, cycles, machine, timeline

UNIT = Unit(name="plain")
SECOND = 1_000_000_000


def clamp(pieces, interval_s=1.0):
    """A clamp log of pieces (amps, seconds)."""
    values = np.concatenate([np.full(int(seconds / interval_s), float(amps)) for amps, seconds in pieces])
    values += 0.02 * np.abs(np.random.default_rng(0).standard_normal(len(values)))
    time_ns = START_NS + np.round(np.arange(len(values)) * interval_s * 1e9).astype(np.int64)
    return timeline([channel("current", time_ns, values, interval_s)])


def test_a_start_has_its_off_time_its_run_and_its_inrush():
    record = find_cycles(clamp([(8, 1200), (0, 600), (32, 2), (8, 1500), (0, 300)]), UNIT)
    assert len(record.starts) == 1
    start = record.starts.iloc[0]
    assert (start["start_ns"] - START_NS) / SECOND == pytest.approx(1799.5, abs=0.6)
    assert start["off_before_min"] == pytest.approx(10.0, abs=0.02)
    assert start["run_min"] == pytest.approx(1502 / 60, abs=0.02)
    assert start["inrush_a"] == pytest.approx(32.0, abs=0.2)
    assert not start["failed"]


def test_starting_current_that_drops_out_is_a_failed_start():
    record = find_cycles(
        clamp([(8, 1200), (0, 300), (32, 3), (0, 180), (32, 3), (0, 180), (32, 2), (8, 1500)]), UNIT
    )
    assert record.starts["failed"].tolist() == [True, True, False]


def test_a_spike_of_one_reading_is_no_start():
    record = find_cycles(clamp([(8, 900), (0, 400), (3.5, 1), (0, 400), (32, 2), (8, 900)]), UNIT)
    assert len(record.starts) == 1


def test_a_slow_clamp_leaves_the_inrush_unknown():
    record = find_cycles(clamp([(8, 3000), (0, 1200), (8, 3000)], interval_s=30.0), UNIT)
    assert record.starts["inrush_a"].isna().all()


def test_a_run_whose_end_was_not_seen_has_no_length():
    record = find_cycles(clamp([(8, 900), (0, 400), (32, 2), (8, 900)]), UNIT)
    assert np.isnan(record.starts["run_min"].iloc[-1])


def test_without_a_clamp_starts_are_the_ends_of_idle():
    log = machine([*cycles(5), ("idle", 60.0), *cycles(5)], roles=("evaporator",), interval_s=10.0)
    starts = find_cycles(log.timeline, UNIT).starts
    assert len(starts) == 1
    assert starts["off_before_min"].iloc[0] == pytest.approx(60.0, abs=2.0)
    assert starts["inrush_a"].isna().all()


def test_a_clamp_that_dies_is_not_believed_against_the_line():
    log = machine(cycles(12), interval_s=5.0)
    line, amps = log.timeline.channels
    values = amps.values.copy()
    values[len(values) // 2 :] = 0.0
    record = find_cycles(timeline([line, channel("current", amps.time_ns, values, 5.0)]), UNIT)
    assert [str(p.kind) for p in record.phases] == ["freeze", "harvest"] * 12
