"""Words and numbers for people."""

import pytest

from pipeline.language.text import Text, say
from pipeline.report.wording import Reader


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
