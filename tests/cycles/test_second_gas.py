"""A second harvest, soon after the first, by the steps of a whole unit's current."""

import numpy as np
import pytest

from pipeline.cycles.second_gas import second_harvests
from pipeline.cycles.states import FREEZE, HARVEST
from tests.cycles.plain_machine import laid, runs_of, trace_of

FREEZE_S, GAS_S, CYCLES, EACH = 1200, 120, 12, 3
BETWEEN_S, AGAIN_S = 80, 60  # of freeze, and of gas once more, in every third cycle
STOPS_A = 0.9  # what the fan and the pump draw
CELL_S = 10.0


def course(*, climbs=0.5, again_s=AGAIN_S, noise_a=0.03, seed=3):
    """A current at 1 s, [A], and when the gas comes and goes [s], (n, 2). climbs: by how much it climbs while the gas is on for the
    second time [A]."""
    fall = 5.0 + 1.5 * np.exp(-np.arange(1, FREEZE_S + 1) / 300.0)
    gas = np.linspace(5.0, 6.5, GAS_S) - STOPS_A
    parts, gas_s, now = [fall[600:]], [], FREEZE_S - 600
    for number in range(CYCLES):
        parts.append(gas)
        gas_s.append((now, now + GAS_S))
        now += GAS_S
        if number % EACH == 1:
            level = fall[BETWEEN_S - 1]
            parts += [fall[:BETWEEN_S], level - STOPS_A + climbs * np.arange(1, again_s + 1) / again_s]
            gas_s.append((now + BETWEEN_S, now + BETWEEN_S + again_s))
            now += BETWEEN_S + again_s
        parts.append(fall)
        now += FREEZE_S
    amps = np.concatenate(parts)
    return amps + noise_a * np.random.default_rng(seed).standard_normal(len(amps)), np.array(gas_s)


def named(amps, gas_s, interval_s, *, seconds_too=False):
    """How its harvests were named, the first ones alone or all, the trace, and its cells."""
    clamp = laid(trace_of("current", amps[:: round(interval_s)], interval_s), max(CELL_S, interval_s))
    trace, cells = clamp.trace, clamp.cells
    since = np.diff(gas_s[:, 0], prepend=-FREEZE_S)
    firsts = gas_s[since > 400] if not seconds_too else gas_s
    edges = np.round(np.r_[0.0, firsts.ravel(), len(amps)] / cells.step_s).astype(int)
    edges[-1] = len(cells)
    kinds = [FREEZE, HARVEST] * len(firsts) + [FREEZE]
    return runs_of(list(zip(np.diff(edges).tolist(), kinds, strict=True))), trace, cells


@pytest.mark.parametrize("interval_s", [1.0, 5.0, 10.0])
def test_gas_that_comes_once_more_is_a_harvest(interval_s):
    amps, gas_s = course()
    runs, trace, cells = named(amps, gas_s, interval_s)
    found = second_harvests(runs, trace, cells, None)
    begin_s = found.first[found.state == HARVEST] * cells.step_s
    end_s = found.stop[found.state == HARVEST] * cells.step_s
    assert len(begin_s) == len(gas_s)
    assert np.abs(begin_s - gas_s[:, 0]).max() <= 1.5 * cells.step_s
    assert np.abs(end_s - gas_s[:, 1]).max() <= 1.5 * cells.step_s
    assert np.array_equal(found.first[1:], found.stop[:-1])
    assert (np.diff(found.state) != 0).all()


@pytest.mark.parametrize(
    "odd",
    [{"climbs": -0.05}, {"climbs": 0.1, "again_s": 12}, {"again_s": 300}],
    ids=["a pump that pauses", "a fan that blinks", "longer than any harvest"],
)
def test_a_load_that_only_pauses_is_no_harvest(odd):
    amps, gas_s = course(**odd)
    runs, trace, cells = named(amps, gas_s, 2.0)
    assert second_harvests(runs, trace, cells, None) is runs


def test_what_was_named_already_stays():
    amps, gas_s = course()
    runs, trace, cells = named(amps, gas_s, 2.0, seconds_too=True)
    assert second_harvests(runs, trace, cells, None) is runs


def test_noise_hides_the_steps():
    amps, gas_s = course(noise_a=0.6)
    runs, trace, cells = named(amps, gas_s, 10.0)
    assert second_harvests(runs, trace, cells, None) is runs
