"""Evaporators that do not get cold."""

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


def test_an_evaporator_that_grows_warmer_for_good_is_weak_and_points_at_the_charge():
    late = np.arange(80) >= 45
    log = made_up(
        np.where(late, 25.0, 20.0) + noisy(0.2, 80, share=1), freeze_end_c=noisy(-16, 80) + 6.0 * late
    )
    found = finding(judged(log), "weak-freeze")
    assert found.evidence["rise_k"] == pytest.approx(6.0, abs=0.5)
    assert abs(found.cycles[0] - 46) <= 3
    assert found.severity is Severity.ACT
    assert found.likely_causes[0].key.startswith("cause.charge-low")


def test_an_evaporator_that_ends_no_colder_than_freezing_point_is_weak():
    assert "weak-freeze" in codes(judged(made_up(noisy(20, 30), freeze_end_c=-0.5)))


def test_a_cold_evaporator_is_quiet():
    assert not codes(judged(made_up(noisy(20, 80), freeze_end_c=noisy(-16, 80))))


def test_a_freeze_that_ends_early_ends_warm_and_is_not_weak():
    late = np.arange(80) >= 40
    freeze = np.where(late, 12.0, 20.0) + noisy(0.2, 80, share=1)
    ends = np.where(late, -10.0, -16.0)
    # the cold trace falls by 0.8 K a minute from −0.4 °C in every freeze alike: it only stops sooner
    minutes = np.arange(0.0, float((freeze + 2).sum()), 0.5)
    begins = np.concatenate([[0.0], np.cumsum(freeze + 2)[:-1]])
    since = minutes - begins[np.searchsorted(begins, minutes, side="right") - 1]
    trace = channel("evaporator", BEGIN_NS, BEGIN_NS + round(minutes[-1] * MIN_NS), values=-0.4 - 0.8 * since)
    found = codes(judged(made_up(freeze, freeze_end_c=ends, channels=[trace])))
    assert "weak-freeze" not in found
    assert "freeze-short" in found


def test_without_a_cold_probe_the_evaporator_cannot_be_judged():
    assert "weak-freeze" in not_judged(judged(made_up(noisy(20, 30), roles=("current",))))


def test_a_probe_that_reads_the_room_as_well_cannot_show_a_weak_freeze():
    found = judged(made_up(noisy(20, 30), freeze_end_c=3.0, harvest_peak_c=17.0))
    assert "weak-freeze" in not_judged(found)


def test_a_probe_that_reads_the_rooms_air_from_mid_log_on_says_nothing_of_the_evaporator():
    ends = np.where(np.arange(60) < 30, -14.0, 19.0)
    found = judged(made_up(noisy(20, 60), freeze_end_c=ends, harvest_peak_c=20.0))
    assert "weak-freeze" not in codes(found)
    assert "weak-freeze" in not_judged(found)


def test_a_slab_machine_whose_freezes_end_at_minus_four_is_weak_and_another_kind_may_end_so():
    log = made_up(noisy(24, 40), freeze_end_c=-4.2, harvest_peak_c=8.0)
    assert finding(judged(log, kind="slab"), "weak-freeze").evidence["freeze_end_c"] == -4.2
    assert "weak-freeze" not in codes(judged(log))
    assert "weak-freeze" not in codes(judged(log, kind="slab", expected={"freeze_end_c": (-9.0, -3.0)}))
