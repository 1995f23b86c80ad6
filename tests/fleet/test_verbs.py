"""`icelogs check` and `icelogs compare`, through the real command."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.demo.faults import Fault
from pipeline.demo.machine import MACHINES
from pipeline.demo.simulator import simulate


def icelogs(*arguments):
    command = [sys.executable, "-m", "pipeline", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


def write_log(path: Path, simulation) -> None:
    times = np.datetime_as_string(simulation.time_ns.view("M8[ns]").astype("M8[s]"))
    cold, current = simulation.channels["evaporator"], simulation.channels["current"]
    rows = [f"{t}Z,{c:.2f},{a:.2f}" for t, c, a in zip(times, cold, current, strict=True)]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(["time,Evaporator (°C),Current (A)", *rows]) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def before_and_after(tmp_path_factory):
    """The same machine with a leaking water valve, and mended."""
    folder = tmp_path_factory.mktemp("visits")
    channels = ("evaporator", "current")
    for name, faults in (("leaking", [Fault(kind="water-leak")]), ("mended", [])):
        made = simulate(MACHINES["slab"], days=2, interval_s=10, seed=5, faults=faults, roles=channels)
        write_log(folder / name / "log.csv", made)
    return folder


def test_check_says_what_it_understood_as_json(before_and_after):
    done = icelogs("check", before_and_after / "mended", "--json")
    assert done.returncode == 0, done.stderr
    understood = json.loads(done.stdout)
    assert {channel["role"] for channel in understood["channels"]} == {"evaporator", "current"}
    assert understood["files"][0]["rows"] == 2 * 8640
    assert str(before_and_after) not in done.stdout


def test_check_of_a_file_that_is_no_log_ends_with_1_and_names_it(tmp_path):
    (tmp_path / "letter.csv").write_text("Dear client,\nthe machine is well.\n")
    done = icelogs("check", tmp_path / "letter.csv")
    assert done.returncode == 1
    assert "letter.csv" in done.stdout


def test_check_of_a_file_that_is_not_there_is_wrong_use(tmp_path):
    done = icelogs("check", tmp_path / "gone.csv")
    assert done.returncode == 2
    assert "gone.csv" in done.stderr


def test_compare_finds_the_freezes_shorter_after_the_repair(before_and_after, tmp_path):
    page = tmp_path / "page.html"
    done = icelogs("compare", before_and_after / "leaking", before_and_after / "mended", "--to", page)
    assert done.returncode == 0, done.stderr
    assert "shorter" in done.stdout.splitlines()[0]
    assert "95 % interval" in done.stdout
    assert "Content-Security-Policy" in page.read_text(encoding="utf-8")


def test_compare_of_a_log_with_no_later_one_asks_for_a_visit(before_and_after):
    done = icelogs("compare", before_and_after / "mended")
    assert done.returncode == 2
    assert "--visit" in done.stderr


def test_compare_splits_one_log_at_a_visit_from_unit_toml(before_and_after, tmp_path):
    unit = tmp_path / "bar"
    unit.mkdir()
    lines = (before_and_after / "mended" / "log.csv").read_text(encoding="utf-8")
    (unit / "log.csv").write_text(lines, encoding="utf-8")
    day = lines.splitlines()[len(lines.splitlines()) // 2][:10]
    (unit / "unit.toml").write_text(f'[[visits]]\non = {day}\nwhat = "cleaned"\n')
    done = icelogs("compare", unit)
    assert done.returncode == 0, done.stderr
    assert "no change" in done.stdout.splitlines()[0]


def test_a_folder_that_cannot_be_made_is_said_in_one_line(before_and_after, tmp_path):
    (tmp_path / "file").write_text("")
    for arguments in (
        ("demo", tmp_path / "file" / "logs"),
        (
            "compare",
            before_and_after / "leaking",
            before_and_after / "mended",
            "--to",
            tmp_path / "file" / "x",
        ),
    ):
        done = icelogs(*arguments)
        assert done.returncode == 1
        assert done.stderr.startswith("icelogs: ")
        assert "see its rights" in done.stderr
        assert str(tmp_path) not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe ends differently there")
def test_a_reader_who_has_seen_enough_is_no_error(before_and_after):
    command = [sys.executable, "-m", "pipeline", "check", before_and_after / "mended", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        run.stdout.close()
        assert run.stderr.read() == b""
    assert run.returncode == 0
