"""What the record misread must not be laid at the machine's door."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.record import PhaseKind
from pipeline.findings.engine import judge
from pipeline.findings.finding import Severity
from pipeline.unit import Unit
from tests.cycles.plain_machine import cycles, machine
from tests.findings.made_up import (
    BEGIN_NS,
    MIN_NS,
    channel,
    codes,
    doubt,
    finding,
    judged,
    made_up,
    noisy,
    not_judged,
    phase,
)  # fmt: skip


def trace(freeze, harvest, *, humps=None, at=0.5, cold=-15.0, warm=9.0):
    """A cold trace every 10 s: falls in freeze, rises in harvest; `humps`: cycle index -> rise within the freeze [K], at
    that share of it."""
    pieces = []
    for i, (f, h) in enumerate(zip(freeze, harvest, strict=True)):
        t = np.arange(0, f, 1 / 6)
        falling = cold + (warm - cold) * np.exp(-t / (f / 4 if not (humps and i in humps) else f / 8))
        if humps and i in humps:
            falling = falling + humps[i] * np.exp(-(((t - at * f) / 2.0) ** 2))
        pieces += [falling, np.linspace(cold, warm, max(round(h * 6), 2))]
    values = np.concatenate(pieces)
    end = BEGIN_NS + round(float(np.sum(freeze) + np.sum(harvest)) * MIN_NS)
    return channel("evaporator", BEGIN_NS, end, values=values)


def log(freeze, *, humps=None, at=0.5, **more):
    harvest = np.full(len(freeze), 2.5)
    return made_up(
        freeze,
        harvest,
        channels=[trace(freeze, harvest, humps=humps, at=at)],
        freeze_end_c=-15.0,
        harvest_peak_c=9.0,
        **more,
    )


def test_a_small_hump_in_a_freeze_of_twice_the_length_is_a_harvest_that_never_warmed():
    freeze = noisy(20, 60)
    freeze[[20, 35, 50]] = 43.0
    found = judged(log(freeze, humps={20: 3.0, 35: 3.0, 50: 3.0}))
    stalled = finding(found, "harvest-stalled")
    assert stalled.evidence["kind"] == "never-warmed"
    assert stalled.evidence["hidden_count"] == 3
    assert "freeze-long" not in codes(found)


def test_a_small_hump_long_before_a_freeze_is_done_is_a_stop_and_no_harvest():
    freeze = noisy(20, 60)
    freeze[[20, 35, 50]] = 34.0
    found = judged(log(freeze, humps={20: 3.0, 35: 3.0, 50: 3.0}, at=0.35))
    assert "harvest-stalled" not in codes(found)


def test_a_whole_harvest_that_the_record_missed_is_nobodys_fault():
    freeze = noisy(20, 60)
    freeze[[20, 35]] = 42.5
    assert not codes(judged(log(freeze, humps={20: 22.0, 35: 22.0})))


def test_a_long_freeze_without_a_hump_is_long():
    freeze = noisy(20, 60)
    freeze[[20, 35]] = 42.5
    assert codes(judged(log(freeze))) == ["freeze-long"]


def test_on_current_alone_whole_multiples_are_said_with_half_the_confidence():
    freeze = noisy(20, 60)
    freeze[10:40:3] = 42.2  # two freezes of 20 min and a harvest of 2.2 min
    found = finding(judged(made_up(freeze, 2.2, roles=("current",))), "freeze-long")
    assert found.severity is Severity.NOTE
    assert found.confidence <= 0.5
    assert found.evidence["may_be_missed_harvests"] == "yes"


def test_two_short_freezes_that_make_a_usual_one_were_one():
    freeze = noisy(20, 60)
    freeze[[30, 31]] = 9.0, 9.0
    assert not codes(judged(made_up(freeze, 2.0)))


def test_freezes_that_are_halved_again_and_again_are_short():
    freeze = noisy(20, 120)
    freeze[60::2] = 10.0
    assert "freeze-short" in codes(judged(made_up(freeze)))


def test_a_freeze_of_seconds_is_none():
    freeze = noisy(20, 60)
    freeze[30] = 0.3
    assert not codes(judged(made_up(freeze)))


def test_cycles_under_a_probe_that_fell_off_are_not_judged():
    freeze, ends = noisy(20, 60), np.full(60, -15.0)
    freeze[40:], ends[40:] = 35.0, 20.0
    loose = doubt("probe-loose", role="evaporator", from_min=40 * 22, to_min=3000)
    assert codes(judged(made_up(freeze, freeze_end_c=ends, doubts=[loose]))) == ["probe-loose"]


def test_a_repeat_beside_a_tripping_spell_proves_nothing():
    freeze = noisy(20, 40)
    freeze[-1] = 4.0
    tripping = phase("unclear", float(freeze.sum()) + 80.0, float(freeze.sum()) + 140.0, "tripping")
    assert "harvest-stalled" not in codes(judged(made_up(freeze, extra_phases=[tripping])))


def cycling(role, low, high, minutes=900, every=22):
    t = np.arange(0, minutes, 0.5)
    values = low + (high - low) * (t % every > every - 2.5)
    return channel(role, BEGIN_NS, BEGIN_NS + minutes * MIN_NS, values=values)


@pytest.mark.parametrize(
    "swinging",
    [
        cycling("evaporator", -15.0, 8.0),
        cycling("current", 6.0, 7.5),
        cycling("evaporator", -2.0, 12.0, every=74),
    ],
    ids=["cold trace", "current", "harvests of a thirtieth of their cycle"],
)
def test_a_log_that_rises_and_falls_but_was_not_read_is_not_called_iceless(swinging):
    lost = [phase("unclear", 0, 900, "no-pattern")]
    found = judged(made_up([], cycles=0, channels=[swinging], roles=(), extra_phases=lost, pattern=False))
    assert "no-ice" in not_judged(found)
    assert found.verdict.level == "cannot-tell"


@pytest.mark.parametrize("role", ["evaporator", "current"])
def test_a_log_that_stands_still_while_the_compressor_runs_is(role):
    flat = channel(role, BEGIN_NS, BEGIN_NS + 900 * MIN_NS, values=7.0 + 0.05 * np.sin(np.arange(1800)))
    lost = [phase("unclear", 0, 900, "no-pattern")]
    assert codes(
        judged(made_up([], cycles=0, channels=[flat], roles=(), extra_phases=lost, pattern=False))
    ) == ["no-ice"]


@pytest.mark.parametrize("draws", [(), (0.02,)], ids=["probe alone", "probe and clamp"])
def test_a_machine_that_was_switched_off_is_not_said_to_run_without_ice(draws):
    def steady(role, level):
        values = level + 0.01 * np.sin(np.arange(1800))
        return channel(role, BEGIN_NS, BEGIN_NS + 900 * MIN_NS, values=values)

    channels = [steady("evaporator", 21.0), *(steady("current", a) for a in draws)]
    lost = [phase("unclear", 0, 900, "no-pattern")]
    found = judged(made_up([], cycles=0, channels=channels, roles=(), extra_phases=lost, pattern=False))
    assert "no-ice" not in codes(found)
    assert "no-ice" in not_judged(found)
    assert found.verdict.level == "cannot-tell"


def test_harvests_that_are_long_at_the_cost_of_their_freezes_were_misread():
    freeze, harvest = noisy(20, 60), noisy(2.2, 60, seed=2)
    freeze[[10, 25, 40]] -= 2.0
    harvest[[10, 25, 40]] += 2.0
    assert "harvest-long" not in codes(judged(made_up(freeze, harvest, harvest_peak_c=9.0)))


def test_a_cycle_of_usual_length_with_a_boundary_in_the_wrong_place_is_no_stall():
    freeze, harvest = noisy(25, 60, share=0.01), np.full(60, 2.5)
    freeze[[10, 20, 30, 40]], harvest[[10, 20, 30, 40]] = 11.5, 16.0  # 27.5 min together, as ever
    assert not codes(judged(made_up(freeze, harvest, roles=("current",))))


def test_a_stop_of_seconds_on_a_probe_is_no_short_cycling():
    rows = [{"at_min": 0.0, "run_min": 200.0}]
    rows += [{"at_min": 210.0 + 5 * i, "off_before_min": 0.06, "run_min": 4.9} for i in range(6)]
    assert not codes(judged(made_up(noisy(20, 40), starts=rows)))


def test_a_cold_harvest_in_mid_freeze_is_a_stop_and_no_stall():
    freeze, peak = noisy(20, 60), np.full(60, 9.0)
    for k in (
        10,
        25,
        40,
    ):  # 11 min of freeze, a stop in which the line reaches 1 °C, and the rest of the freeze
        freeze[k], freeze[k + 1], peak[k] = 11.0, 12.0, 1.0
    found = judged(made_up(freeze, noisy(3.0, 60), harvest_peak_c=peak, freeze_end_c=-15.0))
    assert "harvest-stalled" not in codes(found)
    assert "freeze-short" not in codes(found)


def test_cold_harvests_after_a_whole_freeze_are_stalls_however_many_follow_each_other():
    freeze, peak, harvest = noisy(20, 60), np.full(60, 9.0), noisy(3.0, 60)
    freeze[[11, 12]], peak[[10, 11]], harvest[[10, 11]] = 12.0, 1.0, 7.0
    found = finding(
        judged(made_up(freeze, harvest, harvest_peak_c=peak, freeze_end_c=-15.0)), "harvest-stalled"
    )
    assert found.cycles == (11, 12)


def test_two_turns_are_no_repeat_in_a_log_that_has_longer_rows_of_them():
    freeze, harvest, peak = noisy(20, 60), noisy(3.0, 60), np.full(60, 9.0)
    for turns in (slice(20, 24), slice(40, 42)):
        freeze[turns], harvest[turns], peak[turns] = 2.0, 11.0, 8.0
    assert "harvest-stalled" not in codes(
        judged(made_up(freeze, harvest, harvest_peak_c=peak, freeze_end_c=-15.0))
    )


def test_the_level_before_a_change_is_no_row_of_stops():
    late = np.arange(80) >= 40
    freeze, peak = np.where(late, 15.0, 11.0) * noisy(1, 80, share=0.01), np.where(late, 9.0, 3.0)
    ends = np.where(late, -6.0, -15.0)
    found = judged(made_up(freeze, noisy(2.5, 80), harvest_peak_c=peak, freeze_end_c=ends))
    assert {"weak-freeze", "freeze-long"} <= set(codes(found))


def test_with_a_clamp_the_same_turns_are_left_to_the_clamp():
    freeze = noisy(20, 60)
    freeze[30:36] = 2.0
    assert "short-cycling" not in codes(judged(made_up(freeze, 3.0, roles=("evaporator", "current"))))


def gives_up(coldest_c, rest_min):
    """Healthy cycles, then three times a freeze of 31 min that is followed by a rest and no harvest."""
    freeze, harvest = np.full(20, 20.0), np.full(20, 2.5)
    phases, rows = [], [trace(freeze, harvest).values]
    now = 20 * 22.5
    for _ in range(3):
        phases += [phase("freeze", now, now + 31), phase("idle", now + 31, now + 31 + rest_min)]
        falling = 9 + (-15 - 9) * (1 - np.exp(-np.arange(0, 20, 1 / 6) / 5))
        rows += [falling, np.linspace(-15, coldest_c, 66), np.full(round(rest_min * 6), 5.0)]
        now += 31 + rest_min
    values = np.concatenate(rows)
    cold = channel("evaporator", BEGIN_NS, BEGIN_NS + round(now * MIN_NS), values=values)
    timeline, record = made_up(
        freeze, harvest, channels=[cold], freeze_end_c=-15.0, harvest_peak_c=9.0, extra_phases=phases
    )
    table = record.cycles
    more = pd.concat([table, table.tail(3)], ignore_index=True)
    begun = [p.start_ns for p in phases[::2]]
    more.loc[20:, ["freeze_start_ns", "cycle"]] = list(zip(begun, (21, 22, 23), strict=True))
    more.loc[20:, ["harvest_start_ns", "harvest_end_ns"]] = -1
    more.loc[20:, ["freeze_min", "harvest_min"]] = np.nan
    more.loc[20:, "complete"] = False
    return timeline, dataclasses.replace(record, cycles=more.set_index("cycle", drop=False))


def test_a_freeze_that_grows_colder_past_its_length_and_then_rests_had_a_harvest_that_never_warmed():
    found = finding(judged(gives_up(-28.0, 50)), "harvest-stalled")
    assert found.cycles == (21, 22, 23)
    assert (found.evidence["kind"], found.evidence["hidden_count"]) == ("never-warmed", 3)


@pytest.mark.parametrize(
    ("coldest_c", "rest_min"),
    [
        pytest.param(-28.0, 5, id="a trip starts again soon"),
        pytest.param(-15.5, 50, id="no colder than any other: a machine that was switched off"),
    ],
)
def test_a_long_freeze_that_merely_stops_is_no_stalled_harvest(coldest_c, rest_min):
    assert "harvest-stalled" not in codes(judged(gives_up(coldest_c, rest_min)))


def test_where_nothing_but_a_probe_saw_it_a_long_freeze_with_a_stop_in_it_is_not_judged():
    freeze = noisy(20, 60)
    freeze[[20, 35, 50]] = 34.0
    assert not codes(judged(log(freeze, humps={20: 3.0, 35: 3.0, 50: 3.0}, at=0.35)))


def test_freezes_of_a_machine_that_opens_its_runs_with_a_harvest_are_judged():
    rng = np.random.default_rng(0)
    freeze = rng.normal(20.0, 0.4, 90)
    freeze[45:] *= 1.4
    timeline, record = made_up(freeze, 2.5, idle_after=dict.fromkeys(range(1, 90), 40.0))
    phases = []
    for p in record.phases:
        if p.kind is PhaseKind.IDLE:
            opens_ns = p.end_ns - 2 * MIN_NS
            phases.append(dataclasses.replace(p, end_ns=opens_ns))
            phases.append(dataclasses.replace(p, kind=PhaseKind.HARVEST, start_ns=opens_ns))
        else:
            phases.append(p)
    cycles = record.cycles.copy()
    cycles["after_idle"] = False
    opener = dataclasses.replace(record, phases=tuple(phases), cycles=cycles)
    assert "freeze-long" in codes(judged((timeline, opener)))


def test_a_freeze_given_up_whose_line_was_lost_is_judged_without_it():
    log = machine(
        [*cycles(20), ("freeze", 34.0), ("idle", 60.0), *cycles(4)], roles=("evaporator", "current")
    )
    start_s, end_s = next((a, b) for kind, a, b in log.truth if kind == "freeze" and b - a == 34 * 60)
    line = log.timeline.channels[0]
    since_s = (line.time_ns - log.timeline.start_ns) / 1e9
    lost = (since_s > start_s + 480) & (since_s < end_s + 3600)
    channels = (dataclasses.replace(line, trusted=line.trusted & ~lost), *log.timeline.channels[1:])
    timeline = dataclasses.replace(log.timeline, channels=channels)
    unit = Unit(name="lost")
    assert judge(timeline, find_cycles(timeline, unit), unit).verdict is not None


@pytest.mark.parametrize(("rests", "severity"), [(False, Severity.WATCH), (True, Severity.NOTE)])
def test_by_a_line_alone_a_long_freeze_is_a_note_where_others_hold_rests(rests, severity):
    freeze = noisy(20, 120)
    freeze[60] = 31.0
    if rests:
        freeze[20] = 43.0
    found = finding(judged(log(freeze, humps={20: 20.0} if rests else None)), "freeze-long")
    assert (found.cycles, found.severity) == ((61,), severity)
