"""Simulated logs through the real rules: each fault is named, dated and explained; healthy machines are left in peace.

The phases are the simulator's truth (the segmentation has its own tests). Bulk seeds: `python -m tests.bench.judgement`.
"""

import numpy as np
import pytest

from pipeline.demo.faults import Fault
from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.simulator import simulate
from pipeline.findings import judge
from pipeline.findings.finding import Severity
from pipeline.unit import Unit
from tests.findings.from_truth import record_of, timeline_of


def judged(machine, *, fault=None, days=2.0, interval_s=15.0, seed=3, **site):
    sim = simulate(
        MACHINES[machine], days=days, interval_s=interval_s, seed=seed, site=Site(**site) if site else None,
        faults=[] if fault is None else [Fault(kind=fault, from_day=0.45 * days)],
    )  # fmt: skip
    timeline = timeline_of(sim)
    unit = Unit(name="simulated", kind=MACHINES[machine].kind, cooling=MACHINES[machine].cooling)
    record = record_of(timeline, sim.phases, unit)
    return judge(timeline, record, unit), record, sim


@pytest.mark.parametrize(
    ("fault", "code", "cause", "settings"),
    [
        ("stalled-harvest", "harvest-stalled", ("slab-sticks", "hot-gas-weak"), {}),
        ("cold-harvest", "harvest-stalled", ("hot-gas-shut",), {}),
        ("slow-harvest", "harvest-long", ("hot-gas-weak",), {}),
        ("water-leak", "freeze-long", ("water-leaks-in",), {}),
        ("thin-slabs", "freeze-short", ("end-of-freeze-early",), {}),
        ("timer-ends-freeze", "freeze-at-timeout", ("end-of-freeze-sensing",), {}),
        ("low-charge", "weak-freeze", ("charge-low",), {}),
        ("high-pressure-trips", "short-cycling", ("high-pressure-cut",), {}),
        ("low-pressure-trips", "short-cycling", ("low-pressure-cut",), {}),
        ("overload-trips", "short-cycling", ("overload-trips",), {}),
        ("failed-start", "failed-start", ("start-gear",), {"interval_s": 2.0, "days": 3.0}),
        ("warm-water", "warm-water", ("water-warm",), {}),
    ],
)
def test_a_fault_from_mid_log_is_named_dated_and_explained(fault, code, cause, settings):
    judgement, record, sim = judged("slab", fault=fault, **settings)
    found = next(f for f in judgement.findings if f.code == code)
    assert any(text.key.split(".")[1] in cause for text in found.likely_causes[:2])
    starts = record.cycles["freeze_start_ns"].to_numpy()
    began = sim.faults[0].shown_ns[0][0] if sim.faults[0].shown_ns else sim.faults[0].start_ns
    said, true = np.searchsorted(starts, [found.start_ns, began], side="right")
    assert abs(int(said) - int(true)) <= 3


@pytest.mark.parametrize(
    ("fault", "code", "cause"),
    [
        ("dirty-condenser", "condenser-hot", ("condenser-dirty",)),
        ("slow-leak", "drift", ("slow-leak", "charge-low")),
    ],
)
def test_a_fault_that_creeps_in_is_named_and_explained(fault, code, cause):
    judgement, _, _ = judged("slab", fault=fault, days=4.0, interval_s=30.0)
    found = next(f for f in judgement.findings if f.code == code)
    assert any(text.key.split(".")[1] in cause for text in found.likely_causes[:2])


@pytest.mark.parametrize("machine", sorted(MACHINES))
@pytest.mark.parametrize("air_c", [9.0, 36.0], ids=["cold", "hot"])
def test_a_healthy_machine_is_left_in_peace(machine, air_c):
    judgement, record, _ = judged(
        machine, ambient_c=air_c, water_c=20.0, interval_s=20.0, ambient_swing_k=5.0
    )
    assert [f.code for f in judgement.findings if f.severity is not Severity.NOTE] == []
    assert judgement.verdict.level in ("well", "note")
    assert len(record.cycles) > 20


@pytest.mark.parametrize("fault", ["trip-in-freeze", "power-cut", "cleaning"])
def test_what_is_no_fault_of_the_machine_sends_nobody(fault):
    judgement, _, _ = judged("cube-large", fault=fault)
    assert not [f.code for f in judgement.findings if f.severity is Severity.ACT]
