"""What a log is held against from outside it, and what is said where there is nothing."""

import numpy as np
import pytest

from pipeline.findings.engine import judge
from pipeline.findings.evidence.elsewhere import Elsewhere, Known
from pipeline.findings.finding import Severity
from pipeline.unit import Unit
from tests.findings.made_up import codes, finding, judged, made_up, noisy


def test_a_steady_unit_of_no_known_kind_is_never_said_to_work_as_it_should():
    found = judged(made_up(noisy(33, 60)))
    assert found.findings == ()
    assert (found.verdict.client.key, found.verdict.technician.key) == (
        "verdict.steady.client",
        "verdict.steady.technician",
    )
    assert "works as it should" not in found.verdict.client.english


def test_a_small_slab_machine_within_its_band_is():
    assert judged(made_up(noisy(22, 60)), kind="slab").verdict.client.key == "verdict.well.client"


def test_a_slab_machine_of_31_minutes_from_its_first_reading_is_looked_at():
    assert finding(judged(made_up(noisy(31, 60)), kind="slab"), "freeze-long").severity is Severity.WATCH


SHEET = {
    "at": (
        {"air_c": 21.0, "water_c": 10.0, "freeze_min": 19.0, "harvest_min": 2.0},
        {"air_c": 32.0, "water_c": 21.0, "freeze_min": 27.0, "harvest_min": 1.7},
    )
}


@pytest.mark.parametrize(
    ("air", "water", "freeze", "long"), [(21, 10, 19, False), (32, 21, 27, False), (21, 10, 24, True)]
)
def test_the_service_sheet_is_read_at_the_logs_own_air_and_water(air, water, freeze, long):
    log = made_up(noisy(freeze, 60), 1.9, condenser_in_c=float(air), water_in_c=float(water))
    found = judged(log, expected=SHEET)
    assert ("freeze-long" in codes(found)) is long
    if long:
        assert finding(found, "freeze-long").evidence["judged_against"] == "service sheet"
        assert finding(found, "freeze-long").severity is Severity.ACT
    else:
        assert found.verdict.technician.key == "verdict.well.technician.sheet"


def sisters(slow: int | None):
    """Twelve machines of one model in rooms of 18 to 29 °C, logged with their air; one may be 15 % slow from its first reading."""
    logs = []
    for k in range(12):
        air = 18.0 + k
        freeze = 24.0 * (1 + 0.012 * (air - 24)) * (1.15 if k == slow else 1.0) * (1 + 0.01 * (-1) ** k)
        logs.append(
            (air, freeze, made_up(noisy(freeze, 60, seed=k + 1), condenser_in_c=air, water_in_c=15.0))
        )
    judgements = []
    for k, (_, _, (timeline, record)) in enumerate(logs):
        others = tuple(
            Known(name=f"unit-{j}", freeze_min=f, air_c=a, water_c=15.0)
            for j, (a, f, _) in enumerate(logs)
            if j != k
        )
        judgements.append(judge(timeline, record, Unit(name="unit", model="M"), Elsewhere(sisters=others)))
    return judgements


def test_one_of_twelve_sisters_that_is_15_percent_slow_is_found_and_only_that_one():
    told = ["freeze-long" in codes(j) for j in sisters(7)]
    assert np.flatnonzero(told).tolist() == [7]
    assert finding(sisters(7)[7], "freeze-long").evidence["judged_against"] == "sister machines"


def test_none_of_twelve_healthy_sisters_is():
    found = sisters(None)
    assert not any(codes(j) for j in found)
    assert {j.verdict.technician.key for j in found} == {"verdict.well.technician.sisters"}
