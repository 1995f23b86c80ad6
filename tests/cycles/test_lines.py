"""Which lags of a cold line have their say."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.lines import likely_lags
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, machine


def test_a_lag_is_heard_that_nearly_all_speaks_for():
    assert likely_lags(np.array([0.02, 0.9, 0.08])).tolist() == [1]


def test_lags_that_are_all_alike_are_all_heard():
    assert likely_lags(np.full(11, 1 / 11)).tolist() == list(range(11))


@pytest.mark.parametrize(("lag_s", "interval_s"), [(10.0, 5.0), (40.0, 5.0), (60.0, 2.0)])
def test_harvests_whose_end_finds_the_clip_at_rest_end_where_they_do(lag_s, interval_s):
    """The clip goes on climbing after a harvest that is short for it, and turns at once after one that stays where it is."""
    sound, stalled = [("freeze", 20.0), ("harvest", 2.0)], [("freeze", 20.0), ("stall", 6.5)]
    log = machine(
        [*(sound * 3 + stalled) * 5, *sound], roles=("evaporator",), lag_s=lag_s, interval_s=interval_s
    )
    found = [
        (p.end_ns - START_NS) * 1e-9
        for p in find_cycles(log.timeline, Unit(name="plain")).phases
        if p.kind == "harvest"
    ]
    true = {end: end - start for kind, start, end in log.truth[:-1] if kind == "harvest"}
    off = {length: [] for length in true.values()}
    for end, length in true.items():
        off[length].append(min(found, key=lambda t, end=end: abs(t - end)) - end)
    assert {length: float(np.abs(errors).max()) for length, errors in off.items()} == {
        120: pytest.approx(0.0, abs=20.0),
        390: pytest.approx(0.0, abs=20.0),
    }
