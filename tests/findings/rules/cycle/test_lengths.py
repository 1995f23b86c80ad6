"""Freezes of abnormal length: each rule fires, stays quiet, and says when it cannot tell."""

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from tests.findings.made_up import codes, finding, judged, made_up, noisy, not_judged


def test_one_long_freeze_among_forty_is_found_with_its_number_and_length():
    freeze = noisy(20, 40)
    freeze[24] = 29.0
    found = finding(judged(made_up(freeze)), "freeze-long")
    assert found.cycles == (25,)
    assert found.evidence["worst_min"] == pytest.approx(29.0)
    assert found.evidence["usual_min"] == pytest.approx(20.0, rel=0.02)
    assert found.severity is Severity.WATCH
    assert found.flag_cycles


@pytest.mark.parametrize(
    ("odd", "every"), [(np.arange(5, 80, 6), 6), (np.array([5, 9, 20, 22, 41, 55, 70]), None)]
)
def test_how_often_the_long_ones_come_is_told_where_they_keep_to_a_number_of_cycles(odd, every):
    freeze = noisy(20, 80)
    freeze[odd] *= 1.5
    assert finding(judged(made_up(freeze)), "freeze-long").evidence.get("every_cycles") == every


def test_one_short_freeze_is_found():
    freeze = noisy(20, 40)
    freeze[9] = 13.0
    found = finding(judged(made_up(freeze)), "freeze-short")
    assert found.cycles == (10,)


def test_steady_freezes_are_quiet():
    assert not codes(judged(made_up(noisy(20, 60))))


def test_a_difference_that_is_certain_but_small_is_no_alarm():
    freeze = noisy(20, 60, share=0.002)
    freeze[30] = 22.0  # 10 %: far outside the spread, of no matter
    assert "freeze-long" not in codes(judged(made_up(freeze)))


def test_equal_quantised_lengths_do_not_make_the_odd_step_an_alarm():
    freeze = np.full(60, 20.0)
    freeze[::7] = 21.0  # one step of a 60 s logger: the median deviation is zero
    log = made_up(freeze, interval_s=60, uncertainty_min=0.8)
    assert not {"freeze-long", "freeze-short"} & set(codes(judged(log)))


def test_a_skewed_spread_is_no_alarm_on_its_long_side():
    rng = np.random.default_rng(7)
    freeze = 20 + rng.standard_exponential(150) * 1.2
    assert "freeze-long" not in codes(judged(made_up(freeze)))


def test_a_hot_afternoon_explains_longer_freezes():
    hours = np.arange(150) * 22 / 60
    air = 24 + 9 * np.sin(2 * np.pi * hours / 24)
    freeze = noisy(20, 150, share=0.01) * np.exp(0.02 * (air - 24))
    assert not codes(judged(made_up(freeze, condenser_in_c=air)))


def test_a_pull_down_freeze_after_an_idle_is_not_compared_with_the_others():
    freeze = noisy(20, 40)
    freeze[[10, 20, 30]] = 31.0
    log = made_up(freeze, idle_after={10: 90, 20: 90, 30: 90})
    assert "freeze-long" not in codes(judged(log))


def test_a_broken_freeze_is_left_out():
    freeze = noisy(20, 40)
    freeze[15] = 45.0
    assert "freeze-long" not in codes(judged(made_up(freeze, broken=[16])))


def test_a_fault_that_starts_in_mid_log_is_dated_and_the_time_before_it_is_the_standard():
    freeze = np.concatenate([noisy(20, 30), noisy(29, 60, seed=2)])
    found = finding(judged(made_up(freeze)), "freeze-long")
    assert abs(found.cycles[0] - 31) <= 3
    assert found.severity is Severity.ACT
    assert found.title.key == "finding.freeze-long.since"
    assert "freeze-short" not in codes(judged(made_up(freeze)))


def test_a_mended_unit_is_told_by_its_long_freezes_before_not_its_short_ones_after():
    freeze = np.concatenate(
        [noisy(58, 30), noisy(22, 60, seed=2)]
    )  # a slab machine: 58 min is out of its band
    found = judged(made_up(freeze), kind="slab")
    assert finding(found, "freeze-long").cycles[-1] <= 31
    assert "freeze-short" not in codes(found)


def test_a_uniformly_slow_unit_is_found_by_its_kind_with_less_than_certainty():
    found = finding(
        judged(made_up(noisy(66, 40), condenser_in_c=24.0, water_in_c=15.0), kind="slab"), "freeze-long"
    )
    assert found.evidence["judged_against"] == "kind, narrow"
    assert found.severity is Severity.WATCH  # a kind's band alone sends nobody
    assert found.confidence < 1.0


def test_a_band_given_for_the_unit_counts_for_more_than_its_kinds():
    found = judged(made_up(noisy(30, 40)), kind="slab", expected={"freeze_min": (18.0, 25.0)})
    assert finding(found, "freeze-long").severity is Severity.ACT


def test_nameplate_and_weighed_slab_narrow_the_band():
    plate = {"ice_kg_per_day": 120.0, "at_air_c": 32.2, "at_water_c": 21.1}
    unit = {"kind": "slab", "nameplate": plate, "measured": {"slab_kg": 2.0}}
    # 2.0 kg × 1440 / 120 kg = 24.0 min a cycle at 32.2 °C air and 21.1 °C water; less 2.0 min of harvest: 22.0 min
    log = made_up(noisy(33, 40), condenser_in_c=32.2, water_in_c=21.1)
    assert finding(judged(log, **unit), "freeze-long").evidence["expected_high_min"] == pytest.approx(
        22.0 * 1.3, abs=0.1
    )


def test_too_few_cycles_cannot_be_judged():
    found = judged(made_up([20.0, 33.0]))
    assert {"freeze-long", "freeze-short"} <= not_judged(found)
    assert found.verdict.level == "cannot-tell"


def test_a_rare_odd_freeze_in_a_long_log_is_a_note():
    freeze = noisy(20, 300)
    freeze[150] = 25.0
    assert finding(judged(made_up(freeze)), "freeze-long").severity is Severity.NOTE


def test_a_single_freeze_far_out_of_a_tight_spread_is_looked_at_and_told_with_its_hour():
    freeze = noisy(20, 300)
    freeze[150] = 32.8  # 64 % too long: what somebody who hunts an intermittent fault came for
    found = finding(judged(made_up(freeze)), "freeze-long")
    assert found.severity is Severity.WATCH
    assert found.title.key == "finding.freeze-long.one"
    assert found.evidence["when"].startswith("2026-03-0")


def test_a_threshold_of_the_unit_is_obeyed():
    freeze = noisy(20, 40)
    freeze[24] = 29.0
    assert "freeze-long" not in codes(judged(made_up(freeze), thresholds={"freeze_out_pct": 60}))


@pytest.mark.parametrize(
    ("measures", "cause"),
    [
        pytest.param({"condenser_split_k": 7.0}, "cause.condenser-dirty", id="rising condenser split"),
        pytest.param(
            {"freeze_end_c": 6.0, "condenser_split_k": -1.5}, "cause.charge-low", id="warm evaporator"
        ),
        pytest.param({"water_in_c": 12.0}, "cause.water-warm", id="warm supply water"),
        pytest.param(
            {"freeze_end_c": 0.0, "condenser_split_k": 0.0, "discharge_peak_c": 0.0},
            "cause.water-leaks-in",
            id="normal temperatures",
        ),
    ],
)
def test_the_other_signals_rank_the_causes_of_a_long_freeze(measures, cause):
    """The pairs of signal and cause are those of the task's own brief: common practice, no source."""
    usual = {"condenser_split_k": 10.0, "freeze_end_c": -15.0, "water_in_c": 16.0, "discharge_peak_c": 75.0}
    late = np.arange(80) >= 40
    columns = {name: usual[name] + late * shift for name, shift in measures.items()}
    freeze = np.where(late, noisy(28, 80), noisy(20, 80))
    found = finding(judged(made_up(freeze, **columns)), "freeze-long")
    likeliest = found.likely_causes[0].key
    alike = {
        "cause.water-leaks-in": ("cause.water-leaks-in", "cause.end-of-freeze-sensing"),
        "cause.condenser-dirty": ("cause.condenser-dirty", "cause.condenser-fan"),  # less air, either way
    }.get(cause, (cause,))
    assert likeliest.startswith(alike)


def test_checks_come_in_a_technicians_order_and_end_with_the_licensed_ones():
    late = np.arange(80) >= 40
    log = made_up(np.where(late, 28.0, 20.0) + noisy(0.3, 80, share=1), condenser_split_k=10 + 7.0 * late)
    checks = [c.key for c in finding(judged(log), "freeze-long").next_checks]
    assert (
        checks.index("check.air-path")
        < checks.index("check.clean-condenser")
        < checks.index("check.pressures")
    )


def test_a_freeze_after_a_rest_is_held_against_the_others_after_one():
    freeze, rests = noisy(20, 60), {10: 90.0, 20: 90.0, 30: 90.0, 40: 90.0}
    freeze[[10, 20, 30, 40]] = [24, 23.5, 39.0, 24.5]
    found = finding(judged(made_up(freeze, idle_after=rests)), "freeze-long")
    assert found.cycles == (31,)
    freeze[30] = 29.0
    assert "freeze-long" not in codes(judged(made_up(freeze, idle_after=rests)))


def test_thin_slabs_in_the_evenings_are_told_with_their_hours():
    freeze = noisy(20, 200, share=0.01)
    hour = np.cumsum(np.concatenate([[0.0], freeze[:-1] + 2])) / 60 + 5.67  # the log begins at 05:40
    freeze = np.where((hour % 24 > 17) & (hour % 24 < 22), 0.7 * freeze, freeze)
    found = finding(judged(made_up(freeze)), "freeze-short")
    assert found.title.key == "finding.freeze-short.hours"
    assert found.severity in (Severity.WATCH, Severity.ACT)


def test_a_sensor_that_misses_one_freeze_in_four_is_seen_and_every_second_cycle_by_design_is_not():
    rng = np.random.default_rng(5)
    missed = rng.random(120) < 0.25
    found = finding(judged(made_up(noisy(20, 120) * np.where(missed, 1.4, 1.0))), "freeze-long")
    assert found.evidence["count"] == missed.sum()
    second = np.arange(120) % 2 == 1  # fresh water every second time
    assert "freeze-long" not in codes(judged(made_up(noisy(20, 120) * np.where(second, 1.4, 1.0))))


def test_a_freeze_that_a_stop_cut_off_is_not_short_where_only_a_line_was_there_to_see_it():
    freeze = noisy(20, 80)
    freeze[40] = 11.0
    cut = {"idle_after": {41: 60.0}, "freeze_end_c": -15.0, "harvest_peak_c": 8.0}
    assert "freeze-short" not in codes(judged(made_up(freeze, roles=("evaporator",), **cut)))
    assert "freeze-short" in codes(judged(made_up(freeze, roles=("evaporator", "current"), **cut)))


@pytest.mark.parametrize(
    ("times", "air", "severe"), [(1.25, {}, False), (1.25, {"condenser_in_c": 24.0}, True), (1.5, {}, True)]
)
def test_a_lasting_change_that_another_room_makes_is_a_note_where_the_air_was_not_logged(times, air, severe):
    freeze = noisy(20, 120) * np.where(np.arange(120) < 60, 1.0, times)
    found = finding(judged(made_up(freeze, **air)), "freeze-long")
    assert (found.severity is not Severity.NOTE) is severe


def test_a_short_freeze_of_which_the_harvest_before_took_what_it_lacks_did_not_end_early():
    freeze, harvest = noisy(20, 90, share=0.01), noisy(3.0, 90)
    freeze[40] = 14.0
    log = made_up(freeze, harvest, condenser_in_c=24.0)
    assert "freeze-short" in codes(judged(log))
    harvest[39] = 8.4
    assert "freeze-short" not in codes(judged(made_up(freeze, harvest, condenser_in_c=24.0)))


def test_a_freeze_that_one_without_an_end_cut_off_did_not_end_early():
    freeze, harvest = noisy(20, 60, share=0.01), noisy(3.0, 60)
    freeze[58] = 14.0
    assert "freeze-short" in codes(judged(made_up(freeze, harvest)))
    freeze[59] = 20 * 60.0
    assert "freeze-short" not in codes(judged(made_up(freeze, harvest)))


def test_a_freeze_that_a_rest_cut_off_is_not_short_where_the_rest_was_read_as_more_of_the_next_one():
    freeze, harvest = noisy(20, 60), noisy(3, 60, seed=5)
    freeze[20], harvest[20], freeze[21] = 11.0, 5.0, 42.0
    assert "freeze-short" not in codes(judged(made_up(freeze, harvest)))


def test_nobody_saw_what_the_first_freeze_of_a_log_began_with():
    freeze = noisy(20, 60)
    freeze[0] = 11.0
    assert "freeze-short" not in codes(judged(made_up(freeze)))
    assert finding(judged(made_up(np.roll(freeze, 5))), "freeze-short").cycles == (6,)


def test_a_harvest_that_a_clamp_missed_sews_two_freezes_of_that_hour_together():
    hours = np.arange(90) * 0.42
    freeze = 24 + 4 * np.sin(2 * np.pi * hours / 24) + noisy(0.2, 90)
    freeze[14] = 2 * freeze[14] + 3.0  # at the warmest hour, two of the log's usual ones would be far shorter
    found = finding(judged(made_up(freeze, noisy(3, 90), roles=("current",))), "freeze-long")
    assert found.severity is Severity.NOTE
