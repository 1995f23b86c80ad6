"""Mains outside what the nameplate allows. NEMA MG 1, 12.44 (from memory, to be confirmed): ± 10 % of the rated voltage."""

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from tests.findings.made_up import (
    BEGIN_NS,
    MIN_NS,
    channel,
    codes,
    finding,
    judged,
    made_up,
    noisy,
    not_judged,
)


def log(volts: np.ndarray | float):
    end_ns = BEGIN_NS + 30 * 22 * MIN_NS
    values = np.broadcast_to(volts, 3960).astype(float)
    return made_up(noisy(20, 30), channels=(channel("voltage", BEGIN_NS, end_ns, values=values),))


def test_97_v_on_a_115_v_plate_is_low():
    found = finding(judged(log(97.0), nameplate={"voltage_v": 115.0}), "supply-voltage")
    assert found.severity is Severity.ACT  # 15.7 % under
    assert found.evidence["typical_v"] == pytest.approx(97.0)


def test_what_is_high_is_told_apart():
    found = finding(judged(log(129.0), nameplate={"voltage_v": 115.0}), "supply-voltage")
    assert found.title.key == "finding.supply-voltage.high"
    assert found.severity is Severity.WATCH  # 12.2 % over


@pytest.mark.parametrize("volts", [104.0, 115.0, 126.0])
def test_within_ten_percent_is_as_the_plate_allows(volts):
    assert "supply-voltage" not in codes(judged(log(volts), nameplate={"voltage_v": 115.0}))


def test_a_sag_of_a_second_and_a_cut_are_no_low_supply():
    volts = np.full(3960, 115.0)
    volts[::60] = 80.0  # one reading in sixty, while the compressor starts
    volts[2000:2300] = 0.0
    assert "supply-voltage" not in codes(judged(log(volts), nameplate={"voltage_v": 115.0}))


def test_without_plate_or_voltage_nobody_can_tell():
    assert "supply-voltage" in not_judged(judged(log(97.0)))
    assert "supply-voltage" in not_judged(judged(made_up(noisy(20, 30)), nameplate={"voltage_v": 115.0}))


@pytest.mark.parametrize(
    ("air", "key"), [(39.5, "hot"), (5.5, "cold"), (36.0, None), (9.0, None)]
)  # 7 to 38 °C: common practice, no source
def test_a_room_that_such_machines_are_not_made_for_is_told(air, key):
    found = judged(made_up(noisy(20, 30), ambient_c=air))
    if key is None:
        assert "room-temperature" not in codes(found)
    else:
        told = finding(found, "room-temperature")
        assert (told.severity, told.title.key) == (Severity.WATCH, f"finding.room-temperature.{key}")


def test_a_hot_afternoon_is_no_hot_room_and_without_the_air_nobody_can_tell():
    air = np.where(np.arange(40) % 20 < 5, 41.0, 28.0)
    assert "room-temperature" not in codes(judged(made_up(noisy(20, 40), ambient_c=air)))
    assert "room-temperature" in not_judged(judged(made_up(noisy(20, 30))))


@pytest.mark.parametrize(("amps", "told"), [(8.4, True), (5.0, True), (6.5, False)])
def test_the_running_current_is_held_against_the_service_sheet(amps, told):
    found = judged(made_up(noisy(20, 30), freeze_current_a=amps), expected={"current_a": 6.6})
    assert ("running-current" in codes(found)) is told
    assert "running-current" in not_judged(judged(made_up(noisy(20, 30), freeze_current_a=amps)))
