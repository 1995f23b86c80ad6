"""How it was worked out, as the page tells it."""

import re
from dataclasses import replace

import numpy as np
import pytest

from pipeline.findings.thresholds import InForce
from pipeline.language.catalogue import languages
from pipeline.report.clock import offsets_between
from pipeline.report.page.method import method_of, thresholds_table
from pipeline.report.wording import Reader
from tests.report.made_up import made_up

GOES_ON = {
    "en": r"(…|and|or|the same|of|that|by which|which|at|in|from|so|on|beyond|below)\b",
    "es": r"(…|y|o|lo mismo|de|del|que|en|desde|así|tan|más allá|por debajo)\b",
}


@pytest.mark.parametrize("language", languages())
def test_every_threshold_is_told_by_a_sentence_that_needs_no_other(language):
    table = str(thresholds_table(InForce({}).rows(), Reader(language=language)))
    told = re.findall(r"</th><td>(.*?)</td>", table)
    assert len(told) == len(InForce({}).rows()) > 300
    assert not [
        x for x in told if re.match(GOES_ON[language], x, re.IGNORECASE) or "…" in x or not x.endswith(".")
    ]
    assert len(set(told)) == len(told), "two thresholds are told by one sentence"


def test_an_error_word_is_a_reading_that_cannot_be_trusted():
    unit, timeline, record, judgement = made_up(days=1, interval_s=60)
    first, *others = timeline.channels
    words = np.arange(len(first.values)) % 3 == 0
    values = np.where(words, np.nan, 1.0)
    first = replace(first, values=values, trusted=~words, masks={"error word": words})
    timeline = replace(timeline, channels=(first, *others))
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    told = method_of(
        unit=unit, timeline=timeline, record=record, judgement=judgement, offsets=offsets, reader=Reader()
    )
    assert told["channels"][0]["trusted"].replace("\N{NO-BREAK SPACE}", " ") == "67 %"
