import csv
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from pipeline.logs.timeline import Problem
from pipeline.report.fleet import write_fleet
from pipeline.report.options import ReportOptions
from tests.report.test_summary import summary_of


@pytest.fixture(scope="module")
def two():
    return replace(summary_of(), unit="bad", title="Bad one"), replace(
        summary_of(well=True), unit="good", title="Good one"
    )


def page(folder: Path, summaries, problems=(), **options) -> str:
    write_fleet(folder, summaries, list(problems), ReportOptions(**options))
    return (folder / "index.html").read_text(encoding="utf-8")


def test_the_worst_unit_stands_first_whatever_the_order_given(two, tmp_path):
    html = page(tmp_path, two[::-1])
    assert html.index("Bad one") < html.index("Good one")
    rows = list(csv.DictReader((tmp_path / "fleet.csv").open(encoding="utf-8")))
    assert [row["unit"] for row in rows] == ["bad", "good"]
    assert rows[0]["level"] == "act"
    assert float(rows[0]["freeze_min"]) == pytest.approx(18.6, abs=0.5)
    assert rows[0]["report"] == "bad/report.html"
    for name in ("made_ice_kg_per_day", "made_cycles_per_day"):  # beside what running would make
        assert [float(row[name]) for row in rows] == pytest.approx([getattr(s, name) for s in two], rel=1e-4)


def test_printed_sheets_carry_the_day_and_their_number(two, tmp_path):
    write_fleet(tmp_path, two, [], ReportOptions(), written=date(2026, 6, 9))
    html = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "counter(page)" in html
    foot = re.search(r'@bottom-left\{content:"(.*?)"', html)[1]
    assert re.sub(r"\\([0-9a-f]{6}) ", lambda code: chr(int(code[1], 16)), foot) == "All units, 9 Jun 2026"


def test_units_may_come_one_at_a_time_from_whatever_can_be_walked_again(two, tmp_path):
    class OnDisk:
        def __iter__(self):
            yield from two

    assert page(tmp_path / "a", OnDisk()) == page(tmp_path / "b", list(two))


def test_ice_is_summed_over_the_units_that_tell_it_and_says_so(two, tmp_path):
    mute = replace(two[1], unit="mute", made_ice_kg_per_day=None)
    html = page(tmp_path, [*two, mute])
    assert re.search(r'data-si="309\u00a0kg"', html)  # 151 + 158
    assert "from 2 of 3 units" in html
    assert "for 1 a weighed slab or a nameplate is missing" in html


def test_files_that_could_not_be_read_stand_on_the_page(two, tmp_path):
    html = page(
        tmp_path,
        two,
        [Problem(unit_name="cellar", file="a.csv", message='a.csv, line 3: "x" is no date; mend it')],
    )
    assert "a.csv, line 3: &#34;x&#34; is no date; mend it" in html


def test_no_unit_at_all_still_makes_a_page(tmp_path):
    assert "No unit could be reported" in page(tmp_path, [])


def test_units_of_one_place_stand_together_and_say_it_once(two, tmp_path):
    bad = replace(two[0], client="Ferry")
    units = [
        replace(bad, unit="a", place="pier", abnormal_cycles=9),
        replace(bad, unit="b", place="cellar", abnormal_cycles=5),
        replace(bad, unit="c", place="pier", abnormal_cycles=1),
    ]
    html = page(tmp_path, units)
    links = re.findall(r'<li( class="same")?[^>]*>.*?href="(\w)/report.html"', html, re.DOTALL)
    assert links == [("", "b"), ("", "a"), (' class="same"', "c")]
    assert [row["unit"] for row in csv.DictReader((tmp_path / "fleet.csv").open())] == ["b", "a", "c"]
    assert 'class="place"' not in page(tmp_path, [replace(bad, place="")])


HOSTILE = '<script>alert("x")</script>\u202e=cmd'


def test_hostile_names_are_text_on_the_page_and_no_formula_in_the_table(two, tmp_path):
    bad = replace(two[0], unit="=HYPERLINK(1)", title=HOSTILE, place="@SUM(1)")
    html = page(tmp_path, [bad], [Problem(unit_name=HOSTILE, file=HOSTILE, message=HOSTILE)])
    assert "<script>alert" not in html
    assert 'href="%3DHYPERLINK%281%29/report.html"' in html
    row = next(iter(csv.DictReader((tmp_path / "fleet.csv").open(encoding="utf-8", newline=""))))
    assert row["unit"] == "'=HYPERLINK(1)"
    assert row["place"] == "'@SUM(1)"
    page(tmp_path, [replace(two[0], unit="-1+1")])
    row = next(iter(csv.DictReader((tmp_path / "fleet.csv").open(encoding="utf-8", newline=""))))
    assert row["report"] == "'-1%2B1/report.html"


def test_the_page_forbids_every_request_and_every_script_but_its_own(two, tmp_path):
    html = page(tmp_path, two)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html)[1]
    assert "default-src &#39;none&#39;" in policy or "default-src 'none'" in policy
    assert "unsafe-eval" not in policy
    assert not re.search(r"script-src[^;]*unsafe-inline", policy)
    assert "http" not in re.sub(r"http-equiv", "", html)


def test_spanish_is_spanish(two, tmp_path):
    html = page(tmp_path, two, language="es", units="us")
    assert '<html lang="es" data-units="us">' in html
    assert "Todas las unidades" in html


def problem_rows(folder: Path, *problems):
    write_fleet(folder, [], problems, ReportOptions())
    with open(folder / "problems.csv", encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def test_a_row_a_file_sorted_by_unit(tmp_path):
    later = Problem(unit_name="pier", file="a.csv", message="a.csv: is empty; export it again")
    first = Problem(unit_name="bar", file="", message='bar/unit.toml: "x", is no key')
    assert problem_rows(tmp_path, later, first) == [
        ["unit", "file", "problem"],
        ["bar", "", 'bar/unit.toml: "x", is no key'],
        ["pier", "a.csv", "a.csv: is empty; export it again"],
    ]


def test_without_problems_only_the_head_is_there(tmp_path):
    assert problem_rows(tmp_path) == [["unit", "file", "problem"]]


def test_no_name_becomes_a_formula_in_a_spreadsheet(tmp_path):
    # A cell that begins with = + - @ is run as a formula by spreadsheets (common practice, no source)
    for sign in "=+-@":
        assert (
            problem_rows(tmp_path, Problem(unit_name=f"{sign}cmd", file="f", message="m"))[1][0]
            == f"'{sign}cmd"
        )


def test_a_name_with_line_ends_stays_in_its_row(tmp_path):
    assert problem_rows(tmp_path, Problem(unit_name="a\nb", file="f\r", message="m\tn"))[1] == [
        "a b",
        "f",
        "m n",
    ]
