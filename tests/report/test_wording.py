import ast
import re
import string
from pathlib import Path

import pytest
from markupsafe import Markup

import pipeline
from pipeline.findings import all_texts
from pipeline.findings.thresholds import TABLE
from pipeline.report.wording import LANGUAGES, Reader, catalogue
from pipeline.text import QUANTITIES, Text, say

ENGLISH = catalogue("en")


def fields(pattern: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(pattern) if name}


@pytest.mark.parametrize("language", [lang for lang in LANGUAGES if lang != "en"])
def test_a_translation_has_every_text_with_the_same_values(language):
    other = catalogue(language)
    assert set(ENGLISH) - set(other) == set()
    assert {key for key in ENGLISH if fields(ENGLISH[key]) != fields(other[key])} == set()


def said_by_the_reading_room() -> set[str]:
    """Keys of the doubts and notes in the source of pipeline.logs (it keeps no catalogue of its own)."""
    sources = (Path(pipeline.__file__).parent / "logs").glob("*.py")
    trees = [ast.parse(source.read_text(encoding="utf-8")) for source in sources]
    words = (
        node.value
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    )
    # The doubts on clocks put their keys together: which way the clock is off, and which way it drifts.
    clocks = {
        f"logs.doubt.clock_{side}{drift}"
        for side in ("ahead", "behind")
        for drift in ("", "_gains", "_loses")
    }
    return clocks | {word for word in words if re.fullmatch(r"logs\.(doubt|note)\.[a-z_]*[a-z]", word)}


@pytest.mark.parametrize("language", [lang for lang in LANGUAGES if lang != "en"])
def test_a_translation_has_all_that_is_found_and_doubted(language):
    other, found = catalogue(language), all_texts()
    assert {key for key in {*found, *said_by_the_reading_room()} if key not in other} == set()
    assert {key for key in found if fields(found[key]) != fields(other[key])} == set()


@pytest.mark.parametrize("language", [lang for lang in LANGUAGES if lang != "en"])
def test_a_translation_says_what_each_threshold_decides(language):
    assert {row.name for row in TABLE if f"threshold.{row.name}" not in catalogue(language)} == set()


@pytest.mark.parametrize("language", [lang for lang in LANGUAGES if lang != "en"])
def test_a_translation_has_the_sign_of_every_unit_that_is_a_word(language):
    words = {
        q[1].strip()
        for quantity in QUANTITIES.values()
        for q in (quantity.si, quantity.us)
        if "day" in q[1] or "hour" in q[1]
    }
    assert {w for w in words if f"sign.{w}" not in catalogue(language)} == set()


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
