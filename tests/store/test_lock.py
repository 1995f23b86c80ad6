"""The lock where the system has no flock. Never run on Windows itself: a stand-in keeps to what its module documents."""

import errno
import os
import sys
import types

import pytest

from pipeline.store import Locked, held


@pytest.fixture
def regions(monkeypatch):
    """`msvcrt`, as far as the lock uses it: one region of one byte a file, taken by one handle at a time."""
    taken = {}

    def locking(handle, mode, count):
        assert count == 1
        assert os.lseek(handle, 0, os.SEEK_CUR) == 0  # it locks from where the file stands
        file = os.fstat(handle).st_ino
        if mode == module.LK_UNLCK:
            assert taken.pop(file) == handle
        elif taken.setdefault(file, handle) != handle:
            raise OSError(errno.EACCES, "Permission denied")

    module = types.ModuleType("msvcrt")
    module.LK_NBLCK, module.LK_UNLCK, module.locking = 2, 0, locking
    monkeypatch.setitem(sys.modules, "msvcrt", module)
    monkeypatch.setattr("pipeline.store.lock._ON_WINDOWS", True)
    return taken


def test_a_region_is_held_by_one_and_freed_at_the_end(regions, tmp_path):
    with held(tmp_path / "x.lock", busy="held by another"):
        assert len(regions) == 1
        with (
            pytest.raises(Locked, match="held by another"),
            held(tmp_path / "x.lock", busy="held by another"),
        ):
            pass
        assert len(regions) == 1
    assert regions == {}
    with held(tmp_path / "x.lock", busy="held by another"):
        pass


def test_it_is_freed_when_the_work_fails(regions, tmp_path):
    with pytest.raises(ZeroDivisionError), held(tmp_path / "x.lock", busy="held by another"):
        raise ZeroDivisionError
    assert regions == {}
