"""What is wrong with a unit.toml is told with file, line, key, what was expected, and the nearest key."""

from __future__ import annotations

import pytest

from pipeline.errors import UnitConfigError
from pipeline.unit_toml import load_unit
from tests.logs.tables import write

FULL = """
title = "Bar"
place = "harbour"
kind = "slab"
cooling = "air"
time_zone = "Europe/Lisbon"
[nameplate]
ice_kg_per_day = 111
made = 2019-04-01
[measured]
slab_kg = 2.0
[expected]
freeze_min = [12, 30]
[clock]
date_order = "day-first"
start = "2026-05-04T10:00:00"
[clock.offset_s]
"clamp.csv" = -95
[channels]
CH1 = "current"
"probes.csv/CH 2" = { role = "evaporator", unit = "°F", add = -0.4 }
T3 = { thermistor = { r25_ohm = 10000, beta_k = 3950 } }
[thresholds]
gap_min = 5
[client]
email = ["bar@example.org"]
[[visits]]
on = 2026-05-10
what = "cleaned the condenser"
"""


def test_every_part_of_a_unit_toml_is_taken(tmp_path):
    unit = load_unit("bar", write(tmp_path / "unit.toml", FULL))
    assert unit.channels["probes.csv/CH 2"].add == -0.4
    assert unit.channels["T3"].thermistor.beta_k == 3950
    assert unit.clock.offset_s == {"clamp.csv": -95.0}
    assert unit.visits[0].what == "cleaned the condenser"


def test_no_unit_toml_is_a_unit_with_defaults():
    assert load_unit("bar", None).time_zone == "UTC"


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("nameplat = 3", 1, ['"nameplat" is not a key', 'did you mean "nameplate"?']),
        ('kind = "slabs"', 1, ['"kind"', "slab, cube, unspecified", "found 'slabs'", 'did you mean "slab"?']),
        (
            "\n[nameplate]\nvoltage = 230",
            3,
            ['"nameplate.voltage" is not a key', 'did you mean "voltage_v"?'],
        ),
        ("[measured]\nslab_kg = -1", 2, ['"measured.slab_kg"', "a number above 0", "found -1"]),
        ("[measured]\npower_factor = 1.2", 2, ["a number up to 1"]),
        ('[nameplate]\nice_kg_per_day = "much"', 2, ["a number without quotes", "found 'much'"]),
        ('time_zone = "Europe/Madird"', 1, ["IANA time zone", 'did you mean "Europe/Madrid"?']),
        ("title = 5", 1, ["text in quotes", "found 5"]),
        ('[channels]\nCH1 = "evaporater"', 2, ['"channels.CH1": no such role', 'did you mean "evaporator"?']),
        ('[channels]\nCH1 = { unit = "F" }', 2, ['"channels.CH1.unit"', 'did you mean "°F"?']),
        ("[channels]\nCH1 = 3", 2, ['"channels.CH1": expected a role in quotes, or a table']),
        (
            '[channels."CH 1"]\nrol = "suction"',
            2,
            ['"channels.CH 1.rol" is not a key', 'did you mean "role"?'],
        ),
        (
            "[channels]\nT = { thermistor = { r25_ohm = 10000 } }",
            2,
            ["give r25_ohm and beta_k, or a, b and c"],
        ),
        ("[expected]\nfreeze_min = [40, 12]", 2, ["the first number must be the smaller one"]),
        ('[client]\nemail = "a@example.org"', 2, ["a list in brackets"]),
        ('[[visits]]\non = "yesterday"', 2, ["a date, such as 2026-05-04"]),
        ('[clock]\nstart = "noon"', 2, ["ISO 8601"]),
        ('[clock]\ndate_order = "dmy"', 2, ["day-first, month-first, year-first"]),
        ('name = "x"', 1, ["called by its folder"]),
        ("a = = 3", 1, ["not valid TOML"]),
        ('title = "x"\nkind', 2, ["not valid TOML"]),
    ],
)
def test_what_is_wrong_is_told(tmp_path, text, line, words):
    with pytest.raises(UnitConfigError) as refusal:
        load_unit("bar", write(tmp_path / "unit.toml", text))
    error = refusal.value
    assert error.file == "bar/unit.toml"
    assert error.line == line
    assert error.remedy
    for word in words:
        assert word in str(error)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (
            "[measured]\nslab_kg = inf",
            2,
            ['"measured.slab_kg": expected a number that is finite', "found inf"],
        ),
        ("[measured]\nslab_kg = nan", 2, ["a number that is finite"]),
        ("[nameplate]\n\nice_kg_per_day = 1e300", 3, ["a number up to 1e+06", "found 1e+300"]),
        ("[clock]\noffset_s = { 'clamp.csv' = 9e9 }", 2, ["offset_s.clamp.csv", "a number up to 2e+09"]),
        ('[clock.offset_s]\n"clamp.csv" = -inf', 2, ["a number that is finite"]),
        ('[clock]\nstart = "0001-01-01T00:00:00"', 2, ["a year from 1970 to 2099"]),
        ("[thresholds]\ngap_min = 1e300", 2, ['"thresholds.gap_min"', "a number up to 1e+09"]),
        ("[expected]\nfreeze_min = [1, 1e9]", 2, ["a number up to 10080"]),
        ("[[visits]]\non = 0001-01-01", 2, ["a day from 1900-01-01"]),
        ("[nameplate]\nmade = 9999-12-31", 2, ["a day from 1900-01-01 to 2099-12-31"]),
        ("[nameplate]\nmade = 20190401", 2, ["a date, such as 2026-05-04", "found 20190401"]),
        ('[[visits]]\non = "20260504"', 2, ["a date, such as 2026-05-04"]),
        ("[[visits]]\non = 2026-05-04\nat = 1430", 3, ["a time of day, such as 14:30"]),
        ("[measured]\nslab_kg = true", 2, ["a number (found True)"]),
        (f'title = "{"x" * 3000}"', 1, ["at most 300 characters", "found 3,000"]),
        (f'kind = "{"slab" * 3000}"', 1, ["expected one of slab, cube, unspecified"]),
        (f"kind = {'[' * 20_000}{']' * 20_000}", 1, ["too many brackets within each other"]),
        (f"kind = {'[' * 90}\n{'[' * 90}\n{']' * 180}", 2, ["too many brackets within each other"]),
        (f"title = 'x'\n{'a.' * 20_000}b = 1", 2, ["too many dots"]),
        (f"title = 'x'\n[measured]\nslab_kg = {'1' * 5000}", 3, ["not valid TOML", "4300 digits"]),
        (f"title = 'x'\n{'# much' * 30_000}", 2, ["more than 128 kB"]),
    ],
)
def test_what_would_break_a_report_is_told_in_a_few_words(tmp_path, text, line, words):
    with pytest.raises(UnitConfigError) as refusal:
        load_unit("bar", write(tmp_path / "unit.toml", text))
    error = refusal.value
    assert (error.file, error.line) == ("bar/unit.toml", line)
    assert error.remedy
    assert len(str(error)) < 400
    for word in words:
        assert word in str(error)


@pytest.mark.parametrize("size", [100_000_000, 200_000])
def test_no_more_of_a_file_is_read_than_a_unit_toml_may_hold(tmp_path, size):
    path = tmp_path / "unit.toml"
    with open(path, "wb") as file:
        file.truncate(size)  # a sparse file: it takes no room on the disk
    with pytest.raises(UnitConfigError, match=r"line 1: the file has more than 128 kB"):
        load_unit("bar", path)


def test_a_unit_toml_that_is_not_utf_8_is_refused(tmp_path):
    with pytest.raises(UnitConfigError, match="UTF-8"):
        load_unit("bar", write(tmp_path / "unit.toml", 'title = "Café"', "latin-1"))
