"""Machines that open every run with a harvest."""

import itertools

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, cycles, machine

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
COOLED = [*cycles(4), ("idle", 40.0), *cycles(4), ("idle", 55.0), *cycles(4)]


def first_kinds(record):
    """What each run begins with."""
    kinds = [str(p.kind) for p in record.phases]
    return [b for a, b in itertools.pairwise(kinds) if a == "idle"]


@pytest.mark.parametrize("roles", [("suction",), ("suction", "current")])
def test_runs_that_open_with_a_harvest_are_found_so(roles):
    log = machine(OPENED, roles=roles)
    record = find_cycles(log.timeline, UNIT)
    assert first_kinds(record) == ["harvest", "harvest"]
    starts = [start for kind, start, _ in log.truth if kind == "harvest"]
    found = np.array([(p.start_ns - START_NS) * 1e-9 for p in record.phases if p.kind == "harvest"])
    assert all(np.abs(found - start).min() <= 20 for start in starts)


@pytest.mark.parametrize("roles", [("suction",), ("suction", "current")])
def test_runs_that_cool_from_the_first_moment_open_with_a_freeze(roles):
    assert first_kinds(find_cycles(machine(COOLED, roles=roles).timeline, UNIT)) == ["freeze", "freeze"]
