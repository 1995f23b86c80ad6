"""Files appear whole or not at all."""

import contextlib
import os
import signal
import subprocess
import sys

import pytest

from pipeline import atomic

HALF = """
import os, signal, sys
from pathlib import Path
from pipeline import atomic
with atomic.beside(Path(sys.argv[1])) as part:
    part.write_text("half")
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_writer_killed_half_way_leaves_the_file_as_it_was(tmp_path):
    path = tmp_path / "cycles.csv"
    atomic.write_text(path, "before")
    done = subprocess.run([sys.executable, "-c", HALF, str(path)])
    assert done.returncode == -signal.SIGKILL
    assert path.read_text() == "before"
    assert len(os.listdir(tmp_path)) == 2
    assert atomic.sweep(tmp_path) == 1
    assert os.listdir(tmp_path) == ["cycles.csv"]


def test_a_writer_that_fails_leaves_no_trace(tmp_path):
    def write_and_fail():
        with atomic.beside(tmp_path / "a.csv") as part:
            part.write_text("half")
            raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        write_and_fail()
    assert os.listdir(tmp_path) == []


def test_text_keeps_its_line_ends(tmp_path):
    atomic.write_text(tmp_path / "a.csv", "a\r\nb\n")
    assert (tmp_path / "a.csv").read_bytes() == b"a\r\nb\n"


def test_the_longest_file_name_can_be_written(tmp_path):
    atomic.write_bytes(tmp_path / ("n" * 250 + ".csv"), b"x", durable=True)
    assert len(os.listdir(tmp_path)) == 1


def test_sweeping_a_folder_that_is_not_there_is_no_error(tmp_path):
    assert atomic.sweep(tmp_path / "none") == 0


@pytest.mark.parametrize(("held_for", "whole"), [(2, True), (100, False)])
def test_on_windows_a_file_that_is_held_open_for_a_moment_is_tried_again(
    tmp_path, monkeypatch, held_for, whole
):
    tries, replace = [], os.replace

    def held_open(path, place):
        tries.append(place)
        if len(tries) <= held_for:
            raise PermissionError(13, "The process cannot access the file")
        replace(path, place)

    monkeypatch.setattr("pipeline.atomic.ON_WINDOWS", True)
    monkeypatch.setattr("pipeline.atomic._PAUSES_S", (0.0, 0.0, 0.0))
    monkeypatch.setattr("os.replace", held_open)
    with contextlib.nullcontext() if whole else pytest.raises(PermissionError):
        atomic.write_text(tmp_path / "x.csv", "new")
    assert (tmp_path / "x.csv").exists() == whole
    assert len(tries) == (3 if whole else 4)
    assert len(list(tmp_path.iterdir())) == whole
