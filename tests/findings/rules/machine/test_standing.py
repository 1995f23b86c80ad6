"""A compressor that stands for long or within freezes, and parts with a clamp of their own: each rule fires, stays quiet, and grows no fault from a full bin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles.record import PhaseKind
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


def test_a_log_that_ends_in_a_stop_longer_than_any_before_says_so():
    found = judged(stopped("harvest", 8))
    assert finding(found, "ice-stopped").title.key == "finding.ice-stopped.stands"
    assert finding(found, "ice-stopped").severity is Severity.NOTE
    assert "ice-stopped" not in codes(judged(stopped("harvest", 8, rests={20: 5 * 60.0})))


@pytest.mark.parametrize("clamp", ["current", "power"])
def test_a_fan_that_runs_on_through_a_stop_is_no_full_bin(clamp):
    timeline, record = stopped("harvest", 8, rests={20: 60.0})
    at_ns = np.arange(timeline.start_ns, timeline.end_ns, 10 * 10**9)
    draw = np.full(len(at_ns), 4.0)
    for phase_ in record.phases:
        if phase_.kind is PhaseKind.IDLE:
            fan = 0.0 if phase_.end_ns < timeline.end_ns - MIN_NS else 0.6
            draw[(at_ns >= phase_.start_ns) & (at_ns < phase_.end_ns)] = fan
    made = channel(clamp, timeline.start_ns, timeline.end_ns, values=draw)
    kept = tuple(c for c in timeline.channels if c.role == "evaporator")
    stop = finding(judged((replace(timeline, channels=(*kept, made)), record)), "ice-stopped")
    assert stop.severity is Severity.ACT
    assert stop.evidence["runs_on"] == "fan or pump"
    assert stop.causes[0].cause not in ("bin-control", "power-lost")


def test_a_power_cut_of_two_hours_in_mid_freeze_is_no_stop_for_good():
    assert "ice-stopped" not in codes(judged(stopped("freeze", 2, comes_back=True)))


def broken(at: list[int], *, off_min: float = 6.5, cycles: int = 80, into_min: float = 11.0):
    """A log in which the compressor stops within some of its freezes: each becomes two, the first without a harvest."""
    freeze = np.full(cycles, 20.0)
    timeline, record = made_up(freeze, 2.0, roles=("evaporator", "current"))
    phases, shift = [], 0.0
    for k, p in enumerate(record.phases):
        from_min, to_min = ((x - timeline.start_ns) / 6e10 + shift for x in (p.start_ns, p.end_ns))
        if p.kind == "freeze" and k // 2 in at:
            phases += [
                phase("freeze", from_min, from_min + into_min),
                phase("idle", from_min + into_min, from_min + into_min + off_min),
            ]
            phases.append(phase("freeze", from_min + into_min + off_min, to_min + off_min))
            shift += off_min
        else:
            phases.append(phase(p.kind, from_min, to_min))
    return replace(timeline, end_ns=phases[-1].end_ns), replace(record, phases=tuple(phases))


def test_stops_within_freezes_are_counted_and_told():
    found = finding(judged(broken([10, 25, 26, 40, 55])), "freeze-broken")
    assert found.severity is Severity.WATCH
    assert found.evidence["stops"] == 5
    assert found.evidence["off_min"] == pytest.approx(6.5)
    assert found.evidence["into_freeze_min"] == pytest.approx(11.0)
    # after so long a run, with a motor that draws no more: a pressure that builds up, and nobody who comes five times
    assert found.evidence["kind"] == "high-pressure"
    assert {c.cause for c in found.causes[:2]} == {"high-pressure-cut", "condenser-fan"}


def test_a_single_stop_is_a_note_and_a_stop_in_every_fifth_freeze_is_not():
    assert finding(judged(broken([30])), "freeze-broken").severity is Severity.NOTE
    assert finding(judged(broken(list(range(3, 80, 4)))), "freeze-broken").severity is Severity.ACT


def test_a_unit_that_rests_at_any_moment_of_its_freeze_is_not_broken():
    assert "freeze-broken" not in codes(judged(broken([10, 25, 40, 55], off_min=90.0)))


def test_whole_freezes_are_not_broken():
    assert "freeze-broken" not in codes(judged(made_up(noisy(20, 40), idle_after={10: 30.0, 20: 45.0})))


def test_without_a_line_or_a_clamp_nobody_can_tell():
    assert "freeze-broken" in not_judged(judged(made_up(noisy(20, 40), roles=("ambient",))))


CYCLES, FREEZE, HARVEST = 40, 20.0, 2.0


def part(role: str, amps: float, *, off=(), in_harvest=False, interval_s=10.0):
    """A log whose part runs in every freeze, or for half a minute of every harvest, but in the cycles `off`."""
    minutes = CYCLES * (FREEZE + HARVEST)
    at = np.arange(0, minutes, interval_s / 60)
    into = at % (FREEZE + HARVEST)
    runs = (into > FREEZE) & (into < FREEZE + 0.5) if in_harvest else into < FREEZE
    runs &= ~np.isin((at // (FREEZE + HARVEST)).astype(int), off)
    rng = np.random.default_rng(1)
    values = np.abs(np.where(runs, amps, 0.0) + rng.normal(0, 0.005, len(at)))
    line = channel(role, BEGIN_NS, BEGIN_NS + round(minutes * MIN_NS), values=values, interval_s=interval_s)
    return made_up(np.full(CYCLES, FREEZE), HARVEST, channels=(line,))


@pytest.mark.parametrize(
    ("role", "amps", "in_harvest"),
    [("current_fan", 0.6, False), ("current_pump", 0.4, False), ("current_grid", 2.5, False), ("current_dump", 0.15, True)],
)  # fmt: skip
def test_a_part_that_stops_for_good_is_found_with_its_cycles_and_one_that_runs_is_not(role, amps, in_harvest):
    assert "part-off" not in codes(judged(part(role, amps, in_harvest=in_harvest)))
    found = finding(judged(part(role, amps, off=range(25, 40), in_harvest=in_harvest)), "part-off")
    assert (found.severity, found.cycles[0], len(found.cycles)) == (Severity.ACT, 26, 15)
    assert found.title.key == f"finding.part-off.{role}"


def test_what_came_back_is_looked_at_and_a_few_cycles_are_chance():
    assert finding(judged(part("current_pump", 0.4, off=range(8, 14))), "part-off").severity is Severity.WATCH
    assert "part-off" not in codes(judged(part("current_pump", 0.4, off=(8, 9))))


def test_a_part_that_never_ran_may_also_be_an_open_clamp():
    found = finding(judged(part("current_grid", 0.0)), "part-off")
    assert (found.severity, found.title.key) == (Severity.WATCH, "finding.part-off.current_grid.never")
    assert "the clamp is open" in found.title.english


def test_nobody_can_tell_without_such_a_clamp_or_by_one_too_slow_for_a_valve():
    assert "part-off" in not_judged(judged(made_up(noisy(20, 30))))
    slow = part("current_dump", 0.15, in_harvest=True, interval_s=30.0)
    assert "part-off" in not_judged(judged(slow))


@pytest.mark.parametrize(
    ("shown_by", "unseen_min"), [(("evaporator",), 0.5), (("evaporator", "current"), 0.2)]
)
def test_a_stop_after_a_freeze_too_short_to_be_seen_broke_none(shown_by, unseen_min):
    def shown(into_min):
        timeline, record = broken([10, 25, 26, 40, 55], into_min=into_min)
        return replace(timeline, channels=tuple(c for c in timeline.channels if c.role in shown_by)), record

    assert "freeze-broken" in codes(judged(shown(11.0)))
    assert "freeze-broken" not in codes(judged(shown(unseen_min)))
