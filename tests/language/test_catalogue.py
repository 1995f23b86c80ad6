import re
import warnings
from pathlib import Path

import pytest
from markupsafe import Markup

import pipeline
from pipeline.cli import main
from pipeline.language import catalogue as known
from pipeline.language.catalogue import catalogue, own_text
from pipeline.language.text import Text, say
from pipeline.report.wording import Reader
from pipeline.unit import Client
from tests.language import translating
from tests.language.translating import all_texts

MAY_WAIT = 12
"""Sentences and thresholds of a finding that is newer than its translations: until they come, pages say them in English."""


@pytest.mark.parametrize("language", [name for name in known.languages() if name != "en"])
def test_a_translation_says_everything_but_the_newest_finding_with_the_same_values(language):
    faults = translating.faults(language)
    waiting = [fault for fault in faults if re.match(r"lacks (finding|needs|threshold)\.", fault)]
    assert [fault for fault in faults if fault not in waiting] == []
    assert len(waiting) <= MAY_WAIT
    if waiting:
        warnings.warn(f"{language} waits for: {'; '.join(waiting)}", stacklevel=1)


def test_a_translator_is_given_every_doubt_and_note_of_the_reading_room():
    """Keys that stand whole in its source; those on clocks are put together there."""
    sources = (Path(pipeline.__file__).parent / "logs").rglob("*.py")
    keys = re.findall(
        r'"(logs\.(?:doubt|note)\.[a-z_]*[a-z])"', "".join(f.read_text("utf-8") for f in sources)
    )
    said = translating.said_by_the_reading_room()
    assert set(keys) <= set(said)
    assert {key for key in said if "clock_ahead" in key} == {
        f"logs.doubt.clock_ahead{drift}" for drift in ("", "_gains", "_loses")
    }
    assert all(len(english) > 20 for english in said.values())


@pytest.fixture
def new_language(tmp_path, monkeypatch):
    """A language that somebody has begun: the file that a translator starts from, but for what is not done yet."""
    monkeypatch.setattr(known, "FOLDER", tmp_path)
    for cached in (known.languages, catalogue, own_text):
        cached.cache_clear()
    (tmp_path / "en.toml").write_text(
        '[page]\nice = "Ice a day"\nfreeze = "A freeze takes"\n', encoding="utf-8"
    )
    (tmp_path / "eo.toml").write_text('[page]\nice = "Glacio tage"\n', encoding="utf-8")
    yield "eo"
    for cached in (known.languages, catalogue, own_text):
        cached.cache_clear()


def test_a_language_is_offered_as_soon_as_its_file_is_there(new_language, capsys):
    assert Client(language=new_language).language == new_language
    with pytest.raises(SystemExit):
        main(["report", "--help"])
    assert "{en,eo}" in capsys.readouterr().out


def test_what_is_not_translated_yet_is_said_in_english(new_language):
    reader = Reader(language=new_language)
    assert (reader.t("page.ice"), reader.t("page.freeze")) == ("Glacio tage", "A freeze takes")


def test_what_a_translator_starts_from_is_a_whole_file(new_language, tmp_path):
    (tmp_path / f"{new_language}.toml").write_text(translating.to_start_from(), encoding="utf-8")
    own_text.cache_clear()
    assert translating.faults(new_language) == []


def test_an_unknown_language_is_refused_with_the_choice():
    with pytest.raises(ValueError, match=r"expected one of en, es.*did you mean \"es\""):
        Client(language="ess")


def test_an_english_sentence_is_the_one_that_analysis_says():
    text = Text(
        key="nobody translated this",
        english="{count} freezes ended at {end_c}, {rise_k} warmer, in {length_min}",
        values={"count": 3, "end_c": -4.83, "rise_k": 9.7, "length_min": 20.04},
    )
    for units in ("si", "us"):
        assert Reader(units=units).say(text).replace("\N{NO-BREAK SPACE}", " ") == say(text, units=units)


def test_spanish_has_its_decimal_comma_and_its_own_signs():
    reader = Reader(language="es")
    assert reader.show("length_min", 20.04) == "20,0\N{NO-BREAK SPACE}min"
    assert reader.show("ice_kg_per_day", 151.2) == "151\N{NO-BREAK SPACE}kg al día"


def test_long_times_are_said_in_hours():
    assert Reader().show("lost_min", 1996.2) == "33.3\N{NO-BREAK SPACE}h"  # 1996.2 ÷ 60
    assert Reader().show("lost_min", 299.0) == "299.0\N{NO-BREAK SPACE}min"


def test_a_minus_is_a_minus_sign_and_zero_has_none():
    assert Reader().show("t_c", -4.83) == "−4.8\N{NO-BREAK SPACE}°C"
    assert Reader().show("t_c", -0.04) == "0.0\N{NO-BREAK SPACE}°C"


def test_what_is_not_known_is_a_dash():
    assert Reader().show("t_c", float("nan")) == "–"
    assert Reader().show("t_c", None) == "–"


@pytest.mark.parametrize(
    "hostile", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{0.__class__}", "a & b"]
)
def test_values_from_a_log_are_text_in_html(hostile):
    html = Reader().say_html(Text(key="-", english="<b> {label} reads high", values={"label": hostile}))
    assert isinstance(html, Markup)
    assert "<script" not in html
    assert "<img" not in html
    assert html.startswith("&lt;b&gt;")
    assert Markup(html).striptags() in (f"<b> {hostile} reads high",)


def test_a_name_that_turns_the_writing_round_is_kept_to_itself():
    html = Reader().say_html(Text(key="-", english="{label} reads high", values={"label": "\u202eevil"}))
    assert html == "<bdi>\u202eevil</bdi> reads high"


def test_a_value_carries_both_units_for_the_switch():
    # NIST SP 811, appendix B: t/°F = 1.8 t/°C + 32
    html = Reader(units="us").show_html("t_c", 100.0)
    assert (
        html
        == '<span class="q" data-si="100.0\N{NO-BREAK SPACE}°C" data-us="212.0\N{NO-BREAK SPACE}°F">212.0\N{NO-BREAK SPACE}°F</span>'
    )


def test_a_value_that_is_the_same_in_both_units_needs_no_switch():
    assert Reader().show_html("length_min", 3.0) == "3.0\N{NO-BREAK SPACE}min"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(1, "1 s"), (90, "90 s"), (60, "1 min"), (7200, "2 h"), (0.5, "0.5 s"), (float("nan"), "–")],
)
def test_a_step_of_time_is_said_in_the_largest_whole_unit(seconds, said):
    assert Reader().seconds(seconds) == said


@pytest.mark.parametrize(
    "word", ["desmolde", "colador", "cuba", "ajuste fino", "arranque flojo", "tiempo entre disparos"]
)
def test_spanish_uses_the_words_of_the_trade(word):
    """Common practice, no source: words that a technician would not use there, each replaced by his own."""
    assert [key for key, text in own_text("es").items() if re.search(rf"\b{word}s?\b", text, re.I)] == []


@pytest.mark.parametrize("language", ["en", "es"])
def test_as_it_should_never_stands_without_what_was_looked_at(language):
    """A log shows what was logged, no more."""
    said = (all_texts() if language == "en" else {}) | dict(catalogue(language))
    for key, text in said.items():
        if re.search(r"works? as it should|funciona como debe\b", text) and key.startswith(
            ("level.", "verdict.", "client.", "mail.", "fleet.")
        ):
            assert re.search(
                r"nothing abnormal was seen in what was logged|no se vio nada anormal en lo registrado", text
            ), key


@pytest.mark.parametrize(("value", "shown"), [(12.4, "+12"), (-12.4, "−12"), (0.0, "0")])
def test_what_moved_says_which_way(value, shown):
    assert Reader().show("moved_pct", value).startswith(shown)
    assert say(Text(key="-", english="{moved_pct}", values={"moved_pct": value})).startswith(shown)
