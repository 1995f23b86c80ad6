"""Each fault does to machine and log what its line in the table says."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

import numpy as np
import pytest

from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import CUBE_SMALL, MACHINES, SLAB
from pipeline.demo.plant import DAY_S
from pipeline.demo.simulator import NS, record, run_world, simulate

# The codes of the public contract.
CODES = {
    "freeze-long", "freeze-short", "freeze-at-timeout", "harvest-long", "harvest-stalled", "short-cycling",
    "failed-start", "no-ice", "condenser-hot", "weak-freeze", "warm-water", "output-low", "drift", "probe-fault",
    "probe-loose", "clamp-dead", "log-gap", "log-coarse", "clock-offset", "ice-stopped", "freeze-broken", "valve-hunting",
    "supply-voltage",
}  # fmt: skip


@cache
def log_with(kind: str, *, machine=SLAB, days=1.5, from_day=1.0, seed=7, interval_s=10, **options):
    fault = Fault(kind=kind, from_day=from_day, options=options)
    return simulate(machine, days=days, interval_s=interval_s, seed=seed, faults=[fault])


def lengths_min(sim, kind: str, *, after_day: float = 0.0, before_day: float = 1e9) -> np.ndarray:
    """Lengths of the phases of a kind that begin in the span; those at the log's edges left out."""
    inner = sim.phases[1:-1]
    return np.array(
        [
            (b - a) / 60 / NS
            for a, b, k in inner
            if k == kind and after_day * DAY_S <= (a - sim.start_ns) / NS < before_day * DAY_S
        ]
    )


def hours(sim) -> np.ndarray:
    return (sim.time_ns - sim.start_ns) / NS / 3600


def test_every_fault_names_findings_of_the_public_contract():
    for kind in KINDS.values():
        assert set(kind.expect) <= CODES
        assert set(kind.may) <= CODES
        assert not set(kind.expect) & set(kind.may)


@pytest.mark.parametrize("kind", KINDS)
def test_true_phases_touch_and_cover_the_log(kind):
    machine = list(MACHINES.values())[list(KINDS).index(kind) % len(MACHINES)]
    sim = log_with(kind, machine=machine, days=0.4, from_day=0.15, interval_s=60)
    assert sim.phases[0][0] == sim.start_ns
    assert sim.phases[-1][1] == sim.end_ns
    for before, after in zip(sim.phases, sim.phases[1:], strict=False):
        assert before[1] == after[0]
        assert before[0] < before[1]
    assert {k for _, _, k in sim.phases} <= {"freeze", "harvest", "idle", "unclear"}


@pytest.mark.parametrize(
    "kind", sorted(set(KINDS) - {"probe-open"})
)  # a wire that breaks loosens a day before
def test_until_a_fault_begins_the_machine_is_as_it_was(kind):
    sim = simulate(
        SLAB,
        days=0.41,
        interval_s=60,
        seed=7,
        roles=["evaporator", "current"],
        faults=[Fault(kind=kind, from_day=0.4)],
    )
    first = hours(sim) < 9.5
    well = healthy_ten_hours()
    for role in ("evaporator", "current"):
        ill = sim.channels[role][first]
        assert np.mean(np.abs(well.channels[role][: len(ill)] - ill)) < 0.02


@cache
def healthy_ten_hours():
    return simulate(SLAB, days=0.41, interval_s=60, seed=7, roles=["evaporator", "current"])


def test_an_unknown_fault_or_option_is_refused_by_name():
    with pytest.raises(ValueError, match='no such fault: "gremlins"'):
        Fault(kind="gremlins")
    with pytest.raises(ValueError, match="no option colour"):
        Fault(kind="gap", options={"colour": 1.0})


def test_a_stalled_harvest_stays_near_zero_until_its_limit():
    sim = log_with("stalled-harvest", days=2.0)
    stalled = sim.faults[0].shown_ns
    assert len(stalled) > 5
    for start_ns, end_ns in stalled:
        assert (end_ns - start_ns) / NS == pytest.approx(SLAB.harvest_limit_s, abs=2)
        late = (sim.time_ns > start_ns + 300 * NS) & (sim.time_ns < end_ns)
        assert np.all(np.abs(sim.channels["evaporator"][late]) < 5)
        assert (start_ns, end_ns, "harvest") in sim.phases


def test_a_repeated_harvest_is_two_harvests_with_a_short_freeze_between():
    sim = log_with("stalled-harvest", retry=1.0)
    kinds = [k for _, _, k in sim.phases]
    for start_ns, end_ns in sim.faults[0].shown_ns[:-1]:
        i = sim.phases.index((start_ns, end_ns, "harvest"))
        assert kinds[i : i + 3] == ["harvest", "freeze", "harvest"]
        again = sim.phases[i + 1]
        assert 150 <= (again[1] - again[0]) / NS <= 310


def test_a_cold_harvest_never_warms():
    sim = log_with("cold-harvest")
    assert sim.faults[0].shown_ns
    for start_ns, end_ns in sim.faults[0].shown_ns:
        inside = (sim.time_ns > start_ns) & (sim.time_ns < end_ns)
        assert sim.channels["evaporator"][inside].max() < -5
        assert sim.channels["current"][inside].min() > 1.0  # the compressor runs on


def test_a_slow_harvest_is_long_but_ends_by_itself():
    sim = log_with("slow-harvest", days=2.0)
    slow = [(b - a) / 60 / NS for a, b in sim.faults[0].shown_ns]
    usual = np.median(lengths_min(sim, "harvest", before_day=1.0))
    assert slow
    assert min(slow) > 1.4 * usual
    assert max(slow) * 60 < SLAB.harvest_limit_s


def test_a_leaking_valve_makes_long_freezes():
    sim = log_with("water-leak")
    assert np.median(lengths_min(sim, "freeze", after_day=1.05)) > 1.4 * np.median(
        lengths_min(sim, "freeze", before_day=1.0)
    )


def test_a_clogging_condenser_raises_split_discharge_and_freeze_from_day_to_day():
    sim = log_with("dirty-condenser", days=4.0, from_day=0.5)
    split = sim.channels["condenser_out"] - sim.channels["condenser_in"]
    day = hours(sim) / 24
    assert np.quantile(split[day > 3], 0.9) > np.quantile(split[day < 1], 0.9) + 2
    assert (
        np.quantile(sim.channels["discharge"][day > 3], 0.9)
        > np.quantile(sim.channels["discharge"][day < 1], 0.9) + 8
    )
    assert np.median(lengths_min(sim, "freeze", after_day=3)) > 1.1 * np.median(
        lengths_min(sim, "freeze", before_day=1)
    )


def test_a_slow_leak_lengthens_freezes_steadily():
    sim = log_with("slow-leak", days=4.0, from_day=0.5)
    by_day = [np.median(lengths_min(sim, "freeze", after_day=d, before_day=d + 1)) for d in range(1, 4)]
    assert np.all(np.diff(by_day) > 0)


def test_thin_slabs_are_short_freezes_with_little_ice():
    sim = log_with("thin-slabs")
    ill = [b for b in sim.batches if b.freeze_s > DAY_S and not b.after_idle]
    assert np.median([b.ice_kg for b in ill]) == pytest.approx(0.5 * SLAB.slab_kg, rel=0.1)
    assert np.median([b.harvest_s - b.freeze_s for b in ill]) / 60 < 13


def test_the_timer_ends_every_freeze_at_one_length():
    sim = log_with("timer-ends-freeze", timer_s=1800.0)
    # the freeze that runs when the sensing fails is still ended by it
    assert lengths_min(sim, "freeze", after_day=1.03) == pytest.approx(30.0, abs=0.06)


@pytest.mark.parametrize(
    ("kind", "per_hour"),
    [("high-pressure-trips", (5, 20)), ("low-pressure-trips", (15, 40)), ("overload-trips", (7, 20))],
)
def test_trips_are_many_starts_and_no_ice(kind, per_hour):
    sim = log_with(kind)
    for start_ns, end_ns in sim.faults[0].shown_ns[:-1]:
        assert any(a == start_ns and b == end_ns and k == "unclear" for a, b, k in sim.phases)
        starts = sum(start_ns < at < end_ns for at in sim.starts_ns)
        assert per_hour[0] < starts / ((end_ns - start_ns) / NS / 3600) < per_hour[1]


def test_the_pressure_switch_acts_on_heat():
    sim = log_with("high-pressure-trips")
    start_ns, end_ns = sim.faults[0].shown_ns[0]
    inside = (sim.time_ns > start_ns) & (sim.time_ns < end_ns)
    before = (sim.time_ns < start_ns) & (sim.time_ns > start_ns - 6 * 3600 * NS)
    assert sim.channels["discharge"][inside].max() > sim.channels["discharge"][before].max() + 5


def test_a_trip_in_mid_freeze_is_an_idle_of_minutes():
    sim = log_with("trip-in-freeze", chance=0.3)
    assert sim.faults[0].shown_ns
    short = lengths_min(sim, "idle", after_day=1.0)
    assert np.sum((short > 4) & (short < 8.5)) == pytest.approx(len(sim.faults[0].shown_ns), abs=1)


def test_a_failed_start_draws_starting_current_and_does_not_run():
    sim = simulate(
        CUBE_SMALL, days=4, interval_s=1, seed=2, roles=["current_compressor"],
        faults=[Fault(kind="failed-start", options={"chance": 1.0, "attempts": 3.0, "hum_s": 6.0})],
    )  # fmt: skip
    rated = CUBE_SMALL.compressor_w / (CUBE_SMALL.voltage_v * CUBE_SMALL.power_factor)
    assert sim.faults[0].shown_ns
    for start_ns, end_ns in sim.faults[0].shown_ns:
        inside = (sim.time_ns >= start_ns) & (sim.time_ns < end_ns - NS)
        amps = sim.channels["current_compressor"][inside]
        drawing = amps > 0.1
        assert np.all(amps[drawing] > 4 * rated)
        assert 0.005 < drawing.mean() < 0.1
        assert any(a <= start_ns and b >= end_ns - NS and k == "idle" for a, b, k in sim.phases)


@pytest.mark.parametrize(("how", "low", "high"), [("no-water", -45, -20), ("hot-gas-open", 0, 45)])
def test_without_ice_the_compressor_runs_and_nothing_cycles(how, low, high):
    sim = log_with("no-ice", how=how)
    (start_ns, end_ns) = sim.faults[0].shown_ns[0]
    inside = (sim.time_ns > start_ns + 3600 * NS) & (sim.time_ns < end_ns)
    plate = sim.channels["evaporator"][inside]
    assert low < plate.min() <= plate.max() < high
    assert np.ptp(plate) < 8
    assert sim.channels["current"][inside].min() > 0.5


def test_warm_water_is_seen_at_the_inlet_and_in_the_freeze():
    sim = log_with("warm-water")
    day = hours(sim) / 24
    rise = np.median(sim.channels["water_in"][day > 1.2]) - np.median(sim.channels["water_in"][day < 1])
    assert rise > 8
    assert np.median(lengths_min(sim, "freeze", after_day=1.1)) > np.median(
        lengths_min(sim, "freeze", before_day=1)
    )


def test_a_power_cut_takes_the_standby_current_too():
    sim = log_with("power-cut")
    ((start_ns, end_ns),) = sim.faults[0].shown_ns
    inside = (sim.time_ns > start_ns + NS) & (sim.time_ns < end_ns - 10 * NS)
    assert np.all(sim.channels["current"][inside] == 0)
    assert np.all(sim.channels["voltage"][inside] == 0)


def test_a_cleaning_warms_the_plate_with_the_compressor_off():
    sim = log_with("cleaning")
    ((start_ns, end_ns),) = sim.faults[0].shown_ns
    late = (sim.time_ns > start_ns + 1800 * NS) & (sim.time_ns < end_ns)
    assert sim.channels["evaporator"][late].min() > 20
    assert sim.channels["current_compressor"][late].max() == 0


def test_a_loose_probe_reads_the_room():
    sim = log_with("probe-loose")
    day = hours(sim) / 24
    off = np.abs(sim.channels["evaporator"] - sim.channels["ambient"])
    assert np.quantile(off[day > 1.05], 0.9) < 3
    assert np.median(off[day < 1]) > 15


def test_a_broken_wire_reads_open_in_bursts_and_then_for_good():
    sim = log_with("probe-open", days=3.0, from_day=2.0)
    day = hours(sim) / 24
    broken = np.isnan(sim.channels["evaporator"])
    assert broken[day > 2].all()
    assert 0 < broken[(day > 1) & (day < 2)].mean() < 0.2
    assert not broken[day < 1].any()
    constant = log_with("probe-open", days=3.0, from_day=2.0, reads=850.0)
    assert np.all(constant.channels["evaporator"][day > 2.001] == 850.0)


def test_a_dead_clamp_reads_nothing_while_the_machine_cycles():
    sim = log_with("clamp-off")
    day = hours(sim) / 24
    assert np.all(sim.channels["current"][day > 1] == 0)
    assert np.ptp(sim.channels["evaporator"][day > 1]) > 20


def test_a_gap_is_missing_rows():
    sim = log_with("gap", minutes=120.0)
    steps = np.diff(sim.time_ns) / NS
    assert steps.max() == pytest.approx(7200, abs=11)
    assert np.sum(steps > 11) == 1


def test_two_loggers_see_one_machine_and_their_clocks_differ():
    world = run_world(SLAB, days=1.0, seed=3, start=datetime(2026, 6, 1, tzinfo=UTC))
    true = record(world, interval_s=10, roles=["evaporator"], from_s=0)
    ahead = record(
        world, interval_s=10, roles=["evaporator"], from_s=0, clock_ahead_s=95.0, clock_gains_s_per_day=4.0
    )
    assert true.phases == ahead.phases
    assert np.array_equal(true.channels["evaporator"], ahead.channels["evaporator"])
    shift = (ahead.time_ns - true.time_ns) / NS
    assert shift[0] == pytest.approx(95.0)
    assert shift[-1] == pytest.approx(99.0, abs=0.01)
