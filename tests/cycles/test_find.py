"""What `find_cycles` makes of whole logs. Tolerance of a boundary: max(20 s, 1.5 intervals)."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.record import CYCLE_COLUMNS, START_COLUMNS
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, channel, cycles, machine, offsets_s, timeline, without

UNIT = Unit(name="plain")


def kinds(record):
    return [str(p.kind) for p in record.phases]


def harvests(record):
    return kinds(record).count("harvest")


@pytest.mark.parametrize("roles", [("evaporator",), ("suction",), ("current",), ("evaporator", "current")])
@pytest.mark.parametrize("interval_s", [1.0, 10.0, 30.0])
def test_every_boundary_of_a_healthy_log_is_found_within_the_tolerance(roles, interval_s):
    log = machine(cycles(10), roles=roles, interval_s=interval_s)
    record = find_cycles(log.timeline, UNIT)
    ends = roles == (
        "current",
    )  # to a clamp alone the harvest with which the log ends may be part of the freeze
    assert kinds(record) in (["freeze", "harvest"] * 10, (["freeze", "harvest"] * 10)[: 20 - ends])
    for kind in ("freeze", "harvest"):
        off_s = np.abs(offsets_s(record, kind, log))[: 10 - ends]
        assert off_s.max() <= max(20.0, 1.5 * interval_s)


def test_a_step_of_the_current_places_a_boundary_within_an_interval():
    log = machine(cycles(10), interval_s=10.0)
    record = find_cycles(log.timeline, UNIT)
    assert np.median(np.abs(offsets_s(record, "harvest", log))) <= 10.0


def test_phases_touch_and_cover_the_log():
    log = without(machine([*cycles(6), ("idle", 50.0), *cycles(4)]), 8000, 10500)
    phases = find_cycles(log.timeline, UNIT).phases
    assert phases[0].start_ns == log.timeline.start_ns
    assert phases[-1].end_ns == log.timeline.end_ns
    assert all(a.end_ns == b.start_ns and a.start_ns < a.end_ns for a, b in itertools.pairwise(phases))


@pytest.mark.parametrize("roles", [("evaporator",), ("current",), ("evaporator", "current")])
def test_a_rest_after_a_harvest_is_idle(roles):
    log = machine([*cycles(6), ("idle", 60.0), *cycles(6)], roles=roles, interval_s=10.0)
    record = find_cycles(log.timeline, UNIT)
    assert kinds(record).count("idle") == 1
    # The line has no step where the compressor stops: its bend shows it within a minute or so.
    assert np.abs(offsets_s(record, "idle", log)).max() <= (20.0 if "current" in roles else 90.0)


def test_a_gap_longer_than_a_phase_is_not_bridged():
    log = without(machine(cycles(8)), 3000, 3000 + 45 * 60)
    record = find_cycles(log.timeline, UNIT)
    gap = next(p for p in record.phases if p.kind == "gap")
    assert (gap.end_ns - gap.start_ns) * 1e-9 == pytest.approx(45 * 60, abs=15)
    assert record.cycles["broken"].any()


def test_a_few_missing_readings_leave_no_mark():
    log = machine(cycles(6), interval_s=10.0)
    rng = np.random.default_rng(3)
    holed = [replace(c, trusted=rng.random(len(c.values)) > 0.03) for c in log.timeline.channels]
    assert kinds(find_cycles(timeline(holed), UNIT)) == ["freeze", "harvest"] * 6


def test_a_stalled_harvest_is_still_a_harvest():
    story = [*cycles(5), ("freeze", 20.0), ("stall", 6.0), *cycles(4)]
    record = find_cycles(machine(story).timeline, UNIT)
    assert record.cycles["harvest_min"].max() == pytest.approx(6.0, abs=0.6)


def test_a_trip_in_mid_freeze_is_idle_and_the_freeze_before_it_a_broken_row():
    story = [*cycles(4), ("freeze", 9.0), ("idle", 5.0), ("freeze", 14.0), ("harvest", 2.0), *cycles(3)]
    record = find_cycles(machine(story).timeline, UNIT)
    assert kinds(record).count("idle") == 1
    table = record.cycles
    assert table["broken"].sum() == 1
    assert not table.loc[table["broken"], "complete"].any()
    assert table["after_idle"].sum() == 1


def test_a_compressor_that_keeps_tripping_is_unclear_and_says_so():
    trips = [("idle", 1.5), ("freeze", 1.0)] * 6 + [("idle", 1.5)]
    record = find_cycles(
        machine([*cycles(4), ("freeze", 8.0), *trips, *cycles(4)], interval_s=2.0).timeline, UNIT
    )
    unclear = [p for p in record.phases if p.kind == "unclear"]
    assert [p.why for p in unclear] == ["tripping"]
    assert (unclear[0].end_ns - unclear[0].start_ns) * 1e-9 / 60 == pytest.approx(6 * 2.5 + 1.5, abs=0.5)


def test_a_log_too_coarse_to_time_harvests_says_so():
    record = find_cycles(machine(cycles(30), interval_s=300.0, roles=("evaporator",)).timeline, UNIT)
    assert not record.harvests_timed
    assert record.cycles["harvest_min"].isna().all()
    assert "harvest" not in kinds(record)


def test_a_running_machine_without_harvests_shows_no_pattern():
    record = find_cycles(machine([("idle", 30.0), ("freeze", 600.0)], interval_s=10.0).timeline, UNIT)
    assert not record.pattern
    assert {p.why for p in record.phases if p.kind == "unclear"} == {"no-pattern"}


def test_a_clamp_that_reads_nothing_all_along_means_idle():
    time_ns = START_NS + np.arange(3000) * 10_000_000_000
    noise = np.abs(0.01 * np.random.default_rng(0).standard_normal(3000))
    record = find_cycles(timeline([channel("current", time_ns, noise, 10.0)]), UNIT)
    assert kinds(record) == ["idle"]


def same_phases(a, b):
    assert kinds(a) == kinds(b)
    assert np.allclose([p.start_ns for p in a.phases], [p.start_ns for p in b.phases], atol=1.5e9)


@pytest.mark.parametrize("roles", [("evaporator",), ("evaporator", "current")])
def test_a_clip_that_reads_higher_changes_no_phase(roles):
    story = [*cycles(5), ("idle", 40.0), *cycles(5)]
    plain, shifted = machine(story, roles=roles), machine(story, roles=roles, shift_k=9.0)
    same_phases(find_cycles(plain.timeline, UNIT), find_cycles(shifted.timeline, UNIT))


def test_half_the_contrast_changes_no_phase():
    log = machine(cycles(8), roles=("evaporator",), contrast=0.5, noise_k=0.05, interval_s=10.0)
    record = find_cycles(log.timeline, UNIT)
    assert kinds(record) == ["freeze", "harvest"] * 8
    assert np.abs(offsets_s(record, "harvest", log)).max() <= 20.0


def test_another_day_changes_nothing_but_the_day():
    log = machine(cycles(5))
    later = 86_400_000_000_000 * 3
    moved = timeline([replace(c, time_ns=c.time_ns + later) for c in log.timeline.channels])
    a, b = find_cycles(log.timeline, UNIT), find_cycles(moved, UNIT)
    assert [p.start_ns + later for p in a.phases] == [p.start_ns for p in b.phases]


def test_the_order_of_channels_does_not_matter():
    log = machine(cycles(5))
    turned = timeline(tuple(reversed(log.timeline.channels)))
    a, b = find_cycles(log.timeline, UNIT), find_cycles(turned, UNIT)
    assert a.phases == b.phases


def test_the_same_log_gives_the_same_record_and_is_left_as_it_was():
    log = machine([*cycles(4), ("idle", 30.0), *cycles(4)])
    before = [c.values.copy() for c in log.timeline.channels]
    a, b = find_cycles(log.timeline, UNIT), find_cycles(log.timeline, UNIT)
    assert a.phases == b.phases
    pd.testing.assert_frame_equal(a.cycles, b.cycles)
    assert all(np.array_equal(v, c.values) for v, c in zip(before, log.timeline.channels, strict=True))


def test_spikes_of_a_few_readings_are_no_phases():
    log = machine(cycles(8), interval_s=5.0)
    rng = np.random.default_rng(5)
    spiked = []
    for c in log.timeline.channels:
        values = c.values.copy()
        for i in rng.integers(50, len(values) - 50, 12):
            values[i : i + rng.integers(1, 4)] += rng.choice([-1, 1]) * rng.uniform(20, 60)
        spiked.append(replace(c, values=values if c.unit == "°C" else c.values))
    assert kinds(find_cycles(timeline(spiked), UNIT)) == ["freeze", "harvest"] * 8


NOTHING = np.empty(0)


@pytest.mark.parametrize(
    "channels",
    [
        pytest.param([], id="no channel"),
        pytest.param(
            [channel("other", START_NS + np.arange(50) * 10**10, np.ones(50), 10.0)], id="only other"
        ),
        pytest.param(
            [channel("evaporator", START_NS + np.arange(5) * 10**10, np.arange(5.0), 10.0)],
            id="five readings",
        ),
        pytest.param([channel("evaporator", NOTHING, NOTHING, 10.0)], id="no reading"),
        pytest.param(
            [channel("current", START_NS + np.arange(9) * 10**10, np.full(9, np.nan), 10.0)], id="all missing"
        ),
        pytest.param(
            [channel("evaporator", START_NS + np.arange(900) * 10**10, np.full(900, 4.0), 10.0)],
            id="constant",
        ),
        pytest.param(
            [channel("current", START_NS + np.arange(900) * 10**10, np.full(900, 4.0), 10.0)], id="always on"
        ),
        pytest.param(
            [channel("discharge", START_NS + np.arange(90) * 10**10, np.arange(90.0), 10.0)],
            id="discharge only",
        ),
    ],
)
def test_a_log_that_shows_nothing_gives_a_record_that_claims_nothing(channels):
    record = find_cycles(timeline(channels), UNIT)
    assert list(record.cycles.columns)[: len(CYCLE_COLUMNS)] == list(CYCLE_COLUMNS)
    assert list(record.starts.columns) == list(START_COLUMNS)
    assert "harvest" not in kinds(record)


def test_an_hour_that_begins_in_mid_cycle_is_read():
    log = machine(
        [
            ("harvest", 1.0),
            ("freeze", 20.0),
            ("harvest", 2.0),
            ("freeze", 20.0),
            ("harvest", 2.0),
            ("freeze", 12.0),
        ]
    )
    record = find_cycles(log.timeline, UNIT)
    assert harvests(record) >= 2
    complete = record.cycles[record.cycles["complete"]]
    assert complete["freeze_min"].to_list() == pytest.approx([20.0, 20.0], abs=0.4)


def test_most_true_boundaries_lie_within_the_stated_interval():
    inside, count = 0, 0
    for seed in range(4):
        log = machine(cycles(10), roles=("evaporator",), interval_s=10.0, seed=seed, lag_s=8.0 + 8 * seed)
        record = find_cycles(log.timeline, UNIT)
        for kind in ("freeze", "harvest"):
            stated = np.array([p.start_uncertainty_s for p in record.phases[1:] if p.kind == kind])
            off = np.abs(offsets_s(record, kind, log))
            inside, count = inside + int((off <= stated).sum()), count + len(off)
    assert inside / count >= 0.8
