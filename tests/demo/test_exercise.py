"""Exercises: logs without a word of the truth, and a sheet that says nothing until it is opened."""

from __future__ import annotations

import json

import pytest

from pipeline.cli import DONE, UNREAD, WRONG_USE, main
from pipeline.demo import exercise
from pipeline.demo.exercise import SHEET, exercise_units, write_exercise
from pipeline.demo.faults import KINDS


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("exercise") / "seven"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(exercise, "DAYS", 0.6)
        patch.setattr(exercise, "UNITS", 3)
        patch.setattr(exercise, "HEALTHY", 1)
        write_exercise(folder, 7)
    return folder


def test_there_are_logs_and_a_sheet_and_nothing_else(written):
    names = sorted(p.relative_to(written).as_posix() for p in written.rglob("*") if p.is_file())
    assert names == [SHEET, *(f"machine-{n}/logger.csv" for n in (1, 2, 3))]


def test_nothing_tells_the_answers_before_the_sheet_is_opened(written):
    everything = b"".join(p.read_bytes() for p in written.rglob("*") if p.is_file()).lower()
    for kind, fault in KINDS.items():
        assert kind.encode() not in everything
        assert fault.does[:30].encode() not in everything
    assert b"freeze" not in everything
    assert b"harvest" not in everything


def test_the_sheet_is_opened_when_asked(written, capsys):
    assert main(["demo", str(written), "--answers"]) == DONE
    said = capsys.readouterr().out
    assert said.count("In good order.") == 1
    assert said.count("From day") == 2
    truth = json.loads((written / "machine-1" / "truth.json").read_text(encoding="utf-8"))
    assert {kind for _, _, kind in truth["phases"]} >= {"freeze", "harvest"}


def test_no_exercise_or_a_damaged_sheet_is_said(written, tmp_path, capsys):
    assert main(["demo", str(tmp_path), "--answers"]) == WRONG_USE
    (tmp_path / SHEET).write_text("first line\nbm90IHppcHBlZA==\n", encoding="utf-8")
    assert main(["demo", str(tmp_path), "--answers"]) == UNREAD
    assert "damaged" in capsys.readouterr().err


def test_each_number_is_another_exercise_and_the_same_each_time():
    assert exercise_units(3) == exercise_units(3)
    assert exercise_units(3) != exercise_units(4)
    kinds = [unit.faults[0].kind for unit in exercise_units(5) if unit.faults]
    assert len(set(kinds)) == len(kinds) == exercise.UNITS - exercise.HEALTHY
