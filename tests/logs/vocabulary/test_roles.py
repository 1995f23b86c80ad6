"""What a header says a column is, in the languages that technicians name their probes in."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.logs import assemble
from pipeline.logs.vocabulary.roles import role_by_file_name, role_by_header
from pipeline.logs.vocabulary.units import UNITS, unit_of_header
from pipeline.unit import ROLES, Unit
from tests.bench.second_grid import case_at
from tests.bench.second_machine import make_log, to_timeline
from tests.logs.tables import cycling, table, times


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Evaporator outlet (°F)", "evaporator"),
        ("evap_C", "evaporator"),
        ("Verdampfer (°C)", "evaporator"),
        ("Evaporador (°C)", "evaporator"),
        ("Température évaporateur (°C)", "evaporator"),
        ("Suction line (degC)", "suction"),
        ("Saugleitungstemperatur [°C]", "suction"),
        ("Línea de aspiración (°C)", "suction"),
        ("Conduite d'aspiration", "suction"),
        ("Discharge line", "discharge"),
        ("Druckgastemperatur", "discharge"),
        ("Línea de descarga", "discharge"),
        ("Refoulement (°C)", "discharge"),
        ("Liquid line", "liquid"),
        ("condenser_air_in_C", "condenser_in"),
        ("Cond Out", "condenser_out"),
        ("Kühlwasser ein (°C)", "condenser_in"),
        ("Kühlwasser aus (°C)", "condenser_out"),
        ("Air condenseur sortie", "condenser_out"),
        ("Temp condensador entrada", "condenser_in"),
        ("Room °C", "ambient"),
        ("Raumluft", "ambient"),
        ("Temperatura ambiente [ºC]", "ambient"),
        ("Supply water °C", "water_in"),
        ("Agua de entrada", "water_in"),
        ("Zulaufwasser °C", "water_in"),
        ("Eau arrivée", "water_in"),
        ("Bin temp °F", "bin"),
        ("Eisvorrat °C", "bin"),
        ("Reservoir", "reservoir"),
        ("unit_A", "current"),
        ("Corriente total (A)", "current"),
        ("Strom gesamt (A)", "current"),
        ("Courant (A)", "current"),
        ("I (A)", "current"),
        ("Compressor (mA)", "current_compressor"),
        ("Verdichterstrom (A)", "current_compressor"),
        ("Intensidad compresor (A)", "current_compressor"),
        ("Power (kW)", "power"),
        ("Leistung", "power"),
        ("Tensión", "voltage"),
        ("PF", "power_factor"),
        ("Energy (kWh)", "energy"),
        ("Suction pressure (psig)", "suction_pressure"),
        ("Hochdruck (bar)", "discharge_pressure"),
        ("Aspirazione °C", "suction"),
        ("Mandata °C", "discharge"),
        ("Assorbimento (A)", "current"),
        ("Temperatura de sucção (°C)", "suction"),
        ("Temperatura da água (°C)", "water_in"),
        ("Corrente (A)", "current"),
        ("Zuigleiding (°C)", "suction"),
        ("Persgas (°C)", "discharge"),
        ("Verdamper uit (°C)", "evaporator"),
        ("Stroom (A)", "current"),
        ("Temperatura parownika [°C]", "evaporator"),
        ("Przewód ssawny (°C)", "suction"),
        ("Prąd sprężarki [A]", "current_compressor"),
        ("Temperatura wody [°C]", "water_in"),
        ("CH1", "other"),
        ("Temp 2", "other"),
        ("Compressor dome (°C)", "other"),
    ],
)
def test_a_header_names_its_role(header, role):
    unit = unit_of_header(header)
    assert role_by_header(header, UNITS[unit].house if unit else None).role == role


def test_a_role_never_gets_a_unit_that_it_cannot_have():
    for header in ("Evaporator (A)", "Current (°C)", "Suction pressure (°C)"):
        unit = UNITS[unit_of_header(header)].house
        role = role_by_header(header, unit).role
        assert role == "other" or ROLES[role] == unit


def _by_label(timeline):
    return {c.label: c for c in timeline.channels}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("fahrenheit", [False, True])
def test_nameless_columns_are_told_by_how_they_behave(seed, fahrenheit):
    log = cycling(hours=16, freeze_min=12 + 5 * seed, seed=seed)
    hot, cold = log["discharge"], log["evaporator"]
    if fahrenheit:
        hot, cold = 1.8 * hot + 32, 1.8 * cold + 32
    one = table(
        "log.csv",
        times(log["seconds"]),
        {"CH1": (None, log["current"]), "CH2": (None, hot), "CH3": (None, cold)},
    )
    found = _by_label(assemble([one], Unit(name="bar")))
    assert {label: c.role for label, c in found.items()} == {
        "CH1": "current",
        "CH2": "discharge",
        "CH3": "evaporator",
    }
    assert found["CH3"].unit_read == ("°F" if fahrenheit else "°C")
    assert found["CH3"].values.min() == pytest.approx(log["evaporator"].min(), abs=0.01)
    assert {c.role_by for c in found.values()} == {"behaviour"}
    assert all(0.5 <= c.role_confidence < 1.0 for c in found.values())


def test_an_assumed_unit_is_said_aloud_with_its_remedy():
    log = cycling()
    one = table("log.csv", times(log["seconds"]), {"Evaporator": (None, 1.8 * log["evaporator"] + 32)})
    timeline = assemble([one], Unit(name="bar"))
    (note,) = timeline.sources[0].notes
    assert note.key == "logs.note.unit_by_physics"
    assert note.values == {"label": "Evaporator", "unit": "°F"}
    assert "unit.toml" in note.english


def test_unit_toml_goes_before_header_and_behaviour():
    log = cycling()
    one = table(
        "log.csv",
        times(log["seconds"]),
        {"Evaporator": (None, log["current"]), "CH2": (None, log["evaporator"])},
    )
    unit = Unit(
        name="bar",
        channels={
            "Evaporator": {"role": "current", "unit": "A"},
            "log.csv/CH2": {"role": "suction", "unit": "°C", "add": 1.5},
        },
    )
    found = _by_label(assemble([one], unit))
    assert (found["Evaporator"].role, found["Evaporator"].role_by) == ("current", "unit.toml")
    assert found["CH2"].role == "suction"
    np.testing.assert_allclose(found["CH2"].values, log["evaporator"] + 1.5)


def test_a_thermistor_of_unit_toml_turns_resistance_into_temperature():
    ohm = 10_000.0 * np.exp(3950.0 * (1 / (np.array([-10.0, 0.0, 25.0]) + 273.15) - 1 / 298.15))
    one = table("log.csv", times(np.arange(3) * 10.0), {"Evaporator": ("kohm", ohm / 1000)})
    rule = {"thermistor": {"r25_ohm": 10_000.0, "beta_k": 3950.0}}
    channel = assemble([one], Unit(name="bar", channels={"Evaporator": rule})).channels[0]
    np.testing.assert_allclose(channel.values, [-10.0, 0.0, 25.0], atol=1e-9)
    assert (channel.unit, channel.unit_read) == ("°C", "kohm")


def test_of_two_candidates_the_better_is_used_and_the_other_kept():
    log = cycling()
    half = log["evaporator"].copy()
    half[len(half) // 2 :] = np.nan
    one = table(
        "log.csv",
        times(log["seconds"]),
        {"Evaporator 1 (°C)": ("°C", half), "Evaporator 2 (°C)": ("°C", log["evaporator"])},
    )
    found = _by_label(assemble([one], Unit(name="bar")))
    assert [found[f"Evaporator {n} (°C)"].role for n in (1, 2)] == ["evaporator", "evaporator"]
    assert [found[f"Evaporator {n} (°C)"].chosen for n in (1, 2)] == [False, True]


def test_a_channel_that_unit_toml_names_and_no_file_has_is_told():
    log = cycling()
    one = table("log.csv", times(log["seconds"]), {"Evaporator (°C)": ("°C", log["evaporator"])})
    timeline = assemble([one], Unit(name="bar", channels={"Evaporater": "evaporator"}))
    assert [n.key for n in timeline.sources[0].notes] == ["logs.note.no_such_channel"]


@pytest.mark.parametrize(
    ("file", "role"),
    [
        ("evaporator.csv", "evaporator"),
        ("bar__suction line.csv.gz", "suction"),
        ("Verdampfer_2026-05-04.txt", "evaporator"),
        ("export.zip/discharge.csv", "discharge"),
        ("compressor amps.csv", "current_compressor"),
        ("clamp.csv", "current"),
        ("dining room.csv", "other"),  # a venue, or the machine, and not a probe
        ("ice machine.csv", "other"),
        ("bar.csv", "other"),
        ("logger 3.csv", "other"),
    ],
)
def test_the_name_of_a_file_names_its_lone_column_where_nothing_else_does(file, role):
    assert role_by_file_name(file, None).role == role


def test_lone_columns_without_a_name_are_told_by_their_files_and_share_one_scale():
    log = cycling(hours=16)
    seconds = times(log["seconds"])
    files = [
        table("evaporator.csv", seconds, {"Value": (None, log["evaporator"])}),
        table("discharge.csv", seconds, {"Value": (None, log["discharge"])}),
        table("logger 3.csv", seconds, {"Value": (None, 0.2 * log["evaporator"] + 75.0)}),
    ]
    timeline = assemble(files, Unit(name="bar"))
    assert timeline.get("evaporator").file == "evaporator.csv"
    assert timeline.get("discharge").role_by == "file name"
    assert {c.unit_read for c in timeline.channels} == {"°C"}
    (alone,) = assemble(files[2:], Unit(name="bar")).channels
    assert (
        alone.unit_read == ""
    )  # 72 to 77 may be a room in °F or a hot pipe in °C: its sisters tell, alone nothing does


def test_an_input_without_a_probe_takes_no_role_and_is_no_fault():
    log = cycling(hours=16)
    one = table(
        "log.csv",
        times(log["seconds"]),
        {
            "T1": (None, np.full(len(log["seconds"]), 6553.5)),
            "T2": (None, log["evaporator"]),
            "T3": (None, np.full(len(log["seconds"]), -200.0)),
            "T4": (None, log["discharge"]),
        },
    )
    timeline = assemble([one], Unit(name="bar"))
    assert (timeline.get("evaporator").label, timeline.get("discharge").label) == ("T2", "T4")
    assert {c.role for c in timeline.channels if c.label in ("T1", "T3")} == {"other"}
    assert timeline.doubts == ()


def test_kelvin_without_a_sign_is_told_by_physics():
    log = cycling()
    one = table("log.csv", times(log["seconds"]), {"Evap": (None, log["evaporator"] + 273.15)})
    (channel,) = assemble([one], Unit(name="bar")).channels
    assert channel.unit_read == "K"
    np.testing.assert_allclose(channel.values, log["evaporator"], atol=1e-9)


def test_the_voltage_of_a_battery_is_not_the_machines():
    log = cycling()
    columns = {"Evap °C": ("°C", log["evaporator"]), "Batt (V)": ("V", np.full(len(log["seconds"]), 3.6))}
    timeline = assemble([table("log.csv", times(log["seconds"]), columns)], Unit(name="bar"))
    assert timeline.get("voltage") is None


@pytest.mark.parametrize("case", [9000, 9002, 9005, 9007, 9010, 9012, 9016, 9020])
def test_a_nameless_clamp_of_another_machine_is_told_and_no_temperature_is_taken_for_one(case):
    # the second simulator: other equations, machines that never stop among them
    timeline = to_timeline(make_log(case_at(case)))
    columns = {f"CH{n}": (None, c.values) for n, c in enumerate(timeline.channels)}
    one = table("log.csv", timeline.channels[0].time_ns, columns)
    found = _by_label(assemble([one], Unit(name="bar")))
    for n, channel in enumerate(timeline.channels):
        assert (found[f"CH{n}"].unit == "A") == (channel.unit == "A")
