"""What looks like a stop in mid-freeze and is a harvest. The stops themselves: tests/outside/test_second_machine_phases.py."""

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, cycles, machine

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
