"""Two harvests of which one was named."""

import numpy as np
import pytest

from pipeline.cycles.doubles import told_apart, without_rests, without_waves
from pipeline.cycles.runs import Runs
from pipeline.cycles.states import FREEZE, HARVEST
from tests.cycles.plain_machine import laid, runs_of, trace_of

STEP_S = 10.0
FREEZE_N, GAS = 120, 14  # cells
CYCLES, MIDST = 12, 5


def rise(start, n=GAS):
    return np.linspace(start, 18.0, n + 1)[1:]


def fall(start, n=FREEZE_N):
    return -8.0 + (start + 8.0) * np.exp(-np.arange(1, n + 1) / 25.0)


def log(midst, *, wave=0.0, named_to_its_end=False):
    """A cold line of CYCLES cycles, after the harvest of one of which the line goes on by `midst` (n,), and how it was named."""
    values, parts = [], []
    for number in range(CYCLES):
        values.append(rise(-8.0))
        gas, freeze = GAS, FREEZE_N
        if number == MIDST:
            values.append(midst)
            gas, freeze = (gas + len(midst), freeze) if named_to_its_end else (gas, freeze + len(midst))
        values.append(fall(values[-1][-1]))
        parts += [(gas, HARVEST), (freeze, FREEZE)]
    values = np.r_[fall(18.0, 40), np.concatenate(values)]
    values = values + wave * np.sin(np.arange(len(values)) / 3.0) * (values < 14.0)
    line = laid(trace_of("suction", values, STEP_S))
    runs = runs_of([(40, FREEZE), *parts])
    return runs, line.course, line.cells


AGAIN = np.r_[fall(18.0, 8), rise(fall(18.0, 8)[-1], 6)]


@pytest.mark.parametrize("named_to_its_end", [False, True])
def test_a_second_harvest_on_the_heels_of_the_first_is_found(named_to_its_end):
    runs, line, cells = log(AGAIN, named_to_its_end=named_to_its_end)
    found = told_apart(runs, line, cells)
    assert (found.state == HARVEST).sum() == CYCLES + 1
    assert np.array_equal(found.first[1:], found.stop[:-1])
    assert (np.diff(found.state) != 0).all()
    first = int(runs.first[1 + 2 * MIDST])
    second = found.first[found.state == HARVEST][MIDST + 1]
    assert abs(second - (first + GAS + 8)) <= 1
    assert abs(found.stop[found.state == HARVEST][MIDST + 1] - (first + GAS + len(AGAIN))) <= 1


@pytest.mark.parametrize(
    ("midst", "wave"),
    [
        (np.r_[18.0 - 0.35 * np.arange(1, 9), 15.2 + 0.45 * np.arange(1, 7)], 0.0),  # water runs in
        (np.r_[fall(18.0, 8), fall(18.0, 8)[-1] + 0.3 * np.arange(1, 7)], 0.0),  # a valve lets in too much
        (np.r_[np.full(4, -5.0), np.full(4, 18.0)], 0.0),  # a burst on the cable: nothing cools so fast
        (fall(18.0, 8), 1.5),  # a valve that hunts
    ],
    ids=["dip", "wobble", "burst", "hunting"],
)
@pytest.mark.parametrize("named_to_its_end", [False, True])
def test_other_dips_are_no_freeze(midst, wave, named_to_its_end):
    runs, line, cells = log(midst, wave=wave, named_to_its_end=named_to_its_end)
    assert told_apart(runs, line, cells).state.tolist() == runs.state.tolist()


def test_few_harvests_show_no_usual_fall():
    runs, line, cells = log(AGAIN)
    few = Runs(**{name: getattr(runs, name)[:6] for name in runs.__dataclass_fields__})
    assert told_apart(few, line, cells) is few


@pytest.mark.parametrize(
    ("wave", "again", "stays"), [(1.5, 4.0, False), (1.5, 12.0, True), (0.0, 4.0, True), (0.0, 1.5, False)]
)
def test_waves_that_a_line_makes_anyway_are_no_second_harvest(wave, again, stays):
    """A second harvest was named soon after the first, in which the line climbs by `again` [K]."""
    low = fall(18.0, 12)
    midst = np.r_[low, np.linspace(low[-1], low[-1] + again, 7)[1:]]
    runs, line, cells = log(midst, wave=wave)
    first = int(runs.first[1 + 2 * MIDST])
    parts = [(int(b - a), int(s)) for s, a, b in zip(runs.state, runs.first, runs.stop, strict=True)]
    freeze = 2 + 2 * MIDST
    named = [*parts[:freeze], (12, FREEZE), (6, HARVEST), (FREEZE_N, FREEZE), *parts[freeze + 1 :]]
    assert first + GAS == sum(n for n, _ in parts[:freeze])
    found = without_waves(runs_of(named), line, cells)
    assert (found.state == HARVEST).sum() == CYCLES + stays
    assert found.stop[-1] == runs.stop[-1]
    assert (np.diff(found.state) != 0).all()


def test_waves_after_every_harvest_are_none_either():
    """Every freeze was parted by one: half of the freezes are short, and the others tell the usual length."""
    low = fall(18.0, 12)
    midst = np.r_[low, np.linspace(low[-1], low[-1] + 3.0, 7)[1:]]
    values, parts = [fall(18.0, 40)], [(40, FREEZE)]
    for _ in range(CYCLES):
        values += [rise(-8.0), midst, fall(midst[-1])]
        parts += [(GAS, HARVEST), (12, FREEZE), (6, HARVEST), (FREEZE_N, FREEZE)]
    values = np.concatenate(values)
    values = values + 1.5 * np.sin(np.arange(len(values)) / 3.0) * (values < 14.0)
    line = laid(trace_of("suction", values, STEP_S))
    found = without_waves(runs_of(parts), line.course, line.cells)
    assert (found.state == HARVEST).sum() == CYCLES


@pytest.mark.parametrize(("again", "over"), [(2.0, True), (None, False)])
def test_a_harvest_is_over_where_the_line_falls_as_after_one(again, over):
    """One was named to go on to the top of a wave that the line made after it; the other, to the end of a second harvest."""
    low = fall(18.0, 12)
    wave = np.r_[low, np.linspace(low[-1], low[-1] + again, 7)[1:]] if again else AGAIN
    runs, line, cells = log(wave, wave=1.5, named_to_its_end=True)
    found = told_apart(runs, line, cells)
    first = int(runs.first[1 + 2 * MIDST])
    at = np.flatnonzero(found.first == first)[0]
    assert abs(found.stop[at] - (first + GAS)) <= 1
    assert np.array_equal(found.first[1:], found.stop[:-1])
    assert (found.state == HARVEST).sum() == CYCLES + (not over)


@pytest.mark.parametrize(("falls_k", "rests"), [(0.0, True), (6.0, False)])
@pytest.mark.parametrize("cells_long", [6, 60])
def test_a_line_that_rests_within_a_harvest_does_not_freeze(falls_k, rests, cells_long):
    """In one harvest the line stays where the melting ice holds it; in the other the gas was shut off."""
    parts, values = [(40, FREEZE)], [fall(18.0, 40)]
    for number in range(CYCLES):
        values += [rise(values[-1][-1], 6)[:4]]
        top = values[-1][-1]
        middle = 6 if number != MIDST else cells_long
        values += [np.linspace(top, top - (falls_k if number == MIDST else 0.0), middle)]
        values += [rise(values[-1][-1], 6), fall(18.0)]
        named = [(4, HARVEST), (middle, FREEZE), (6, HARVEST)] if number == MIDST else [(16, HARVEST)]
        parts += [*named, (FREEZE_N, FREEZE)]
    level = np.concatenate(values)
    line = laid(trace_of("suction", level, STEP_S))
    found = without_rests(runs_of(parts), line.course, line.cells)
    one = rests and cells_long == 6  # one that takes so long is something else
    assert (found.state == HARVEST).sum() == CYCLES + (not one)
    assert (np.diff(found.state) != 0).all()
