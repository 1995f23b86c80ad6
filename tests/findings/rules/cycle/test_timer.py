"""Freezes that a timer ends, told from machines that are steady by nature."""

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from pipeline.findings.rules.cycle.timer import chance_z, rounding_min
from tests.findings.made_up import codes, finding, judged, made_up, noisy, not_judged


def day_swing(n, minutes=30.0, half_k=5.0):
    return 26 + half_k * np.sin(2 * np.pi * np.arange(n) * minutes / 1440)


def timed(n, length=28.0, *, jitter_min=0.03, seed=4):
    return length + jitter_min * np.random.default_rng(seed).standard_normal(n)


def read_each_minute(freeze, harvest=2.3):
    """The lengths of freezes as a logger sees them that reads once a minute."""
    ends = np.cumsum(np.asarray(freeze) + harvest) - harvest
    return np.ceil(ends) - np.ceil(ends - freeze)


def test_freezes_that_bunch_while_the_air_swings_end_on_a_timer():
    found = finding(judged(made_up(timed(90), condenser_in_c=day_swing(90))), "freeze-at-timeout")
    assert found.evidence["length_min"] == pytest.approx(28.0, abs=0.1)
    assert found.evidence["spread_found_s"] < found.evidence["spread_due_s"] / 1.4
    assert (
        found.severity is Severity.WATCH
    )  # a machine may be timed by design: the log alone cannot part them
    assert found.title.key == "finding.freeze-at-timeout.or-by-design"
    assert found.likely_causes[0].key.startswith("cause.end-of-freeze-sensing")


def test_a_timer_that_takes_over_in_mid_log_is_found_with_its_first_freeze():
    freeze = np.concatenate([noisy(20, 50, share=0.03), timed(60)])
    found = finding(judged(made_up(freeze, condenser_in_c=day_swing(110))), "freeze-at-timeout")
    assert abs(found.cycles[0] - 51) <= 3
    assert found.severity is Severity.ACT  # the sensing ended them before, sooner


def test_a_few_boundaries_in_the_wrong_place_do_not_date_a_timer_late():
    on_timer = timed(60)
    on_timer[[3, 4, 8]] += 0.6  # among the first ones three were read late
    freeze = np.concatenate([noisy(20, 50, share=0.03), on_timer])
    found = finding(judged(made_up(freeze, condenser_in_c=day_swing(110))), "freeze-at-timeout")
    assert abs(found.cycles[0] - 51) <= 3


def test_a_machine_that_follows_its_conditions_has_no_timer():
    air = day_swing(90)
    freeze = noisy(28, 90, share=0.008) * np.exp(0.012 * (air - 26))
    assert "freeze-at-timeout" not in codes(judged(made_up(freeze, condenser_in_c=air)))


def test_a_steady_machine_read_once_a_minute_cannot_be_told_from_a_timer():
    freeze = read_each_minute(noisy(20, 60, share=0.01))
    found = judged(made_up(freeze, interval_s=60.0, uncertainty_min=0.75))
    assert "freeze-at-timeout" in not_judged(found)
    assert "freeze-at-timeout" not in codes(found)


def test_a_timer_named_in_unit_toml_is_recognised_at_any_interval():
    log = made_up(read_each_minute(timed(40, 15.5)), interval_s=60.0, uncertainty_min=0.75)
    found = finding(judged(log, nameplate={"freeze_timer_min": 15.5}), "freeze-at-timeout")
    assert found.evidence["timer_told_min"] == 15.5
    assert found.evidence["proof"] == "the timer's length in unit.toml"


def test_too_few_freezes_cannot_show_a_timer():
    assert "freeze-at-timeout" in not_judged(judged(made_up(timed(6), condenser_in_c=day_swing(6))))


@pytest.mark.parametrize(("ratio", "n"), [(0.5, 12), (0.7, 40), (0.9, 200), (1.0, 30)])
def test_the_chance_of_a_spread_so_small_is_chi_squares(ratio, n):
    from scipy import stats

    want = stats.norm.ppf(stats.chi2.cdf((n - 1) * ratio**2, n - 1))
    assert chance_z(ratio, n) == pytest.approx(want, abs=0.03)  # Wilson & Hilferty 1931's approximation


def test_what_rounding_adds_to_the_spread_is_what_a_simulation_shows():
    rng = np.random.default_rng(8)
    for length, spread, interval in ((20.0, 0.1, 1.0), (20.5, 0.1, 1.0), (20.0, 0.6, 1.0), (12.3, 0.05, 0.5)):
        true = length + spread * rng.standard_normal(200_000)
        phase = rng.random(len(true)) * interval
        read = np.floor((phase + true) / interval) * interval
        added = np.sqrt(max(np.var(read) - spread**2, 0.0))
        assert rounding_min(length, spread, interval) == pytest.approx(added, abs=0.01)


def test_a_machine_that_is_steady_in_steady_conditions_cannot_be_told_from_a_timer():
    freeze = timed(60)
    freeze[[20, 40]] += 2.5  # longer after an idle, as by nature
    found = judged(made_up(freeze, 2.5, idle_after={20: 60, 40: 60}, condenser_in_c=24.0, water_in_c=15.0))
    assert "freeze-at-timeout" in not_judged(found)
    assert not codes(found)


def test_regularity_beyond_nature_alone_is_watched_not_acted_on():
    found = finding(judged(made_up(timed(60, jitter_min=0.01), 2.5)), "freeze-at-timeout")
    assert found.severity is Severity.WATCH
    assert found.evidence["proof"] == "more regular than any machine is by nature"


def test_freezes_that_vary_more_than_a_timer_lets_them_are_no_timers_however_much_the_air_swings():
    freeze = read_each_minute(noisy(15.4, 200, share=0.065))
    log = made_up(freeze, condenser_in_c=day_swing(200, half_k=15.0), interval_s=60.0, uncertainty_min=0.78)
    assert "freeze-at-timeout" in codes(judged(log, thresholds={"timer_like_times": 99.0}))
    assert "freeze-at-timeout" not in codes(judged(log))


def test_freezes_that_follow_the_water_are_no_timers_however_near_they_lie():
    water = np.where(np.arange(200) < 100, 16.0, 26.0) + 0.3 * np.random.default_rng(3).standard_normal(200)
    follows = (
        15.0 * np.exp(0.004 * (water - 21)) * noisy(1, 200, share=0.004)
    )  # by 0.4 % a kelvin, not by 1 %
    told = judged(made_up(follows, water_in_c=water, uncertainty_min=0.5))
    assert "freeze-at-timeout" not in codes(told)
    rng = np.random.default_rng(5)
    assert "freeze-at-timeout" in codes(
        judged(made_up(rng.permutation(follows), water_in_c=water, uncertainty_min=0.5))
    )


def test_freezes_that_vary_less_than_their_reading_is_said_to_are_not_called_regular_for_that():
    freeze = noisy(15.4, 60, share=0.01)  # found: 9 s; said of the reading: 47 s
    told = judged(made_up(freeze, interval_s=60.0, uncertainty_min=1.3))
    assert "freeze-at-timeout" not in codes(told)


@pytest.mark.parametrize("shift_min", [0.002, 0.01, 0.05])
def test_freezes_that_go_wholly_against_the_air_are_judged(shift_min):
    hot = np.arange(40) % 2 == 0
    log = made_up(
        np.where(hot, 20.0, 20.0 + shift_min),
        np.where(hot, 2.0, 2.6),
        ambient_c=np.where(hot, 30.0, 24.0),
        uncertainty_min=0.05,
    )
    assert judged(log).verdict is not None


@pytest.mark.parametrize(("size", "hours"), [(0.05, 96), (-0.08, 160)])
def test_freezes_that_bunch_at_the_turn_of_the_weather_lead_up_to_it_and_away(size, hours):
    n = 480
    spell = np.cos(2 * np.pi * np.arange(n) * 14.0 / 60 / hours)
    freeze = 12.0 * (1 + size * spell) * noisy(1, n, share=0.003)
    assert "freeze-at-timeout" not in codes(judged(made_up(freeze, noisy(2.0, n, share=0.1))))


@pytest.mark.parametrize(("longer", "timer"), [(2, True), (12, False)])
def test_no_freeze_is_longer_than_the_timer_lets_one_be_but_for_a_few_that_were_misread(longer, timer):
    freeze = np.concatenate([noisy(20, 50, share=0.03), timed(60), noisy(20, 50, share=0.03, seed=8)])
    freeze[np.linspace(3, 45, longer).astype(int)] = 31.0
    judgement = judged(made_up(freeze, condenser_in_c=day_swing(len(freeze))))
    assert ("freeze-at-timeout" in codes(judgement)) is timer
