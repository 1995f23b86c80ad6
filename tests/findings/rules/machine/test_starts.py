"""The compressor's starts: short-cycling by kind, failed starts, running without ice."""

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
    phase,
)

CLAMP = ("evaporator", "current")


def starts(run_min, off_min, count, *, at_min=300.0, **more):
    """`count` starts, each `off_min` after a run of `run_min`."""
    first = {"at_min": 0.0, "run_min": at_min - off_min}
    return [first] + [
        {"at_min": at_min + i * (run_min + off_min), "off_before_min": off_min, "run_min": run_min} | more
        for i in range(count)
    ]


def log(rows, **more):
    return made_up(noisy(20, 40), starts=rows, roles=CLAMP, **more)


@pytest.mark.parametrize(
    ("run_min", "off_min", "more", "kind", "cause"),
    [
        # on and off times of each protection: common practice, no source
        pytest.param(0.6, 2.0, {}, "low-pressure", "cause.low-pressure-cut", id="low pressure"),
        pytest.param(1.8, 4.5, {"discharge_c": 104.0}, "overload", "cause.overload-trips", id="overload"),
        pytest.param(3.5, 2.5, {}, "high-pressure", "cause.high-pressure-cut", id="high pressure"),
        pytest.param(0.1, 0.2, {}, "chatter", "cause.control-chatters", id="chattering contact"),
    ],
)
def test_short_cycling_is_found_and_told_by_its_on_and_off_times(run_min, off_min, more, kind, cause):
    found = finding(judged(log(starts(run_min, off_min, 12, **more))), "short-cycling")
    assert found.evidence["kind"] == kind
    assert found.likely_causes[0].key == cause
    assert found.severity is Severity.ACT
    assert found.evidence["seen_by"] == "current"


def test_full_bin_idles_are_not_short_cycling():
    rows = [{"at_min": 0.0, "run_min": 100.0}]
    rows += [{"at_min": 150.0 * i, "off_before_min": 40.0, "run_min": 110.0} for i in range(1, 8)]
    assert not codes(judged(log(rows)))


def test_two_quick_restarts_after_a_power_cut_are_no_pattern():
    assert "short-cycling" not in codes(judged(log(starts(1.0, 1.0, 2))))


def test_runs_that_no_control_ends_so_soon_are_short_cycling_however_long_the_stops():
    slow = judged(
        log(starts(2.1, 6.4, 8))
    )  # 7 starts an hour, each after 6.4 min of rest: by these alone, all is well
    assert finding(slow, "short-cycling").evidence["most_per_hour"] <= 8
    assert finding(slow, "short-cycling").confidence > 0.85  # seven of them are no chance
    assert "short-cycling" not in codes(judged(log(starts(12.0, 6.4, 8))))


def test_the_first_restarts_of_their_kind_date_it_though_only_later_ones_make_a_pattern():
    rows = starts(2.0, 2.5, 2, at_min=200.0)
    later = [row | {"at_min": row["at_min"] + 400.0} for row in starts(2.0, 2.5, 9, at_min=200.0)[1:]]
    found = finding(judged(log([*rows, *later])), "short-cycling")
    assert found.start_ns == BEGIN_NS + round((200.0 - 2.5) * MIN_NS)


def test_without_a_clamp_the_temperature_shows_the_restarts():
    found = judged(made_up(noisy(20, 40), starts=starts(1.5, 2.0, 10)))
    assert finding(found, "short-cycling").evidence["seen_by"] == "temperature"


def test_a_stretch_of_tripping_is_found_where_no_start_was_listed():
    tripping = phase("unclear", 900, 1020, "tripping")
    found = finding(judged(made_up(noisy(20, 40), extra_phases=[tripping])), "short-cycling")
    assert found.evidence["tripping_h"] == pytest.approx(2.0)
    assert not found.flag_cycles


def test_failed_starts_are_apart_from_short_cycling():
    rows = [{"at_min": 0.0, "run_min": 200.0}]
    rows += [
        {"at_min": 230 + 2.5 * i, "off_before_min": 2.4, "run_min": 0.08, "failed": True, "inrush_a": 22.0}
        for i in range(4)
    ]
    rows += [{"at_min": 240.5, "off_before_min": 2.4, "run_min": 300.0}]
    found = judged(log(rows))
    assert codes(found) == ["failed-start"]
    assert finding(found, "failed-start").evidence["failed_starts"] == 4
    assert finding(found, "failed-start").evidence["inrush_a"] == 22.0


def test_failed_starts_cannot_be_told_from_a_slow_clamp():
    slow = channel("current", BEGIN_NS, BEGIN_NS + 900 * MIN_NS, interval_s=60.0)
    assert "failed-start" in not_judged(
        judged(made_up(noisy(20, 40), channels=[slow], starts=starts(100, 50, 3)))
    )


def test_short_cycling_cannot_be_told_without_clamp_or_cold_probe():
    assert "short-cycling" in not_judged(judged(made_up(noisy(20, 10), roles=("discharge",))))


def test_running_for_hours_without_a_cycle_is_no_ice():
    lost = phase("unclear", 900, 900 + 60 * 9, "no-pattern")
    drawn = channel("current", BEGIN_NS, BEGIN_NS + 1440 * MIN_NS, values=np.full(1440, 5.0))
    found = finding(judged(made_up(noisy(20, 40), channels=[drawn], extra_phases=[lost])), "no-ice")
    assert found.evidence["running_h"] == pytest.approx(9.0)
    assert found.severity is Severity.ACT


def test_a_freeze_that_nothing_ends_is_no_ice():
    endless = phase("freeze", 900, 900 + 60 * 8)
    found = finding(judged(made_up(noisy(20, 40), extra_phases=[endless])), "no-ice")
    assert found.evidence["kind"] == "endless freeze"


def test_an_hour_that_the_log_cannot_read_is_not_no_ice():
    assert "no-ice" not in codes(
        judged(made_up(noisy(20, 40), extra_phases=[phase("unclear", 900, 960, "no-pattern")]))
    )


def test_a_log_without_phases_cannot_tell_whether_ice_was_made():
    assert "no-ice" in not_judged(judged(made_up([], cycles=0)))


def test_the_cycles_that_a_failed_start_touches_are_flagged():
    rows = [
        {"at_min": 0.0, "run_min": 99.0},
        {"at_min": 100.0, "off_before_min": 1.0, "run_min": 0.1, "failed": True},
    ]
    log_ = made_up(np.full(20, 20.0), 2.0, starts=rows, roles=CLAMP)
    assert finding(judged(log_), "failed-start").cycles == (
        5,
    )  # cycles of 22 min: minute 100 lies in the fifth


def test_a_freeze_of_fourteen_times_the_usual_length_has_no_end_even_in_a_small_machine():
    found = judged(made_up(noisy(15, 20), extra_phases=[phase("freeze", 400, 400 + 210)]))
    assert finding(found, "no-ice").evidence["kind"] == "endless freeze"


def test_an_idle_that_was_taken_for_a_freeze_is_not_called_endless():
    warm = channel("evaporator", BEGIN_NS, BEGIN_NS + 900 * MIN_NS, values=np.full(900, 21.0))
    log_ = made_up(
        noisy(15, 20), harvest_peak_c=9.0, channels=[warm], extra_phases=[phase("freeze", 400, 800)]
    )
    assert "no-ice" not in codes(judged(log_))


def test_a_unit_may_ask_for_more_quick_starts_than_its_log_has():
    three = [{"at_min": 5.0 + 2 * i, "off_before_min": 1.0, "run_min": 1.0} for i in range(3)]
    log = made_up([20.0] * 20, starts=three, roles=CLAMP)
    judgement = judged(log, thresholds={"starts_needed": 5.0})
    assert "short-cycling" not in codes(judgement)


@pytest.mark.parametrize(("role", "scale"), [("current", 1.0), ("power", 230.0)])
def test_a_light_on_the_same_clamp_is_no_compressor_that_starts(role, scale):
    from tests.findings.made_up import BEGIN_NS, MIN_NS, channel

    total_min = 30 * 22.0
    seconds = np.arange(0, 60 * total_min, 5.0)
    amps = np.full(len(seconds), 6.0)
    rest = seconds > 60 * 20 * 22.0  # the machine stands for the last hours, and somebody opens the bin
    amps[rest] = np.where(seconds[rest] % 400 < 25, 0.11, 0.0)
    lights = [{"at_min": m, "off_before_min": 6.0, "run_min": 0.4} for m in np.arange(445, 650, 400 / 60)]
    clamp = channel(role, BEGIN_NS, BEGIN_NS + round(total_min * MIN_NS), values=scale * amps, interval_s=5.0)
    log = made_up(np.full(30, 20.0), 2.0, channels=(clamp,), roles=(role,), starts=lights)
    assert "short-cycling" not in codes(judged(log))


@pytest.mark.parametrize("cycles", [True, False])
def test_a_current_that_goes_on_as_between_usual_freezes_shows_harvests_that_were_missed(cycles):
    n, length = 60, 22.0
    seconds = np.arange(0, (n + 14) * length * 60, 10.0)
    into = seconds / 60 % length
    current = np.where(into < 20, 6.0 - into / 20, 4.0)
    if not cycles:
        current = np.where(seconds > n * length * 60, 5.0, current)
    last = phase("freeze", n * length, (n + 14) * length)
    clamp = channel("current", BEGIN_NS, BEGIN_NS + round(seconds[-1] * 1e9), values=current)
    log = made_up(np.full(n, 20.0), 2.0, channels=[clamp], roles=("current",), extra_phases=[last])
    assert ("no-ice" in codes(judged(log))) is not cycles
