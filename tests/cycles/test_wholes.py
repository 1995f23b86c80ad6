"""Freezes that were taken for two."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles.runs import Runs
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.cycles.wholes import made_whole, without_unseen_first, without_unseen_last
from tests.cycles.plain_machine import laid, trace_of

STEP_S = 10.0
USUAL, GAS = 120, 14  # cells


def runs_of(*lengths_and_states):
    state = np.array([s for _, s in lengths_and_states])
    stop = np.cumsum([n for n, _ in lengths_and_states])
    return Runs(
        state=state,
        first=np.r_[0, stop[:-1]],
        stop=stop,
        margin=np.ones(len(state)),
        opens_span=np.r_[True, np.zeros(len(state) - 1, dtype=bool)],
    )


@pytest.fixture
def cells():
    return laid(trace_of("suction", np.sin(np.arange(4000.0)), STEP_S)).cells


def log(*midst, freezes=(USUAL, 118, 121, 122, 119, 120, 120, 121)):
    usual = [part for n in freezes for part in ((GAS, HARVEST), (n, FREEZE))]
    return runs_of((40, FREEZE), *usual, *midst, *usual, (GAS, HARVEST), (30, FREEZE))


def test_a_hand_on_the_clip_parts_no_freeze(cells):
    found = made_whole(log((GAS, HARVEST), (70, FREEZE), (4, HARVEST), (46, FREEZE)), cells)
    expected = log((GAS, HARVEST), (120, FREEZE))
    assert found.state.tolist() == expected.state.tolist()
    assert found.stop.tolist() == expected.stop.tolist()


@pytest.mark.parametrize(
    "midst",
    [
        [
            (GAS, HARVEST),
            (USUAL, FREEZE),
            (GAS, HARVEST),
            (9, FREEZE),
        ],  # again at once, and then a whole freeze
        [(GAS, HARVEST), (9, FREEZE), (GAS, HARVEST), (USUAL, FREEZE)],
        [
            (GAS, HARVEST),
            (70, FREEZE),
            (GAS, HARVEST),
            (USUAL, FREEZE),
        ],  # ended too soon; the next starts from nothing
        [(GAS, HARVEST), (70, FREEZE), (20, IDLE), (46, FREEZE)],
        [(GAS, HARVEST), (50, FREEZE), (GAS, HARVEST), (20, FREEZE)],
    ],
    ids=["repeated", "repeated soon", "short", "stop", "two short ones"],
)
def test_other_cycles_stay(cells, midst):
    runs = log(*midst)
    assert made_whole(runs, cells) is runs


def test_where_freezes_are_of_all_lengths_nothing_is_known(cells):
    midst = ((GAS, HARVEST), (70, FREEZE), (4, HARVEST), (46, FREEZE))
    runs = log(*midst, freezes=(90, 150, 110, 130, 95, 145, 120, 160))
    assert made_whole(runs, cells) is runs
    runs = log(*midst, freezes=(USUAL,))
    assert made_whole(runs, cells) is runs


@pytest.mark.parametrize(
    ("at_end", "kind"), [(np.linspace(-10, -9.8, 8), FREEZE), (np.linspace(-10, -3, 8), HARVEST)]
)
@pytest.mark.parametrize("hole", [False, True])
def test_a_harvest_that_the_logs_end_cuts_off_has_begun_to_show(at_end, kind, hole):
    freeze, gas = np.linspace(5, -10, USUAL), np.linspace(-10, 8, GAS)
    level = np.concatenate([*[freeze, gas] * 4, freeze, at_end, *[freeze, gas] * 2, freeze])
    line = laid(trace_of("suction", level, STEP_S)).course
    parts = [(USUAL, FREEZE), (GAS, HARVEST)] * 4 + [(USUAL, FREEZE), (8, HARVEST)]
    runs = runs_of(*parts, *([(USUAL, FREEZE), (GAS, HARVEST)] * 2 + [(USUAL, FREEZE)] if hole else []))
    if hole:
        runs.opens_span[len(parts)] = True
    found = without_unseen_last(runs, line)
    at = np.flatnonzero(found.first <= sum(n for n, _ in parts) - 8)[-1]
    assert found.state[at] == kind
    assert (found.state == HARVEST).sum() == 4 + 2 * hole + (kind == HARVEST)


@pytest.mark.parametrize(
    ("rest", "named", "stays"),
    [
        (np.linspace(14.0, 3.0, 12), 3, False),  # it was over in the hole
        (np.r_[np.linspace(6.0, 14.0, 4), np.linspace(13.0, 3.0, 12)], 4, True),
        (np.full(8, 14.0), 3, True),  # nothing moves: not known
    ],
    ids=["falls at once", "goes on", "stands"],
)
def test_a_harvest_that_was_over_in_a_hole_does_not_open_what_follows(rest, named, stays):
    fall, rise = np.linspace(14.0, -8.0, USUAL), np.linspace(-8.0, 14.0, GAS)
    before = np.concatenate([fall, rise] * 5)
    values = np.r_[before, fall, rest, np.linspace(rest[-1], -8.0, 60), before]
    hole = len(before) + USUAL
    at = np.arange(len(values)) + 30 * (np.arange(len(values)) >= hole)
    line = laid(trace_of("suction", values, STEP_S, at_s=at * STEP_S))
    parts = [(USUAL, FREEZE), (GAS, HARVEST)] * 5
    runs = runs_of(*parts, (USUAL, FREEZE), (named, HARVEST), (len(rest) - named + 60, FREEZE), *parts)
    opens = runs.first == hole
    runs = replace(runs, opens_span=runs.opens_span | opens)
    found = without_unseen_first(runs, line.course)
    assert found.state[found.first == hole][0] == (HARVEST if stays else FREEZE)
    assert found.stop[-1] == runs.stop[-1]
