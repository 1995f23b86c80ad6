"""Harvests that a lone clamp shows to last until the fan and the pump start, long after all others have ended."""

import numpy as np
import pytest

from pipeline.cycles.late_ends import held
from pipeline.cycles.states import FREEZE, HARVEST
from tests.cycles.plain_machine import laid, runs_of, trace_of

STEP_S = 10.0
FREEZE_N, GAS_N, LONG_N = 120, 14, 45  # cells
CYCLES, MIDST = 10, 4
FAN_A = 0.8


def gas(n=GAS_N):
    return 4.0 + 1.5 * np.minimum(np.arange(1, n + 1) / GAS_N, 0.5)


def freeze(start, n=FREEZE_N, fan=FAN_A):
    return 4.0 + (start - 4.0) * np.exp(-np.arange(n) / 25.0) + fan


def log(odd, named=GAS_N, *, fan=FAN_A):
    """A whole unit's current of CYCLES cycles. In the midst of them `odd` (n,) stands in the place of a harvest, and `named` of
    its cells are named harvest."""
    values, parts = [freeze(5.0, 60)], [(60, FREEZE)]
    for number in range(CYCLES):
        course = odd if number == MIDST else gas()
        values += [course, freeze(course[-1] + 0.6 * fan, fan=fan)]
        harvest = named if number == MIDST else GAS_N
        parts += [(harvest, HARVEST), (len(course) + FREEZE_N - harvest, FREEZE)]
    values = np.concatenate(values)
    values += 0.02 * np.random.default_rng(3).standard_normal(len(values))
    clamp = laid(trace_of("current", values, STEP_S))
    return runs_of(parts), clamp.running, clamp.draw.noise, clamp.cells


BEGINS = 60 + MIDST * (GAS_N + FREEZE_N)


def end_of_odd(runs):
    return int(runs.stop[(runs.state == HARVEST) & (runs.first == BEGINS)][0])


def test_it_goes_on_until_they_start():
    before, *others = log(gas(LONG_N))
    after = held(before, *others)
    assert abs(end_of_odd(after) - BEGINS - LONG_N) <= 1
    same = before.first != BEGINS
    same[1:] &= before.first[:-1] != BEGINS
    assert (after.stop[same] == before.stop[same]).all()
    assert (after.first[1:] == after.stop[:-1]).all()


@pytest.mark.parametrize(
    ("odd", "fan"),
    [
        pytest.param(gas(), FAN_A, id="it ends as all others do"),
        pytest.param(
            np.r_[gas(), freeze(5.0, 40, fan=0.0)],
            FAN_A,
            id="the current falls: a freeze with a fan that is late",
        ),
        pytest.param(gas(LONG_N), 0.0, id="no harvest of this machine ends with a rise"),
    ],
)
def test_it_is_left_where_it_was(odd, fan):
    before, *others = log(odd, fan=fan)
    assert end_of_odd(held(before, *others)) == BEGINS + GAS_N
