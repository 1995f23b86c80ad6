"""Stalled harvests by kind, and harvests that were long but finished."""

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

PEAK, COLD = 9.0, -15.0


def log(harvest, *, peak=None, plateau=None, freeze=None, **more):
    n = len(harvest)
    return made_up(
        noisy(20, n, seed=3) if freeze is None else freeze,
        harvest,
        harvest_peak_c=noisy(PEAK, n) if peak is None else peak,
        harvest_plateau_min=np.full(n, 0.5) if plateau is None else plateau,
        freeze_end_c=COLD,
        **more,
    )


def usual(n=40):
    return noisy(2.5, n, share=0.05)


def test_steady_harvests_are_quiet():
    assert not codes(judged(log(usual())))


def test_an_evaporator_that_never_warms_is_a_stall_with_the_hot_gas_as_its_cause():
    harvest, peak = usual(), noisy(PEAK, 40)
    harvest[[10, 20, 30]], peak[[10, 20, 30]] = 5.0, -6.0
    found = finding(judged(log(harvest, peak=peak)), "harvest-stalled")
    assert found.cycles == (11, 21, 31)
    assert found.evidence["kind"] == "never-warmed"
    assert found.likely_causes[0].key.startswith("cause.hot-gas-shut")
    assert found.severity is Severity.ACT


def test_a_plateau_near_freezing_point_is_a_slab_that_does_not_let_go():
    harvest, peak, plateau = usual(), noisy(PEAK, 40), np.full(40, 0.5)
    harvest[[10, 20, 30]], peak[[10, 20, 30]], plateau[[10, 20, 30]] = (5.1, 6.4, 4.3), 1.4, (4.0, 5.2, 3.2)
    found = finding(judged(log(harvest, peak=peak, plateau=plateau)), "harvest-stalled")
    assert found.evidence["kind"] == "plateau"
    assert found.likely_causes[0].key.startswith("cause.slab-sticks")


def test_harvests_that_bunch_at_one_long_length_ran_into_their_limit():
    harvest = usual()
    harvest[[5, 12, 20, 28, 35]] = 7.0
    found = finding(judged(log(harvest)), "harvest-stalled")
    assert found.evidence["kind"] == "at-limit"
    assert found.cycles == (6, 13, 21, 29, 36)


def test_a_short_freeze_between_two_harvests_is_a_repeat_and_no_short_freeze():
    harvest, freeze = usual(), noisy(20, 40, seed=3)
    freeze[[15, 25]] = 4.0
    found = judged(log(harvest, freeze=freeze))
    assert finding(found, "harvest-stalled").evidence["kind"] == "repeated"
    assert finding(found, "harvest-stalled").cycles == (15, 25)
    assert "freeze-short" not in codes(found)


def test_a_freeze_that_a_false_harvest_cut_in_two_repeats_none_however_often_that_happens():
    harvest, freeze = usual(), noisy(20, 40, seed=3)
    cut = [5, 15, 25, 35]
    freeze[cut], freeze[[i + 1 for i in cut]], harvest[cut] = 4.5, 13.0, 2.2
    assert "harvest-stalled" not in codes(judged(log(harvest, freeze=freeze)))
    freeze[[i + 1 for i in cut]] = 20.0  # a whole freeze after it: the harvest was repeated
    found = finding(judged(log(harvest, freeze=freeze)), "harvest-stalled")
    assert found.evidence["kind"] == "repeated"


def test_the_freeze_after_a_stall_grows_onto_the_old_slab_and_is_not_judged():
    harvest, freeze, peak = usual(), noisy(20, 40, seed=3), noisy(PEAK, 40)
    harvest[[10, 20, 30]], peak[[10, 20, 30]], freeze[[11, 21, 31]] = 7.0, 1.0, 12.0
    assert codes(judged(log(harvest, peak=peak, freeze=freeze))) == ["harvest-stalled"]


def test_harvests_that_take_long_but_end_warm_are_long_not_stalled():
    harvest = usual()
    harvest[[10, 21, 33]] = (4.6, 5.0, 4.3)
    found = judged(log(harvest))
    assert codes(found) == ["harvest-long"]
    assert finding(found, "harvest-long").cycles == (11, 22, 34)


def test_a_cold_piece_of_a_freeze_cut_in_two_is_no_harvest():
    harvest, peak, freeze = usual(), noisy(PEAK, 40), noisy(20, 40, seed=3)
    harvest[15], peak[15], freeze[15], freeze[16] = 0.8, -9.0, 11.0, 9.0
    assert not codes(judged(log(harvest, peak=peak, freeze=freeze)))


def test_one_stall_is_watched_and_two_are_acted_on():
    harvest, peak = usual(), noisy(PEAK, 40)
    harvest[10], peak[10] = 7.2, 1.0
    assert finding(judged(log(harvest, peak=peak)), "harvest-stalled").severity is Severity.WATCH


def test_a_machine_whose_harvests_are_all_far_too_long_is_found_by_its_kind():
    found = finding(judged(log(noisy(9.5, 40)), kind="slab"), "harvest-long")
    assert found.evidence["judged_against"] == "kind, narrow"


def test_stalls_are_told_by_length_alone_where_only_current_was_logged():
    harvest = usual()
    harvest[[5, 12, 20, 28]] = 7.5
    found = judged(made_up(noisy(20, 40), harvest, roles=("current",)))
    assert "harvest-stalled" in codes(found)


@pytest.mark.parametrize("code", ["harvest-long", "harvest-stalled"])
def test_a_log_too_coarse_for_harvests_cannot_tell(code):
    found = judged(log(usual(), harvests_timed=False))
    assert code in not_judged(found)
    assert not {"harvest-long", "harvest-stalled"} & set(codes(found))


def test_too_few_harvests_cannot_tell():
    assert "harvest-stalled" in not_judged(judged(log(np.array([2.5, 2.6]))))


def test_a_stall_that_stays_below_freezing_point_never_warmed():
    harvest, peak = usual(), noisy(PEAK, 40)
    harvest[[10, 20, 30]], peak[[10, 20, 30]] = (
        7.0,
        -2.0,
    )  # it rose by more than half of the usual all the same
    assert finding(judged(log(harvest, peak=peak)), "harvest-stalled").evidence["kind"] == "never-warmed"


def test_late_harvests_whose_lengths_thin_out_towards_the_longest_ran_into_no_limit():
    harvest = usual(60)
    harvest[5:60:4] = 6.9 - np.array(
        [0, 0.3, 0.5, 0.6, 0.7, 0.75, 0.8, 0.8, 0.85, 0.85, 0.9, 0.9, 0.95, 0.95]
    )
    assert codes(judged(log(harvest))) == ["harvest-long"]


def test_harvests_that_grow_long_while_the_whole_line_grows_warmer_did_finish():
    late = np.arange(60) >= 30
    harvest = np.where(late, 7.3, 2.5) * noisy(1, 60, share=0.02)
    timeline = made_up(
        noisy(20, 60, seed=3), harvest, harvest_peak_c=np.where(late, 15.0, 8.0), harvest_plateau_min=0.5,
        freeze_end_c=np.where(late, -4.0, -15.0),
    )  # fmt: skip
    assert "harvest-stalled" not in codes(judged(timeline))
    assert {"weak-freeze", "harvest-long"} <= set(codes(judged(timeline)))


def test_long_harvests_stay_long_where_the_weather_moves_the_freezes():
    hours = np.arange(90) * 0.4
    freeze = 24 + 5 * np.sin(2 * np.pi * hours / 24)  # short by night, when the slow harvests come
    harvest = usual(90)
    night = np.flatnonzero(freeze < 20.5)[::4]
    harvest[night] = 5.0 * noisy(1, len(night), share=0.08)
    assert "harvest-long" in codes(judged(log(harvest, freeze=freeze)))


@pytest.mark.parametrize(
    ("rise_k", "cause"),
    [
        pytest.param(3.0, "hot-gas-weak", id="it begins to warm slowly: the gas is weak"),
        pytest.param(9.0, "slab-sticks", id="it warms as ever and then hangs: the slab sticks"),
    ],
)
def test_how_a_stalled_harvest_begins_tells_weak_gas_from_a_slab_that_sticks(rise_k, cause):
    harvest, peak, plateau = usual(), noisy(PEAK, 40), np.full(40, 0.5)
    harvest[[10, 20, 30]], peak[[10, 20, 30]], plateau[[10, 20, 30]] = 6.0, 1.5, 1.2
    freeze = noisy(20, 40, seed=3)
    pieces = []
    for i in range(40):
        first = rise_k if i in (10, 20, 30) else 9.0  # in the first minute of the harvest
        knots_min = (0, freeze[i], freeze[i] + 1, freeze[i] + harvest[i])
        at = np.arange(0, knots_min[-1], 1 / 6)
        pieces.append(np.interp(at, knots_min, (0, COLD, COLD + first, peak[i])))
    values = np.concatenate(pieces)
    end = BEGIN_NS + round(float((freeze + harvest).sum()) * MIN_NS)
    cold = channel("evaporator", BEGIN_NS, end, values=values)
    found = finding(
        judged(log(harvest, peak=peak, plateau=plateau, freeze=freeze, channels=[cold])), "harvest-stalled"
    )
    assert found.likely_causes[0].key.startswith(f"cause.{cause}")


def test_harvests_of_less_than_two_readings_cannot_be_judged_by_their_length():
    harvest = noisy(1.4, 60, share=0.1)
    harvest[[10, 20, 30]] = 5.0
    told = judged(log(harvest, interval_s=60.0, uncertainty_min=0.6))
    assert not codes(told)
    assert {"harvest-stalled", "harvest-long"} <= not_judged(told)


def test_late_harvests_of_one_length_that_grew_as_warm_as_any_other_ran_into_no_limit():
    harvest, peak = usual(), noisy(PEAK, 40, share=0.01)
    harvest[[5, 12, 20, 28, 35]], peak[[5, 12, 20, 28, 35]] = 6.0, PEAK + 1.5
    assert codes(judged(log(harvest, peak=peak))) == ["harvest-long"]


def test_a_harvest_at_whose_end_the_compressor_stops_is_not_called_long():
    harvest = usual()
    harvest[[10, 21, 33]] = (4.6, 5.0, 4.3)  # the line went on warming after the stop
    assert "harvest-long" in codes(judged(log(harvest)))
    assert "harvest-long" not in codes(judged(log(harvest, idle_after={11: 60.0, 22: 60.0, 34: 60.0})))


@pytest.mark.parametrize(
    ("freezes", "severity"), [(0.9, Severity.NOTE), (1.0, Severity.WATCH), (1.1, Severity.WATCH)]
)
def test_harvests_that_grow_where_freezes_shrink_stand_in_a_colder_room(freezes, severity):
    late = np.arange(120) >= 60
    log = made_up(noisy(20, 120) * np.where(late, freezes, 1.0), noisy(2.5, 120) * np.where(late, 1.35, 1.0))
    assert finding(judged(log), "harvest-long").severity is severity


def test_long_harvests_that_the_freezes_after_them_pay_for_are_boundaries_out_of_place():
    harvest, freeze, stretch = usual(60), 20 + np.sin(np.arange(60) / 9), np.arange(20, 40)
    harvest[stretch] = np.tile([3.6, 4.2, 3.5, 4.4], 5)
    assert "harvest-long" in codes(judged(log(harvest, freeze=freeze)))
    freeze[stretch + 1] -= harvest[stretch] - 2.5
    assert not codes(judged(log(harvest, freeze=freeze)))


def test_a_few_long_harvests_by_a_line_alone_may_be_stops_after_them():
    n = 400
    harvest = usual(n)
    harvest[[50, 150, 250, 350]] = 14.0
    seen, blind = (log(harvest, roles=roles) for roles in (("evaporator", "current"), ("suction",)))
    assert finding(judged(seen), "harvest-stalled").severity is Severity.WATCH
    assert finding(judged(blind), "harvest-stalled").severity is Severity.NOTE
