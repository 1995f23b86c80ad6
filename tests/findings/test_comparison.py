"""Before and after a visit."""

import numpy as np
import pytest

from pipeline.findings.comparison import SegmentedLog, compare
from pipeline.language.text import say
from pipeline.unit import Unit
from tests.findings.made_up import made_up, noisy


def compared(earlier, later):
    (t1, r1), (t2, r2) = earlier, later
    return compare(
        SegmentedLog(timeline=t1, record=r1), SegmentedLog(timeline=t2, record=r2), Unit(name="made-up")
    )


def shift_of(comparison, measure):
    return next(s for s in comparison.shifts if s.measure == measure)


def test_a_mended_unit_is_shorter_by_so_much_with_its_interval_at_the_same_air():
    found = compared(
        made_up(noisy(26, 60, seed=1), condenser_in_c=24.0),
        made_up(noisy(20, 60, seed=2), condenser_in_c=24.4),
    )
    shift = shift_of(found, "freeze_min")
    assert shift.shift == pytest.approx(-6.0, abs=0.4)
    assert shift.low < shift.shift < shift.high < 0
    assert shift.changed
    words = say(found.sentence)
    assert words.startswith("Freezes are ")
    assert "shorter" in words
    assert "95 % interval" in words
    assert words.endswith("at the same air temperature")
    assert say(found.better_or_worse).startswith("Better than before, at the same air and water")


def test_a_cooler_room_is_said_beside_the_shift():
    found = compared(
        made_up(noisy(26, 60), condenser_in_c=32.0), made_up(noisy(22, 60, seed=2), condenser_in_c=22.0)
    )
    assert say(found.sentence).endswith("with the air 10.0 K cooler")
    air = found.conditions[0]
    assert (air.measure, air.shift_k) == ("air_c", pytest.approx(-10.0))


def test_what_a_cooler_room_explains_is_taken_out():
    rng = np.random.default_rng(3)
    hot, cool = 32 + 3 * rng.standard_normal(80), 22 + 3 * rng.standard_normal(80)
    length = lambda air, seed: noisy(20, 80, share=0.01, seed=seed) * np.exp(0.015 * (air - 24))  # noqa: E731
    found = compared(
        made_up(length(hot, 1), condenser_in_c=hot), made_up(length(cool, 2), condenser_in_c=cool)
    )
    assert shift_of(found, "freeze_min").changed
    assert found.freeze_at_same_conditions.shift == pytest.approx(0.0, abs=0.5)
    assert not say(found.better_or_worse).startswith(("Better", "Worse"))


def test_without_a_change_none_is_claimed():
    found = compared(made_up(noisy(20, 60, seed=1)), made_up(noisy(20, 60, seed=2)))
    assert not shift_of(found, "freeze_min").changed
    assert "no change to be seen" in say(found.sentence)
    assert found.freeze_at_same_conditions is None  # no air was logged
    assert say(found.better_or_worse).startswith("Neither better nor worse")


def test_longer_freezes_are_worse():
    found = compared(made_up(noisy(20, 60, seed=1)), made_up(noisy(26, 60, seed=2)))
    assert say(found.better_or_worse) == "Worse than before: freezes are longer"


def test_shorter_freezes_that_end_warmer_are_not_called_better():
    found = compared(
        made_up(noisy(26, 60, seed=1), freeze_end_c=-14.0), made_up(noisy(20, 60, seed=2), freeze_end_c=-8.0)
    )
    assert found.better_or_worse.key == "compare.shorter-warmer"
    assert "6.0 K warmer" in say(found.better_or_worse)


def test_the_interval_holds_the_truth_about_as_often_as_it_says():
    hits = 0
    for seed in range(60):
        found = compared(made_up(noisy(24, 30, seed=seed)), made_up(noisy(20, 40, seed=seed + 500)))
        shift = shift_of(found, "freeze_min")
        hits += shift.low <= -4.0 <= shift.high
    assert hits >= 52


def test_a_measure_that_one_log_lacks_is_named_not_guessed():
    found = compared(made_up(noisy(20, 40), condenser_split_k=10.0), made_up(noisy(20, 40)))
    assert "compare.condenser_split_k" in {t.key for t in found.not_compared}
    assert "condenser_split_k" not in {s.measure for s in found.shifts}


def test_too_few_cycles_are_said_to_be_too_few():
    found = compared(made_up([20.0, 20.1]), made_up(noisy(20, 40)))
    assert found.sentence.key == "compare.too-few"
    assert "2 before, 40 after" in say(found.sentence)
    assert found.better_or_worse.key == "compare.not-told"


def test_pull_down_freezes_are_not_compared():
    freeze = noisy(20, 40)
    freeze[[10, 20, 30]] = 40.0
    idle = made_up(freeze, idle_after={10: 60, 20: 60, 30: 60})
    assert shift_of(compared(idle, made_up(noisy(20, 40, seed=2))), "freeze_min").earlier.cycles == 37


def test_what_was_made_and_what_running_would_make_stand_apart_in_both_logs():
    found = compared(
        made_up(np.full(40, 16.0), 2.0, idle_after=dict.fromkeys(range(1, 40), 18.0)),
        made_up(np.full(40, 16.0), 2.0),
    )
    before, after = found.earlier_output, found.later_output
    assert before.cycles_per_day == after.cycles_per_day == pytest.approx(80.0)  # 1440 min ÷ 18 min
    assert before.made_cycles_per_day == pytest.approx(80.0 * 40 / 79, rel=0.02)  # 40 cycles, 39 rests
    assert after.made_cycles_per_day == pytest.approx(80.0, rel=0.02)
