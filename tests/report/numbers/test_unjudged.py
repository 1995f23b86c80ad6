from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles.record import PhaseKind
from pipeline.findings.finding import Verdict
from pipeline.report.numbers.unjudged import unjudged as why_unjudged
from pipeline.report.wording import Reader
from tests.report.made_up import made_up, text
from tests.report.page.test_page import written

S = 1_000_000_000


@pytest.fixture(scope="module")
def unjudged():
    """A log in which nothing was found, as far as the findings know."""
    unit, timeline, record, judgement = made_up(days=2, interval_s=20, well=True)
    phase = replace(
        record.phases[0], kind=PhaseKind.UNCLEAR, start_ns=timeline.start_ns, end_ns=timeline.end_ns
    )
    verdict = Verdict(
        level="cannot-tell",
        client=text("verdict.none", "This log does not show how the machine works."),
        technician=text("verdict.none.tech", "No whole cycle was seen"),
    )
    return (
        unit,
        timeline,
        replace(record, phases=(phase,), cycles=record.cycles.iloc[:0], interval_s=20.0),
        replace(judgement, verdict=verdict),
    )


def keys(timeline, record, judgement) -> tuple[list[str], list[str]]:
    got = why_unjudged(timeline, record, judgement)
    return [t.key.removeprefix("unjudged.") for t in got.why], [
        t.key.removeprefix("unjudged.") for t in got.steps
    ]


def test_a_log_that_was_judged_needs_no_excuse():
    _, timeline, record, judgement = made_up(days=2, interval_s=20, well=True)
    assert why_unjudged(timeline, record, judgement) is None


def test_only_room_air_asks_for_a_clip_and_a_clamp(unjudged):
    _, timeline, record, judgement = unjudged
    air = replace(timeline, channels=tuple(c for c in timeline.channels if c.role == "condenser_in"))
    assert keys(air, record, judgement) == (["why_no_line"], ["do_clip", "do_clamp", "do_again"])


def test_what_was_only_taken_for_room_air_may_be_named_by_hand(unjudged):
    _, timeline, record, judgement = unjudged
    air = tuple(replace(c, role_by="behaviour") for c in timeline.channels if c.role == "condenser_in")
    assert keys(replace(timeline, channels=air), record, judgement)[1][0] == "do_name"


def test_channels_that_nobody_knows_are_named(unjudged):
    _, timeline, record, judgement = unjudged
    others = tuple(replace(c, role="other", chosen=False, label="Ch <1>") for c in timeline.channels[:1])
    got = why_unjudged(replace(timeline, channels=others), record, judgement)
    assert "“Ch &lt;1&gt;”" in Reader().say_html(got.why[0])
    assert got.steps[0].key == "unjudged.do_name"


def test_a_machine_that_was_off_asks_for_a_log_while_it_runs(unjudged):
    _, timeline, record, judgement = unjudged
    off = replace(record, phases=(replace(record.phases[0], kind=PhaseKind.IDLE),))
    assert keys(timeline, off, judgement) == (["why_off"], ["do_running", "do_again"])


def test_a_channel_that_stands_still_asks_for_its_probe(unjudged):
    _, timeline, record, judgement = unjudged
    still = tuple(replace(c, values=np.full(len(c.values), 4.0)) for c in timeline.channels)
    got = why_unjudged(replace(timeline, channels=still), record, judgement)
    said = [Reader(units="us").say(t) for t in got.why]
    assert "Stands at 39.2\N{NO-BREAK SPACE}°F all the time: evaporator" in said  # 4 °C × 1.8 + 32
    assert "unjudged.do_probe" in [t.key for t in got.steps]


def test_readings_that_cannot_be_trusted_are_counted(unjudged):
    _, timeline, record, judgement = unjudged
    broken = tuple(
        replace(c, trusted=np.arange(len(c.values)) < len(c.values) // 5) for c in timeline.channels
    )
    got = why_unjudged(replace(timeline, channels=broken), record, judgement)
    assert got.why[0].key == "unjudged.why_untrusted"
    assert got.why[0].values["trusted_pct"] == pytest.approx(20, abs=0.5)


def test_a_short_and_a_coarse_log_say_so(unjudged):
    _, timeline, record, judgement = unjudged
    short = replace(timeline, end_ns=timeline.start_ns + 600 * S)
    assert keys(short, record, judgement)[0] == ["why_short"]
    assert keys(timeline, replace(record, interval_s=300.0), judgement) == (
        ["why_coarse"],
        ["do_faster", "do_again"],
    )


def test_what_moves_without_a_pattern_says_that(unjudged):
    _, timeline, record, judgement = unjudged
    assert keys(timeline, record, judgement)[0] == ["why_pattern"]


@pytest.mark.parametrize("language", ["en", "es"])
def test_its_page_says_what_was_read_why_it_was_not_enough_and_what_to_do(unjudged, tmp_path, language):
    html = written(tmp_path, *unjudged, language=language)
    reader = Reader(language=language)
    for key in ("unjudged.heading", "unjudged.why_pattern", "unjudged.do_again"):
        assert reader.words[key].replace("'", "&#39;") in html
    assert reader.words["findings.none"] not in html
    assert reader.words["page.next_none"] not in html
    assert 'id="plot-lengths"' not in html
    assert 'id="plot-days"' not in html
