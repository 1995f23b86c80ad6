from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from pipeline.cycles.record import CycleRecord, Phase, PhaseKind
from pipeline.report.clock import offsets_between
from pipeline.report.numbers.days import KINDS, days_of
from tests.report.made_up import made_up
from tests.report.test_clock import ns


def record_of(*edges, kinds):
    phases = tuple(
        Phase(kind=k, start_ns=a, end_ns=b, start_uncertainty_s=1.0, confidence=1.0)
        for k, a, b in zip(kinds, edges[:-1], edges[1:], strict=True)
    )
    empty = pd.DataFrame({"harvest_end_ns": np.empty(0, np.int64), "complete": np.empty(0, bool)})
    return CycleRecord(phases=phases, cycles=empty, starts=pd.DataFrame())


@pytest.mark.parametrize(
    ("zone", "start", "end", "hours"),
    [
        # EU: 01:00 UTC on the last Sundays of March and October
        pytest.param("Europe/Madrid", "2026-03-28T23:00Z", "2026-03-29T22:00Z", 23, id="a day of 23 hours"),
        pytest.param("Europe/Madrid", "2026-10-24T22:00Z", "2026-10-25T23:00Z", 25, id="a day of 25 hours"),
        pytest.param(
            "Asia/Kolkata", "2026-05-01T18:30Z", "2026-05-02T18:30Z", 24, id="an offset of half an hour"
        ),
    ],
)
def test_a_local_day_holds_its_own_number_of_hours(zone, start, end, hours):
    offsets = offsets_between(ZoneInfo(zone), ns(start), ns(end))
    got = days_of(record_of(ns(start), ns(end), kinds=[PhaseKind.IDLE]), offsets)
    assert got.hours[0, :, KINDS.index(PhaseKind.IDLE)].sum() == pytest.approx(hours)
    assert got.whole[0]


def test_hours_go_to_the_hour_of_the_wall_clock_and_the_phase_they_belong_to():
    start, middle, end = ns("2026-06-01T05:30Z"), ns("2026-06-01T06:45Z"), ns("2026-06-01T08:00Z")
    offsets = offsets_between(ZoneInfo("Europe/Madrid"), start, end)  # two hours ahead in summer
    got = days_of(record_of(start, middle, end, kinds=[PhaseKind.FREEZE, PhaseKind.GAP]), offsets)
    assert got.days == (date(2026, 6, 1),)
    freeze, gap = (got.hours[0, :, KINDS.index(k)] for k in (PhaseKind.FREEZE, PhaseKind.GAP))
    assert (freeze[7], freeze[8], gap[8], gap[9]) == (0.5, 0.75, 0.25, 1.0)
    assert freeze.sum() == pytest.approx(1.25)
    assert not got.whole[0]


def test_every_complete_cycle_is_counted_on_one_day():
    _, timeline, record, _ = made_up(days=5, interval_s=60)
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    got = days_of(record, offsets)
    assert got.cycles.sum() == record.cycles.complete.sum()
    assert got.hours.sum() == pytest.approx(5 * 24)
