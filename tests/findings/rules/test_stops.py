"""A compressor that stands for long, and one that stops within freezes: each rule fires, stays quiet, and grows no fault from a full bin."""

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from tests.findings.made_up import codes, finding, judged, made_up, noisy, not_judged, phase

CYCLE_MIN = 22.0


def stopped(
    at: str,
    hours: float,
    *,
    comes_back: bool = False,
    rests: dict[int, float] | None = None,
    cycles: int = 60,
):
    """A log whose last cycle is followed by a stop: after its harvest, or in the middle of the next freeze."""
    rests = rests or {}
    begins = cycles * CYCLE_MIN + sum(rests.values())
    extra = []
    if at == "freeze":
        extra.append(phase("freeze", begins, begins + 9))
        begins += 9
    extra.append(phase("idle", begins, begins + 60 * hours))
    if comes_back:
        extra.append(phase("freeze", begins + 60 * hours, begins + 60 * hours + 15))
    return made_up(
        np.full(cycles, 20.0), 2.0, idle_after=rests, extra_phases=extra, roles=("evaporator", "current")
    )


def test_a_compressor_that_stands_for_the_last_22_hours_is_no_machine_that_works_as_it_should():
    found = judged(stopped("freeze", 22, rests={20: 60.0}))
    stop = finding(found, "ice-stopped")
    assert stop.severity is Severity.ACT
    assert stop.evidence["stopped_h"] == pytest.approx(22.0)
    assert stop.evidence["longest_rest_otherwise_h"] == pytest.approx(1.0)
    assert stop.evidence["came"] == "in mid-freeze"
    assert found.verdict.level == "act"
    assert "works as it should" not in found.verdict.client.english


def test_one_that_came_back_is_told_as_well():
    found = finding(judged(stopped("harvest", 20, comes_back=True, rests={20: 60.0})), "ice-stopped")
    assert found.severity is Severity.WATCH
    assert found.title.key == "finding.ice-stopped.came-back"


def test_a_night_with_a_full_bin_is_no_stop():
    assert "ice-stopped" not in codes(judged(stopped("harvest", 9, comes_back=True, rests={20: 40.0})))


def test_a_unit_that_rests_as_long_each_night_has_not_stopped():
    log = stopped("harvest", 14, rests={15: 13 * 60.0, 30: 13.5 * 60, 45: 12.5 * 60})
    assert "ice-stopped" not in codes(judged(log))


def test_a_power_cut_of_two_hours_in_mid_freeze_is_no_stop_for_good():
    assert "ice-stopped" not in codes(judged(stopped("freeze", 2, comes_back=True)))


def broken(at: list[int], *, off_min: float = 6.5, cycles: int = 80):
    """A log in which the compressor stops in the middle of some of its freezes: each becomes two, the first without a harvest."""
    freeze = np.full(cycles, 20.0)
    timeline, record = made_up(freeze, 2.0, roles=("evaporator", "current"))
    phases, shift = [], 0.0
    for k, p in enumerate(record.phases):
        from_min, to_min = ((x - timeline.start_ns) / 6e10 + shift for x in (p.start_ns, p.end_ns))
        if p.kind == "freeze" and k // 2 in at:
            phases += [
                phase("freeze", from_min, from_min + 11),
                phase("idle", from_min + 11, from_min + 11 + off_min),
            ]
            phases.append(phase("freeze", from_min + 11 + off_min, to_min + off_min))
            shift += off_min
        else:
            phases.append(phase(p.kind, from_min, to_min))
    from dataclasses import replace

    return replace(timeline, end_ns=phases[-1].end_ns), replace(record, phases=tuple(phases))


def test_stops_within_freezes_are_counted_and_told():
    found = finding(judged(broken([10, 25, 26, 40, 55])), "freeze-broken")
    assert found.severity is Severity.WATCH
    assert found.evidence["stops"] == 5
    assert found.evidence["off_min"] == pytest.approx(6.5)
    assert found.evidence["into_freeze_min"] == pytest.approx(11.0)


def test_a_single_stop_is_a_note_and_a_stop_in_every_fifth_freeze_is_not():
    assert finding(judged(broken([30])), "freeze-broken").severity is Severity.NOTE
    assert finding(judged(broken(list(range(3, 80, 4)))), "freeze-broken").severity is Severity.ACT


def test_a_unit_that_rests_at_any_moment_of_its_freeze_is_not_broken():
    assert "freeze-broken" not in codes(judged(broken([10, 25, 40, 55], off_min=90.0)))


def test_whole_freezes_are_not_broken():
    assert "freeze-broken" not in codes(judged(made_up(noisy(20, 40), idle_after={10: 30.0, 20: 45.0})))


def test_without_a_line_or_a_clamp_nobody_can_tell():
    assert "freeze-broken" in not_judged(judged(made_up(noisy(20, 40), roles=("ambient",))))
