"""The command line on whole folders, each run in a process of its own: what a user gives, sees and gets."""

import contextlib
import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from pipeline.fleet.run import report
from pipeline.flow import RunOptions, UnitJob, report_unit
from pipeline.logs import UnitFiles
from tests.fleet.small_fleet import (
    ENVIRONMENT,
    add_unit,
    contents,
    icelogs,
    icelogs_here,
    start_icelogs,
    until,
)
from tests.store.scene import leftovers

NO_UNICODE = os.fsdecode(b"caf\xe9")
OUTPUTS = {"report.html", "phases.csv", "cycles.csv", "findings.json", "timeline.parquet"}


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("made")


@pytest.fixture(scope="module")
def mixed(tmp_path_factory, made):
    """Two units that can be reported, one of them with findings, among broken ones; reported once."""
    base = tmp_path_factory.mktemp("mixed")
    logs = base / "logs"
    add_unit(logs, "sound", cache_in=made)
    half = add_unit(logs, "half-broken", scenario="stalled", hours=24, cache_in=made)
    (half.parent / "notes.csv").write_text(
        "The compressor was loud again.\nCome back on Monday.\n", encoding="utf-8"
    )
    broken = {
        "empty": b"",
        "renamed-text": b"Dear colleague,\n\nplease find the readings enclosed.\n",
        "header-only": None,
    }
    for name, data in broken.items():
        (logs / name).mkdir()
        header = half.read_bytes().splitlines(keepends=True)[0]
        (logs / name / "export.csv").write_bytes(header if data is None else data)
    (logs / "no-files").mkdir()
    add_unit(logs, "Index.html", cache_in=made)
    if os.name == "posix":  # names are bytes there
        add_unit(logs, NO_UNICODE, cache_in=made)
    add_unit(logs, "bad-settings", cache_in=made)
    (logs / "bad-settings" / "unit.toml").write_text('time_zone = "Mars/Base"\n', encoding="utf-8")
    before = contents(logs)
    done = icelogs("report", logs, "--to", base / "reports", "--alarm", "act")
    return {"done": done, "logs": logs, "reports": base / "reports", "before": before}


def test_what_cannot_be_read_ends_with_1_whatever_was_found_and_the_others_are_reported(mixed):
    assert mixed["done"].returncode == 1, mixed["done"].stderr
    for name in ("sound", "half-broken"):
        assert {p.name for p in (mixed["reports"] / name).iterdir()} >= OUTPUTS
    with open(mixed["reports"] / "fleet.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["unit"] for row in rows if row["level"] != "not-reported"} == {"sound", "half-broken"}
    reasons = {row["unit"]: row["verdict"] for row in rows if row["level"] == "not-reported"}
    assert set(reasons) >= {"empty", "header-only", "renamed-text"}
    assert all(reasons.values())


@pytest.mark.parametrize(
    ("unit", "file"),
    [
        ("empty", "export.csv"),
        ("renamed-text", "export.csv"),
        ("header-only", "export.csv"),
        ("half-broken", "notes.csv"),
        ("bad-settings", "unit.toml"),
        ("no-files", ""),
    ],
)
def test_each_reason_names_the_file_and_says_how_to_mend_it(mixed, unit, file):
    with open(mixed["reports"] / "problems.csv", encoding="utf-8", newline="") as rows:
        told = [row for row in csv.DictReader(rows) if row["unit"] == unit]
    assert told, unit
    message = next(row["problem"] for row in told if file in row["problem"])
    told = next(line for line in mixed["done"].stderr.splitlines() if message in line)
    assert unit in told
    assert ";" in message, message  # what was found; what to do about it
    assert "fault of this program" not in message
    assert not (mixed["reports"] / unit / "report.html").exists() or unit == "half-broken"


def test_the_reasons_stand_on_the_fleet_page(mixed):
    page = (mixed["reports"] / "index.html").read_text(encoding="utf-8")
    assert "unit.toml" in page
    assert "notes.csv" in page


def test_no_message_shows_a_path_of_this_machine_or_a_traceback(mixed):
    told = mixed["done"].stderr + mixed["done"].stdout.replace(f"Open {mixed['reports']}", "")
    assert "Traceback" not in told
    assert str(mixed["logs"].parent) not in told
    for path in (
        *mixed["reports"].glob("[a-z]*.*"),
        *mixed["reports"].glob("*/*.json"),
        *mixed["reports"].glob("*/*.csv"),
    ):
        assert str(mixed["logs"].parent) not in path.read_text(encoding="utf-8"), path.name


def test_nothing_that_was_given_is_changed(mixed):
    assert contents(mixed["logs"]) == mixed["before"]


def test_a_unit_named_like_the_fleet_page_does_not_take_its_place(mixed):
    assert "Index.html: a unit cannot have the name" in mixed["done"].stderr
    assert (mixed["reports"] / "index.html").is_file()


@pytest.mark.skipif(os.name != "posix", reason="names of files are Unicode here")
def test_a_name_that_is_not_unicode_is_refused_and_costs_no_other_unit(mixed):
    assert "caf?: this name is not Unicode; rename the folder or files" in mixed["done"].stderr
    assert "caf?" in (mixed["reports"] / "index.html").read_text(encoding="utf-8")
    assert not (mixed["reports"] / NO_UNICODE).exists()


def test_an_older_code_page_of_the_terminal_ends_no_run(tmp_path, made):
    add_unit(tmp_path / "logs", "bår 中", cache_in=made)
    command = [sys.executable, "-m", "pipeline", "report", tmp_path / "logs", "--to", tmp_path / "reports"]
    done = subprocess.run(command, env={**ENVIRONMENT, "PYTHONIOENCODING": "cp1252"}, capture_output=True)
    assert done.returncode == 0, done.stderr
    assert "bår ?".encode("cp1252") in done.stdout


@pytest.mark.skipif(os.name != "posix", reason="such names cannot be made here")
def test_a_name_cannot_play_with_the_terminal(tmp_path, made):
    name = "bar\x1b[2J\n\u202eevil"
    add_unit(tmp_path / "logs", name, cache_in=made)
    (tmp_path / "logs" / name / "x\x1b[31m.csv").write_bytes(b"")
    done = icelogs_here("report", tmp_path / "logs", "--to", tmp_path / "reports")
    assert (tmp_path / "reports" / name / "report.html").is_file()
    assert [sign for sign in "\x1b\u202e" if sign in done.stdout + done.stderr] == []
    assert [line for line in done.stderr.splitlines() if "evil" in line] == [done.stderr.splitlines()[-1]]


@pytest.mark.parametrize(("windows", "told"), [(True, "Windows takes no folder of this name"), (False, "")])
def test_a_name_that_windows_does_not_take_is_refused_there(monkeypatch, tmp_path, made, windows, told):
    monkeypatch.setattr("pipeline.store.names.ON_WINDOWS", windows)
    files = UnitFiles(name="aux.", files=(add_unit(tmp_path, "bar", cache_in=made),), toml=None)
    outcome = report_unit(UnitJob(files=files, folder=tmp_path / "out", options=RunOptions()))
    assert told in "".join(problem.message for problem in outcome.problems)
    assert (outcome.summary is None) == windows


def test_where_capitals_make_no_difference_two_units_never_share_a_folder(monkeypatch, tmp_path, made):
    monkeypatch.setattr("pipeline.store.StorePlace.folds_case", lambda place: True)
    (tmp_path / "logs").mkdir()
    for name in ("Bar", "bar", "cafe\u0301", "caf\u00e9"):
        add_unit(tmp_path / name, "x", cache_in=made).rename(tmp_path / "logs" / f"{name}__probes.csv")
    outcome = report(tmp_path / "logs", tmp_path / "reports", RunOptions(jobs=1))
    assert [unit.name for unit in outcome.units if unit.summary is not None] == ["Bar", "cafe\u0301"]
    assert 'differs from "Bar" only in capitals' in outcome.problems[0].message


def test_the_table_shows_every_unit_worst_first(mixed):
    shown = mixed["done"].stdout
    assert shown.index("bad-settings") < shown.index("sound")
    assert "not reported" in shown


# Exit status ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def stalled(tmp_path_factory, made) -> Path:
    logs = tmp_path_factory.mktemp("stalled") / "logs"
    add_unit(logs, "one", scenario="stalled", hours=24, cache_in=made)
    return logs


def test_a_finding_changes_the_status_only_where_that_is_asked_for(stalled, tmp_path):
    plain = icelogs_here("report", stalled, "--to", tmp_path / "r", "--quiet")
    assert (plain.returncode, plain.stdout) == (0, ""), plain.stderr
    level = json.loads((tmp_path / "r" / "one" / "findings.json").read_text(encoding="utf-8"))["level"]
    assert level == "act"
    asked = icelogs_here("report", stalled, "--to", tmp_path / "r", "--quiet", "--fail-on", "act")
    assert asked.returncode == 3


def test_a_sound_unit_does_not_fail_and_its_report_may_stand_beside_the_logs(tmp_path, made):
    add_unit(tmp_path / "logs", "one", cache_in=made)
    done = icelogs_here("report", "logs", "--to", ".", "--quiet", "--alarm", "watch", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "one" / "report.html").exists()


# The command line itself is wrong -------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path, made) -> Path:
    add_unit(tmp_path / "logs", "one", cache_in=made)
    (tmp_path / "nothing").mkdir()
    (tmp_path / "a-file").write_text("kept", encoding="utf-8")
    (tmp_path / "reports").mkdir()
    return tmp_path


@pytest.mark.parametrize(
    "arguments",
    [
        pytest.param(("report",), id="no folder at all"),
        pytest.param(("report", "logs"), id="no folder for the reports"),
        pytest.param(("report", "gone", "--to", "reports"), id="a folder that is not there"),
        pytest.param(("report", "nothing", "--to", "reports"), id="a folder without logs"),
        pytest.param(("report", "logs", "--to", "a-file"), id="reports into a file"),
        pytest.param(("report", "logs", "--to", "a-file/reports"), id="reports below a file"),
        pytest.param(("report", "logs", "--to", "logs"), id="reports among the logs"),
        pytest.param(("report", "logs", "--to", "logs/reports"), id="reports inside the logs"),
        pytest.param(("report", "logs", "--to", "reports/../logs/one"), id="reports inside a unit"),
        pytest.param(("report", "logs", "--to", "reports", "--jobs", "-1"), id="less than no job"),
        pytest.param(("report", "logs", "--to", "reports", "--jobs", "many"), id="jobs in words"),
        pytest.param(("report", "logs", "--to", "reports", "--fail-on", "sometimes"), id="no such severity"),
        pytest.param(
            ("report", "logs", "--to", "reports", "--cluster", "nowhere"), id="no address of a scheduler"
        ),
        pytest.param(
            ("report", "logs", "--to", "reports", "--cluster", "tcp://127.0.0.1:9"), id="no scheduler there"
        ),
        pytest.param(("report", "nosuch://logs", "--to", "reports"), id="a URL of no kind"),
        pytest.param(("polish", "logs"), id="no such verb"),
    ],
)
def test_a_wrong_command_line_ends_with_2_and_says_why(folder, arguments, monkeypatch):
    monkeypatch.setattr("pipeline.fleet.dask.CONNECT_S", 1.0)
    before = contents(folder)
    done = icelogs_here(*arguments, cwd=folder)
    assert done.returncode == 2, done.stderr
    assert done.stderr.strip()
    assert "Traceback" not in done.stderr
    assert contents(folder) == before


def test_a_unit_that_would_be_written_over_the_logs_is_refused(tmp_path, made):
    add_unit(tmp_path / "logs", "logs", cache_in=made)
    before = contents(tmp_path)
    done = icelogs_here("report", tmp_path / "logs", "--to", tmp_path)
    assert done.returncode == 2
    assert contents(tmp_path) == before


# Processes ------------------------------------------------------------------------------------------------------------


BUSY_UNITS = 12  # enough that a quick machine is still at work when a test strikes


@pytest.fixture
def busy(tmp_path, made) -> Path:
    for number in range(BUSY_UNITS):
        add_unit(tmp_path / "logs", f"unit-{number}", hours=48, interval_s=10, cache_in=made)
    return tmp_path


def _workers(run) -> list[psutil.Process]:
    """Those that work on units: on Linux, children of the process that they were forked from."""
    return [p for p in psutil.Process(run.pid).children(recursive=True) if _works(p)]


def _works(process: psutil.Process) -> bool:
    with contextlib.suppress(psutil.NoSuchProcess):
        return not process.children() and process.cpu_times().user > 0.1
    return False


def test_a_unit_whose_process_is_killed_is_reported_all_the_same(busy):
    run = start_icelogs("report", busy / "logs", "--to", busy / "r", "--jobs", "2")
    until(lambda: list((busy / "r").glob("*/report.html")))
    os.kill(until(lambda: _workers(run))[0].pid, signal.SIGKILL)
    _, told = run.communicate(timeout=600)
    assert run.returncode == 0, told
    assert len(list((busy / "r").glob("*/report.html"))) == BUSY_UNITS
    assert leftovers(busy / "r") == []  # of the one that was killed, too


def test_workers_do_not_outlive_a_killed_run_and_no_report_is_torn(busy):
    run = start_icelogs("report", busy / "logs", "--to", busy / "r", "--jobs", "2")
    until(lambda: list((busy / "r").glob("*/report.html")))
    family = psutil.Process(run.pid).children(recursive=True)
    run.kill()
    run.communicate()
    _, alive = psutil.wait_procs(family, timeout=300)
    assert not alive
    for page in (busy / "r").glob("*/report.html"):
        assert {p.name for p in page.parent.iterdir()} >= OUTPUTS
        assert page.read_text(encoding="utf-8").rstrip().endswith("</html>")


def test_ctrl_c_stops_the_run_with_one_sentence(busy):
    run = start_icelogs("report", busy / "logs", "--to", busy / "r", "--jobs", "2")
    until(lambda: list((busy / "r").glob("*/report.html")))
    family = psutil.Process(run.pid).children(recursive=True)
    for process in [psutil.Process(run.pid), *family]:  # a terminal sends it to the whole group
        with contextlib.suppress(psutil.NoSuchProcess):
            process.send_signal(signal.SIGINT)
    _, told = run.communicate(timeout=300)
    assert run.returncode == 130
    assert [line for line in told.splitlines() if "units" not in line] == [
        "icelogs: stopped; what was finished is complete, the rest is as it was"
    ]
    _, alive = psutil.wait_procs(family, timeout=300)
    assert not alive


@pytest.mark.parametrize("after_s", [0.0, 0.2, 0.8, 2.0])
def test_ctrl_c_while_the_workers_are_being_started_shows_no_traceback(busy, after_s):
    run = start_icelogs("report", busy / "logs", "--to", busy / "r", "--jobs", "2")
    until(lambda: psutil.Process(run.pid).children())
    time.sleep(after_s)
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does
    _, told = run.communicate(timeout=300)
    assert run.returncode == 130
    assert "Traceback" not in told
    assert told.splitlines()[-1].startswith("icelogs: stopped")


INTERRUPTED = """
import sys
class Loading:
    def find_spec(self, name, path=None, target=None):
        if name == "pipeline.cli":
            raise KeyboardInterrupt
sys.meta_path.insert(0, Loading())
from pipeline.__main__ import main
sys.exit(main())
"""


def test_ctrl_c_while_the_program_is_being_loaded_shows_no_traceback():
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED], env=ENVIRONMENT, capture_output=True, text=True, timeout=300
    )
    assert (done.returncode, done.stderr) == (130, "icelogs: stopped\n")


def test_the_number_of_jobs_changes_no_byte(tmp_path, made):
    for name, kind in (("a", "slab24"), ("b", "cube17"), ("c", "cube33")):
        add_unit(tmp_path / "logs", name, kind=kind, cache_in=made)
    for jobs in (1, 3):
        assert (
            icelogs_here(
                "report", tmp_path / "logs", "--to", tmp_path / f"r{jobs}", "--jobs", jobs
            ).returncode
            == 0
        )
    assert contents(tmp_path / "r1") == contents(tmp_path / "r3")
