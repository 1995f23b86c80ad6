"""Icicles and ribbons: small pictures without scripts."""

import re
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.report.charts.strips import MOST_ICICLES, by_time, day_ribbons, icicles, ribbons_note
from pipeline.report.numbers.hours import Day
from pipeline.report.numbers.whole import numbers_of
from pipeline.report.wording import Reader
from tests.report.made_up import made_up


def tips(picture) -> list[float]:
    """How far down each icicle reaches [px]."""
    return [1 + float(y) for y in re.findall(r"q[\d.]+ [\d.]+ [\d.]+ ([\d.]+)q", picture)]


def test_an_icicle_is_as_long_as_its_freeze():
    got = tips(icicles((10.0, 20.0, None, 40.0), (), width=400, height=42, title="-"))
    assert np.array(got) - 1 == pytest.approx([10, 20, 40], abs=0.1)


def test_abnormal_ones_are_marked_and_empty_places_hang_nothing():
    picture = icicles((10.0, None, 30.0), (False, False, True), width=300, height=40, title="-")
    assert len(tips(re.search(r'class="icicle odd" d="([^"]+)"', picture)[1])) == 1
    assert len(tips(picture)) == 2
    assert tips(icicles((), (), width=300, height=40, title="none")) == []


def test_a_freeze_each_hangs_where_it_stood_and_of_many_the_longest():
    few = by_time(np.array([0, 50]), np.array([10.0, 12.0]), np.array([False, True]), (0, 100))
    assert few == ([10.0, 12.0], [False, True], [0.0, 0.5])
    n = 10 * MOST_ICICLES
    lengths = np.full(n, 20.0)
    lengths[777] = 90.0
    odd = np.arange(n) == 777
    shown, marked, at = by_time(np.arange(n), lengths, odd, (0, n))
    assert len(shown) == MOST_ICICLES
    assert max(shown) == 90.0
    assert sum(marked) == 1
    assert at == sorted(at)


def test_the_ribbons_hold_every_hour_of_every_phase():
    """Oracle: the record's own phases, to the five minutes that a ribbon shows; the night of 29 March has 23 hours."""
    unit, timeline, record, judgement = made_up(days=7, interval_s=60)
    days = numbers_of(unit, timeline, record, judgement).hours
    assert [d.date for d in days] == [(date(2026, 3, 23) + timedelta(n)).isoformat() for n in range(8)]
    for state, kinds in {"ice": ("freeze", "harvest"), "off": ("idle",), "gap": ("gap",)}.items():
        drawn = sum(b - a for d in days for a, b, kind in d.runs if kind == state)
        true = sum((p.end_ns - p.start_ns) / 60e9 for p in record.phases if p.kind in kinds)
        assert drawn == pytest.approx(true, abs=75), (
            state
        )  # an hour that the clocks skip is drawn once too often
    assert timeline.tz == ZoneInfo("Europe/Madrid")


def test_a_ribbon_says_its_day_and_what_it_made():
    day = Day(date="2026-06-08", cycles=30, whole=True, runs=((0, 720, "ice"), (720, 1440, "off")))
    picture = day_ribbons((day,), Reader(), title="one day", said=("30×",))
    assert "Mon 8 Jun" in picture
    assert "30×" in picture
    wide = {
        state: float(w) for state, w in re.findall(r'class="run-(\w+)" d="M[\d.]+ [\d.]+h([\d.]+)v', picture)
    }
    assert wide["ice"] == pytest.approx(wide["off"])


def test_an_unclear_stretch_is_explained_where_one_is_drawn():
    def note(state):
        runs = ((0, 600, "ice"), (600, 660, state))
        return ribbons_note([Day(date="2026-03-23", cycles=1, whole=True, runs=runs)], Reader())

    assert "could not be seen to make ice" in note("unclear")
    assert "could not be seen to make ice" not in note("off")
