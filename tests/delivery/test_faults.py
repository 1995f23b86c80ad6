"""A full disk, a folder that may not be written to, a file that may not be read or goes away: said, and nothing lost."""

import contextlib
import os
import shutil
import subprocess
import sys

import pytest

import pipeline.logs
from pipeline.fleet.run import RunOptions, report
from tests.fleet.small_fleet import icelogs_here
from tests.store.scene import leftovers, machine_files, write_log, write_unit

pytestmark = pytest.mark.skipif(os.name == "nt", reason="uses POSIX limits and rights")

LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))
from pipeline.cli import main
sys.exit(main(sys.argv[1:]))
"""

BOUND_BY_RIGHTS = """
import ctypes, os, sys
if os.geteuid() == 0:  # root reads and writes everything: give up that privilege (capabilities(7)), stay the owner
    libc = ctypes.CDLL(None, use_errno=True)
    head = (ctypes.c_uint32 * 2)(0x20080522, 0)
    sets = (ctypes.c_uint32 * 6)()
    for capability in (1, 2):  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH
        libc.prctl(24, capability, 0, 0, 0)  # PR_CAPBSET_DROP: for programs started from here, too
    assert libc.capget(head, sets) == 0
    for i in range(3):
        sets[i] &= ~0b110
    assert libc.capset(head, sets) == 0
from pipeline.cli import main
sys.exit(main(sys.argv[1:]))
"""


def run(code, *arguments):
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True, timeout=600
    )


def everything(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@contextlib.contextmanager
def small_disk(folder):
    """A disk of one megabyte, where this account may mount one; else the test is skipped."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m,mode=777", "tmpfs", str(folder)]
    try:
        mounted = subprocess.run(command, capture_output=True)
    except FileNotFoundError:
        pytest.skip("no mount command")
    if mounted.returncode:
        pytest.skip("this account may not mount a disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_on_a_full_disk_the_report_before_stays_whole_and_the_next_run_heals(tmp_path):
    logs = tmp_path / "logs"
    write_unit(logs, "bar")
    with small_disk(tmp_path / "disk") as disk:
        reports = disk / "reports"
        done = icelogs_here("report", logs, "--to", reports)
        if done.returncode == 0:  # a page that fits: fill the rest of the disk
            before = everything(reports / "bar")
            with contextlib.suppress(OSError), open(disk / "filler", "wb") as filler:
                while True:
                    filler.write(b"x" * 4096)
                    filler.flush()
            write_log(logs / "bar" / "second.csv", seed=9, hours=3)
            done = icelogs_here("report", logs, "--to", reports)
            assert everything(reports / "bar") == before
        assert done.returncode == 1
        assert "No space left on device" in done.stderr
        assert "Traceback" not in done.stderr
        assert leftovers(reports) == []
        assert not (reports / "bar" / "report.html").exists() or (disk / "filler").exists()


def test_a_report_that_does_not_fit_changes_nothing_and_the_next_run_heals(tmp_path):
    logs, reports = tmp_path / "logs", tmp_path / "reports"
    write_unit(logs, "bar")
    report(logs, reports, RunOptions(jobs=1))
    before = everything(reports / "bar")
    write_log(logs / "bar" / "second.csv", seed=9, hours=3)
    given = everything(logs)
    done = run(LIMITED, "report", logs, "--to", reports)
    assert done.returncode == 1
    assert "File too large" in done.stderr
    assert "disk is full" in done.stderr
    assert "Traceback" not in done.stderr
    assert everything(reports / "bar") == before
    assert leftovers(reports) == []
    report(logs, reports, RunOptions(jobs=1))
    report(logs, tmp_path / "plain", RunOptions(jobs=1))
    assert machine_files(reports) == machine_files(tmp_path / "plain")
    assert everything(logs) == given


TWICE_AND_ONCE_MORE_WITH_THE_RIGHT = """
import pathlib
statuses = [main(sys.argv[2:]), main(sys.argv[2:])]
pathlib.Path(sys.argv[1]).chmod(0o644)
print(*statuses, main(sys.argv[2:]))
"""


def test_a_file_that_may_not_be_read_is_named_and_read_once_it_may(tmp_path):
    logs, reports = tmp_path / "logs", tmp_path / "reports"
    write_unit(logs, "bar")
    closed = write_log(logs / "bar" / "closed.csv", seed=9, hours=3)
    closed.chmod(0)
    code = BOUND_BY_RIGHTS.replace("sys.exit(main(sys.argv[1:]))", TWICE_AND_ONCE_MORE_WITH_THE_RIGHT)
    done = run(code, closed, "report", logs, "--to", reports, "--quiet")
    assert done.stdout.split() == ["1", "1", "0"], done.stderr
    told = "closed.csv: may not be opened; give this account the right to read it"
    assert done.stderr.count(told) == 2
    assert (reports / "bar" / "report.html").exists()


def test_a_folder_that_may_not_be_written_to_is_said_in_one_line(tmp_path):
    logs, reports = tmp_path / "logs", tmp_path / "reports"
    write_unit(logs, "bar")
    reports.mkdir()
    reports.chmod(0o555)
    for verb in (
        ("report", logs, "--to", reports),
        ("watch", logs, "--to", reports, "--once", "--rest", "0.1"),
    ):
        done = run(BOUND_BY_RIGHTS, *verb)
        assert done.returncode == 2, done.stderr
        assert 'the folder "reports" cannot be written to (Permission denied)' in done.stderr
        assert "Traceback" not in done.stderr
    assert list(reports.iterdir()) == []


def test_a_file_that_goes_away_while_it_is_read_is_named_and_the_rest_goes_on(tmp_path, monkeypatch):
    logs, reports = tmp_path / "logs", tmp_path / "reports"
    write_unit(logs, "bar")
    write_log(logs / "bar" / "fleeting.csv", seed=9, hours=3)
    read_file = pipeline.logs.read_file

    def taken_away(path, unit):
        if path.name == "fleeting.csv":
            path.unlink()
        return read_file(path, unit)

    monkeypatch.setattr(pipeline.logs, "read_file", taken_away)
    outcome = report(logs, reports, RunOptions(jobs=1))
    assert ["fleeting.csv" in problem.message for problem in outcome.problems] == [True]
    assert "Traceback" not in outcome.problems[0].message
    assert (reports / "bar" / "report.html").exists()
    assert report(logs, reports, RunOptions(jobs=1)).complete


def test_a_unit_s_folder_that_goes_away_altogether_costs_no_other_unit(tmp_path, monkeypatch):
    logs, reports = tmp_path / "logs", tmp_path / "reports"
    for name in ("bar", "cafe"):
        write_unit(logs, name)
    from pipeline.fleet import spread

    monkeypatch.setattr(spread, "on_this_machine", lambda jobs, workers: map(spread.report_anywhere, jobs))
    read_file = pipeline.logs.read_file

    def taken_away(path, unit):
        if unit.name == "bar":
            shutil.rmtree(logs / "bar", ignore_errors=True)
        return read_file(path, unit)

    monkeypatch.setattr(pipeline.logs, "read_file", taken_away)
    outcome = report(logs, reports, RunOptions(jobs=1))
    assert {unit.name: unit.summary is not None for unit in outcome.units} == {"bar": False, "cafe": True}


def test_a_report_in_the_place_of_a_file_is_said(tmp_path):
    logs, reports = tmp_path / "logs", tmp_path / "reports"
    write_unit(logs, "bar")
    reports.mkdir()
    (reports / "bar").write_text("in the way")
    done = icelogs_here("report", logs, "--to", reports)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert (reports / "bar").read_text() == "in the way"


def test_an_outbox_that_may_not_be_written_to_is_said(reports, tmp_path):
    (tmp_path / "out").write_text("in the way")
    done = icelogs_here("email", reports, "--to", tmp_path / "out")
    assert done.returncode in (1, 2)
    assert "Traceback" not in done.stderr
    assert (tmp_path / "out").read_text() == "in the way"
