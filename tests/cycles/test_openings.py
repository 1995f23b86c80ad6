"""Machines that open every run with a harvest."""

import itertools

import numpy as np
import pytest

from pipeline.cycles import find_cycles, signals
from pipeline.cycles.features import DrawCells, course_of
from pipeline.cycles.openings import opened_by_gas, without_odd_ones
from pipeline.cycles.runs import Runs
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, channel, cycles, machine, runs_of

UNIT = Unit(name="plain")
OPENED = [
    *cycles(4),
    ("idle", 40.0),
    ("opening", 2.0),
    *cycles(4),
    ("idle", 55.0),
    ("opening", 2.0),
    *cycles(4),
]
NUDGED = [("nudge" if kind == "opening" else kind, minutes) for kind, minutes in OPENED]
COOLED = [*cycles(4), ("idle", 40.0), *cycles(4), ("idle", 55.0), *cycles(4)]


def first_kinds(record):
    """What each run begins with."""
    kinds = [str(p.kind) for p in record.phases]
    return [b for a, b in itertools.pairwise(kinds) if a == "idle"]


@pytest.mark.parametrize("story", [OPENED, NUDGED], ids=["from the cold", "at room temperature"])
@pytest.mark.parametrize("roles", [("suction",), ("suction", "current")])
def test_runs_that_open_with_a_harvest_are_found_so(roles, story):
    log = machine(story, roles=roles)
    record = find_cycles(log.timeline, UNIT)
    assert first_kinds(record) == ["harvest", "harvest"]
    starts = [start for kind, start, _ in log.truth if kind == "harvest"]
    found = np.array([(p.start_ns - START_NS) * 1e-9 for p in record.phases if p.kind == "harvest"])
    within_s = 20 if story is OPENED else 40  # a line that hardly bends shows no better when
    assert all(np.abs(found - start).min() <= within_s for start in starts)


@pytest.mark.parametrize("noise_k", [0.1, 0.4])
@pytest.mark.parametrize("roles", [("suction",), ("suction", "current")])
def test_runs_that_cool_from_the_first_moment_open_with_a_freeze(roles, noise_k):
    for seed in range(3):
        log = machine(COOLED, roles=roles, noise_k=noise_k, seed=seed)
        assert first_kinds(find_cycles(log.timeline, UNIT)) == ["freeze", "freeze"]


def test_a_harvest_that_opens_one_run_of_many_is_none():
    kinds = np.array([FREEZE, HARVEST, IDLE, FREEZE, HARVEST, IDLE, HARVEST, FREEZE, HARVEST, IDLE, FREEZE])
    first = np.array([0, 120, 135, 200, 320, 335, 400, 410, 520, 535, 600])
    runs = Runs(
        state=kinds,
        first=first,
        stop=np.append(first[1:], 700),
        margin=np.ones(len(kinds)),
        opens_span=np.arange(len(kinds)) == 0,
    )
    clock = np.arange(700) * 10_000_000_000
    cells = Cells(
        step_s=10.0,
        span_first=np.array([0]),
        span_stop=np.array([700]),
        origin_ns=clock[:1],
        span_start_ns=clock[:1],
        span_end_ns=clock[-1:],
        start_ns=clock,
    )
    left = without_odd_ones(runs, cells)
    assert left.state.tolist() == [FREEZE, HARVEST, IDLE] * 3 + [FREEZE]
    assert left.first.tolist() == [0, 120, 135, 200, 320, 335, 400, 520, 535, 600]
    assert left.stop.tolist() == [*left.first[1:].tolist(), 700]


@pytest.mark.parametrize(("at_opening", "kind"), [(-3.0, FREEZE), (3.0, HARVEST)])
def test_a_line_that_falls_is_not_warmed_by_hot_gas(at_opening, kind):
    """Both runs of the log seem to open with a harvest; whether the line climbs meanwhile decides."""
    kinds = np.array([FREEZE, HARVEST, IDLE, HARVEST, FREEZE, HARVEST, IDLE, HARVEST, FREEZE])
    first = np.array([0, 120, 135, 200, 212, 320, 335, 400, 412])
    runs = Runs(
        state=kinds,
        first=first,
        stop=np.append(first[1:], 500),
        margin=np.ones(len(kinds)),
        opens_span=np.arange(len(kinds)) == 0,
    )
    t = np.arange(500) * 10.0
    level = np.interp(t / 10, [0, 119, 134, 199, 211, 240, 319, 334, 399, 411, 440, 499],
                      [-5, -12, 6, 20, 20 + at_opening, 0, -12, 6, 20, 20 + at_opening, 0, -8])  # fmt: skip
    trace = signals.trace_of(channel("suction", START_NS + (t * 1e9).astype(np.int64), level, 10.0))
    cells = signals.cells_of_width([trace], 10.0)
    left = without_odd_ones(runs, cells, course_of(trace, cells))
    before = np.r_[-1, left.state[:-1]]
    assert set(left.state[before == IDLE].tolist()) == {kind}


def test_a_harvest_with_which_the_log_goes_on_after_a_gap_stays_one():
    kinds = np.array([FREEZE, HARVEST, IDLE, FREEZE, HARVEST, FREEZE, HARVEST, IDLE, FREEZE, HARVEST, FREEZE])
    first = np.array([0, 120, 135, 200, 210, 225, 345, 360, 400, 520, 535])
    opens = np.isin(np.arange(len(kinds)), (0, 4))
    runs = Runs(
        state=kinds,
        first=first,
        stop=np.append(first[1:], 700),
        margin=np.ones(len(kinds)),
        opens_span=opens,
    )
    clock = np.arange(700) * 10_000_000_000
    cells = Cells(
        step_s=10.0,
        span_first=np.array([0, 210]),
        span_stop=np.array([210, 700]),
        origin_ns=clock[[0, 210]],
        span_start_ns=clock[[0, 210]],
        span_end_ns=clock[[209, 699]],
        start_ns=clock,
    )
    assert without_odd_ones(runs, cells).state.tolist() == kinds.tolist()


def _gas(start: str) -> np.ndarray:
    """The current of a compressor at cells of 10 s: two runs of three cycles. start: what each run's first minutes show. [A]"""
    freeze = 6.0 + 2.5 * np.exp(-np.arange(90) / 30.0)
    harvest = np.linspace(6.3, 10.0, 15)
    opens = {
        "climbs and drops": np.r_[np.linspace(9.0, 10.5, 9), freeze[9:]],
        "climbs and stays up": np.r_[np.linspace(9.0, 10.5, 9), np.linspace(10.4, 6.2, 81)],
        "drops at once": freeze + 2.0 * np.exp(-np.arange(90) / 2.0),
    }[start]
    run = np.r_[opens, harvest, freeze, harvest, freeze, harvest, freeze]
    return np.r_[run, np.zeros(60), run, np.zeros(60), run]


@pytest.mark.parametrize(
    ("start", "opened"),
    [("climbs and drops", True), ("climbs and stays up", False), ("drops at once", False)],
)
def test_a_compressor_shows_the_gas_that_opens_a_run(start, opened):
    amps = _gas(start)
    time_ns = START_NS + np.arange(len(amps)) * 10_000_000_000
    trace = signals.trace_of(channel("current_compressor", time_ns, amps, 10.0))
    cells = signals.cells_of_width([trace], 10.0)
    draw = DrawCells(trace=trace, level=amps, running=6.0, off_below=1.0, noise=0.02)
    run = [(90, FREEZE), (15, HARVEST)] * 3 + [(90, FREEZE)]
    runs = runs_of([*run, (60, IDLE), *run, (60, IDLE), *run])
    found = opened_by_gas(runs, draw, cells)
    after = np.flatnonzero(np.r_[-1, found.state[:-1]] == IDLE)
    assert (found.state[after] == (HARVEST if opened else FREEZE)).all()
    if opened:
        assert np.abs(found.stop[after] - found.first[after] - 9).max() <= 1
        assert np.array_equal(
            found.first[after], np.flatnonzero(np.diff(amps > 1.0, prepend=True) & (amps > 1.0))
        )
