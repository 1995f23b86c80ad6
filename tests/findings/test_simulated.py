"""Simulated logs through the real rules: each fault is named, dated and explained; healthy machines are left in peace.

Every fault that one of the two simulators can make is here. The phases are the simulator's truth (the segmentation has its own
tests). Bulk seeds: `python -m tests.bench.judgement`.
"""

import numpy as np
import pytest

from pipeline.demo.faults import Fault
from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.simulator import simulate
from pipeline.findings.engine import judge
from pipeline.findings.finding import Severity
from pipeline.unit import Unit
from tests.bench import judgement as judgement_bench
from tests.bench.second_story import EXPECTED_CODES as STORY_CODES
from tests.findings.from_truth import record_of, timeline_of

SEEDS = {
    "short-cycling": 2,
    "failed-starts": 2,
    "timeout": 1,
}  # runs of seconds need a quick clamp, a timer a long log


def judged(machine, *, fault=None, days=2.0, interval_s=15.0, seed=3, options=None, **site):
    sim = simulate(
        MACHINES[machine], days=days, interval_s=interval_s, seed=seed, site=Site(**site) if site else None,
        faults=[] if fault is None else [Fault(kind=fault, from_day=0.45 * days, options=options or {})],
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


@pytest.mark.parametrize("how", ["no-water", "hot-gas-open"])
def test_a_machine_that_runs_without_making_ice_is_named_and_dated(how):
    judgement, record, sim = judged("slab", fault="no-ice", options={"how": how})
    found = next(f for f in judgement.findings if f.code == "no-ice")
    assert any(
        text.key.split(".")[1] in ("no-water", "hot-gas-stuck-open") for text in found.likely_causes[:2]
    )
    late_min = (found.start_ns - sim.faults[0].start_ns) / 6e10
    assert abs(late_min) < 3 * float(
        record.cycles["freeze_min"].median() + record.cycles["harvest_min"].median()
    )


@pytest.mark.parametrize("fault", ["probe-loose", "probe-open", "clamp-off", "gap"])
def test_a_fault_of_the_logger_is_named_and_explained_through_a_file(fault):
    drawn = judgement_bench.simulated(fault, 3, days=2)
    record, judgement, _ = judgement_bench.judged(drawn, real=True)
    row = judgement_bench.Row()
    judgement_bench.tally(row, drawn, record, judgement)
    assert (row.found, row.caused, dict(row.wrong)) == (1, [True], {})


SECOND = sorted(story for story, due in STORY_CODES.items() if due)


@pytest.mark.parametrize("story", [*SECOND, *judgement_bench.SECOND_LOGGER])
def test_a_fault_of_the_second_machine_is_named_explained_and_dated(story):
    drawn = judgement_bench.second(story, SEEDS.get(story, 14))
    by_file = story in judgement_bench.SECOND_LOGGER
    record, judgement, _ = judgement_bench.judged(drawn, real=by_file)
    row = judgement_bench.Row()
    judgement_bench.tally(row, drawn, record, judgement)
    assert (row.due, row.found, dict(row.wrong)) == (1, 1, {}), row.told
    assert all(row.caused)
    assert all(abs(cycles) <= 3 for cycles in row.off_by)


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
