import re
from dataclasses import replace
from datetime import date

import pytest

from pipeline.findings.comparison import SegmentedLog, compare
from pipeline.report.compare import write_compare
from pipeline.report.options import ReportOptions
from tests.report.made_up import made_up
from tests.report.page.test_page import HOSTILE


@pytest.fixture(scope="module")
def logs():
    unit, *earlier, _ = made_up(days=3, interval_s=20)
    _, *later, _ = made_up(days=3, interval_s=20, well=True, seed=11)
    shorter = later[1].cycles.copy()
    shorter["freeze_min"] -= 3.0
    before = SegmentedLog(timeline=earlier[0], record=earlier[1])
    return unit, before, SegmentedLog(timeline=later[0], record=replace(later[1], cycles=shorter))


def page(path, unit, earlier, later, **options) -> str:
    write_compare(
        path / "c.html",
        compare(earlier, later, unit),
        unit=unit,
        earlier=earlier,
        later=later,
        options=ReportOptions(**options),
    )
    return (path / "c.html").read_text(encoding="utf-8")


def test_the_page_says_first_whether_it_is_better_then_what_changed_and_by_how_much(logs, tmp_path):
    html = page(tmp_path, *logs)
    verdict, change = re.search(
        r'<h2 id="verdict">(.*?)</h2>\s*<p class="second">(.*?)</p>', html, re.S
    ).groups()
    assert verdict.startswith("Better than before")
    shift = float(re.search(r"Freezes are (\d\.\d)\N{NO-BREAK SPACE}min shorter", change)[1])
    assert shift == pytest.approx(3.0, abs=0.5)
    assert "95\N{NO-BREAK SPACE}% interval" in change


def test_each_measure_has_a_sentence_two_bars_and_its_change(logs, tmp_path):
    html = page(tmp_path, *logs)
    rows = re.findall(r'<li class="(changed|same)">(.*?)</li>', html, re.S)
    assert {state for state, _ in rows} == {"changed", "same"}
    for _, row in rows:
        widths = [
            float(w) for w in re.findall(r'<span class="bar \w+" style="width:calc\(.*? \* ([\d.]+)\)">', row)
        ]
        assert len(widths) == 2
        assert max(widths) == 1
        assert min(widths) >= 0
        assert "interval" in row
        if "°C" in row and "end of freeze" in row:  # a change of a few degrees is no bar of twice the length
            assert min(widths) > 0.6 * max(widths)
    assert html.count('class="evidence bands"') == 2


def test_a_difference_of_temperatures_is_no_temperature(logs, tmp_path):
    html = page(tmp_path, *logs, units="us")
    row = re.search(r"Evaporator at the end of freeze.*?</li>", html, re.S)[0]
    shift = re.search(r"interval <span[^>]*>[−]?(\d+\.\d+)\N{NO-BREAK SPACE}°F</span>", row)
    assert float(shift[1]) < 5  # were it converted as a temperature, it would be near 32


def test_what_one_log_lacks_is_named(logs, tmp_path):
    assert "Discharge line at its hottest" in page(tmp_path, *logs)


def test_hostile_names_are_text_and_nothing_is_asked_of_the_network(logs, tmp_path):
    unit, earlier, later = logs
    html = page(tmp_path, unit.model_copy(update={"title": HOSTILE, "place": HOSTILE}), earlier, later)
    assert "<script>alert" not in html
    assert "default-src &#39;none&#39;" in html


def test_it_speaks_spanish(logs, tmp_path):
    html = page(tmp_path, *logs, language="es")
    assert "Las congelaciones son" in html
    assert "intervalo del 95\N{NO-BREAK SPACE}%" in html


def test_cycles_and_ice_a_day_are_told_as_made_and_as_running(logs, tmp_path):
    unit, earlier, later = logs
    html = page(tmp_path, unit, earlier, later)
    made = compare(earlier, later, unit).earlier_output
    for value in (made.made_cycles_per_day, made.cycles_per_day):
        assert f"{value:.1f}\N{NO-BREAK SPACE}a day" in html
    assert len(re.findall(r"cycles: .*? as made, .*? while running", html)) == 2


def test_printed_sheets_carry_the_unit_and_the_day(logs, tmp_path):
    unit, earlier, later = logs
    path = tmp_path / "dated.html"
    write_compare(path, compare(earlier, later, unit), unit=unit, earlier=earlier, later=later,
                  options=ReportOptions(), written=date(2026, 6, 9))  # fmt: skip
    foot = re.search(r'@bottom-left\{content:"(.*?)"', path.read_text(encoding="utf-8"))[1]
    said = re.sub(r"\\([0-9a-f]{6}) ", lambda code: chr(int(code[1], 16)), foot)
    assert said == f"{unit.shown_as}, 9 Jun 2026"


def test_a_water_cooled_machines_condenser_warms_water(logs, tmp_path):
    unit, earlier, later = logs
    assert "Condenser air rise" in page(tmp_path, unit, earlier, later)
    html = page(tmp_path, unit.model_copy(update={"cooling": "water"}), earlier, later)
    assert "Condenser water rise" in html
    assert "air rise" not in html
