"""What earlier reports said, on the page."""

from dataclasses import replace

from pipeline.report.page.history import history_of
from pipeline.report.wording import Reader
from tests.report.test_summary import summary_of

NOW = replace(summary_of(), log_end="2026-06-07T09:59:30.000+01:00", freeze_min=24.0)


def past(end: str, freeze_min: float = 20.0) -> dict:
    return {"log_end": end, "level": "well", "freeze_min": freeze_min}


def test_then_and_now_stand_side_by_side_with_a_line():
    told = history_of([past("2026-05-01T10:00:00.000+00:00")], NOW, Reader())
    assert "20.0" in told["lines"][0]["said"]
    assert "24.0" in told["lines"][0]["said"]
    assert "<path" in told["lines"][0]["svg"]
    assert len(told["verdicts"]) == 1


def test_ice_made_then_stands_beside_ice_made_now_and_not_beside_what_running_would_make():
    now = replace(NOW, ice_kg_per_day=121.0, made_ice_kg_per_day=94.0)
    before = past("2026-05-01T10:00:00.000+00:00") | {"ice_kg_per_day": 140.0, "made_ice_kg_per_day": 110.0}
    (said,) = (line["said"] for line in history_of([before], now, Reader())["lines"] if "Ice" in line["said"])
    assert ("110" in said, "94" in said, "140" in said) == (True, True, False)
    assert not any(  # an earlier report that did not keep it
        "Ice" in line["said"]
        for line in history_of([past("2026-05-01T10:00:00.000+00:00")], now, Reader())["lines"]
    )


def test_earlier_reports_stand_in_the_order_of_their_logs_whenever_they_were_made():
    late_in = [past("2026-05-03T10:00:00.000+00:00", 22.0), past("2026-05-01T10:00:00.000+00:00", 18.0)]
    told = history_of(late_in, NOW, Reader())
    assert told == history_of(late_in[::-1], NOW, Reader())
    assert "18.0" in told["lines"][0]["said"]


def test_a_report_of_the_same_moment_or_later_is_none_before_it_whatever_its_offset():
    same, later = "2026-06-07T08:59:30.000+00:00", "2026-06-07T09:30:00.000+00:00"
    assert history_of([past(same), past(later)], NOW, Reader()) is None
