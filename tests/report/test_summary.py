from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.findings.finding import Shows
from pipeline.report.numbers.whole import numbers_of
from pipeline.report.page.trend import trend_of
from pipeline.report.summary import LEVELS, UnitSummary, read_summary, summarise, text_from
from pipeline.report.wording import Reader
from tests.report.made_up import made_up, reported


def summary_of(previous=None, **options) -> UnitSummary:
    unit, timeline, record, judgement = made_up(days=3, interval_s=60, **options)
    return summarise(
        unit=unit,
        timeline=timeline,
        record=record,
        judgement=judgement,
        numbers=numbers_of(unit, timeline, record, judgement),
        problems=[],
        previous=previous,
    )


@pytest.fixture(scope="module")
def summary():
    return summary_of()


def test_a_summary_survives_its_file(summary):
    assert UnitSummary.from_json(summary.to_json()) == summary


def test_a_field_of_a_newer_version_is_passed_over(summary):
    text = summary.to_json().replace('"unit"', '"of_the_future": [1], "unit"', 1)
    assert UnitSummary.from_json(text) == summary


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"unit": 1}', "not json"])
def test_a_file_that_is_no_summary_is_none(text, tmp_path: Path):
    (tmp_path / "summary.json").write_text(text)
    assert read_summary(tmp_path) is None


def test_no_file_is_none(tmp_path: Path):
    assert read_summary(tmp_path) is None


def test_the_worst_unit_comes_first(summary):
    units = [replace(summary, unit=level, level=level) for level in reversed(LEVELS)]
    assert [u.unit for u in sorted(units, key=lambda u: u.order)] == list(LEVELS)


def test_of_two_that_need_someone_the_one_with_more_to_mend_comes_first(summary):
    more = replace(summary, unit="more", counts={"act": 3})
    assert min([summary, more], key=lambda u: u.order) is more


def test_its_texts_can_be_said_in_another_language_and_other_units(summary):
    title = text_from(summary.texts["findings"][0]["title"])
    assert "32.7\N{NO-BREAK SPACE}°F" in Reader(units="us").say(title)  # 0.4 °C
    assert "0,4\N{NO-BREAK SPACE}°C" in Reader(language="es").say(title)


def test_the_small_trace_keeps_the_longest_freeze(summary):
    record = made_up(days=3, interval_s=60)[2]
    assert max(v for v in summary.trace if v is not None) == pytest.approx(
        record.cycles.freeze_min.max(), abs=0.01
    )
    assert any(summary.trace_flags)


def test_cycles_that_only_the_logger_read_wrongly_are_not_marked(summary):
    unit, timeline, record, judgement = made_up(days=3, interval_s=60)
    every = tuple(int(c) for c in record.cycles.cycle)
    false = replace(judgement.findings[0], cycles=every, flag_cycles=True, shows=Shows(doubted=True))
    judgement = replace(judgement, findings=(false,))
    got = summarise(
        unit=unit, timeline=timeline, record=record, judgement=judgement,
        numbers=numbers_of(unit, timeline, record, judgement), problems=[], previous=None,
    )  # fmt: skip
    assert got.abnormal_cycles == 0
    assert not any(got.trace_flags)
    assert summary.abnormal_cycles > 0


def test_the_report_before_is_kept_for_comparison_and_a_second_run_over_the_same_log_keeps_the_one_before_it(
    summary,
):
    earlier = replace(summary, log_end="2026-01-01T00:00:00+01:00", level="well", freeze_min=16.0)
    first = summary_of(previous=earlier)
    again = summary_of(previous=first)
    assert first.previous["level"] == again.previous["level"] == "well"
    assert trend_of(again, Reader()).direction == "worse"


@pytest.mark.parametrize(
    ("before", "direction"),
    [
        (None, "first"),
        ({"level": "act", "freeze_min": None}, "same"),
        ({"level": "well", "freeze_min": None}, "worse"),
        ({"level": "act", "freeze_min": 30.0}, "better"),
        ({"level": "act", "freeze_min": 12.0}, "worse"),
    ],
)
def test_a_trend_is_told_from_the_verdict_first_and_the_freezes_next(summary, before, direction):
    got = trend_of(replace(summary, level="act", freeze_min=18.5, previous=before), Reader())
    assert got.direction == direction
    assert got.words


def test_writing_a_unit_finds_the_report_before_by_itself(tmp_path: Path):
    for days in (2, 3):
        got = reported(tmp_path, days=days, interval_s=60)
    assert got.previous["days"] == 2.0
    assert read_summary(tmp_path) == got
