"""Causes with probabilities: what they add up to, what speaks for which, and consequences beside their cause."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.findings.advice import causes, pattern
from pipeline.findings.advice.causes import CAUSES, MEASURES, SOMETHING_ELSE, TABLE
from pipeline.findings.advice.checks import CHECKS
from pipeline.findings.advice.pattern import Pattern
from pipeline.findings.advice.probabilities import log_t, posterior_of
from pipeline.findings.evidence.case import Case
from pipeline.findings.thresholds import resolve
from pipeline.unit import Unit
from tests.findings.made_up import BEGIN_NS, MIN_NS, channel, finding, judged, made_up, noisy

OBSERVABLE = frozenset(TABLE.chance) - {"stopped", "broken", "over-voltage", "voltage", "failed-start"}


def changed(codes=("freeze-long",), *, events=(), **later):
    """A pattern in which these measures changed at once within the log, with the uncertainty of a plain one."""
    sd = {"freeze_pct": 4.0, "harvest_pct": 6.0, "current_pct": 2.0, "rise_pct": 9.0, "discharge_k": 2.0}
    return Pattern(
        later={m: (v, sd.get(m, 0.7)) for m, v in later.items()}, codes=frozenset(codes), events=frozenset(events), observable=OBSERVABLE, sudden=2.0
    )  # fmt: skip


def first(made: Pattern, **kw) -> str:
    marginal = posterior_of(made, **kw).marginal
    return max(marginal, key=lambda k: marginal[k])


def test_every_measure_of_the_table_has_its_wandering_and_every_name_is_known():
    assert set(pattern.WANDERS) == set(MEASURES)
    for key, cause in CAUSES.items():
        assert set(cause.effects) <= set(MEASURES), key
        assert set(cause.events) <= set(TABLE.chance), key
        assert set(cause.course) <= set(causes.COURSES), key
        assert cause.source, key
        assert cause.simulated, key
        assert (
            cause.of_the_logger or key == SOMETHING_ELSE or math.isclose(sum(cause.course.values()), 1.0)
        ), key
        assert all(sd > 0 for _, sd in cause.effects.values()), key


def test_the_density_is_students_t():
    x = np.array([-3.0, 0.0, 0.4, 8.0])
    # scipy.stats.t as reference
    assert log_t(x, np.full(4, 2.0)) == pytest.approx(stats.t.logpdf(x, df=4, scale=2.0))


# T. M. Rossi, J. E. Braun, HVAC&R Research 3(1), 1997, table of directions as quoted in a later report on rooftop units,
# table 1-1 (read second-hand). Columns: evaporating, superheat, condensing, subcooling, discharge, condenser air rise.
PUBLISHED = {
    "charge-low": (-1, 1, -1, -1, 1, -1),
    "compressor-worn": (1, -1, -1, -1, -1, -1),
    "metering": (-1, 1, -1, 1, 1, -1),
    "condenser-dirty": (1, -1, 1, -1, 1, 1),
    "scale": (-1, -1, -1, -1, -1, -1),
}
COLUMNS = ("evaporating_k", "superheat_k", "over_air_k", "subcooling_k", "discharge_k", "air_rise_k")


@pytest.mark.parametrize("cause", PUBLISHED)
def test_directions_are_those_of_the_published_table(cause):
    for measure, sign in zip(COLUMNS, PUBLISHED[cause], strict=True):
        if measure in CAUSES[cause].effects:
            assert np.sign(CAUSES[cause].effects[measure][0]) == sign, measure


def test_probabilities_add_up_to_one_with_something_else_among_them():
    posterior = posterior_of(changed(freeze_pct=30.0, current_pct=10.0))
    assert sum(posterior.hypotheses.values()) == pytest.approx(1.0)
    assert posterior.hypotheses[()] > 0
    odds = posterior.of_finding("freeze-long")
    assert sum(odds.values()) == pytest.approx(1.0)
    assert list(odds)[-1] == SOMETHING_ELSE


def test_a_finding_that_no_row_knows_is_shared_among_the_causes_that_its_rule_names():
    odds = posterior_of(changed(("brand-new",), freeze_pct=30.0)).of_finding(
        "brand-new", ("water-warm", "scale")
    )
    assert set(odds) == {"water-warm", "scale", SOMETHING_ELSE}
    assert sum(odds.values()) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("cause", "shown"),
    [
        ("condenser-dirty", {"freeze_pct": 16, "current_pct": 14, "harvest_pct": -10, "cold_k": 1}),
        ("water-leaks-in", {"freeze_pct": 32, "current_pct": -1, "harvest_pct": 3, "cold_k": -0.5}),
        ("charge-low", {"freeze_pct": 28, "current_pct": -9, "harvest_pct": 25, "cold_k": 6}),
        ("end-of-freeze-sensing", {"freeze_pct": 34, "current_pct": -3, "harvest_pct": 12, "cold_k": -4.5, "pull_pct": -18}),
        ("hot-gas-weak", {"freeze_pct": 0, "harvest_pct": 60, "rise_pct": -45, "plateau_min": 1.2, "cold_k": 0}),
        ("slab-sticks", {"freeze_pct": 0, "harvest_pct": 60, "rise_pct": 0, "plateau_min": 2.0, "cold_k": 0}),
        ("harvest-end-sensing", {"freeze_pct": 5, "harvest_pct": 80, "rise_pct": 0, "plateau_min": 0.0, "peak_k": 10}),
        ("water-warm", {"freeze_pct": 14, "water_k": 12, "cold_k": 0, "current_pct": 1}),
    ],
)  # fmt: skip
def test_a_plain_pattern_names_its_cause(cause, shown):
    code = (
        "freeze-short"
        if shown["freeze_pct"] < 0
        else "freeze-long"
        if shown["freeze_pct"] > 10
        else "harvest-long"
    )
    events = ("timeout",) if cause == "end-of-freeze-sensing" else ()
    assert first(changed((code,), events=events, **shown)) == cause


def test_freezes_that_end_early_and_a_lack_of_water_are_told_apart_by_no_line():
    """Both end with less ice on the same plate: the page says so by two probabilities."""
    odds = posterior_of(
        changed(("freeze-short",), freeze_pct=-36, current_pct=2, harvest_pct=-20, cold_k=2)
    ).marginal
    assert min(odds["end-of-freeze-early"], odds["water-short"]) > 0.2
    assert odds["end-of-freeze-early"] + odds["water-short"] > 0.8


def test_a_dirty_condenser_told_by_probe_and_clamp_is_no_water_leak():
    """The case of the issue: freezes longer, the current 14 % higher."""
    odds = posterior_of(changed(freeze_pct=18, current_pct=13, cold_k=0.5, harvest_pct=-8)).marginal
    assert odds.get("water-leaks-in", 0) < 0.1
    assert (
        sum(odds.get(k, 0) for k in ("condenser-dirty", "condenser-fan", "overcharge-or-air", "room-hot"))
        > 0.7
    )


def test_a_channel_that_was_not_logged_leaves_the_doubt():
    few, many = (
        changed(("freeze-long",), freeze_pct=25, **more)
        for more in ({}, {"discharge_k": 15, "current_pct": 11})
    )
    assert max(posterior_of(few).marginal.values()) < max(posterior_of(many).marginal.values())


def test_two_causes_at_once_are_possible():
    both = changed(
        ("condenser-hot", "warm-water", "freeze-long"), freeze_pct=32, current_pct=10, discharge_k=14, air_rise_k=5, water_k=12
    )  # fmt: skip
    marginal = posterior_of(both).marginal
    assert marginal["water-warm"] > 0.5
    assert marginal.get("condenser-dirty", 0) + marginal.get("condenser-fan", 0) > 0.5


def test_what_nothing_in_the_table_does_is_something_else():
    odd = changed(freeze_pct=60, current_pct=40, cold_k=-15, harvest_pct=-60, air_rise_k=-9, discharge_k=-45)
    plain = changed(freeze_pct=18, current_pct=10, discharge_k=14, air_rise_k=5)
    assert posterior_of(odd).hypotheses[()] > 3 * posterior_of(plain).hypotheses[()]


def test_a_water_cooled_machine_has_no_fan_and_an_air_cooled_one_no_regulating_valve():
    shown = changed(("condenser-hot",), freeze_pct=16, current_pct=10, discharge_k=14)
    assert "condenser-fan" not in posterior_of(shown, cooling="water").marginal
    assert "condenser-water" not in posterior_of(shown, cooling="air").marginal


def test_where_the_air_rises_no_more_the_condenser_is_less_likely_dirty():
    """The published table has the rise go up with fouling (see `PUBLISHED`); too much refrigerant leaves it as it was."""
    hot = {"freeze_pct": 10, "current_pct": 6, "discharge_k": 10, "harvest_pct": -15}
    odds = [
        posterior_of(
            changed(("condenser-hot", "freeze-at-timeout"), events=("timeout",), air_rise_k=k, **hot)
        ).marginal
        for k in (0.0, 3.5)
    ]
    assert odds[0]["condenser-dirty"] < 2 * odds[0]["overcharge-or-air"]  # although it is met far more often
    assert odds[1]["condenser-dirty"] > 10 * odds[1]["overcharge-or-air"]


def test_a_harvest_without_an_end_is_explained_by_the_valve_that_stays_open():
    odds = posterior_of(
        changed(
            ("no-ice", "freeze-short", "harvest-long"),
            events=("no-ice", "no-ice-warm"),
            freeze_pct=0,
            harvest_pct=3,
        )
    )
    assert odds.marginal["hot-gas-stuck-open"] > 0.9
    assert odds.of_finding("freeze-short")["hot-gas-stuck-open"] > 0.9


def test_a_hot_room_is_no_cause_where_water_cools():
    shown = changed(("condenser-hot",), freeze_pct=16, current_pct=10, discharge_k=14)
    assert "room-hot" not in posterior_of(shown, cooling="water").marginal


def test_consequences_are_explained_by_their_cause():
    """A valve that stays shut: the stalled harvests, and the freezes that follow, have one cause."""
    n = 80
    stalled = np.arange(n) % 5 == 3
    freeze, peak = noisy(20, n), noisy(9.0, n, seed=2)
    harvest = np.where(stalled, 7.2, noisy(2.5, n))
    peak[stalled] = -6.0
    freeze[np.flatnonzero(stalled)[:-1] + 1] = 9.0
    log = made_up(
        freeze, harvest, harvest_peak_c=peak, freeze_end_c=noisy(-15, n), roles=("evaporator", "current")
    )
    found = judged(log)
    assert finding(found, "harvest-stalled").causes[0].cause == "hot-gas-shut"
    for f in found.findings:
        if f.code != "harvest-stalled":
            assert f.causes[0].cause in ("hot-gas-shut", SOMETHING_ELSE), f.code


def test_a_finding_carries_its_odds_and_what_speaks_for_them():
    late = np.arange(80) >= 40
    log = made_up(
        np.where(late, 26.0, 20.0) + noisy(0.2, 80, share=1), freeze_end_c=noisy(-16, 80) + 6.0 * late
    )
    found = finding(judged(log), "weak-freeze")
    assert sum(o.probability for o in found.causes) == pytest.approx(1.0)
    assert found.causes[-1].cause == SOMETHING_ELSE
    assert [o.text.key for o in found.causes][: len(found.likely_causes)] == [
        t.key for t in found.likely_causes
    ]
    assert found.causes[0].because
    assert [s.text for s in found.steps] == list(found.next_checks)


def test_findings_of_the_loggers_have_causes_in_the_loggers_alone():
    from tests.findings.made_up import doubt

    found = finding(
        judged(made_up(noisy(20, 40), doubts=[doubt("clamp-dead", role="current")])), "clamp-dead"
    )
    assert found.causes[0].cause == "clamp-open"
    assert sum(o.probability for o in found.causes) == pytest.approx(1.0)


def test_a_fault_that_comes_now_and_then_is_waited_for():
    n = 90
    hit = np.arange(n) % 9 == 4
    found = finding(judged(made_up(noisy(20, n), np.where(hit, 7.0, noisy(2.5, n)))), "harvest-stalled")
    steps = [s.check for s in found.steps]
    waits = steps.index("catch-it")
    assert found.steps[waits].text.values["count"] == 9
    # first what can be looked at now; what is measured is measured in the cycle that fails
    assert {CHECKS[c].step for c in steps[:waits]} <= {"look"}
    assert waits == len(steps) - 1 or CHECKS[steps[waits + 1]].step != "look"
    whole = [s.check for s in judged(made_up(noisy(20, n), np.where(hit, 7.0, noisy(2.5, n)))).steps]
    assert "look" not in {CHECKS[c].step for c in whole[whole.index("catch-it") + 1 :]}


def test_how_long_to_wait_is_reckoned_from_the_faults_begin():
    n = 90
    hit = (np.arange(n) % 9 == 4) & (np.arange(n) >= 45)  # one in nine, but only from mid-log on
    found = finding(judged(made_up(noisy(20, n), np.where(hit, 7.0, noisy(2.5, n)))), "harvest-stalled")
    waits = next(s for s in found.steps if s.check == "catch-it")
    assert waits.text.values["count"] in (8, 9)


def test_a_start_that_fails_now_and_then_is_waited_for_by_a_logger_that_can_show_it():
    rows = [{"at_min": 0.0, "run_min": 99.0}]
    for at in (100.0, 500.0, 800.0):  # of 40 cycles of 22 min
        rows.append({"at_min": at, "off_before_min": 1.0, "run_min": 0.1, "failed": True})
        rows.append({"at_min": at + 2.5, "off_before_min": 2.4, "run_min": 290.0})
    log = made_up(noisy(20, 40), starts=rows, roles=("evaporator", "current"))
    found = finding(judged(log), "failed-start")
    waits = next(s for s in found.steps if s.check == "catch-it")
    assert waits.text.values["interval_s"] == 5.0


def test_by_a_line_alone_a_valve_that_stays_shut_and_a_compressor_that_stands_are_not_told_apart():
    n = 80
    stalled = np.arange(n) % 5 == 3
    harvest, peak = np.where(stalled, 7.2, noisy(2.5, n)), np.where(stalled, -6.0, noisy(9.0, n))
    trips = ("low-pressure-cut", "high-pressure-cut", "overload-trips")
    tripped = []
    for roles in (("evaporator",), ("evaporator", "current")):
        log = made_up(noisy(20, n), harvest, harvest_peak_c=peak, roles=roles)
        odds = {o.cause: o.probability for o in finding(judged(log), "harvest-stalled").causes}
        tripped.append(sum(odds.get(k, 0.0) for k in trips))
    assert tripped[0] > 0.3  # a clamp would have shown each stop
    assert tripped[1] < 0.05


def test_what_happens_once_or_twice_explains_no_finding_of_many_cycles():
    once = changed(("freeze-short",), freeze_pct=-5.0)
    often = replace(once, many=frozenset({"freeze-short"}))
    for cause in ("somebody-at-it", "power-lost"):
        assert posterior_of(often).marginal[cause] < posterior_of(once).marginal[cause]


def falling(freeze_min, *, without=None, colder=0.0):
    """A log of such freezes whose line falls by a kelvin a minute from 5 °C, or so much colder, with harvests of 2 min; `without`: minutes in
    which nothing was read."""
    ends = np.cumsum(np.asarray(freeze_min) + 2.0)
    minute = np.arange(0, ends[-1], 0.25)
    cycle = np.searchsorted(ends, minute, side="right")
    since = (
        minute
        - np.concatenate([[0.0], ends])[cycle]
        + np.append(np.broadcast_to(colder, len(ends)), 0.0)[cycle]
    )
    line = channel("evaporator", BEGIN_NS, BEGIN_NS + round(minute[-1] * MIN_NS), values=5.0 - since)
    if without is not None:
        kept = (minute < without[0]) | (minute > without[1])
        line = replace(line, time_ns=line.time_ns[kept], values=line.values[kept], trusted=line.trusted[kept])
    log = made_up(freeze_min, channels=[line])
    unit = Unit(name="x")
    return Case(timeline=log[0], record=log[1], unit=unit, thresholds=resolve(unit))


def test_the_line_at_a_fixed_time_does_not_move_with_the_end_of_a_freeze():
    later = pattern.read(falling(np.repeat([20.0, 26.0], 20)), [], of_the_logger=frozenset()).later
    assert later["freeze_pct"][0] == pytest.approx(100 * math.log(26 / 20), abs=1)
    assert later["begin_k"][0] == pytest.approx(0.0, abs=0.05)
    assert later["mid_k"][0] == pytest.approx(0.0, abs=0.05)


def test_a_freeze_that_was_over_or_not_read_by_then_has_no_reading_at_that_time():
    lengths = np.full(40, 20.0)
    lengths[10] = 9.0
    series = pattern.series_of(falling(lengths, without=(20 * 22.0 - 11.1, 20 * 22.0 - 11.0 + 5.0)))
    usual = series["mid_k"][0]
    assert usual == pytest.approx(5.0 - 0.6 * 20.0, abs=0.3)
    assert math.isnan(series["mid_k"][10])  # it was over after 9 of 12 min
    assert math.isfinite(series["begin_k"][10])
    assert math.isnan(series["begin_k"][20])  # the last reading is of the freeze before
    assert math.isfinite(series["mid_k"][20])


def test_a_single_freeze_that_stands_out_has_no_scatter_and_leaves_its_water_to_the_next():
    lengths = noisy(20.0, 60)
    lengths[3::9] = 11.0
    case = falling(lengths, colder=(np.arange(60) % 9 == 4) * 2.0)
    odd = pattern.read(case, [], of_the_logger=frozenset()).odd
    assert odd["freeze_pct"][0] < -40
    assert "spread_pct" not in odd
    assert odd["begin_k"][0] == pytest.approx(-2.0, abs=0.1)
