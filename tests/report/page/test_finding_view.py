"""A finding as the page tells it."""

from zoneinfo import ZoneInfo

import pytest
from markupsafe import Markup

from pipeline.findings.finding import Finding, Severity
from pipeline.language.text import Text
from pipeline.report.clock import offsets_between
from pipeline.report.page.finding_view import finding_view, with_shared_advice
from pipeline.report.wording import Reader

START_NS, END_NS = 1_767_600_000_000_000_000, 1_767_603_600_000_000_000


def invented(**said):
    """An invented note with what is `said` of it."""
    title = Text(key="invented", english="An invented finding")
    return Finding(
        code="invented", severity=Severity.NOTE, title=title, start_ns=START_NS, end_ns=END_NS, **said
    )


@pytest.mark.parametrize(
    ("confidence", "says"),
    [(0.95, "certain"), (0.75, "fairly certain"), (0.4, "not certain"), (0.001, "not certain")],
)
def test_how_sure_it_is(confidence, says):
    finding = invented(
        confidence=confidence,
    )
    offsets = offsets_between(ZoneInfo("UTC"), START_NS, END_NS)
    sure = finding_view(1, finding, None, offsets, Reader())["sure"]
    assert Markup(sure).striptags() == f"This is {says}."  # percentages stand in files


def test_an_interval_and_a_rate_stand_beside_what_they_are_of():
    finding = invented(
        confidence=0.9,
        evidence={
            "discharge_rise_k": 23.7,
            "discharge_rise_low_k": 11.0,
            "discharge_rise_high_k": 41.3,
            "condenser_split_change_k": 3.1,
            "condenser_split_change_k_per_day": 1.04,
            "expected_low_min": 12.0,
            "expected_high_min": 40.0,
        },
    )
    offsets = offsets_between(ZoneInfo("UTC"), START_NS, END_NS)
    shown = finding_view(1, finding, None, offsets, Reader())["numbers"]
    said = [(name, Markup(value).striptags().replace("\N{NO-BREAK SPACE}", " ")) for name, value in shown]
    assert said == [
        ("rise of the discharge line", "23.7 K (11.0 K to 41.3 K)"),
        ("change of the condenser air rise", "3.1 K; 1.04 K/day"),
        ("expected at least", "12.0 min"),
        ("expected at most", "40.0 min"),
    ]


def test_causes_and_checks_that_two_findings_share_are_told_once():
    causes, checks = [{"text": "dirt"}], [{"text": "look"}]
    first, second, third = with_shared_advice(
        [
            {"title": "long freezes", "causes": causes, "checks": checks},
            {"title": "hot condenser", "causes": causes, "checks": checks},
            {"title": "a gap", "causes": [], "checks": []},
        ]
    )
    assert (first["same_as"], second["same_as"], third["same_as"]) == (None, "long freezes", None)


@pytest.mark.parametrize(
    ("units", "said"), [("si", "60 °C to 95.5 °C"), ("us", "140 °F to 203.9 °F")]
)  # °F = 1.8 °C + 32 (NIST SP 811, appendix B)
def test_a_number_to_expect_has_no_digits_that_nobody_measured(units, said):
    text = Text(key="invented", english="{low_c} to {high_c}", values={"low_c": 60.0, "high_c": 95.5})
    shown = Reader(units=units).say_html(text, short=True).striptags()
    assert shown.replace("\N{NO-BREAK SPACE}", " ") == said


def test_a_number_that_holds_nothing_is_not_shown():
    finding = invented(confidence=0.9, evidence={"corrected_for": [], "count": 3, "usual_min": None})
    offsets = offsets_between(ZoneInfo("UTC"), START_NS, END_NS)
    shown = finding_view(1, finding, None, offsets, Reader())["numbers"]
    assert [Markup(value).striptags() for _, value in shown] == ["3"]
