"""What looks like a stop in mid-freeze and is a harvest, and the other way round.

More of the stops themselves: tests/outside/test_second_machine_phases.py.
"""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.repair.halts import (
    rests_after_harvests,
    rests_like_others,
    unseen_stops,
    without_small_rises,
)
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, cycles, laid, machine, runs_of, trace_of

UNIT = Unit(name="plain")


def kind_at(record, seconds):
    at = START_NS + int(seconds * 1e9)
    return next(str(p.kind) for p in record.phases if p.start_ns <= at < p.end_ns)


def test_a_stalled_harvest_stays_a_harvest():
    story = [*cycles(5), ("freeze", 20.0), ("stall", 7.0), *cycles(4)]
    log = machine(story, roles=("evaporator",))
    record = find_cycles(log.timeline, UNIT)
    stall = next(start for kind, start, end in log.truth if kind == "harvest" and end - start == 420)
    assert kind_at(record, stall + 200) == "harvest"


def test_a_second_harvest_on_the_heels_of_the_first_stays_a_harvest():
    story = [*cycles(5), ("freeze", 20.0), ("harvest", 2.0), ("freeze", 2.5), ("harvest", 2.0), *cycles(4)]
    log = machine(story, roles=("evaporator",))
    starts = [start for kind, start, _ in log.truth if kind == "harvest"]
    record = find_cycles(log.timeline, UNIT)
    found = np.array([(p.start_ns - START_NS) * 1e-9 for p in record.phases if p.kind == "harvest"])
    assert all(np.abs(found - start).min() < 20 for start in starts)


@pytest.mark.parametrize(
    ("slowness", "top", "stays"), [(14.0, 0.5, False), (5.0, 0.5, True), (14.0, 13.0, True)]
)
def test_a_harvest_before_a_stop_is_as_warm_as_others_or_none(slowness, top, stays):
    """Ice melts in the standing machine: the line comes up to 0 °C, more slowly than by hot gas, and stays there."""
    step_s, gas, freeze, rest = 10.0, 15, 120, 200
    fall, rise = -12.0 + 24.0 * np.exp(-np.arange(freeze) / 30.0), np.linspace(-12.0, 12.0, gas)
    melts = top - (top + 12.0) * np.exp(-np.arange(25 + rest) / slowness)
    values = np.concatenate([*[fall, rise] * 6, fall, melts, *[fall, rise] * 6])
    line = laid(trace_of("evaporator", values, step_s))
    cycles_of = [(freeze, FREEZE), (gas, HARVEST)] * 6
    runs = runs_of([*cycles_of, (freeze, FREEZE), (25, HARVEST), (rest, IDLE), *cycles_of])
    found = unseen_stops(runs, line.course, line.scales, line.cells)
    assert (found.state == HARVEST).sum() == 12 + stays
    assert (found.first[1:] == found.stop[:-1]).all()


def stopped_early(course, named, rest):
    """Twelve cycles with a freeze in their midst that a stop breaks off half-way: `course` (n,) is how the line then warms, `named`
    of its cells were named harvest; it goes on for `rest` cells, named idle."""
    step_s, gas, freeze = 10.0, 15, 120
    fall, rise = -12.0 + 24.0 * np.exp(-np.arange(freeze) / 30.0), np.linspace(-12.0, 12.0, gas)
    values = np.concatenate([*[fall, rise] * 6, fall[:60], course, *[fall, rise] * 6])
    line = laid(trace_of("evaporator", values, step_s))
    cycles_of = [(freeze, FREEZE), (gas, HARVEST)] * 6
    runs = runs_of(
        [*cycles_of, (60, FREEZE), (named, HARVEST), *([(rest, IDLE)] if rest else []), *cycles_of]
    )
    return unseen_stops(runs, line.course, line.scales, line.cells)


def test_a_slow_warming_from_half_a_freeze_into_a_stop_is_part_of_it():
    """As warm as by hot gas, and not much longer than it takes."""
    start = -12.0 + 24.0 * np.exp(-59 / 30.0)
    found = stopped_early(np.minimum(start + 0.8 * np.arange(300), 13.0), 25, 275)
    assert (found.state == HARVEST).sum() == 12
    assert (found.state == IDLE).sum() == 1


def test_what_the_line_does_when_the_machine_starts_again_is_no_rise_of_the_gas():
    start = -12.0 + 24.0 * np.exp(-59 / 30.0)
    warms = 2.0 - (2.0 - start) * np.exp(-np.arange(70) / 20.0)
    found = stopped_early(np.r_[warms, np.linspace(2.5, 16.0, 8)], 78, 0)
    assert (found.state == HARVEST).sum() == 12
    assert (found.state == IDLE).sum() == 1


@pytest.mark.parametrize(("jump_k", "stays"), [(2.5, False), (8.0, True)])
def test_ice_that_forms_at_a_stroke_in_every_freeze_is_no_harvest(jump_k, stays):
    """Water below 0 °C lifts the line by a kelvin or two as it freezes (sub-cooling); a second harvest lifts it as the first does."""
    fall, rise = np.linspace(2.0, -6.0, 40), np.linspace(-9.0, 5.0, 15)
    again = np.linspace(-6.0, -6.0 + jump_k, 4)
    values = np.concatenate([fall, again, np.linspace(again[-1], -9.0, 80), rise] * 8)
    line = laid(trace_of("evaporator", values, 10.0))
    runs = runs_of([(40, FREEZE), (4, HARVEST), (80, FREEZE), (15, HARVEST)] * 8)
    for clamped in (False, True):
        found = without_small_rises(runs, line.course, clamped=clamped)
        assert (found.state == HARVEST).sum() == (16 if stays else 8)
        assert (found.first[1:] == found.stop[:-1]).all()


def test_a_single_harvest_that_hardly_warms_the_line_stays_where_a_clamp_shows_it_too():
    fall, rise = np.linspace(5.0, -9.0, 90), np.linspace(-9.0, 5.0, 15)
    values = np.concatenate(
        [fall, rise] * 24 + [np.linspace(5.0, -6.0, 60), np.linspace(-6.0, -4.0, 5), fall - 9.0]
    )
    line = laid(trace_of("evaporator", values, 10.0))
    runs = runs_of([(90, FREEZE), (15, HARVEST)] * 24 + [(60, FREEZE), (5, HARVEST), (90, FREEZE)])
    assert (without_small_rises(runs, line.course, clamped=True).state == HARVEST).sum() == 25
    assert (without_small_rises(runs, line.course, clamped=False).state == HARVEST).sum() == 24


def creeping(cells, *, low):
    """A resting machine's line: it cools from 12 °C to `low` and creeps back to 10 °C."""
    down = low + (12.0 - low) * np.exp(-np.arange(cells // 2) / 60.0)
    return np.concatenate([down, np.linspace(low, 10.0, cells - cells // 2)])


@pytest.mark.parametrize(("course", "rests"), [("creeps", True), ("stays hot", False)])
def test_a_harvest_longer_than_any_ends_where_the_line_is_warmest_if_it_cools_then(course, rests):
    gas, freeze, rest = 15, 120, 1400
    fall, rise = -12.0 + 24.0 * np.exp(-np.arange(freeze) / 30.0), np.linspace(-12.0, 12.0, gas)
    after = creeping(rest, low=3.0) if course == "creeps" else np.full(rest, 12.0)
    values = np.concatenate([*[fall, rise] * 6, fall, rise, after, *[fall, rise] * 6])
    line = laid(trace_of("evaporator", values, 10.0))
    cycles_of = [(freeze, FREEZE), (gas, HARVEST)] * 6
    runs = runs_of([*cycles_of, (freeze, FREEZE), (gas + rest, HARVEST), *cycles_of])
    found = rests_after_harvests(runs, line.course, line.cells)
    assert (found.state == IDLE).any() == rests
    assert (found.first[1:] == found.stop[:-1]).all()
    if rests:
        (at,) = np.flatnonzero(found.state == IDLE)
        assert found.stop[at] - found.first[at] == pytest.approx(rest, abs=2)


@pytest.mark.parametrize(("low", "rests"), [(4.0, True), (-8.0, False), (19.0, False)])
def test_an_endless_freeze_as_warm_as_the_logs_stops_is_one(low, rests):
    """A line that gets as cold as in freezes is being frozen; one that is warmer than in any stop is heated."""
    gas, freeze, rest, last = 15, 120, 400, 900
    fall, rise = -12.0 + 24.0 * np.exp(-np.arange(freeze) / 30.0), np.linspace(-12.0, 12.0, gas)
    end = low + (12.0 - low) * np.exp(-np.arange(last) / 60.0)
    part = [*[fall, rise] * 6, creeping(rest, low=3.0)]
    line = laid(trace_of("evaporator", np.concatenate([*part, *part, *[fall, rise] * 6, end]), 10.0))
    of_part = [*[(freeze, FREEZE), (gas, HARVEST)] * 6, (rest, IDLE)]
    runs = runs_of([*of_part, *of_part, *[(freeze, FREEZE), (gas, HARVEST)] * 6, (last, FREEZE)])
    assert rests_like_others(runs, line.course).state[-1] == (IDLE if rests else FREEZE)
