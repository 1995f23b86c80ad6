"""What it costs to wait, worked out by hand."""

from dataclasses import replace

from pipeline.findings.finding import Severity, Shows
from pipeline.report.numbers.waiting import waiting_of
from tests.report.made_up import made_up


def judged(**changed):
    _, _, record, judgement = made_up(days=4, interval_s=60)
    table = record.cycles.copy()
    table["freeze_min"], table["harvest_min"], table["charge_ah"] = 20.0, 4.0, 2.0
    table["complete"], table["broken"], table["after_idle"] = True, False, False
    slow = table["cycle"] > 60
    table.loc[slow, "freeze_min"], table.loc[slow, "charge_ah"] = 26.0, 2.5
    finding = replace(
        judgement.findings[0],
        **{
            "severity": Severity.ACT, "cycles": tuple(int(c) for c in table.index[slow]), "flag_cycles": True, "evidence": {},
            "shows": Shows(about="freeze"),
        } | changed,
    )  # fmt: skip
    return replace(record, cycles=table), replace(judgement, findings=(finding,))


def test_a_slower_batch_costs_time_ice_and_current():
    cost = waiting_of(*judged())
    # 24 min a batch became 30 min: 1 - 24/30 = 20 % less ice; 2.0 A·h became 2.5 A·h: 25 % more
    assert (cost["usual_min"], cost["now_min"], cost["less_pct"], cost["more_pct"]) == (
        24.0,
        30.0,
        20.0,
        25.0,
    )


def test_ice_and_energy_are_those_of_the_dearest_finding():
    lost = {
        "ice_lost_low_kg_per_day": 10.0, "ice_lost_high_kg_per_day": 14.0, "energy_lost_low_kwh_per_day": 1.0,
        "energy_lost_high_kwh_per_day": 2.0,
    }  # fmt: skip
    record, judgement = judged(evidence=lost)
    less = replace(
        judgement.findings[0], evidence={"ice_lost_low_kg_per_day": 2.0, "ice_lost_high_kg_per_day": 3.0}
    )
    cost = waiting_of(record, replace(judgement, findings=(less, *judgement.findings)))
    assert [cost[n] for n in ("low_whole_kg", "high_whole_kg", "low_kwh", "high_kwh")] == [
        10.0,
        14.0,
        1.0,
        2.0,
    ]


def test_a_machine_slow_from_the_start_is_held_against_its_kind():
    record, judgement = judged(evidence={"found_min": 40.0, "expected_high_min": 30.0})
    everything = replace(judgement.findings[0], cycles=tuple(int(c) for c in record.cycles.index))
    cost = waiting_of(record, replace(judgement, findings=(everything,)))
    assert cost == {"freeze_now_min": 40.0, "kind_min": 30.0, "less_pct": 25.0}


def test_hours_without_ice_are_told():
    assert waiting_of(*judged(evidence={"stopped_h": 14.26}))["none_h"] == 14.3


def test_a_fault_of_the_logger_costs_the_machine_nothing():
    assert waiting_of(*judged(shows=Shows(doubted=True))) == {"of_the_logger": 1.0}


def test_a_note_costs_nothing():
    assert waiting_of(*judged(severity=Severity.NOTE)) == {}
