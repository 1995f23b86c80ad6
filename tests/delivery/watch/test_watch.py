"""The drop folder, with real processes, real files and real signals."""

import contextlib
import csv
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
import zipfile

import psutil
import pytest

from pipeline.delivery.watch.watch import WatchOptions, watch
from pipeline.errors import UsageError
from pipeline.fleet.run import RunOptions, report
from pipeline.store import Locked, StorePlace
from tests.fleet.small_fleet import start_icelogs, until
from tests.store.scene import leftovers, log_text, machine_files, write_log, write_unit

QUICK = WatchOptions(run=RunOptions(jobs=1), once=True, rest_s=0.3)


@pytest.fixture
def inbox(tmp_path):
    (tmp_path / "inbox").mkdir()
    return tmp_path / "inbox"


@pytest.fixture
def reports(tmp_path):
    return tmp_path / "reports"


def once(inbox, reports, options=QUICK):
    lines = []
    outcome = watch(inbox, reports, options, stop=threading.Event(), say=lines.append)
    return lines, outcome


@contextlib.contextmanager
def watching(inbox, reports, *options):
    """A watcher in a process of its own; its lines, as they come."""
    command = [sys.executable, "-m", "pipeline", "watch", str(inbox), "--to", str(reports)]
    process = subprocess.Popen(
        [*command, "--rest", "0.5", "--scan", "2", "--jobs", "1", *options], stderr=subprocess.PIPE, text=True
    )
    lines = []
    reader = threading.Thread(target=lambda: lines.extend(iter(process.stderr.readline, "")), daemon=True)
    reader.start()
    try:
        wait_for(lambda: lines)
        yield process, lines
    finally:
        process.kill()
        process.wait()
        reader.join(timeout=5)
        process.stderr.close()


def wait_for(condition, seconds=600.0):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if condition():
            return
        time.sleep(0.05)
    raise AssertionError("it did not happen")


def said(lines, words):
    return sum(words in line for line in lines)


def problems(reports):
    with open(reports / "problems.csv", encoding="utf-8", newline="") as file:
        return [(row["unit"], row["file"]) for row in csv.DictReader(file)]


def test_a_folder_a_loose_file_and_an_archive_of_units_dropped_at_once(inbox, reports, tmp_path):
    write_unit(inbox, "bar")
    write_log(inbox / "cafe__probes.csv", seed=2)
    with zipfile.ZipFile(inbox / "visit of may.zip", "w") as archive:
        archive.writestr("visit/kiosk/probes.csv", log_text(seed=3))
        archive.writestr("visit/kiosk/unit.toml", 'title = "The Kiosk"\n')
        archive.writestr("visit/bar/second visit.csv", log_text(seed=4, hours=2))
        archive.writestr("__MACOSX/visit/kiosk/._probes.csv", "rubbish")
    before = {path: path.read_bytes() for path in inbox.rglob("*") if path.is_file()}
    lines, outcome = once(inbox, reports)
    assert outcome.settled
    assert outcome.problems == ()
    assert sorted(p.name for p in reports.iterdir() if p.is_dir() and p.name[0] != ".") == [
        "bar",
        "cafe",
        "kiosk",
    ]
    assert "The Kiosk" in (reports / "kiosk" / "report.html").read_text(encoding="utf-8")
    assert {path: path.read_bytes() for path in inbox.rglob("*") if path.is_file()} == before
    assert leftovers(reports) == []
    (inbox / "visit of may.zip").unlink()
    lines, _ = once(inbox, reports)
    assert said(lines, "bar: reported") == 1  # its second visit is gone
    assert said(lines, "cafe: reported") == 0
    assert list(StorePlace(reports).unpacked.iterdir()) == []


def test_it_reports_as_report_does_and_a_second_time_nothing(inbox, reports, tmp_path):
    for name in ("bar", "cafe"):
        write_unit(inbox, name)
    lines, _ = once(inbox, reports)
    assert said(lines, ": reported") == 2
    report(inbox, tmp_path / "plain", RunOptions(jobs=1))
    assert machine_files(reports) == machine_files(tmp_path / "plain")
    lines, outcome = once(inbox, reports)
    assert said(lines, ": reported") == 0
    assert outcome.settled
    page = (reports / "index.html").read_bytes()
    for name in ("bar", "cafe"):
        shutil.rmtree(inbox / name)
    once(inbox, reports)  # an emptied folder, or a share that is not mounted, costs no report
    assert (reports / "index.html").read_bytes() == page
    assert (reports / "bar" / "report.html").exists()


def test_a_file_that_is_still_being_copied_is_left_until_it_rests(inbox, reports):
    text = log_text(seed=7, hours=8)
    with watching(inbox, reports, "--scan", "600") as (_, lines):  # so it is the system's events that wake it
        (inbox / "cafe").mkdir()
        with open(inbox / "cafe" / "probes.csv", "w", encoding="utf-8") as file:
            for start in range(0, len(text), len(text) // 6):
                file.write(text[start : start + len(text) // 6])
                file.flush()
                time.sleep(0.3)
            time.sleep(1.5)  # longer than it takes to rest, but still open for writing
            assert said(lines, "cafe") == 0
        wait_for(lambda: said(lines, "cafe: reported") == 1)
        (inbox / "cafe" / ".incoming").write_text(text, encoding="utf-8")
        (inbox / "cafe" / ".incoming").rename(inbox / "cafe" / "second.csv")
        wait_for(lambda: said(lines, "cafe: reported") == 2)


def test_what_cannot_be_read_stays_is_listed_and_is_tried_again_only_when_it_changes(inbox, reports):
    write_unit(inbox, "bar")
    bad = inbox / "bar" / "letter.csv"
    bad.write_text("Dear Sir,\nnothing was logged.\n", encoding="utf-8")
    with watching(inbox, reports) as (_, lines):
        wait_for(lambda: said(lines, "bar: reported") == 1)
        wait_for(lambda: said(lines, "problem: bar/letter.csv") == 1)
        write_unit(inbox, "cafe")
        wait_for(lambda: said(lines, "cafe: reported") == 1)
        assert problems(reports) == [("bar", "letter.csv")]
        assert "letter.csv" in (reports / "index.html").read_text(encoding="utf-8")
        assert said(lines, "bar: reported") == 1
        assert said(lines, "letter.csv") == 1
        bad.write_text(log_text(seed=3, hours=2), encoding="utf-8")
        wait_for(lambda: said(lines, "bar: reported") == 2)
        wait_for(lambda: problems(reports) == [])


def test_asked_to_stop_in_the_middle_of_work_it_stops_at_once_and_leaves_nothing_half_done(inbox, reports):
    for number in range(12):
        write_unit(inbox, f"unit{number:02}", hours=48)
    with watching(inbox, reports) as (process, lines):
        wait_for(lambda: said(lines, ": reported") >= 2)
        asked = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=20) == 0
        assert time.monotonic() - asked < 10
    assert "stopped; every report is whole" in lines[-1]
    assert leftovers(reports) == []
    for folder in (p for p in reports.iterdir() if p.is_dir() and p.name[0] != "."):
        assert (folder / "report.html").read_text(encoding="utf-8").rstrip().endswith("</html>")


@pytest.mark.skipif(sys.platform == "win32", reason="a process is put to sleep with SIGSTOP")
def test_when_it_has_stopped_no_worker_is_left_that_could_still_write(inbox, reports):
    for number in range(6):
        write_unit(inbox, f"unit{number:02}", hours=48)
    with watching(inbox, reports) as (process, lines):
        wait_for(lambda: said(lines, ": reported") >= 1)
        family = psutil.Process(process.pid).children(recursive=True)
        workers = [p for p in family if p.parent().pid != process.pid and not p.children()]
        assert workers
        for worker in workers:  # too slow to notice that its run has ended
            worker.suspend()
        process.send_signal(signal.SIGTERM)
        try:
            assert process.wait(timeout=20) == 0
            assert psutil.wait_procs(workers, timeout=120)[1] == []
        finally:
            for worker in workers:
                with contextlib.suppress(psutil.NoSuchProcess):
                    worker.kill()
    assert "stopped; every report is whole" in lines[-1]
    assert leftovers(reports) == []


def test_a_second_watcher_says_so_and_leaves_the_first_alone(inbox, reports):
    write_unit(inbox, "bar")
    with watching(inbox, reports) as (process, lines):
        command = [sys.executable, "-m", "pipeline", "watch", str(inbox), "--to", str(reports)]
        second = subprocess.run(command, capture_output=True, text=True, timeout=300)
        assert second.returncode == 1
        assert "another watcher already keeps" in second.stderr
        by_clock = subprocess.run([*command, "--once"], capture_output=True, text=True, timeout=300)
        assert by_clock.returncode == 0
        assert "nothing to do here" in by_clock.stderr
        wait_for(lambda: said(lines, "bar: reported") == 1)
        assert process.poll() is None
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=120) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="a terminal's group of processes is a POSIX matter")
@pytest.mark.parametrize("after_s", [0.0, 1.0])
def test_ctrl_c_while_a_run_is_being_started_shows_no_traceback(inbox, reports, after_s):
    for name in ("bar", "cafe"):
        write_unit(inbox, name)
    watcher = start_icelogs("watch", inbox, "--to", reports, "--rest", "0.2", "--jobs", "2")
    until(lambda: psutil.Process(watcher.pid).children())
    time.sleep(after_s)
    os.killpg(watcher.pid, signal.SIGINT)  # as a terminal does
    _, told = watcher.communicate(timeout=300)
    assert watcher.returncode == 0
    assert "Traceback" not in told
    assert "stopped; every report is whole" in told


def test_killed_by_force_it_frees_the_folder_and_the_next_heals(inbox, reports, tmp_path):
    for name in ("bar", "cafe", "kiosk"):
        write_unit(inbox, name, hours=24)
    with watching(inbox, reports) as (process, lines):
        wait_for(lambda: said(lines, ": reported") >= 1)
        process.kill()
        process.wait()
    try:
        once(inbox, reports)
    except Locked:  # the child may take a moment to notice
        once(inbox, reports)
    report(inbox, tmp_path / "plain", RunOptions(jobs=1))
    assert machine_files(reports) == machine_files(tmp_path / "plain")
    assert leftovers(reports) == []


def test_once_ends_with_the_status_of_report(inbox, reports):
    write_unit(inbox, "bar")
    command = [
        sys.executable,
        "-m",
        "pipeline",
        "watch",
        str(inbox),
        "--to",
        str(reports),
        "--once",
        "--rest",
        "0.3",
    ]
    (inbox / "bar" / "letter.csv").write_text("Dear Sir,\nnothing was logged.\n", encoding="utf-8")
    assert subprocess.run(command, capture_output=True).returncode == 1


def test_a_folder_that_goes_away_and_comes_back_costs_no_report(inbox, reports):
    write_unit(inbox, "bar")
    with watching(inbox, reports) as (process, lines):
        wait_for(lambda: said(lines, "bar: reported") == 1)
        inbox.rename(inbox.with_name("unplugged"))
        wait_for(lambda: said(lines, "can't be reached") == 1)
        inbox.with_name("unplugged").rename(inbox)
        wait_for(lambda: said(lines, "is back") == 1)
        write_unit(inbox, "cafe")
        wait_for(lambda: said(lines, "cafe: reported") == 1)
        assert process.poll() is None
    assert said(lines, "bar: reported") == 1


def test_a_folder_that_is_not_there_is_wrong_use(tmp_path, reports):
    with pytest.raises(UsageError, match="there is no folder"):
        once(tmp_path / "none", reports)
