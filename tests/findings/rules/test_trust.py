"""Doubts of the reading room, passed on."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from pipeline.language.text import say
from tests.findings.made_up import codes, doubt, finding, judged, made_up, noisy


@pytest.mark.parametrize(
    ("code", "role", "severity"),
    [
        ("probe-fault", "evaporator", Severity.WATCH),
        ("probe-fault", "bin", Severity.NOTE),
        ("probe-loose", "suction", Severity.WATCH),
        ("clamp-dead", "current", Severity.WATCH),
        ("log-gap", "", Severity.NOTE),
        ("log-coarse", "", Severity.NOTE),
        ("clock-offset", "current", Severity.NOTE),
    ],
)
def test_a_doubt_becomes_a_finding_of_its_code(code, role, severity):
    found = finding(judged(made_up(noisy(20, 40), doubts=[doubt(code, role=role, lag_s=3.0)])), code)
    assert found.severity is severity
    assert found.evidence["lag_s"] == 3.0
    assert found.title.key == f"doubt.{code}"
    assert found.next_checks


def test_that_readings_are_false_is_no_less_certain_where_many_are():
    timeline, record = made_up(noisy(20, 40), doubts=[doubt("probe-fault", role="evaporator")])
    half = [replace(c, trusted=np.arange(len(c.trusted)) % 2 == 0) for c in timeline.channels]
    assert finding(judged((replace(timeline, channels=tuple(half)), record)), "probe-fault").confidence == 1.0


def test_many_gaps_make_one_finding():
    gaps = [doubt("log-gap", from_min=60 * k, to_min=60 * k + 20) for k in range(1, 6)]
    found = finding(judged(made_up(noisy(20, 40), doubts=gaps)), "log-gap")
    assert found.evidence["spans"] == 5
    assert found.evidence["span_h"] == pytest.approx(5 / 3, abs=0.01)


def test_a_verdict_that_leaves_something_open_says_what():
    verdict = judged(made_up(noisy(20, 40), doubts=[doubt("log-gap"), doubt("log-coarse")])).verdict
    assert verdict.level == "note"
    assert "as it should" not in say(verdict.client)
    assert {say(text) for text in verdict.also} == {
        "what happened while nothing was logged",
        "what lies between readings so far apart",
    }


def test_two_channels_in_doubt_make_two_findings():
    doubts = [doubt("probe-fault", role="evaporator"), doubt("probe-fault", role="discharge")]
    assert codes(judged(made_up(noisy(20, 40), doubts=doubts))).count("probe-fault") == 2


def test_the_cycles_under_a_doubtful_cold_probe_are_flagged():
    found = finding(
        judged(
            made_up(noisy(20, 40), doubts=[doubt("probe-fault", role="evaporator", from_min=30, to_min=50)])
        ),
        "probe-fault",
    )
    assert found.cycles == (2, 3)
    assert found.flag_cycles


def test_a_log_without_doubts_says_nothing():
    assert not codes(judged(made_up(noisy(20, 40))))
