"""The client's page: what a client asks, and nothing of the technician's work."""

import re
from dataclasses import replace
from datetime import date
from html import unescape

import pytest

from pipeline.delivery.mail.letter import words_in
from pipeline.findings.engine import all_rules
from pipeline.findings.finding import Verdict
from pipeline.language.text import Text
from pipeline.report.given import Given
from pipeline.report.page.client import client_page
from pipeline.report.summary import read_summary
from pipeline.report.wording import Reader
from tests.report.made_up import made_up, reported

DAY = date(2026, 5, 4)
VISIT = {
    "on": "2026-03-25", "at": "14:30", "done": ["condenser <b>cleaned</b>"], "parts": ["air filter"],
    "readings": ["air in 27 °C"], "note": "boxes before the grille", "next": "2026-04-08",
    "photos": [{"src": "data:image/jpeg;base64,AAAA", "alt": "the coil \"before\""}],
}  # fmt: skip
FIRM = {"name": "Saltmarsh Refrigeration (invented)", "telephone": "555 010 203", "author": "J. Pina"}

TECHNICIANS_WORDS = (
    r"unit\.toml", r"volt", r"\bgauge", r"manifold", r"superheat", r"subcool", r"suction", r"discharge", r"bridg", r"jumper",
    r"\bclamp", r"measure", r"touch the", r"feel the", r"prove dead", r"overload", r"capacitor", r"thermistor", r"hot gas",
    r"\bcheck\b", r"timeline\.parquet", r"cycles\.csv", r"threshold",
)  # fmt: skip
"""Parts of what technicians are told; none may stand on a client's page or in a message's own words."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("unit")
    reported(folder, days=4, interval_s=30)
    return folder


def page_of(folder, *, given=None, language="en", units="si", **changed) -> str:
    summary = replace(read_summary(folder), **changed)
    reader = Reader(language=language, units=units)
    return client_page(summary, given or Given(), reader, written=DAY).decode()


def words_of(page: str) -> str:
    body = page[page.index("<body>") :]
    said = " ".join(re.findall(r'(?:aria-label|alt|title)="([^"]*)"', body))
    return unescape(re.sub(r"<[^>]+>", " ", body) + " " + said)


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("level", ["act", "watch", "cannot-tell", "note", "well"])
def test_a_clients_page_holds_no_technicians_words_and_no_codes(folder, level, language):
    said = words_of(page_of(folder, level=level, language=language, given=Given(firm=FIRM)))
    for pattern in TECHNICIANS_WORDS:
        assert not re.search(pattern, said, re.I), pattern
    for rule in all_rules():
        assert not re.search(rf"(?<![\w-]){rule.code}(?![\w-])", said) or "-" not in rule.code, rule.code


def test_the_technicians_page_would_not_pass_that_search(folder):
    said = words_of((folder / "report.html").read_text(encoding="utf-8"))
    assert any(re.search(pattern, said, re.I) for pattern in TECHNICIANS_WORDS)


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_messages_own_words_hold_no_technicians_work(language):
    for key, text in words_in(language).items():
        for pattern in TECHNICIANS_WORDS:
            assert not re.search(pattern, text, re.I), (key, pattern)


def test_it_weighs_little_runs_nothing_and_asks_for_nothing(folder):
    page = (folder / "client.html").read_text(encoding="utf-8")
    assert len(page.encode()) < 400_000
    assert "<script" not in page
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]
    assert "script-src &#39;none&#39;" in policy
    assert policy.startswith("default-src &#39;none&#39;")
    assert not re.search(r'(?:src|href)="(?!data:|#)', page)


@pytest.mark.parametrize("level", ["act", "watch", "cannot-tell"])
def test_whoever_needs_somebody_is_told_what_waiting_costs_and_what_is_safe(folder, level):
    said = words_of(page_of(folder, level=level, given=Given(firm=FIRM)))
    for part in ("What waiting costs", "grilles", "stop valve", "555 010 203", "leave the panels closed"):
        assert part in said


def test_who_waits_for_the_next_visit_is_not_sent_to_the_telephone(folder):
    assert "Call your service company" in words_of(page_of(folder, level="act"))
    assert "Call your service company" not in words_of(page_of(folder, level="watch"))


@pytest.mark.parametrize("level", ["note", "well"])
def test_whoever_needs_nobody_is_given_nothing_to_do(folder, level):
    said = words_of(page_of(folder, level=level))
    assert "Nothing has to be done now" in said
    assert "grilles" not in said


def test_a_fault_of_the_logger_alone_costs_the_machine_nothing(folder):
    of_the_machine = "wear out a part"
    alone = words_of(page_of(folder, level="watch", waiting={"of_the_logger": 1.0}))
    assert "the fault is in the logger" in alone
    assert of_the_machine not in alone
    assert "grilles" not in alone  # nothing that the client could do there
    assert of_the_machine in words_of(page_of(folder, level="watch", waiting={}))


def test_what_waiting_costs_is_said_in_figures(folder):
    cost = {
        "usual_min": 20.0,
        "now_min": 25.0,
        "less_pct": 20.0,
        "low_whole_kg": 18.4,
        "high_whole_kg": 22.7,
        "more_pct": 12.0,
        "none_h": 3.0,
    }
    said = words_of(page_of(folder, level="act", waiting=cost))
    for part in (
        "takes 25.0 min instead of 20.0 min", "20 % less of it", "18 kg to 23 kg of ice a day", "12 % more electricity", "for 3.0 h without"
    ):  # fmt: skip
        assert part in said.replace("\N{NO-BREAK SPACE}", " ")
    assert "41 lb to 50 lb of ice a day" in words_of(
        page_of(folder, level="act", waiting=cost, units="us")
    ).replace("\N{NO-BREAK SPACE}", " ")


def test_everything_that_was_found_is_told_in_the_clients_words(folder):
    summary = read_summary(folder)
    also = [{"key": "verdict.also.harvest-long", "english": "the ice comes off late", "values": {}}]
    said = words_of(page_of(folder, texts=summary.texts | {"also": also}))
    assert "Also seen: the ice comes off late." in said
    assert "el hielo se suelta tarde" in words_of(
        page_of(folder, texts=summary.texts | {"also": also}, language="es")
    )


def test_a_visit_is_a_line_in_the_pictures_with_before_and_after_beside_it(folder):
    place = {"date": "2026-03-25", "minute": 870, "share": 0.5, "beside": {"freeze_min": [20.0, 18.0]}}
    page = page_of(folder, given=Given(visits=(VISIT,)), visits=(place,))
    assert page.count('class="visit" d=') == 2
    assert "A usual freeze took 20.0 min before the visit and 18.0 min after it" in words_of(page).replace(
        "\N{NO-BREAK SPACE}", " "
    )
    assert "dashed line is a visit" in words_of(page)
    outside = page_of(folder, given=Given(visits=(VISIT,)), visits=(place | {"share": None},))
    assert 'class="visit" d=' not in outside


def test_firm_author_day_and_visit_stand_on_it_as_given(folder):
    page = page_of(folder, given=Given(firm=FIRM, visits=(VISIT,)))
    said = words_of(page)
    for part in (
        "Saltmarsh Refrigeration (invented)", "J. Pina", "4 May 2026", "25 Mar 2026, 14:30", "condenser <b>cleaned</b>",
        "air filter", "air in 27 °C", "boxes before the grille", "8 Apr 2026", "In the technician's own words",
    ):  # fmt: skip
        assert part in said
    assert "<b>cleaned" not in page
    assert 'alt="the coil &#34;before&#34;"' in page


def test_ice_stands_as_it_was_made_rests_included(folder):
    said = words_of(page_of(folder, made_ice_kg_per_day=94.2, ice_kg_per_day=121.0))
    assert "about 94 kg a day, rests included" in said.replace("\N{NO-BREAK SPACE}", " ")
    assert "121" not in said


def test_units_and_language_are_the_clients(folder):
    said = words_of(page_of(folder, made_ice_kg_per_day=100.0, language="es", units="us"))
    assert "220\N{NO-BREAK SPACE}lb" in said  # 100 kg ÷ 0.45359237
    assert "pausas incluidas" in said


def test_a_machine_of_which_nothing_could_be_said_has_a_page_too(tmp_path):
    unit, timeline, record, judgement = made_up(days=1, interval_s=60)
    none = Verdict(
        level="cannot-tell", client=Text(key="-", english="Not shown."), technician=Text(key="-", english="-")
    )
    reported(tmp_path, (unit, timeline, replace(record, phases=(), cycles=record.cycles.iloc[:0]), replace(judgement, verdict=none, findings=())))  # fmt: skip
    assert "logged once more" in words_of((tmp_path / "client.html").read_text(encoding="utf-8"))


def test_a_log_of_one_day_or_without_dates_says_so(folder):
    alone = {"days": 0.02, "level": "cannot-tell"}
    said = words_of(page_of(folder, log_start="2026-03-17T14:05:30", log_end="2026-03-17T14:29:00", **alone))
    assert "on 17 Mar 2026." in said
    assert "Day and night" not in said  # nothing is known of what it did
    said = words_of(page_of(folder, log_start="2001-01-01T00:00:00", log_end="2001-01-02T00:00:00", **alone))
    assert "from day 1 to day 2." in said
    assert "2001" not in said
