"""Causes with probabilities, steps and the next channel: in findings.json, on the page, in the terminal, in each language."""

import json

import numpy as np
import pytest

from pipeline.report.clock import offsets_between
from pipeline.report.machine_files import findings_json
from pipeline.report.page.finding_view import chance, clip_view, finding_view
from pipeline.report.wording import Reader
from tests.findings.made_up import judged, made_up, noisy

N = 90
LATE = np.arange(N) >= 45


@pytest.fixture(scope="module")
def log():
    """Freezes half as long again at the same temperatures: several causes, and nothing logged that would part them."""
    return made_up(np.where(LATE, 30.0, 20.0) + noisy(0.2, N, share=1), noisy(2.5, N), roles=("evaporator",))


@pytest.fixture(scope="module")
def judgement(log):
    return judged(log)


def written(log, judgement, language="en"):
    timeline = log[0]
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    return json.loads(findings_json(timeline, judgement, offsets, Reader(language=language)))


def test_findings_json_holds_causes_that_add_up_to_one(log, judgement):
    for finding in written(log, judgement)["findings"]:
        causes = finding["causes"]
        assert sum(c["probability"] for c in causes) == pytest.approx(1.0)
        assert causes[-1]["cause"] == "something-else"
        assert all({"cause", "probability", "because", "against"} <= set(c) for c in causes)
        ordered = [c["name"] for c in causes[: len(finding["likely_causes"])]]
        assert ordered == finding["likely_causes"]


@pytest.mark.parametrize("language", ["en", "es"])
def test_findings_json_holds_steps_and_the_next_clip_in_the_readers_language(log, judgement, language):
    file = written(log, judgement, language)
    steps = file["findings"][0]["steps"]
    assert [s["text"] for s in steps] == file["findings"][0]["next_checks"]
    assert all(s[part] for s in steps for part in ("instrument", "expect", "basis", "if_so", "if_not"))
    clip = file["next_clip"]
    assert clip["channel"] != "evaporator"
    assert clip["speaks_for"]
    assert clip["first_cause_probability"] < clip["first_cause_probability_then"] <= 1
    assert ("probe" in clip["text"].lower()) == (language == "en")


def test_the_page_shows_the_same(log, judgement):
    timeline = log[0]
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    shown = finding_view(1, judgement.findings[0], None, offsets, Reader())
    assert all("in 10" in c["chance"] for c in shown["causes"])
    assert all(c["instrument"] and c["if_so"] and c["if_not"] for c in shown["checks"])
    clip = clip_view(judgement.next_clip, Reader())
    assert clip["speaks"]
    assert clip_view(None, Reader()) is None


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.02, "Less than 1 in 10:"),
        (0.1, "1 in 10:"),
        (0.68, "7 in 10:"),
        (0.93, "9 in 10:"),
        (0.98, "More than 9 in 10:"),
    ],
)
def test_a_probability_is_said_in_tenths(probability, said):
    assert chance(probability, Reader()) == said
