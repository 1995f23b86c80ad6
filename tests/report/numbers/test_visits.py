"""Where visits lie in the log, and what stands beside them."""

from datetime import date, time

import pytest

from pipeline.report.numbers.visits import in_order, places_of
from pipeline.unit import Visit
from tests.report.made_up import made_up


def test_a_visit_lies_at_its_time_or_at_noon_and_outside_the_log_nowhere():
    _, timeline, record, _ = made_up(days=4, interval_s=60)  # from 23 March 2026, 06:00 UTC = 07:00 in Madrid
    visits = [
        Visit(on=date(2026, 3, 25), at=time(7, 0)),
        Visit(on=date(2026, 3, 24)),
        Visit(on=date(2026, 4, 9)),
    ]
    first, second, third = places_of(visits, (), timeline, record)
    assert (first.date, first.minute) == ("2026-03-24", 12 * 60)
    assert (second.minute, second.share) == (7 * 60, pytest.approx(0.5))  # two days of four
    assert third.share is None
    assert [v.on.day for v in in_order(visits)] == [24, 25, 9]


def test_before_and_after_reach_to_the_visits_beside_it():
    _, timeline, record, _ = made_up(days=4, interval_s=60)
    table = record.cycles
    middle = timeline.start_ns + (timeline.end_ns - timeline.start_ns) // 2
    table["freeze_min"] = (
        table["freeze_min"]
        .where(table["freeze_start_ns"] >= middle, 30.0)
        .where(table["freeze_start_ns"] < middle, 20.0)
    )
    (place,) = places_of([Visit(on=date(2026, 3, 25), at=time(7, 0))], (), timeline, record)
    assert place.beside["freeze_min"] == (30.0, 20.0)
    early, _ = places_of(
        [Visit(on=date(2026, 3, 23), at=time(7, 5)), Visit(on=date(2026, 3, 25))], (), timeline, record
    )
    assert early.beside == {}  # no three whole cycles before it
