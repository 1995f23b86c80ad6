"""The second machine against what can be solved by hand, and its logs against their own truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bench import second_physics as physics
from tests.bench.second_grid import LATER, SECOND_THOUGHTS, build_case, case_at, grid
from tests.bench.second_machine import CHANNEL_SETS, KINDS, Case, make_log, to_timeline, write_csv
from tests.bench.second_probes import STEP_S, Clip, read_clip
from tests.bench.second_story import SCENARIOS, Plan

SLAB = KINDS["slab24"]


def test_ice_on_a_plate_of_fixed_temperature_grows_with_the_square_root_of_time():
    # Stefan's solution for a slab that conducts quasi-steadily from 0 °C water to a cold plate: s² = 2 k ΔT t / (ρ L)
    # (Carslaw & Jaeger, Conduction of Heat in Solids, chapter XI; from memory). A boundless compressor holds the plate.
    plate = replace(SLAB, lift_bare_k=1e-9, capacity_per_k=1e6, water_fill_c=0.0)
    whole = physics.freeze(plate, condensing_c=40.0)
    time_of = np.interp([0.25, 0.5, 1.0], whole.ice, whole.time_s)
    assert time_of / time_of[-1] == pytest.approx([1 / 16, 1 / 4, 1.0], rel=0.01)
    assert whole.saturation_c[-1] == pytest.approx(-10.0, abs=1e-3)


def test_conduction_and_capacity_map_carry_the_same_heat_all_through_a_freeze():
    curve = physics.freeze(SLAB, condensing_c=43.0)
    grown = curve.ice > 0.05
    lift = SLAB.lift_bare_k + (SLAB.lift_grown_k - SLAB.lift_bare_k) * curve.ice[grown]
    conducted = (0.0 - curve.saturation_c[grown]) / lift
    assert conducted == pytest.approx(physics.capacity(SLAB, curve.saturation_c[grown], 43.0), rel=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_a_freeze_and_a_harvest_last_as_long_as_the_kind_says_at_its_reference(kind):
    machine = KINDS[kind]
    assert physics.freeze(machine, condensing_c=40.0).length_s == pytest.approx(machine.freeze_s, rel=1e-9)
    assert physics.harvest(machine, from_c=-16.0, condensing_c=40.0).length_s == pytest.approx(
        machine.harvest_s, rel=0.01
    )


def test_a_hotter_condenser_makes_freezes_longer_and_harvests_shorter():
    cool, hot = (physics.freeze(SLAB, condensing_c=c).length_s for c in (35.0, 50.0))
    assert hot > 1.1 * cool
    cool, hot = (physics.harvest(SLAB, from_c=-14.0, condensing_c=c).length_s for c in (35.0, 50.0))
    assert hot < cool


def test_a_clip_follows_a_ramp_late_by_its_lag_and_reads_between_pipe_and_room():
    time = np.arange(0.0, 3000.0, STEP_S)
    clip = Clip(lag_s=40.0, leak=0.25)
    held = read_clip(time, np.full(len(time), -10.0), np.full(len(time), 22.0), clip, 3000.0)
    assert held[-1] == pytest.approx(0.75 * -10.0 + 0.25 * 22.0)
    ramp = read_clip(time, 0.01 * time, np.zeros(len(time)), replace(clip, leak=0.0), 3000.0)
    assert ramp[-1] == pytest.approx(
        0.01 * (time[-1] - 40.0), abs=0.01
    )  # steady lag of two first-order nodes: their sum


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_the_truth_covers_the_log_without_holes(scenario):
    log = make_log(Case(seed=3, plan=Plan(scenario=scenario), hours=10))
    assert (log.truth[0].start_ns, log.truth[-1].end_ns) == (log.start_ns, log.end_ns)
    assert all(a.end_ns == b.start_ns for a, b in zip(log.truth[:-1], log.truth[1:], strict=True))
    assert all(a.kind != b.kind for a, b in zip(log.truth[:-1], log.truth[1:], strict=True))
    assert sum(p.kind == "harvest" for p in log.truth) >= 5


def test_the_current_is_near_zero_exactly_in_the_idles():
    log = make_log(build_case(8, kind="cube17", interval_s=5, channels="compressor", story="idles"))
    reading = log.readings[0]
    off = np.zeros(len(reading.values), bool)
    for p in log.truth:
        if p.kind == "idle":
            off |= (reading.time_ns >= p.start_ns + 5_000_000_000) & (
                reading.time_ns < p.end_ns - 5_000_000_000
            )
    assert off.any()
    assert reading.values[off].max() < 0.5
    assert np.mean(reading.values[~off] > 3.0) > 0.98


def test_the_same_case_gives_the_same_log():
    first, second = (make_log(case_at(17)) for _ in range(2))
    assert all(
        np.array_equal(a.values, b.values, equal_nan=True)
        for a, b in zip(first.readings, second.readings, strict=True)
    )


def test_a_gap_in_the_readings_is_a_gap_in_the_truth():
    log = make_log(build_case(4, kind="slab24", interval_s=10, channels="evaporator+current", story="gaps"))
    gaps = [p for p in log.truth if p.kind == "gap"]
    assert len(gaps) == 2
    for gap in gaps:
        for r in log.readings:
            assert not np.any((r.time_ns > gap.start_ns) & (r.time_ns < gap.end_ns))


def test_the_grid_draws_every_level_of_every_factor_often():
    cases = grid(248)
    for factor in ("kind", "interval", "channels", "story"):
        levels = [c.strata[factor] for c in cases]
        counts = [levels.count(level) for level in set(levels)]
        assert min(counts) >= 8
    assert {c.strata["story"] for c in grid(3 * len(LATER), first=SECOND_THOUGHTS)} == set(LATER)


def test_a_timeline_holds_the_readings_as_the_reading_room_would_hand_them_on():
    log = make_log(build_case(5, kind="cube10", interval_s=2, channels="five", story="drop-outs"))
    timeline = to_timeline(log)
    assert tuple(c.role for c in timeline.channels) == CHANNEL_SETS["five"]
    for c in timeline.channels:
        assert np.all(np.diff(c.time_ns) > 0)
        assert np.array_equal(c.trusted, np.isfinite(c.values))


def test_written_files_hold_the_readings(tmp_path):
    import pandas as pd

    log = make_log(
        build_case(6, kind="cube17", interval_s=30, channels="suction+compressor", story="drop-outs")
    )
    paths = write_csv(log, tmp_path)
    assert len(paths) == 1
    table = pd.read_csv(paths[0])
    for column, reading in zip(table.columns[1:], log.readings, strict=True):
        assert np.allclose(table[column], reading.values, atol=1e-6, equal_nan=True)
