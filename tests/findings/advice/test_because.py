"""What speaks for a cause, as sentences."""

import pytest

from pipeline.findings.advice.because import sentences
from pipeline.findings.advice.pattern import Pattern
from pipeline.language.text import say

SEEN = Pattern(later={"freeze_pct": (9.0, 2.0)})


@pytest.mark.parametrize(
    ("beside", "said"),
    [
        pytest.param(12.0, ["freezes are 12 % longer"], id="the number beside the finding"),
        pytest.param(0.2, [], id="a number that is shown as none says nothing"),
    ],
)
def test_a_change_is_told_with_its_number_or_not_at_all(beside, said):
    told, _ = sentences({"later:freeze_pct": 1.0}, SEEN, {"freeze_pct": beside})
    assert [say(text) for text in told if text.key.startswith("because.freeze_pct")] == said


def test_what_was_compared_stands_behind_what_it_showed():
    both = Pattern(later={"freeze_pct": (60.0, 2.0), "cold_k": (4.0, 1.0)}, odd={"harvest_pct": (58.0, 2.0)})
    told, _ = sentences({"later:freeze_pct": 3.0, "odd:harvest_pct": 2.0, "later:cold_k": 1.0}, both, {})
    assert [text.key.removeprefix("because.") for text in told] == [
        "freeze_pct.more", "cold_k.more", "view.later", "harvest_pct.more", "view.odd",
    ]  # fmt: skip


def test_what_speaks_for_a_cause_does_not_speak_against_it_too():
    both = Pattern(later={"freeze_pct": (60.0, 2.0)}, odd={"freeze_pct": (58.0, 2.0)})
    told, against = sentences({"later:freeze_pct": 2.0, "odd:freeze_pct": -1.0}, both, {})
    assert [text.key for text in told] == ["because.freeze_pct.more", "because.view.later"]
    assert against == ()
