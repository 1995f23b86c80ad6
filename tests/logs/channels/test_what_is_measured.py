"""What a column measures, by its header and its own readings: nothing is taken for a probe or a clamp that says otherwise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.logs import assemble, read_file
from pipeline.logs.vocabulary.quantities import quantity_of_header
from pipeline.logs.vocabulary.units import celsius_from_platinum, unit_of_header
from pipeline.unit import Unit
from tests.logs.tables import cycling, table, times, write

FRIDGE_C = [4.3, 4.2, 4.0, 3.9, 3.8, 3.8, 3.9, 4.1, 4.4, 4.7, 4.9, 5.1, 5.2, 5.3, 5.0, 4.6]


def _only(label: str, values, unit=None, toml: Unit | None = None, step_s: float = 300.0):
    seconds = times(step_s * np.arange(len(values)))
    timeline = assemble(
        [table("log.csv", seconds, {label: (unit, np.asarray(values, float))})], toml or Unit(name="bar")
    )
    (channel,) = timeline.channels
    return channel, {n.key for s in timeline.sources for n in s.notes}


@pytest.mark.parametrize(
    "label",
    [
        "temperature",
        "temp",
        "fridge temp",
        "Temperatur",
        "Température",
        "温度",
        "Probe temp 1",
        "Probe 1",
        "value",
    ],
)
def test_a_temperature_by_its_header_is_no_current(label):
    values = np.tile(FRIDGE_C, 60)
    for start in range(0, len(values), 96):
        values[start : start + 4] += 2.8
    channel, _notes = _only(label, values)
    assert channel.role not in ("current", "current_compressor")
    assert channel.unit != "A"


def test_what_is_neither_cold_nor_warm_stays_open_and_is_asked_for():
    freezer, fridge = -30.0 + 0.4 * np.sin(np.arange(600)), 3.0 + 0.5 * np.sin(np.arange(600) / 7)
    columns = {
        "Freezer temp": (None, freezer),
        "Fridge temp": (None, fridge),
        "count": (None, 60.0 + np.arange(600) % 9),
    }
    timeline = assemble([table("log.csv", times(300.0 * np.arange(600)), columns)], Unit(name="bar"))
    assert {c.unit_read for c in timeline.channels} == {""}
    assert {c.role for c in timeline.channels} == {"other"}
    notes = [n for s in timeline.sources for n in s.notes if n.key == "logs.note.unit_unknown"]
    assert {n.values["label"] for n in notes} == {"Freezer temp", "Fridge temp"}


def test_a_room_in_celsius_that_may_be_a_cold_store_in_fahrenheit_stays_open():
    channel, notes = _only("Thing", 36.0 + 5.0 * np.sin(np.arange(600) / 9))
    assert (channel.role, channel.unit_read) == ("other", "")
    assert "logs.note.unit_unknown" in notes


@pytest.mark.parametrize(
    "label",
    [
        *(
            "sun W/m²",
            "flow",
            "uv index",
            "humidity",
            "Luftfeuchte",
            "lux",
            "sound amplitude",
            "record number",
        ),
        *("battery volts", "Kitchen__humidity", "Kitchen_rh", "CO2", "Alarm", "wind speed"),
    ],
)
def test_other_quantities_are_other(label):
    log = cycling(hours=12)
    values = 8.0 + 0.2 * log["evaporator"]
    channel, _notes = _only(label, values, step_s=10.0)
    assert channel.role == "other"
    assert quantity_of_header(label) == "other"


@pytest.mark.parametrize(
    ("label", "unit"),
    [
        *(
            ("Power (mW)", "mW"),
            ("Power µW", "µW"),
            ("P [kW]", "kW"),
            ("Power (W)", "W"),
            ("Clamp (mV)", "mV"),
        ),
        *(
            ("I (mA)", "mA"),
            ("T [mK]", "mK"),
            ("evap_mC", "m°C"),
            ("C", "°C"),
            ("F", "°F"),
            ("coil degC", "°C"),
            ("Load (MW)", None),
        ),
    ],
)
def test_units_of_headers(label, unit):
    assert unit_of_header(label) == unit


def test_milliwatts_are_no_watts():
    channel, _notes = _only("Power (mW)", np.full(200, 72_500.0), unit="mW")
    assert (channel.role, channel.unit, float(channel.values[0])) == ("power", "W", pytest.approx(72.5))


def test_millivolts_of_a_clamp_need_its_ratio():
    log = cycling(hours=12)
    channel, notes = _only("Clamp (mV)", 10.0 * log["current"], unit="mV", step_s=10.0)
    assert channel.role == "other"
    assert "logs.note.clamp_ratio" in notes
    toml = Unit(name="bar", channels={"Clamp (mV)": {"a_per_v": 100.0}})
    channel, _notes = _only("Clamp (mV)", 10.0 * log["current"], unit="mV", toml=toml, step_s=10.0)
    assert channel.role == "current"
    np.testing.assert_allclose(channel.values, log["current"])


@pytest.mark.parametrize("label", ["Comp 4-20mA", "Comp (4–20 mA)", "Evap 0-10 V", "Evap 0 to 10 V"])
def test_a_transmitters_signal_is_no_reading(label):
    channel, notes = _only(label, cycling(hours=12)["current"], step_s=10.0)
    assert channel.role == "other"
    assert "logs.note.loop" in notes


def test_one_temperature_in_two_units_is_used_once():
    log = cycling(hours=12)
    celsius = np.round(log["evaporator"], 1)
    columns = {"C": ("°C", celsius), "F": ("°F", np.round(1.8 * celsius + 32, 1))}
    timeline = assemble([table("log.csv", times(log["seconds"]), columns)], Unit(name="bar"))
    assert [c.role for c in timeline.channels] == ["evaporator", "other"]


def test_a_resistance_thermometer_is_no_thermistor():
    ohm = np.full(300, 236.0) + np.sin(np.arange(300))
    channel, notes = _only("RTD 1 (Ω)", ohm, unit="ohm")
    assert channel.role == "other"
    assert "logs.note.which_thermometer" in notes
    toml = Unit(name="bar", channels={"RTD 1 (Ω)": {"role": "discharge", "r0_ohm": 200.0}})
    channel, _notes = _only("RTD 1 (Ω)", ohm, unit="ohm", toml=toml)
    np.testing.assert_allclose(channel.values, celsius_from_platinum(ohm, r0_ohm=200.0))


def test_a_resistance_no_probe_has_is_not_guessed_at():
    channel, notes = _only("Probe (Ω)", np.full(300, 12.0), unit="ohm")
    assert channel.role == "other"
    assert "logs.note.which_thermometer" in notes


def test_a_line_that_never_freezes_is_read_by_the_letter_of_its_scale(tmp_path):
    """Clipped to the line outside its insulation: its readings alone fit °C and °F alike."""
    log = cycling(hours=12, step_s=30.0)
    cold = 7.0 + 0.2 * log["evaporator"]
    stamps = pd.to_datetime(times(log["seconds"])).strftime("%d/%m/%Y %H:%M:%S")
    rows = "\n".join(f"{at},{value:.1f}" for at, value in zip(stamps, cold, strict=True))
    path = write(tmp_path / "club.csv", f"Date/Time,Evap line C\n{rows}\n")
    timeline = assemble(read_file(path, Unit(name="club")), Unit(name="club"))
    (channel,) = timeline.channels
    assert (channel.role, channel.unit_read) == ("evaporator", "°C")
    assert channel.values == pytest.approx(cold, abs=0.051)


def test_of_the_statistics_of_one_probe_the_mean_is_used():
    log = cycling(hours=8.0, step_s=20.0)
    columns = {
        f"Plate {name} (°C)": ("°C", log["evaporator"] + shift)
        for name, shift in (("min", -0.4), ("mean", 0.0), ("max", 0.4))
    }
    timeline = assemble([table("log.csv", times(log["seconds"]), columns)], Unit(name="bar"))
    assert {c.label: c.role for c in timeline.channels} == {
        "Plate min (°C)": "other",
        "Plate mean (°C)": "evaporator",
        "Plate max (°C)": "other",
    }


@pytest.mark.parametrize(("label", "unit"), [("Unit current (A)", "A"), ("Power (W)", "W")])
def test_a_clamp_the_wrong_way_round_is_turned_and_said_so(label, unit):
    values = -np.tile([5.2, 5.1, 5.0, 5.3, 0.02, -0.01], 100)
    channel, notes = _only(label, values, unit)
    assert channel.values.max() == pytest.approx(5.3)
    assert "logs.note.clamp_reversed" in notes
    assert channel.trusted.all()


def test_a_clamp_that_wavers_about_zero_is_not_turned():
    channel, notes = _only("Unit current (A)", np.tile([0.02, -0.02, 0.01, -0.03, 5.0, 5.1], 100), "A")
    assert "logs.note.clamp_reversed" not in notes
    assert channel.values.max() == pytest.approx(5.1)


def test_a_limit_beside_the_readings_is_no_room():
    """A column of one value is a limit, or a value that was set: whatever its label, no probe."""
    log = cycling(hours=8)
    n = len(log["seconds"])
    columns = {
        "Evaporator (°C)": ("°C", log["evaporator"]),
        "High limit (°C)": ("°C", np.full(n, 24.0)),
        "T3 (°C)": ("°C", np.full(n, 21.0)),
    }
    timeline = assemble([table("a.csv", times(log["seconds"]), columns)], Unit(name="bar"))
    assert [c.role for c in timeline.channels] == ["evaporator", "other", "other"]


@pytest.mark.parametrize("label", ["番号", "passage", "column 2"])
def test_what_numbers_the_rows_is_no_probe_whatever_it_is_called(label):
    """Records 1, 2, 3 … of a log of hours rise into what a discharge line reads."""
    channel, notes = _only(label, np.arange(30.0, 110.0))
    assert (channel.role, channel.unit) == ("other", "")
    assert not notes


def test_what_never_changes_is_said_nothing_of():
    channel, notes = _only("in service", np.ones(600))
    assert (channel.role, channel.unit) == ("other", "")
    assert not notes
