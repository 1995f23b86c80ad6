"""How it was worked out, as the page tells it."""

import re
from dataclasses import replace

import numpy as np
import pytest

from pipeline.findings.thresholds import InForce
from pipeline.language.catalogue import languages
from pipeline.report.page.method import _channel, thresholds_table
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
    channel = made_up(days=1, interval_s=60)[1].channels[0]
    words = np.arange(len(channel.values)) % 3 == 0
    values = np.where(words, np.nan, 1.0)
    told = _channel(replace(channel, values=values, trusted=~words, masks={"error word": words}), Reader())
    assert told["trusted"].replace("\N{NO-BREAK SPACE}", " ") == "67 %"
