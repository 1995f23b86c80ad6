"""Units as loggers write them, against published tables and definitions."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.logs.vocabulary.units import (
    UNITS,
    celsius_from_beta,
    celsius_from_platinum,
    celsius_from_steinhart_hart,
    to_house,
    unit_of_header,
    unit_of_word,
)
from pipeline.unit import ChannelRule


@pytest.mark.parametrize(
    ("logged", "unit", "house", "want"),
    [
        pytest.param(
            32.0, "°F", "°C", 0.0, id="ice point"
        ),  # NIST SP 811, appendix B.8: t/°C = (t/°F − 32)/1.8
        pytest.param(212.0, "°F", "°C", 100.0, id="steam point"),  # the same equation
        pytest.param(-40.0, "°F", "°C", -40.0, id="scales meet"),  # the same equation
        pytest.param(98.6, "°F", "°C", 37.0, id="blood heat"),  # the same equation
        pytest.param(
            273.15, "K", "°C", 0.0, id="ice point in kelvin"
        ),  # NIST SP 811, appendix B.7: t/°C = T/K − 273.15
        pytest.param(5540.0, "mA", "A", 5.54, id="milliampere"),
        pytest.param(1.2, "kW", "W", 1200.0, id="kilowatt"),
        pytest.param(350.0, "Wh", "kWh", 0.35, id="watt-hours"),
        pytest.param(
            1.0, "bar", "kPa", 100.0, id="bar"
        ),  # NIST SP 811, appendix B.8: 1 bar = 1 E+02 kPa, exact
        pytest.param(1.0, "psi", "kPa", 6.894757, id="psi"),  # NIST SP 811, appendix B.8: 6.894 757 E+00 kPa
        pytest.param(33.6, "kohm", "ohm", 33600.0, id="kilohm"),
    ],
)
def test_a_reading_is_brought_to_its_house_unit(logged, unit, house, want):
    values, got = to_house(np.array([logged]), unit)
    assert got == house
    assert values[0] == pytest.approx(want, abs=1e-9)


@pytest.mark.parametrize(("unit", "scale"), [("°F", "Fahrenheit"), ("K", "Kelvin"), ("°C", "Celsius")])
def test_temperatures_are_converted_as_a_general_purpose_library_converts_them(unit, scale):
    from scipy.constants import convert_temperature

    logged = np.linspace(-40.0, 400.0, 89)
    np.testing.assert_allclose(
        to_house(logged, unit)[0], convert_temperature(logged, scale, "Celsius"), rtol=0, atol=1e-9
    )


def test_every_unit_that_unit_toml_may_name_is_read():
    named = ChannelRule.model_fields["unit"].annotation.__args__[0].__args__
    assert set(named) == set(UNITS)


def test_the_readings_handed_in_are_not_written_to():
    logged = np.array([50.0, 60.0])
    to_house(logged, "°F")
    assert logged.tolist() == [50.0, 60.0]


@pytest.mark.parametrize(
    ("ohm", "celsius"),
    [
        # IEC 60751 table of Pt100, one line each (values of the printed table; from memory, to be confirmed)
        (84.27, -40.0),
        (92.16, -20.0),
        (96.09, -10.0),
        (100.00, 0.0),
        (103.90, 10.0),
        (107.79, 20.0),
        (109.73, 25.0),
        (119.40, 50.0),
        (138.51, 100.0),
        (18.52, -200.0),
    ],
)
def test_a_platinum_thermometer_follows_the_standards_table(ohm, celsius):
    assert celsius_from_platinum(np.array([ohm]))[0] == pytest.approx(
        celsius, abs=0.02
    )  # the table has two decimals


def test_a_platinum_thermometer_of_1000_ohm_is_ten_times_one_of_100():
    assert celsius_from_platinum(np.array([1385.1]), r0_ohm=1000.0)[0] == pytest.approx(100.0, abs=0.02)


@pytest.mark.parametrize(
    ("beta_k", "ohm", "celsius"),
    [
        # R = R25 exp(B (1/T − 1/298.15 K)), 10 kΩ; computed by hand from that definition
        (3435.0, 28_704.0, 0.0),
        (3950.0, 33_621.0, 0.0),
        (3977.0, 33_900.0, 0.0),
        (3950.0, 105_385.0, -20.0),
        (3950.0, 10_000.0, 25.0),
        (3950.0, 3_588.0, 50.0),
        (3435.0, 1_451.0, 85.0),
    ],
)
def test_a_thermistor_by_its_beta(beta_k, ohm, celsius):
    assert celsius_from_beta(np.array([ohm]), r25_ohm=10_000.0, beta_k=beta_k)[0] == pytest.approx(
        celsius, abs=0.01
    )


@pytest.mark.parametrize(("ohm", "celsius"), [(25_000.0, 5.0), (10_000.0, 25.0), (4_000.0, 45.0)])
def test_a_thermistor_by_steinhart_and_hart_meets_its_three_points(ohm, celsius):
    # A, B, C solved from these three points (Steinhart & Hart 1968); the textbook example, from memory, to be confirmed
    got = celsius_from_steinhart_hart(np.array([ohm]), a=2.1085082e-3, b=7.9792047e-5, c=6.5350763e-7)
    assert got[0] == pytest.approx(celsius, abs=0.01)


def test_a_thermistor_without_the_cubic_term_is_one_by_its_beta():
    # 1/T = a + ln R / beta is the beta model with a = 1/298.15 K − ln R25 / beta: both by their definitions
    ohm, beta_k = np.geomspace(500.0, 200_000.0, 50), 3950.0
    a = 1 / 298.15 - np.log(10_000.0) / beta_k
    np.testing.assert_allclose(
        celsius_from_steinhart_hart(ohm, a=a, b=1 / beta_k, c=0.0),
        celsius_from_beta(ohm, r25_ohm=10_000.0, beta_k=beta_k),
        atol=1e-9,
    )


def test_no_resistance_is_no_temperature():
    assert np.isnan(celsius_from_beta(np.array([0.0, -5.0]), r25_ohm=1e4, beta_k=3950.0)).all()
    assert np.isnan(celsius_from_steinhart_hart(np.array([0.0]), a=1e-3, b=2e-4, c=1e-7)).all()


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("Suction (°F)", "°F"),
        ("suction [degC]", "°C"),
        ("Temp, °C", "°C"),
        ("temp_f", "°F"),
        ("Evap ºC", "°C"),
        ("Evaporator temperature (deg. F)", "°F"),
        ("T1 (Celsius)", "°C"),
        ("Unit current (A)", "A"),
        ("Amps", "A"),
        ("I rms [mA]", "mA"),
        ("Power(W)", "W"),
        ("Leistung [kW]", "kW"),
        ("Energy kWh", "kWh"),
        ("Thermistor (kΩ)", "kohm"),
        ("NTC (ohm)", "ohm"),
        ("Suction pressure (psig)", "psi"),
        ("Head (bar)", "bar"),
        ("Temperature (K)", "K"),
        ("Evap line C", "°C"),
        ("suction_line_f", "°F"),
        ("Liquid line K", "K"),
        ("Channel C", None),
        ("Line C", None),
        ("Mains line C", None),
        ("Suction line A", None),
        ("Evaporator probe C", None),
        ("Probe A", None),
        ("Evaporator", None),
        ("Valve opening %", ""),
        ("Date", None),
    ],
)
def test_the_unit_is_found_in_a_header(header, unit):
    assert unit_of_header(header) == unit


def test_letters_that_tell_columns_from_each_other_are_no_units():
    labels = ("Evap line A", "Evap line B", "Evap line C")
    assert [unit_of_header(label, labels) for label in labels] == [None, None, None]
    twins = ("Suction C", "Suction F", "Comp A")
    assert [unit_of_header(label, twins) for label in twins] == ["°C", "°F", "A"]


@pytest.mark.parametrize(
    ("word", "unit"), [("deg F", "°F"), ("° C", "°C"), ("Amperes", "A"), ("(°F)", "°F"), ("furlong", None)]
)
def test_a_unit_word_stands_for_its_unit(word, unit):
    assert unit_of_word(word) == unit
