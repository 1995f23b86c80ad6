"""`icelogs check`: what was understood, and what a report will and will not be able to tell."""

from __future__ import annotations

import io
import json

from pipeline.logs import understand
from pipeline.logs.check import as_json, print_understanding
from pipeline.unit import Unit
from tests.logs.tables import cycling, write


def _log(tmp_path, columns=("evaporator", "current"), *, step_s=10.0, hours=12.0):
    log = cycling(hours=hours, step_s=step_s)
    labels = {"evaporator": "Evaporator (°C)", "current": "Current [bold](A)", "discharge": "Discharge (°C)"}
    rows = [",".join(["Time", *(labels[c] for c in columns)])]
    for i, s in enumerate(log["seconds"].astype(int)):
        stamp = f"2026-05-{4 + s // 86400:02d} {s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}"
        rows.append(",".join([stamp, *(f"{log[c][i]:.2f}" for c in columns)]))
    return write(tmp_path / "log.csv", "\n".join(rows) + "\n")


def _answers(understanding):
    return {a.question: a.can for a in understanding.answers}


def test_a_good_log_tells_cycles_and_starts_and_not_what_was_not_logged(tmp_path):
    found = understand([_log(tmp_path)], Unit(name="bar"))
    assert found.complete
    answers = _answers(found)
    assert answers["freezes and harvests"] == "yes"
    assert answers["length of a harvest"] == "yes"
    assert answers["starts and short-cycling"] == "yes"
    assert answers["warm supply water"] == "no"
    assert answers["heat rejection (condenser)"] == "no"
    assert answers["drift over the log"] == "no"


def test_a_coarse_log_cannot_time_a_harvest(tmp_path):
    found = understand([_log(tmp_path, step_s=300.0, hours=60)], Unit(name="bar"))
    assert _answers(found)["length of a harvest"] == "no"
    assert _answers(found)["freezes and harvests"] == "partly"
    assert "log-coarse" in {d["code"] for d in found.doubts}


def test_a_clamp_alone_tells_cycles_in_part(tmp_path):
    found = understand([_log(tmp_path, columns=("current",))], Unit(name="bar"))
    assert _answers(found)["freezes and harvests"] == "partly"
    assert _answers(found)["harvests that stall"] == "no"


def test_what_has_no_interval_is_told_no_interval(tmp_path):
    lone = write(tmp_path / "lone.csv", "Time,Evaporator (°C)\n2026-05-04 09:00:00,4.1\n")
    stray = write(
        tmp_path / "stray.csv",
        "Time,Temp\n" + "".join(f"2026-05-04 09:{m:02}:00,4.0\n" for m in range(60)),
    )
    for file in (lone, stray):
        found = understand([file], Unit(name="bar"))
        assert _answers(found)["length of a harvest"] == "no"
        assert "nan" not in " ".join(a.why for a in found.answers).split()


def test_a_file_that_cannot_be_read_is_listed_with_its_remedy_and_the_rest_is_understood(tmp_path):
    bad = write(tmp_path / "bad.csv", "Time,Evaporator (°C)\n")
    found = understand([bad, _log(tmp_path)], Unit(name="bar"))
    assert not found.complete
    assert [bool(f.error) for f in found.files] == [False, True]
    assert "export the log again" in found.files[1].error
    assert len(found.channels) == 2


def test_nothing_understood_is_said_and_not_raised(tmp_path):
    found = understand([write(tmp_path / "bad.csv", "hello\n")], Unit(name="bar"))
    assert found.error
    assert not found.complete


def test_it_can_be_written_as_json_and_shown_as_tables(tmp_path):
    from rich.console import Console

    found = understand([_log(tmp_path)], Unit(name="bar"))
    again = json.loads(json.dumps(as_json(found), allow_nan=False))
    assert again["channels"][0]["role"] == "evaporator"
    screen = io.StringIO()
    print_understanding(found, Console(file=screen, width=200))
    shown = screen.getvalue()
    assert "Evaporator (°C)" in shown
    assert "Current [bold](A)" in shown  # what stands in a log is never markup
    assert "every 10 s" in shown or "10 s" in shown


def test_no_path_of_the_machine_is_shown(tmp_path):
    found = understand([_log(tmp_path)], Unit(name="bar"))
    assert str(tmp_path) not in json.dumps(as_json(found))
