"""What is not trusted is used for nothing: whatever stands there, cycles and findings are the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.findings.engine import judge
from pipeline.logs import assemble
from pipeline.unit import Unit
from tests.logs.tables import cycling, table, times

UNIT = Unit(name="bar")


@pytest.mark.parametrize("garbage", [np.nan, 0.0, -40.0, 85.0, 1e6])
def test_readings_that_are_not_trusted_change_no_cycle_and_no_finding(garbage):
    log = cycling(hours=20.0)
    evaporator = log["evaporator"].copy()
    evaporator[2000:2400] = 850.0  # an open probe for an hour
    evaporator[5000::700] += 40.0  # and a loose plug
    columns = {"Evaporator (°C)": ("°C", evaporator), "Current (A)": ("A", log["current"])}
    timeline = assemble([table("log.csv", times(log["seconds"]), columns)], UNIT)
    assert not timeline.get("evaporator").trusted[2000:2400].any()
    spoiled = replace(
        timeline,
        channels=tuple(replace(c, values=np.where(c.trusted, c.values, garbage)) for c in timeline.channels),
    )
    plain, other = find_cycles(timeline, UNIT), find_cycles(spoiled, UNIT)
    assert len(plain.cycles) > 40
    assert other.phases == plain.phases
    assert repr(other.cycles) == repr(plain.cycles)
    assert repr(judge(spoiled, other, UNIT).findings) == repr(judge(timeline, plain, UNIT).findings)
