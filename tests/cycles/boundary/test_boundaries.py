"""Boundaries that a channel hardly shows."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, cycles, machine

UNIT = Unit(name="plain")


@pytest.mark.parametrize("lag_s", [10.0, 60.0])
@pytest.mark.parametrize("rest", ["lull", "idle"])
def test_a_harvest_before_a_stop_is_about_as_long_as_the_others(lag_s, rest):
    """A line that goes on warming when the machine stops does not show when the hot gas did."""
    story = [*cycles(6), (rest, 30.0), *cycles(6), (rest, 45.0), *cycles(6)]
    log = machine(story, roles=("suction",), lag_s=lag_s)
    truth = [end for kind, start, end in log.truth if kind == "harvest"]
    stops = [start for kind, start, _ in log.truth if kind == "idle"]
    assert set(stops) <= set(truth)
    phases = find_cycles(log.timeline, UNIT).phases
    found = np.array([(p.start_ns - START_NS) * 1e-9 for p in phases if p.kind == "idle"])
    assert all(np.abs(found - stop).min() <= max(20.0, 0.4 * lag_s) for stop in stops)
