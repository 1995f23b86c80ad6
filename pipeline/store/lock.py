"""One process at a time: a lock of the operating system on a file, freed by the system when its holder dies."""

from __future__ import annotations

import contextlib
import errno
import os
import time
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import DeliveryError

_POLL_S = 0.2
_ON_WINDOWS = os.name == "nt"


class Locked(DeliveryError):
    """Somebody else holds the lock."""


@contextlib.contextmanager
def held(path: Path, *, wait_s: float = 0.0, busy: str, remedy: str = "") -> Iterator[None]:
    """Hold the lock on `path` for the block.

    wait_s: how long to wait for it; 0: not at all. busy, remedy: what Locked says when it stays taken.
    Raises Locked, and OSError where the file can't be made or the drive knows no locks.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        until = time.monotonic() + wait_s
        while not _take(handle):
            if time.monotonic() >= until:
                raise Locked(busy, remedy=remedy)
            time.sleep(_POLL_S)
        try:
            yield
        finally:
            _free(handle)
    finally:
        os.close(handle)


def _take(handle: int) -> bool:
    try:
        if _ON_WINDOWS:
            import msvcrt

            os.lseek(handle, 0, os.SEEK_SET)
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            return False
        raise
    return True


def _free(handle: int) -> None:
    if _ON_WINDOWS:
        import msvcrt

        os.lseek(handle, 0, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_UN)
