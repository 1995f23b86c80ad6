"""`icelogs check`: what was understood, and what a report will and will not be able to tell."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.logs import understand
from pipeline.logs.check.terminal_table import print_understanding
from pipeline.logs.check.understanding import as_json
from pipeline.unit import ROLES, Unit
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


CORPUS = Path(__file__).parents[1] / "corpus"


@pytest.mark.parametrize("name", sorted(p.name for p in CORPUS.iterdir() if p.suffix != ".json"))
def test_every_file_of_the_corpus_is_shown_as_understood_or_with_its_remedy(name):
    from rich.console import Console

    found = understand([CORPUS / name], Unit(name="bar"))
    print_understanding(found, Console(file=io.StringIO(), width=80))
    assert {f.name.split("/")[0] for f in found.files} == {name}
    expected = json.loads((CORPUS / f"{name}.json").read_text(encoding="utf-8"))
    if "unit" not in expected:
        assert [bool(f.error) for f in found.files] == ["error" in expected]


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


def _screen(found, width):
    from rich.console import Console

    screen = io.StringIO()
    print_understanding(found, Console(file=screen, width=width))
    return screen.getvalue()


def test_a_terminal_of_80_columns_breaks_no_role_number_or_date(tmp_path):
    log = cycling(hours=6.0)
    labels = (
        "Evaporator outlet temperature (°C)",
        "Compressor discharge line (°C)",
        "Compressor lead current (A)",
    )
    rows = [",".join(["Time", *labels])]
    for i, s in enumerate(log["seconds"].astype(int)):
        cells = (log[c][i] for c in ("evaporator", "discharge", "current"))
        rows.append(
            f"2026-05-04 {s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d},"
            + ",".join(f"{v:.2f}" for v in cells)
        )
    text = "\n".join(rows) + "\n"
    files = [
        write(tmp_path / "a-long-name-for-a-logger-in-the-kitchen.csv", text),
        write(tmp_path / "[bold]two.csv", text.replace("Time,", "When,").replace("lead current", "clamp")),
    ]
    shown = _screen(understand(files, Unit(name="bar")), 80)
    assert max(map(len, shown.splitlines())) <= 80
    words = shown.split()
    for whole in ("evaporator", "discharge", "current_compressor", "(current_compressor)", "2026-05-04"):
        assert whole in words
    assert "…" not in shown
    assert "[bold]two.csv" in words  # what stands in a name is never markup


def test_the_roles_are_whole_whichever_they_are(tmp_path):
    found = understand([_log(tmp_path)], Unit(name="bar"))
    for role in ROLES:
        channel = replace(found.channels[0], role=role, used=False, lowest=-120.4, highest=160.2)
        shown = _screen(replace(found, channels=(channel,)), 80)
        assert (f"({role})" if role != "other" else "not used") in shown


def test_a_workbook_beside_the_logs_is_listed_as_not_read_and_a_note_is_not(tmp_path, capsys):
    from pipeline.cli import main

    _log(tmp_path)
    (tmp_path / "readings.xlsx").write_bytes(b"PK\x03\x04 cut off")
    (tmp_path / "readings.ods").write_bytes(b"PK\x03\x04 cut off")
    (tmp_path / "old.xls").write_bytes(b"\xd0\xcf\x11\xe0")
    (tmp_path / "print.pdf").write_bytes(b"%PDF-1.4")
    write(tmp_path / "README.txt", "The clip was put on at 10:30, and again on 4/5.\n")
    assert main(["check", str(tmp_path), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    errors = {f["name"]: f["error"] for f in found["files"] if f["error"]}
    assert sorted(errors) == ["old.xls", "print.pdf", "readings.ods", "readings.xlsx"]
    assert all("as CSV" in e for e in errors.values())


def test_no_path_of_the_machine_is_shown(tmp_path):
    found = understand([_log(tmp_path)], Unit(name="bar"))
    assert str(tmp_path) not in json.dumps(as_json(found))


def _two_columns(tmp_path, labels, columns):
    log = cycling(hours=12.0)
    rows = [",".join(["Time", *labels])]
    for i, s in enumerate(log["seconds"].astype(int)):
        stamp = f"2026-05-{4 + s // 86400:02d} {s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}"
        rows.append(",".join([stamp, *(f"{columns(log)[k][i]:.2f}" for k in range(len(labels)))]))
    return write(tmp_path / "log.csv", "\n".join(rows) + "\n")


def _cycles_answer(understanding):
    return next(a for a in understanding.answers if a.question == "freezes and harvests")


def test_the_cycles_that_are_seen_are_counted(tmp_path):
    answer = _cycles_answer(understand([_log(tmp_path)], Unit(name="bar")))
    seen = int(re.search(r"cycles seen: about (\d+)", answer.why)[1])
    log = cycling(hours=12.0)
    assert abs(seen - np.count_nonzero(np.diff((log["evaporator"] > 0).astype(int)) > 0)) <= 1


def test_a_machine_that_is_switched_off_shows_no_freezes(tmp_path):
    path = _two_columns(
        tmp_path,
        ["Evaporator (°C)", "Current (A)"],
        lambda log: (22 + 0.3 * np.sin(log["seconds"] / 9000), 0.02 + 0 * log["current"]),
    )
    answer = _cycles_answer(understand([path], Unit(name="bar")))
    assert (answer.can, "never" in answer.why) == ("no", True)


def test_headers_that_the_readings_speak_against_are_doubted(tmp_path):
    path = _two_columns(
        tmp_path,
        ["Room (°C)", "Suction (°C)"],
        lambda log: (log["evaporator"], 24 + 1.5 * np.sin(log["seconds"] / 9000)),
    )
    found = understand([path], Unit(name="bar"))
    assert _cycles_answer(found).can == "no"
    assert "speak against their headers" in _cycles_answer(found).why
    assert {c.role_confidence for c in found.channels} == {0.3}


def test_times_without_a_zone_are_the_loggers_own(tmp_path):
    path = _log(tmp_path)
    assert understand([path], Unit(name="bar")).files[0].dialect["zone"] == "the logger's own clock"
    assert understand([path], Unit(name="bar", time_zone="UTC")).files[0].dialect["zone"] == "UTC"


def test_what_rests_on_cycles_is_not_promised_where_none_are_seen(tmp_path):
    rows = ["Time,Suction (°C),Current (A)"]
    rows += [
        f"2026-05-04 {m // 60:02d}:{m % 60:02d}:{s:02d},22.{m % 5},0.02"
        for m in range(600)
        for s in (0, 20, 40)
    ]
    found = understand([write(tmp_path / "log.csv", "\n".join(rows) + "\n")], Unit(name="bar"))
    answers = _answers(found)
    assert answers["freezes and harvests"] == "no"
    assert {answers[q] for q in ("length of a harvest", "harvests that stall", "cold enough freezes")} == {
        "no"
    }


def test_a_log_of_another_century_is_named_and_left_out(tmp_path):
    good = _log(tmp_path)
    old = write(
        tmp_path / "old.csv",
        good.read_text(encoding="utf-8")[: 20 * 40].rpartition("\n")[0].replace("2026-", "1700-"),
    )
    found = understand([good, old], Unit(name="bar"))
    (refused,) = [f for f in found.files if f.error]
    assert refused.name == "old.csv"
    assert "its times are of 1700 and those of log.csv of 2026" in refused.error
    assert _answers(found)["freezes and harvests"] == "yes"
