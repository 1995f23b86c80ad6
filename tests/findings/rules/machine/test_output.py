"""Less ice than is to be expected: fires, stays quiet, cannot tell."""

import pytest

from pipeline.findings.finding import Severity
from pipeline.language.text import say
from tests.findings.made_up import codes, finding, judged, made_up, noisy, not_judged, phase

PLATE = {
    "nameplate": {"ice_kg_per_day": 160.0, "at_air_c": 32.2, "at_water_c": 21.1},
    "measured": {"slab_kg": 2.0},
}
RATED = {"condenser_in_c": 32.2, "water_in_c": 21.1}


def test_output_far_under_what_the_conditions_should_give_is_low():
    found = finding(judged(made_up(noisy(26, 40), 2.0, **RATED), **PLATE), "output-low")
    assert found.evidence["expected_kg_per_day"] == pytest.approx(160.0, rel=0.01)
    assert found.evidence["found_kg_per_day"] == pytest.approx(2.0 * 1440 / 28, rel=0.01)
    assert not found.flag_cycles
    assert "that was logged" in say(found.title)


def test_without_air_and_water_the_expectation_is_said_to_hold_at_the_plates_conditions():
    said = say(finding(judged(made_up(noisy(26, 40), 2.0), **PLATE), "output-low").title)
    assert "at the plate's conditions" in said
    assert "neither air nor water was logged" in said


def test_output_as_the_nameplate_says_is_quiet():
    assert "output-low" not in codes(judged(made_up(noisy(16, 40), 2.0, **RATED), **PLATE))


def test_a_hot_room_with_warm_water_explains_a_lower_output():
    hot = made_up(noisy(20, 40), 2.0, condenser_in_c=38.0, water_in_c=29.0)
    assert "output-low" not in codes(judged(hot, **PLATE))


def test_hours_of_tripping_count_as_lost_output():
    log = made_up(noisy(16, 40), 2.0, extra_phases=[phase("unclear", 800, 1700, "tripping")], **RATED)
    found = finding(judged(log, **PLATE), "output-low")
    assert found.evidence["without_cycles_h"] == pytest.approx(15.0)
    assert found.severity is Severity.ACT


def test_output_cannot_be_judged_without_slab_and_nameplate():
    assert "output-low" in not_judged(judged(made_up(noisy(26, 40)), measured={"slab_kg": 2.0}))
