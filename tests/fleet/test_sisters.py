"""Machines of one model are held against each other in one run, from their files to their reports."""

import dataclasses
import json

import numpy as np
import pytest

from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.simulator import simulate
from pipeline.fleet.run import report
from pipeline.flow import RunOptions

SLOW = "unit-3"


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    """Five machines of one model in like rooms, one of them with a compressor that gives 16 % less from the first reading; one of another."""
    folder = tmp_path_factory.mktemp("sisters")
    for k in range(6):
        name = f"unit-{k}"
        machine = MACHINES["cube-large"]
        if name == SLOW:
            machine = dataclasses.replace(machine, capacity_w=0.84 * machine.capacity_w)
        sim = simulate(
            machine,
            days=0.6,
            interval_s=10.0,
            seed=k,
            site=Site(ambient_c=22.0 + 0.3 * k, ambient_swing_k=1.0, water_c=15.0, use_kg_per_day=1e4),
            roles=("evaporator", "current", "ambient"),
        )
        (folder / name).mkdir()
        rows = zip(sim.time_ns.astype("M8[ns]").astype("M8[s]"), *sim.channels.values(), strict=True)
        head = "Time,Evaporator (°C),Unit current (A),Room air (°C)\n"
        lines = (f"{t}," + ",".join(f"{v:.2f}" for v in values) + "\n" for t, *values in rows)
        (folder / name / "logger.csv").write_text(head + "".join(lines), encoding="utf-8")
        model = "A" if k < 5 else "B"
        (folder / name / "unit.toml").write_text(f'model = "{model}"\n', encoding="utf-8")
    return folder


def long_freezes(reports, name):
    found = json.loads((reports / name / "findings.json").read_text(encoding="utf-8"))["findings"]
    return [f for f in found if f["code"] == "freeze-long"]


def test_the_slow_one_of_five_sisters_is_found_and_only_that_one(logs, tmp_path):
    done = report(logs, tmp_path, RunOptions(jobs=1))
    assert not done.problems
    found = {o.name: long_freezes(tmp_path, o.name) for o in done.units}
    assert [name for name, findings in found.items() if findings] == [SLOW]
    (finding,) = found[SLOW]
    assert finding["evidence"]["judged_against"] == "sister machines"
    lengths = {o.name: o.summary.freeze_min for o in done.units}
    others = np.median([lengths[f"unit-{k}"] for k in (0, 1, 2, 4)])
    assert finding["evidence"]["found_min"] / others == pytest.approx(lengths[SLOW] / others, rel=0.02)
    assert lengths[SLOW] / others > 1.12
    assert done.units[5].summary.sisters_min is None  # of another model: nothing to be held against
    stood = {p: p.stat().st_mtime_ns for p in tmp_path.glob("unit-*/report.html")}
    report(logs, tmp_path, RunOptions(jobs=1))
    assert {p: p.stat().st_mtime_ns for p in stood} == stood  # nothing moved, so nothing is judged anew
