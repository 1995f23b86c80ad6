"""The federal limits against the regulation's own equations."""

import itertools
from datetime import date

import pytest

from pipeline.findings.evidence.energy_limits import PARAGRAPH_B, PARAGRAPH_C, limit, limit_of
from pipeline.unit import Unit


@pytest.mark.parametrize(
    ("equipment", "cooling", "lb_per_day", "kwh_per_100_lb"),
    [
        # 10 CFR 431.136(b) (read in a public copy current through October 31, 2024), worked by hand:
        pytest.param("head", "air", 400, 10.26 - 0.0086 * 400, id="head, air, 400 lb: 6.82"),
        pytest.param("head", "air", 500, 6.34, id="head, air, 500 lb"),
        pytest.param("self-contained", "air", 100, 13.31, id="self-contained, air, 100 lb"),
        pytest.param("self-contained", "air", 200, 9.8, id="self-contained, air, 200 lb"),
        pytest.param("head", "water", 400, 5.6, id="head, water, 400 lb"),
        pytest.param("head", "water", 1000, 4.48, id="head, water, 1,000 lb"),
        pytest.param("head", "water", 1436, 4.0, id="head, water, at the last break"),
        pytest.param("remote-head", "air", 1200, 5.1, id="remote, compressor in the head"),
        pytest.param("remote-compressor", "air", 934, 5.3, id="remote compressor, at the break"),
        pytest.param("self-contained", "water", 150, 8.55, id="self-contained, water"),
    ],
)
def test_limits_of_2010_are_the_regulations(equipment, cooling, lb_per_day, kwh_per_100_lb):
    found = limit(equipment, cooling, lb_per_day, paragraph="b")
    assert found.kwh_per_100_lb == pytest.approx(kwh_per_100_lb, abs=1e-9)


@pytest.mark.parametrize(
    ("equipment", "cooling", "lb_per_day", "kwh_per_100_lb"),
    [
        # 10 CFR 431.136(c) (from memory, to be confirmed), worked by hand:
        pytest.param("head", "air", 250, 6.92, id="head, air, 250 lb"),
        pytest.param("head", "air", 500, 5.80, id="head, air, 500 lb"),
        pytest.param("head", "air", 1000, 4.92, id="head, air, 1,000 lb"),
        pytest.param("self-contained", "air", 100, 10.10, id="self-contained, air, 100 lb"),
        pytest.param("self-contained", "air", 150, 8.62, id="self-contained, air, 150 lb"),
        pytest.param("self-contained", "air", 250, 7.35, id="self-contained, air, 250 lb"),
        pytest.param("head", "water", 500, 4.85, id="head, water, 500 lb"),
        pytest.param("remote-head", "air", 500, 6.26, id="remote, 500 lb"),
        pytest.param("remote-compressor", "air", 930, 4.79, id="remote compressor, at the break"),
    ],
)
def test_limits_of_2018_are_the_regulations(equipment, cooling, lb_per_day, kwh_per_100_lb):
    found = limit(equipment, cooling, lb_per_day, paragraph="c")
    assert found.kwh_per_100_lb == pytest.approx(kwh_per_100_lb, abs=0.006)


@pytest.mark.parametrize("table", [PARAGRAPH_B, PARAGRAPH_C], ids=["b", "c"])
def test_neighbouring_equations_meet_at_every_break(table):
    for (equipment, cooling), rows in table.items():
        for (at, a, b), (_, a2, b2) in itertools.pairwise(rows):
            if table is PARAGRAPH_C or len(rows) > 2:
                assert a + b * at == pytest.approx(a2 + b2 * at, abs=0.06), (equipment, cooling, at)


def test_a_limit_is_given_in_kwh_per_kg_as_well():
    # 1 kWh/100 lb = 0.022046 kWh/kg (1 lb = 0.45359237 kg, NIST SP 811)
    assert limit("head", "air", 500, paragraph="b").kwh_per_kg == pytest.approx(6.34 * 0.0220462, rel=1e-5)


def test_outside_the_scope_there_is_no_limit():
    assert limit("head", "air", 40, paragraph="c") is None
    assert limit("head", "air", 4100, paragraph="c") is None
    assert limit("head", "air", 2600, paragraph="b") is None
    assert limit("remote-head", "water", 500, paragraph="c") is None


def unit(made=None, **plate):
    return Unit(name="u", kind="cube", nameplate={"ice_kg_per_day": 500 * 0.45359237, "made": made} | plate)


def test_the_year_of_make_picks_the_paragraph():
    assert limit_of(unit(date(2015, 5, 1), equipment="head")).kwh_per_100_lb == pytest.approx(6.34)
    assert limit_of(unit(date(2019, 5, 1), equipment="head")).kwh_per_100_lb == pytest.approx(5.80)
    assert limit_of(unit(date(2005, 5, 1), equipment="head")) is None


def test_without_class_or_capacity_no_limit_is_named():
    assert limit_of(unit()) is None
    assert limit_of(Unit(name="u", nameplate={"equipment": "head"})) is None
