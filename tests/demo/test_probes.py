"""Clips and clamps: lag, contact, noise and quantisation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.demo.machine import SLAB
from pipeline.demo.probes import PROBES, Probe, lag, lag_by_state, read
from pipeline.demo.simulator import record, run_world, simulate
from pipeline.unit import ROLES


def test_a_lagging_probe_shows_63_percent_of_a_step_after_its_time_constant():
    # First-order step response 1 − e^(−t/τ): textbook.
    step = np.r_[np.zeros(10), np.ones(400)]
    seen = lag(step, 40.0)
    assert seen[:10] == pytest.approx(0.0)
    assert seen[10 + 40 - 1] == pytest.approx(1 - math.exp(-1), abs=1e-9)
    assert seen[10 + 120 - 1] == pytest.approx(1 - math.exp(-3), abs=1e-9)


def test_a_lag_that_changes_with_the_state_goes_on_where_it_was():
    target = np.r_[np.zeros(5), np.full(200, 10.0)]
    tau = np.r_[np.full(100, 20.0), np.full(105, 60.0)]
    seen = lag_by_state(target, tau)
    assert np.all(np.diff(seen) >= 0)
    at_change = seen[99]
    assert 10 - seen[99 + 60] == pytest.approx((10 - at_change) * math.exp(-1), rel=1e-6)


def test_noise_and_steps_are_those_of_the_probe():
    rng = np.random.default_rng(0)
    room = np.full(5001, 20.0)
    readings = read(
        np.full(5001, -8.0), np.arange(5000.0), Probe(lag_s=0, noise=0.4, step=0.5, contact=1.0),
        role="evaporator", room=room, rng=rng,
    )  # fmt: skip
    assert np.allclose(readings / 0.5, np.round(readings / 0.5))
    # noise and rounding (uniform, step/√12) add as squares
    assert readings.std() == pytest.approx(math.hypot(0.4, 0.5 / math.sqrt(12)), rel=0.05)
    assert readings.mean() == pytest.approx(-8.0, abs=0.03)


def test_a_clip_reads_between_pipe_and_air():
    room = np.full(11, 20.0)
    readings = read(
        np.full(11, -10.0), np.arange(10.0), Probe(lag_s=0, noise=0, step=0, contact=0.8),
        role="suction", room=room, rng=np.random.default_rng(0),
    )  # fmt: skip
    assert readings == pytest.approx(0.8 * -10 + 0.2 * 20)


def test_every_channel_is_a_role_that_units_know():
    assert set(PROBES) <= set(ROLES)
    world = run_world(SLAB, days=0.05, seed=0)
    assert set(world.signals) == set(PROBES)


def test_leaving_a_channel_out_does_not_change_the_others():
    world = run_world(SLAB, days=0.2, seed=0)
    alone = record(world, interval_s=5, seed=4, roles=["suction"])
    among = record(world, interval_s=5, seed=4)
    assert np.array_equal(alone.channels["suction"], among.channels["suction"])


def test_the_same_seed_gives_the_same_log_and_another_seed_another():
    first, same, other = (
        simulate(SLAB, days=0.3, interval_s=10, seed=s, roles=["evaporator", "current"]) for s in (1, 1, 2)
    )
    assert np.array_equal(first.channels["current"], same.channels["current"])
    assert first.phases == same.phases
    assert first.phases != other.phases


def test_the_interval_does_not_change_what_the_machine_does():
    fast, slow = (simulate(SLAB, days=0.5, interval_s=i, seed=1, roles=["evaporator"]) for i in (1, 60))
    assert fast.phases == slow.phases


def test_local_wall_time_is_kept_as_utc():
    # Europe/Lisbon is one hour ahead of UTC in summer: 08:00 there is 07:00 UTC.
    sim = simulate(
        SLAB, days=0.05, interval_s=10, start="2026-06-01T08:00:00", tz="Europe/Lisbon", roles=["ambient"]
    )
    assert np.datetime64(sim.start_ns, "ns") == np.datetime64("2026-06-01T07:00:00", "ns")
    assert 0 <= sim.time_ns[0] - sim.start_ns < 1e9
