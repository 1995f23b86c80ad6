from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.report.clock import iso_times, local_day, offsets_between

S = 1_000_000_000


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * S


@pytest.mark.parametrize(
    ("zone", "start", "end"),
    [
        pytest.param("Europe/Madrid", "2026-03-28T00:00Z", "2026-03-30T00:00Z", id="the EU skips an hour"),
        pytest.param(
            "America/Chicago", "2026-10-31T00:00Z", "2026-11-02T12:00Z", id="the US repeats an hour"
        ),
        pytest.param(
            "Asia/Kathmandu", "2026-01-01T00:00Z", "2026-01-02T00:00Z", id="an offset of 5 h 45 min"
        ),
        pytest.param(
            "Australia/Lord_Howe", "2026-04-03T00:00Z", "2026-04-06T00:00Z", id="a change of half an hour"
        ),
        pytest.param("UTC", "2026-04-03T00:00Z", "2026-04-04T00:00Z", id="no offset"),
    ],
)
def test_a_column_of_times_says_what_the_standard_library_says_of_each(zone, start, end):
    """Oracle: datetime.isoformat with zoneinfo, one value at a time."""
    tz = ZoneInfo(zone)
    times = np.arange(ns(start), ns(end), 1777 * S)
    offsets = offsets_between(tz, int(times[0]), int(times[-1]))
    expected = [datetime.fromtimestamp(t // S, tz).isoformat() for t in times]
    assert list(iso_times(times, offsets)) == expected


def test_both_sides_of_a_repeated_hour_can_be_told_apart():
    # 1 November 2026: clocks in the US go back at 02:00 (2nd Sunday of March, 1st of November)
    times = np.array([ns("2026-11-01T06:30Z"), ns("2026-11-01T07:30Z")])
    offsets = offsets_between(ZoneInfo("America/Chicago"), int(times[0]), int(times[1]))
    assert list(iso_times(times, offsets)) == ["2026-11-01T01:30:00-05:00", "2026-11-01T01:30:00-06:00"]


def test_milliseconds_are_written_for_the_whole_column_or_not_at_all():
    offsets = offsets_between(ZoneInfo("UTC"), 0, S)
    assert list(iso_times(np.array([0, S]), offsets)) == [
        "1970-01-01T00:00:00+00:00",
        "1970-01-01T00:00:01+00:00",
    ]
    assert list(iso_times(np.array([0, S // 4]), offsets)) == [
        "1970-01-01T00:00:00.000+00:00",
        "1970-01-01T00:00:00.250+00:00",
    ]


def test_a_moment_that_was_not_seen_is_an_empty_cell():
    offsets = offsets_between(ZoneInfo("UTC"), 0, S)
    assert list(iso_times(np.array([-1, 5 * S]), offsets)) == ["", "1970-01-01T00:00:05+00:00"]


def test_local_midnights_come_back_to_the_same_wall_clock():
    tz = ZoneInfo("Europe/Madrid")
    start, end = ns("2026-03-27T12:00Z"), ns("2026-03-31T12:00Z")
    offsets = offsets_between(tz, start, end)
    midnights = (np.arange(20539, 20545) * 86_400) * S
    for local, utc in zip(midnights, offsets.utc_ns(midnights), strict=True):
        there = datetime.fromtimestamp(int(utc) // S, tz)
        assert (there.hour, there.minute) == (0, 0)
        assert there.replace(tzinfo=UTC).timestamp() == local / S


def test_a_moment_in_words_uses_the_wall_clock():
    at = ns("2026-07-01T22:30Z")
    offsets = offsets_between(ZoneInfo("Europe/Madrid"), at, at)
    assert local_day(at, offsets) == datetime(2026, 7, 2, 0, 30)
