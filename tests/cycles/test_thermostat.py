"""What is no batch machine is said to be none, and what is too coarse is not read."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.findings.engine import judge
from pipeline.language.text import Text
from pipeline.logs.timeline import Doubt
from pipeline.unit import Unit
from tests.bench.odd_logs import refrigerator
from tests.bench.worlds.draw import draw
from tests.bench.worlds.none import draw_none, strata, timeline_of
from tests.bench.worlds.simulate import DAY_0_NS, simulate
from tests.bench.worlds.simulate import timeline as timeline_of_world
from tests.cycles.plain_machine import START_NS, STOP_S, channel, cycles, machine, standing_machine, timeline

UNIT = Unit(name="plain")


def said(log, unit=UNIT):
    record = find_cycles(log, unit)
    return record, judge(log, record, unit)


# One of every kind, at 1 to 15 min; the bench reads hundreds: python -m tests.bench.worlds.none
SEEDS = [s for s in range(600, 700) if 60 <= strata(s)[2] <= 900][:16]


@pytest.mark.parametrize("seed", SEEDS)
def test_no_cycle_and_no_call_for_action_is_made_up_of_what_is_no_batch_machine(seed):
    record, judgement = said(timeline_of(draw_none(seed).readings, "none"))
    assert not len(record.cycles)
    assert [f.code for f in judgement.findings if f.severity == "act"] == []
    assert judgement.verdict.level == "cannot-tell"


def test_a_fridge_is_told_by_what_it_is_like():
    log = refrigerator(np.random.default_rng(5)).timeline
    record, judgement = said(log)
    assert {p.why for p in record.phases if p.kind == "unclear"} == {"thermostat"}
    assert not judgement.findings
    assert judgement.verdict.client.key == "verdict.thermostat.client"
    assert {n.needs.key for n in judgement.not_judged if n.code != "supply-voltage"} == {"needs.batches"}


@pytest.mark.parametrize("roles", [("evaporator",), ("evaporator", "current")])
def test_a_machine_that_rests_after_every_harvest_is_no_thermostat(roles):
    story = [("idle", 12.0), ("freeze", 20.0), ("harvest", 3.0)] * 12
    record = find_cycles(machine(story, interval_s=5.0, roles=roles).timeline, UNIT)
    assert record.no_batches is None
    assert record.cycles["complete"].sum() >= 10


def test_a_compressor_that_trips_all_along_is_no_thermostat():
    amps = np.where(np.arange(8640) * 10 % 240 < 60, 8.0, 0.0)
    log = timeline([channel("current", START_NS + np.arange(8640) * 10**10, amps, 10.0)])
    record, judgement = said(log)
    assert record.no_batches is None
    assert "short-cycling" in {f.code for f in judgement.findings}


def test_two_years_at_six_hours_are_too_coarse_and_nothing_but_that_is_found():
    n = 4 * 730
    rng = np.random.default_rng(2)
    time_ns = START_NS + np.arange(n) * 6 * 3600 * 10**9
    log = timeline(
        [
            channel("evaporator", time_ns, rng.uniform(-14.0, 12.0, n), 21_600.0),
            channel("current", time_ns, np.where(rng.random(n) < 0.9, 6.0, 0.1), 21_600.0),
        ]
    )
    coarse = Doubt(
        code="log-coarse",
        start_ns=log.start_ns,
        end_ns=log.end_ns,
        what=Text(key="logs.doubt.coarse_interval", english="too coarse"),
    )
    record, judgement = said(replace(log, doubts=(coarse,)))
    assert {(p.kind, p.why) for p in record.phases} == {("unclear", "too-coarse")}
    assert [f.code for f in judgement.findings] == ["log-coarse"]
    assert judgement.verdict.level == "cannot-tell"


@pytest.mark.parametrize("thinned", [30, 60, 120, 360])
def test_a_healthy_log_thinned_to_minutes_is_called_too_coarse(thinned):
    whole = machine(cycles(60), interval_s=10.0).timeline
    few = [channel(c.role, c.time_ns[::thinned], c.values[::thinned], 10.0 * thinned) for c in whole.channels]
    record, judgement = said(timeline(few))
    assert record.no_batches == "too-coarse"
    assert not judgement.findings


def test_ice_that_is_loosened_while_the_compressor_stands_is_harvested():
    """No hot gas: the compressor stops and warm water loosens the ice (a world of `tests.bench.worlds` with this structure)."""
    world = next(
        w
        for w in (draw(seed, "worked") for seed in range(100_000, 101_000))
        if w.structure.hot_gas == "none, off cycle" and w.channels == "evaporator+current"
    )
    log = simulate(world)
    record = find_cycles(timeline_of_world(log), UNIT)
    assert record.no_batches is None
    harvests = [p for p in record.phases if p.kind == "harvest"]
    true = [a for a, _, kind in log.phases if kind == "harvest"]
    assert len(harvests) == pytest.approx(len(true), rel=0.03)
    begun_s = (np.array([p.start_ns for p in harvests]) - DAY_0_NS) * 1e-9
    assert np.median(np.abs(begun_s[:, None] - np.array(true)).min(axis=1)) < 20.0


def test_by_a_clamp_alone_stops_and_runs_that_are_all_alike_are_harvests_and_freezes():
    log, stops_s = standing_machine(np.random.default_rng(1))
    record, judgement = said(log)
    assert record.harvests_standing
    harvests = [p for p in record.phases if p.kind == "harvest"]
    found_s = np.array([p.start_ns - START_NS for p in harvests]) * 1e-9
    assert np.abs(found_s[:, None] - stops_s[:-1]).min(axis=0).max() < 15.0
    lasted_s = np.array([p.end_ns - p.start_ns for p in harvests]) * 1e-9
    assert np.abs(lasted_s - STOP_S).max() < 30.0  # a rest is no part of them
    assert sum(p.kind == "idle" for p in record.phases) == 4
    assert judgement.verdict.client.key == "verdict.steady.client"
    assert judgement.verdict.technician.key == "verdict.standing.technician"


@pytest.mark.parametrize("otherwise", [{"falls": 0.0}, {"run_s": 300}, {"runs": 5}])
def test_other_stops_of_a_lone_clamp_are_no_harvests(otherwise):
    log, _ = standing_machine(np.random.default_rng(2), **otherwise)
    record, _ = said(log)
    assert not record.harvests_standing
    assert not [p for p in record.phases if p.kind == "harvest"]


def test_a_line_that_is_warmed_slowly_beside_stops_all_alike_shows_harvests():
    """Nothing but 3.7 K/min: warm water behind a plate (a world of `tests.bench.worlds`)."""
    log = simulate(draw(205056, "worked"))
    record, judgement = said(timeline_of_world(log))
    true = sum(kind == "harvest" for _, _, kind in log.phases)
    assert sum(p.kind == "harvest" for p in record.phases) == pytest.approx(true, rel=0.02)
    assert not record.harvests_standing  # the line tells it from a thermostat
    assert judgement.verdict.technician.key != "verdict.standing.technician"


def test_a_logger_that_stores_means_tells_when_the_compressor_stopped():
    log, stops_s = standing_machine(np.random.default_rng(3), interval_s=30, means=True)
    record, _ = said(log)
    found_s = np.array([p.start_ns - START_NS for p in record.phases if p.kind == "harvest"]) * 1e-9
    off_s = found_s - stops_s[np.abs(found_s[:, None] - stops_s).argmin(axis=1)]
    assert abs(np.median(off_s)) < 2.0
    assert np.quantile(np.abs(off_s), 0.9) < 10.0
