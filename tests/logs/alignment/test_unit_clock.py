"""Several loggers on one clock: what two lines show, and nothing where nothing is shared."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.logs import assemble
from pipeline.unit import Unit
from tests.logs.tables import SECOND_NS, cycling, table, times

UNIT = Unit(name="bar")


def _offset(timeline):
    return next((d for d in timeline.doubts if d.code == "clock-offset"), None)


def test_two_temperature_loggers_are_compared_too():
    fine = cycling(hours=36, step_s=5.0)
    evaporator = table("a.csv", times(fine["seconds"]), {"Evaporator (°C)": ("°C", fine["evaporator"])})
    suction = table(
        "b.csv", times(fine["seconds"] - 400.0), {"Suction (°C)": ("°C", fine["evaporator"] * 0.6 + 3)}
    )
    doubt = _offset(assemble([evaporator, suction], UNIT))
    assert (doubt.file, doubt.evidence["offset_s"]) == ("b.csv", pytest.approx(-400.0, abs=10.0))


def test_loggers_without_a_common_event_are_let_be():
    fine = cycling(hours=12)
    room = table(
        "room.csv", times(fine["seconds"] + 500), {"Room (°C)": ("°C", 22 + np.sin(fine["seconds"] / 9000))}
    )
    probes = table("probes.csv", times(fine["seconds"]), {"Evaporator (°C)": ("°C", fine["evaporator"])})
    assert not assemble([room, probes], UNIT).doubts


def _machine(name, seed):
    from pipeline.demo.machine import MACHINES, Site
    from pipeline.demo.simulator import simulate

    site = Site(ambient_c=20.0 + seed, use_kg_per_day=40.0 + 20 * seed)
    return simulate(
        MACHINES[name], days=1.5, interval_s=10.0, seed=seed, site=site, roles=("evaporator", "current")
    )


@pytest.mark.parametrize("ahead_s", [0.0, 3 * 3600.0])
@pytest.mark.parametrize("others", [("slab", 2), ("cube-small", 3)])
def test_another_machines_clamp_is_left_out_and_told_and_the_own_one_is_not(others, ahead_s):
    own, other = _machine("slab", 1), _machine(*others)
    probes = table("probes.csv", own.time_ns, {"Evaporator (°C)": ("°C", own.channels["evaporator"])})
    for log, of_another in ((other, True), (own, False)):
        time_ns = log.time_ns + int(ahead_s * SECOND_NS)
        clamp = table("clamp.csv", time_ns, {"Current (A)": ("A", log.channels["current"])})
        timeline = assemble([clamp, probes], UNIT)
        told = [d for d in timeline.doubts if d.what.key == "logs.doubt.another_machine"]
        assert bool(told) is of_another
        assert (timeline.get("current") is None) is of_another
        assert not any(d.code in ("clamp-dead", "probe-loose") for d in timeline.doubts)
