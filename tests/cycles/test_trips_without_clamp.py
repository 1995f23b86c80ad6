"""A compressor that trips and restarts, seen by a cold line alone."""

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, cycles, machine

UNIT = Unit(name="plain")
TRIPS = [x for _ in range(12) for x in (("freeze", 2.0), ("lull", 5.0))]


def kinds_between(record, first_s, last_s):
    """Kinds of the phases that begin and end between the two moments."""
    first, last = (START_NS + int(s * 1e9) for s in (first_s, last_s))
    return {str(p.kind) for p in record.phases if p.start_ns > first and p.end_ns < last}


def test_runs_too_short_to_freeze_are_called_tripping_not_cycles():
    log = machine([*cycles(6), ("freeze", 8.0), *TRIPS, *cycles(4)], roles=("evaporator",))
    record = find_cycles(log.timeline, UNIT)
    idles = [(start, end) for kind, start, end in log.truth if kind == "idle"]
    assert "harvest" not in kinds_between(record, idles[1][0], idles[-2][1])
    spans = [p for p in record.phases if p.why == "tripping"]
    assert sum(p.end_ns - p.start_ns for p in spans) > 0.7e9 * (idles[-1][1] - idles[0][0])


def test_stalls_and_what_follows_them_stay_cycles():
    story = [*cycles(6), *[x for _ in range(5) for x in (("freeze", 12.0), ("stall", 7.0))], *cycles(4)]
    log = machine(story, roles=("evaporator",))
    record = find_cycles(log.timeline, UNIT)
    assert not any(p.why == "tripping" for p in record.phases)
    found = np.array([(p.start_ns - START_NS) * 1e-9 for p in record.phases if p.kind == "harvest"])
    starts = [start for kind, start, _ in log.truth if kind == "harvest"]
    assert np.mean([np.abs(found - start).min() <= 20 for start in starts]) > 0.9


def test_the_last_whole_cycle_before_the_trips_keeps_its_harvest():
    trips = [x for _ in range(6) for x in (("freeze", 3.0), ("lull", 4.0))]
    log = machine([*cycles(5), *trips, *cycles(4)], roles=("suction",))
    record = find_cycles(log.timeline, UNIT)
    assert np.isfinite(record.cycles["harvest_min"].to_numpy()[:5]).all()
