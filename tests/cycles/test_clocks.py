"""A clamp's logger on the line's clock: offsets and drifts that the cycles prove, and none that they do not."""

from __future__ import annotations

import json

import numpy as np
import pytest

from pipeline.cli import main
from pipeline.cycles import on_one_clock
from pipeline.demo.machine import MACHINES
from pipeline.demo.simulator import record, run_world
from pipeline.logs import assemble, read_file
from pipeline.unit import Unit
from tests.logs.tables import SECOND_NS, cycling, table, times

UNIT = Unit(name="bar")


def _lagged(values: np.ndarray, step_s: float, lag_s: float) -> np.ndarray:
    """A clip on a pipe: a first-order lag."""
    out, state, share = np.empty_like(values), values[0], step_s / (lag_s + step_s)
    for i, v in enumerate(values):
        state += share * (v - state)
        out[i] = state
    return np.round(out, 2)


def _two(
    offset_s: float,
    *,
    drift_s_per_day: float = 0.0,
    hours: float = 36.0,
    clamp_step_s: float = 10.0,
    lag_s: float = 15.0,
    seed: int = 1,
):
    """Tables of a probe logger on the true clock and a clamp logger whose clock is ahead by `offset_s` and gains."""
    fine = cycling(hours=hours, step_s=5.0, seed=seed)
    probes = table(
        "probes.csv",
        times(fine["seconds"][::2]),
        {"Evaporator (°C)": ("°C", _lagged(fine["evaporator"], 5.0, lag_s)[::2])},
    )
    every = round(clamp_step_s / 5.0)
    seconds = fine["seconds"][::every]
    wrong = seconds + offset_s + drift_s_per_day * (seconds - seconds.mean()) / 86400
    clamp = table("clamp.csv", times(wrong), {"Current (A)": ("A", fine["current"][::every])})
    return probes, clamp, times(seconds)


def _offset(timeline):
    return next((d for d in timeline.doubts if d.code == "clock-offset"), None)


@pytest.mark.parametrize("offset_s", [25.0, -45.0, 95.0, 240.0, -110.0, 3600.0, -3600.0, 5000.0])
@pytest.mark.parametrize("clamp_step_s", [10.0, 30.0])
def test_a_wrong_clock_is_measured_and_put_right(offset_s, clamp_step_s):
    probes, clamp, true_ns = _two(offset_s, clamp_step_s=clamp_step_s)
    timeline = on_one_clock(assemble([clamp, probes], UNIT), UNIT)
    doubt = _offset(timeline)
    assert doubt.file == "clamp.csv"
    assert abs(doubt.evidence["offset_s"] - offset_s) < doubt.evidence["uncertainty_s"]
    assert doubt.evidence["uncertainty_s"] < 30.0
    moved = timeline.get("current").time_ns
    assert np.abs(moved - true_ns).max() < 25 * SECOND_NS
    assert timeline.get("evaporator").time_ns[0] == probes.time_ns[0]  # the evaporator's clock is the unit's


@pytest.mark.parametrize("offset_s", [0.0, 4.0, -4.0])
@pytest.mark.parametrize("lag_s", [5.0, 30.0, 60.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_clocks_that_may_agree_are_let_be(offset_s, lag_s, seed):
    probes, clamp, _true = _two(offset_s, lag_s=lag_s, seed=seed)
    timeline = on_one_clock(assemble([clamp, probes], UNIT), UNIT)
    assert _offset(timeline) is None
    np.testing.assert_array_equal(timeline.get("current").time_ns, clamp.time_ns)


def test_a_clock_that_gains_is_measured_with_its_drift():
    probes, clamp, true_ns = _two(200.0, drift_s_per_day=12.0, hours=24 * 6)
    timeline = on_one_clock(assemble([clamp, probes], UNIT), UNIT)
    doubt = _offset(timeline)
    assert doubt.evidence["drift_s_per_day"] == pytest.approx(12.0, abs=2.0)
    assert np.abs(timeline.get("current").time_ns - true_ns).max() < 30 * SECOND_NS


@pytest.mark.parametrize("ahead_s", [95.0, -420.0])
def test_the_simulators_loggers_are_put_on_one_clock(ahead_s):
    world = run_world(MACHINES["slab"], days=2, seed=5)
    probes = record(world, interval_s=10, roles=["evaporator", "ambient"])
    clamp = record(world, interval_s=30, roles=["current"], clock_ahead_s=ahead_s)
    tables = [
        table(
            "probes.csv",
            probes.time_ns,
            {
                "Evaporator (°C)": ("°C", probes.channels["evaporator"]),
                "Room (°C)": ("°C", probes.channels["ambient"]),
            },
        ),
        table("clamp.csv", clamp.time_ns, {"Current (A)": ("A", clamp.channels["current"])}),
    ]
    doubt = _offset(on_one_clock(assemble(tables, UNIT), UNIT))
    assert abs(doubt.evidence["offset_s"] - ahead_s) < doubt.evidence["uncertainty_s"]


def test_an_offset_that_unit_toml_gives_is_taken_and_not_measured():
    probes, clamp, true_ns = _two(240.0)
    unit = Unit(name="bar", clock={"offset_s": {"clamp.csv": -240.0}})
    timeline = on_one_clock(assemble([clamp, probes], unit), unit)
    assert _offset(timeline) is None
    np.testing.assert_array_equal(timeline.get("current").time_ns, true_ns)


def test_check_says_of_the_clocks_what_the_report_says(tmp_path, capsys):
    world = run_world(MACHINES["slab"], days=2, seed=5)
    for name, role, ahead_s in (("probes", "evaporator", 0.0), ("clamp", "current", 95.0)):
        log = record(world, interval_s=20, roles=[role], clock_ahead_s=ahead_s)
        rows = zip(log.time_ns.astype("M8[ns]").astype("M8[s]"), log.channels[role], strict=True)
        label = {"evaporator": "Evaporator (°C)", "current": "Current (A)"}[role]
        text = "\n".join([f"Time (UTC),{label}", *(f"{t}Z,{v}" for t, v in rows)])
        (tmp_path / f"{name}.csv").write_text(text + "\n", encoding="utf-8")
    main(["check", str(tmp_path), "--json"])
    shown = [d for d in json.loads(capsys.readouterr().out)["doubts"] if d["code"] == "clock-offset"]
    tables = [t for p in sorted(tmp_path.glob("*.csv")) for t in read_file(p, UNIT)]
    doubt = _offset(on_one_clock(assemble(tables, UNIT), UNIT))
    assert [d["evidence"]["offset_s"] for d in shown] == [doubt.evidence["offset_s"]]
