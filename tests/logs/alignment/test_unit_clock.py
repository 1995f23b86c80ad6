"""Several loggers on one clock: what two lines show, and nothing where nothing is shared."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.logs import assemble
from pipeline.unit import Unit
from tests.logs.tables import cycling, table, times

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
