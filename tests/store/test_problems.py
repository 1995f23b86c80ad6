"""The table of what could not be read."""

import csv
import io

from pipeline.logs.timeline import Problem
from pipeline.store import problems_csv


def rows(*problems):
    return list(csv.reader(io.StringIO(problems_csv(problems))))


def test_a_row_a_file_sorted_by_unit():
    later = Problem(unit_name="pier", file="a.csv", message="a.csv: is empty; export it again")
    first = Problem(unit_name="bar", file="", message='bar/unit.toml: "x", is no key')
    assert rows(later, first) == [
        ["unit", "file", "problem"],
        ["bar", "", 'bar/unit.toml: "x", is no key'],
        ["pier", "a.csv", "a.csv: is empty; export it again"],
    ]


def test_without_problems_only_the_head_is_there():
    assert problems_csv([]) == "unit,file,problem\n"


def test_no_name_becomes_a_formula_in_a_spreadsheet():
    # A cell that begins with = + - @ is run as a formula by spreadsheets (common practice, no source)
    for sign in "=+-@":
        assert rows(Problem(unit_name=f"{sign}cmd", file="f", message="m"))[1][0] == f"'{sign}cmd"


def test_a_name_with_line_ends_stays_in_its_row():
    assert rows(Problem(unit_name="a\nb", file="f\r", message="m\tn"))[1] == ["a b", "f", "m n"]
