"""Heat rejection, supply water, and a suction line that swings in freeze."""

from __future__ import annotations

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

LATE = np.arange(120) >= 60


def log(**measures):
    columns = {
        "condenser_in_c": 26.0,
        "condenser_split_k": noisy(10, 120),
        "discharge_peak_c": noisy(75, 120, share=0.005),
    }
    return made_up(noisy(20, 120), **(columns | measures))


def test_a_steady_condenser_is_quiet():
    assert not codes(judged(log()))


def test_a_split_that_rises_for_good_is_found_and_dated():
    found = finding(judged(log(condenser_split_k=noisy(10, 120) + 6.5 * LATE)), "condenser-hot")
    assert found.evidence["split_rise_k"] == pytest.approx(6.5, abs=0.5)
    assert abs(found.cycles[0] - 61) <= 3
    # the line of this made-up log is as it was: a pressure switch, a fan and dirt are as likely
    assert "condenser-dirty" in [c.cause for c in found.causes[:3]]


def test_what_stands_beside_a_ramp_says_as_much_as_its_title():
    grown = np.clip((np.arange(120) - 40) / 80, 0, 1)
    found = finding(judged(log(discharge_peak_c=noisy(75, 120, share=0.005) + 24 * grown)), "condenser-hot")
    rise = found.evidence["discharge_rise_k"]
    assert found.evidence["how"] == "ramp"
    assert found.signals["discharge_shift_k"] == pytest.approx(rise, rel=0.25)
    assert (
        found.start_ns <= BEGIN_NS + 55 * 22.5 * MIN_NS
    )  # it began long before the cycles that show it whole
    assert found.cycles[0] > 80


def test_small_signs_count_together():
    both = log(
        condenser_split_k=noisy(10, 120) + 3.2 * LATE, discharge_peak_c=noisy(75, 120, share=0.005) + 9 * LATE
    )
    assert "condenser-hot" in codes(judged(both))
    one = log(condenser_split_k=noisy(10, 120) + 3.2 * LATE)
    assert "condenser-hot" not in codes(judged(one))


def test_a_hot_day_raises_the_discharge_line_without_a_fault():
    air = 24 + 10 * np.sin(np.arange(120) * 22 / 1440 * 2 * np.pi)
    assert "condenser-hot" not in codes(
        judged(log(condenser_in_c=air, discharge_peak_c=75 + 1.2 * (air - 24)))
    )


def test_a_hotter_discharge_with_a_warmer_evaporator_is_the_charges_doing():
    found = judged(log(discharge_peak_c=75 + 18.0 * LATE, freeze_end_c=-16 + 6.0 * LATE))
    assert "condenser-hot" not in codes(found)
    assert "weak-freeze" in codes(found)


def test_a_split_that_is_wide_throughout_is_found():
    found = finding(judged(log(condenser_split_k=noisy(25, 120))), "condenser-hot")
    assert found.evidence["limit_k"] == 20.0


def test_the_split_of_a_water_cooled_machine_follows_its_valve_and_is_not_judged_by_its_width():
    assert not codes(judged(log(condenser_split_k=noisy(25, 120)), cooling="water"))


def test_a_discharge_line_that_breaks_down_oil_is_acted_on():
    assert (
        finding(judged(log(discharge_peak_c=noisy(116, 120, share=0.005))), "condenser-hot").severity
        is Severity.ACT
    )


def test_without_probes_round_the_condenser_it_cannot_be_judged():
    assert "condenser-hot" in not_judged(judged(made_up(noisy(20, 40))))


def test_warm_supply_water_is_found_with_what_it_costs():
    found = finding(judged(made_up(noisy(20, 40), water_in_c=36.0)), "warm-water")
    # by hand: heat for 21.1 °C water 333.55 + 4.19 × 21.1 = 421.96 kJ/kg, for 36.0 °C 484.39: 12.9 % less ice
    assert found.evidence["loss_pct"] == pytest.approx(100 * (1 - 421.96 / 484.39), abs=0.1)
    assert found.severity is Severity.WATCH


def test_water_that_became_warm_in_mid_log_is_found_and_dated():
    found = finding(judged(made_up(noisy(20, 120), water_in_c=15 + 12.0 * LATE)), "warm-water")
    assert found.title.key == "finding.warm-water.since"
    assert found.start_ns == pytest.approx(judged_start(61), abs=3 * 22 * 60e9)


def judged_start(cycle):
    log_ = made_up(noisy(20, 120))
    return int(log_[1].cycles.loc[cycle, "freeze_start_ns"])


def test_cool_water_is_quiet():
    assert not codes(judged(made_up(noisy(20, 40), water_in_c=18.0)))


def test_water_measured_by_hand_is_enough():
    found = judged(made_up(noisy(20, 40)), measured={"water_in_c": 34.0})
    assert finding(found, "warm-water").evidence["measured_by"] == "unit.toml"


def test_without_its_temperature_the_water_cannot_be_judged():
    assert "warm-water" in not_judged(judged(made_up(noisy(20, 40))))


def test_a_condenser_that_fails_in_the_afternoons_is_told_with_its_hours():
    cycles = np.arange(65 * 4)  # four days of 22 minutes
    hour = (cycles * 22 / 60) % 24
    hot = (hour >= 12) & (hour < 17)
    rng = np.random.default_rng(3)
    discharge = 70.0 + 22.0 * hot + rng.normal(0, 0.8, len(cycles))
    found = finding(
        judged(made_up(np.full(len(cycles), 20.0), 2.0, discharge_peak_c=discharge)), "condenser-hot"
    )
    assert found.title.key == "finding.condenser-hot.discharge-hours"
    assert set(found.cycles) <= set((cycles + 1)[hot])
    assert found.evidence["discharge_rise_k"] == pytest.approx(22.0, abs=1.0)


CYCLES, FREEZE_MIN, HARVEST_MIN = 24, 20.0, 2.0


def line(
    swing_k: float,
    *,
    from_cycle: int = 0,
    period_s: float = 150.0,
    interval_s: float = 10.0,
    noise_k: float = 0.1,
):
    """A suction line that falls from −2 to −16 °C in freeze and swings by `swing_k` from trough to crest."""
    total_min = CYCLES * (FREEZE_MIN + HARVEST_MIN)
    seconds = np.arange(0, 60 * total_min, interval_s)
    cycle, into = np.divmod(seconds / 60, FREEZE_MIN + HARVEST_MIN)
    values = np.where(into < FREEZE_MIN, -2 - 14 * (1 - np.exp(-into / 6)), 8.0)
    values = values + np.where(cycle >= from_cycle, swing_k / 2 * np.sin(2 * np.pi * seconds / period_s), 0.0)
    values = values + noise_k * np.random.default_rng(3).standard_normal(len(seconds))
    end_ns = BEGIN_NS + round(seconds[-1] / 60 * MIN_NS)
    return channel("suction", BEGIN_NS, end_ns, values=values, interval_s=interval_s)


def swinging(*args, **kwargs):
    return made_up(
        np.full(CYCLES, FREEZE_MIN), HARVEST_MIN, channels=(line(*args, **kwargs),), roles=("suction",)
    )


def test_a_line_that_swings_by_eight_kelvin_is_found_with_size_period_and_beginning():
    found = finding(judged(swinging(8.0, from_cycle=12)), "valve-hunting")
    assert found.severity is Severity.WATCH
    assert 6.5 < found.evidence["swing_k"] < 8.5
    assert 130 < found.evidence["period_s"] < 170
    assert found.cycles[0] == 13


def test_a_smooth_line_and_a_noisy_one_do_not_hunt():
    assert "valve-hunting" not in codes(judged(swinging(0.0)))
    assert "valve-hunting" not in codes(judged(swinging(0.0, noise_k=0.8)))


def test_a_swing_of_a_kelvin_is_the_machines_way():
    assert "valve-hunting" not in codes(judged(swinging(1.2)))


def test_a_logger_of_a_minute_cannot_tell():
    assert "valve-hunting" in not_judged(judged(swinging(8.0, interval_s=60.0)))
