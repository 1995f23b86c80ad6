"""The lock on a folder of reports, between real processes."""

import subprocess
import sys

import pytest

from pipeline.store import Locked, held

HOLD = """
import sys, time
from pathlib import Path
from pipeline.store import held
with held(Path(sys.argv[1]), busy="taken"):
    print("held", flush=True)
    time.sleep(float(sys.argv[2]))
"""


@pytest.fixture
def holder(tmp_path):
    """Starts a process that holds the lock for so many seconds; returns when it does."""
    started = []

    def start(seconds):
        process = subprocess.Popen(
            [sys.executable, "-c", HOLD, str(tmp_path / "x.lock"), str(seconds)],
            stdout=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        assert process.stdout.readline() == "held\n"
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()
        process.stdout.close()


def test_one_process_holds_it_and_another_is_told(holder, tmp_path):
    holder(60)
    with pytest.raises(Locked, match="held by another"), held(tmp_path / "x.lock", busy="held by another"):
        pass


def test_who_waits_gets_it_when_it_is_free(holder, tmp_path):
    holder(0.3)
    with held(tmp_path / "x.lock", wait_s=60.0, busy="held by another"):
        pass


def test_a_holder_that_is_killed_holds_nothing(holder, tmp_path):
    process = holder(60)
    process.kill()
    process.wait()
    with held(tmp_path / "x.lock", busy="held by another"):
        pass


def test_it_is_freed_when_the_work_fails(tmp_path):
    with pytest.raises(ZeroDivisionError), held(tmp_path / "x.lock", busy="held by another"):
        raise ZeroDivisionError
    with held(tmp_path / "x.lock", busy="held by another"):
        pass


def test_within_one_process_too_it_is_held_once(tmp_path):
    path = tmp_path / "x.lock"
    with held(path, busy="a"), pytest.raises(Locked, match="b"), held(path, busy="b"):
        pass
