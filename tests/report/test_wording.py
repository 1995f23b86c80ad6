"""Words and numbers for people."""

from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.findings.phrase import phrase
from pipeline.language.catalogue import own_text
from pipeline.language.text import Text, say
from pipeline.report import wording
from pipeline.report.clock import offsets_between
from pipeline.report.wording import Reader
from tests.language.translating import fields


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        pytest.param("shift_low_min", 0.023, "0.02 min", id="a difference that is not none"),
        pytest.param("shift_low_min", 0.04, "0.04 min", id="one figure of it"),
        pytest.param("shift_high_a", -0.0004, "−0.0004 A", id="of either sign"),
        pytest.param("shift_low_min", 0.0, "0.0 min", id="none"),
        pytest.param("shift_low_min", 1.23, "1.2 min", id="what shows anyhow"),
        pytest.param("level_a", 0.023, "0.0 A", id="no difference"),
    ],
)
def test_a_difference_that_is_not_none_is_not_shown_as_none(name, value, said):
    assert Reader().show(name, value).replace("\N{NO-BREAK SPACE}", " ") == said
    assert say(Text(key="-", english=f"{{{name}}}", values={name: value})) == said


def test_the_days_of_a_log_without_dates_are_counted():
    from pipeline.logs.clock import start_of_log

    assert start_of_log.DAY_ONE.date() == wording.DAY_ONE
    assert Reader().day(date(2001, 1, 1)) == "day 1"
    assert Reader(language="es").weekday(date(2001, 1, 3)) == "día 3"
    offsets = offsets_between(ZoneInfo("UTC"), to_ns("2001-01-01T00:00"), to_ns("2001-01-03T00:00"))
    assert Reader().moment(to_ns("2001-01-02T23:05"), offsets) == "day 2, 23:05"
    assert Reader().day(date(2026, 1, 1)) == "1 Jan 2026"


def to_ns(iso):
    return int(np.datetime64(iso, "ns").astype(np.int64))


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("moved_pct", 115.0, "+115 %"),
        ("change_pct", 300.0, "300 %"),
        ("moved_pct", 536.0, "over 300 %"),
        ("change_pct", 14830.0, "over 300 %"),
        ("change_pct", -90.0, "−90 %"),
    ],
)
def test_a_change_past_all_measure_is_said_without_its_figure(name, value, said):
    assert Reader().show(name, value).replace("\N{NO-BREAK SPACE}", " ") == said


def test_a_moment_is_written_as_people_write_it():
    assert Reader().show("when", "2026-06-12 12:00") == "12 Jun 2026, 12:00"
    assert Reader(language="es").show("when", "2026-06-12 12:00") == "12 jun 2026, 12:00"
    assert Reader().show("file", "2026-06-12.csv") == "2026-06-12.csv"


@pytest.mark.parametrize("language", ["en", "es"])
def test_where_water_cools_the_condenser_no_air_rises_through_it(language):
    """Every text that says "air rise" of a machine of either kind has another one for water, but for those that a water-cooled one never gets."""
    air, water = {"en": ("air", "water"), "es": ("aire", "agua")}[language]
    instead = {k.removeprefix("water-cooled.") for k in own_text(language) if k.startswith("water-cooled.")}
    dry, wet = Reader(language=language), Reader(language=language, cooling="water")
    for key in instead:
        assert water in wet.words[key], key
        if key in dry.words:  # else it is said in English by the rule itself
            assert air in dry.words[key], key
            assert fields(dry.words[key]) == fields(wet.words[key]), key
    changes = phrase("because.air_rise_k.more", "the air rises {change_k} more through the condenser")(
        change_k=2.0
    )
    assert air in dry.say(changes)
    assert water in wet.say(changes)
    assert air not in wet.say(changes)
