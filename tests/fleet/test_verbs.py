"""`icelogs report`, `check` and `compare`, as the command line gives them."""

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest

from pipeline.demo.faults import Fault
from pipeline.demo.machine import MACHINES
from pipeline.demo.simulator import simulate
from tests.fleet.small_fleet import icelogs_here as icelogs
from tests.store.scene import write_log as write_short_log
from tests.store.scene import write_unit


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


def test_report_of_one_file_writes_the_report_of_that_file(tmp_path):
    write_short_log(tmp_path / "bar.csv")
    write_short_log(tmp_path / "cafe.csv")
    done = icelogs("report", tmp_path / "bar.csv", "--to", tmp_path / "reports", "--quiet")
    assert (done.returncode, done.stderr) == (0, "")
    assert [p.parent.name for p in tmp_path.glob("reports/*/report.html")] == ["bar"]


def test_report_of_one_file_does_not_write_beside_it_what_would_be_taken_for_logs(tmp_path):
    write_short_log(tmp_path / "bar.csv")
    done = icelogs("report", tmp_path / "bar.csv", "--to", tmp_path, "--quiet")
    assert done.returncode == 2
    assert [p.name for p in tmp_path.iterdir()] == ["bar.csv"]


def test_report_of_a_unit_s_own_folder_reports_that_unit_by_its_unit_toml(tmp_path):
    write_unit(tmp_path, "bar", client='title = "The Bar"\n')
    write_short_log(tmp_path / "bar" / "clamp.csv", seed=4)
    done = icelogs("report", tmp_path / "bar", "--to", tmp_path / "reports", "--quiet")
    assert done.returncode == 0
    assert (
        done.stderr == 'icelogs: "bar" holds a unit.toml beside its logs: taken for one unit of that name\n'
    )
    assert [p.parent.name for p in tmp_path.glob("reports/*/report.html")] == ["bar"]
    assert "The Bar" in (tmp_path / "reports" / "bar" / "report.html").read_text(encoding="utf-8")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")
def test_pipes_devices_and_links_hold_up_nobody_and_are_named(tmp_path):
    logs = tmp_path / "logs"
    write_unit(logs, "bar")
    os.mkfifo(logs / "cafe__probes.csv")
    os.mkfifo(logs / "bar" / "clamp.csv")
    os.mkfifo(logs / "notes.txt")
    (logs / "zero.csv").symlink_to("/dev/zero")
    (logs / "disk").symlink_to("/")
    done = icelogs("report", logs, "--to", tmp_path / "reports", "--quiet")
    assert done.returncode == 1
    assert [p.parent.name for p in tmp_path.glob("reports/*/report.html")] == ["bar"]
    told = done.stderr.splitlines()
    assert len(told) == 5
    assert sum("is a pipe or a device" in line for line in told) == 4
    assert sum("leads to a folder that holds this one" in line for line in told) == 1
    once = icelogs("watch", logs, "--to", tmp_path / "reports", "--once", "--rest", "0.2")
    assert once.returncode == 1
    for name in ("cafe__probes.csv", "zero.csv"):
        checked = icelogs("check", logs / name)
        assert checked.returncode == 1
        assert "is a pipe or a device" in checked.stdout


def test_a_damaged_archive_costs_its_own_logs_and_no_other_unit(tmp_path):
    logs = tmp_path / "logs"
    write_unit(logs, "bar")
    with zipfile.ZipFile(logs / "may.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("cafe/a.csv", (logs / "bar" / "probes.csv").read_bytes())
        archive.writestr("kiosk/b.csv", (logs / "bar" / "probes.csv").read_bytes())
    data = bytearray((logs / "may.zip").read_bytes())
    data[200:260] = bytes(60)
    (logs / "may.zip").write_bytes(data)
    done = icelogs("report", logs, "--to", tmp_path / "reports", "--quiet")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "may.zip/a.csv: this part of the zip file is damaged" in done.stderr
    assert sorted(p.parent.name for p in tmp_path.glob("reports/*/report.html")) == ["bar", "kiosk"]


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
    assert done.stdout.startswith("Better than before")
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
    assert done.stdout.startswith("Neither better nor worse")
    assert "no change" in done.stdout.splitlines()[1]


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
