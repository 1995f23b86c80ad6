"""When a file that is being copied may be read; the clock is the test's own."""

import ctypes
import subprocess
import sys
import time
import types
from pathlib import Path

import pytest

from pipeline.delivery.watch.settling import Rest, being_written, written_windows
from pipeline.store.stamp import Stamp

A, B = Path("a.csv"), Path("b.csv")


def stamp(size, mtime_ns=1):
    return Stamp(size=size, mtime_ns=mtime_ns, ctime_ns=mtime_ns, inode=1)


def rest(**options):
    return Rest(**{"rest_s": 5.0, "patience_s": 900.0, "is_being_written": lambda path: False} | options)


def test_a_file_rests_once_its_stamp_has_stayed_the_same_for_long_enough():
    files = rest()
    files.update({A: stamp(10)}, now=0.0)
    assert files.restless(4.9) == {A}
    assert files.restless(5.0) == set()


def test_each_change_starts_the_wait_anew():
    files = rest()
    for second in range(0, 40, 4):
        files.update({A: stamp(10 + second)}, now=second)
        assert files.restless(second + 3.9) == {A}
    assert files.restless(41.0) == set()


def test_a_file_of_full_size_that_is_still_open_for_writing_does_not_rest():
    # Some systems reserve the whole size of a copy first and fill it then
    writing = {A}
    files = rest(is_being_written=writing.__contains__)
    files.update({A: stamp(10)}, now=0.0)
    assert files.restless(60.0) == {A}
    writing.clear()
    assert files.restless(61.0) == set()


def test_a_log_that_is_written_for_ever_is_taken_as_it_stands_now_and_then():
    files = rest(patience_s=100.0)
    taken = []
    for second in range(0, 400, 2):
        files.update({A: stamp(second)}, now=second)
        if not files.restless(second):
            taken.append(second)
    assert taken == [100, 202, 304]  # the wait starts anew with the first change after each


def test_the_next_look_is_when_the_first_file_may_rest():
    files = rest()
    assert files.next_look(0.0) is None
    files.update({A: stamp(1)}, now=0.0)
    files.update({A: stamp(1), B: stamp(1)}, now=3.0)
    assert files.next_look(3.0) == pytest.approx(2.0)
    assert files.restless(5.0) == {B}
    assert files.next_look(5.0) == pytest.approx(3.0)


def test_a_file_that_went_away_is_forgotten():
    files = rest()
    files.update({A: stamp(1), B: stamp(1)}, now=0.0)
    files.update({B: stamp(1)}, now=6.0)
    assert files.restless(6.0) == set()
    files.update({A: stamp(1), B: stamp(1)}, now=7.0)
    assert files.restless(8.0) == {A}


WRITER = """
import sys, time
with open(sys.argv[1], "r+") as file:
    print("open", flush=True)
    sys.stdin.readline()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks the Linux kernel")
def test_the_system_tells_whether_another_process_writes_a_file(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("x")
    assert not being_written(path)
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout.readline() == "open\n"
    assert being_written(path)
    writer.communicate("close\n")
    assert not being_written(path)


def test_reading_a_file_is_not_writing_it(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("x")
    with open(path):
        assert not being_written(path)


def test_a_file_that_is_gone_is_not_being_written(tmp_path):
    assert not being_written(tmp_path / "none")


@pytest.mark.skipif(sys.platform != "linux", reason="asks the Linux kernel")
def test_asking_a_thousand_times_while_a_file_is_opened_and_closed_ends_nobody(tmp_path):
    # The kernel signals whoever holds a lease when somebody opens the file for writing; unasked, that signal kills
    path = tmp_path / "a.csv"
    path.write_text("x")
    code = "import sys\nfor _ in range(20000): open(sys.argv[1], 'r+').close()"
    opener = subprocess.Popen([sys.executable, "-c", code, str(path)])
    until = time.monotonic() + 20
    while opener.poll() is None and time.monotonic() < until:
        being_written(path)
    opener.kill()
    assert opener.wait() == 0


@pytest.mark.parametrize(
    ("error", "written"),
    [
        pytest.param(0, False, id="opened: nobody writes it"),
        pytest.param(32, True, id="sharing violation: somebody has it open for writing"),
        pytest.param(2, False, id="gone"),
        pytest.param(5, False, id="not ours to open"),
    ],
)
def test_windows_tells_by_its_sharing_modes(monkeypatch, tmp_path, error, written):
    """Never run on Windows itself: a stand-in for its kernel32, by the documentation of CreateFileW (from memory)."""
    asked, closed = [], []

    class Call:
        def __init__(self, answer):
            self.answer = answer

        def __call__(self, *arguments):
            return self.answer(*arguments)

    def create(name, access, share, security, disposition, flags, template):
        asked.append((name, access, share, disposition))
        return ctypes.c_void_p(-1).value if error else 77

    kernel = types.SimpleNamespace(
        CreateFileW=Call(create), CloseHandle=Call(lambda handle: closed.append(handle.value))
    )
    monkeypatch.setattr(ctypes, "WinDLL", lambda name, use_last_error: kernel, raising=False)
    monkeypatch.setattr(ctypes, "get_last_error", lambda: error, raising=False)
    assert written_windows(tmp_path / "log.csv") is written
    share_write = 0x2
    assert [(name, share & share_write) for name, _, share, _ in asked] == [(str(tmp_path / "log.csv"), 0)]
    assert closed == ([] if error else [77])
