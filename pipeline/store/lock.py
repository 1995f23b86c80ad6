"""One process at a time: a lock of the operating system on a file, freed by the system when its holder dies."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline.errors import DeliveryError

_POLL_S = 0.2


class Locked(DeliveryError):
    """Somebody else holds the lock."""


@contextlib.contextmanager
def held(path: Path, *, wait_s: float = 0.0, busy: str, remedy: str = "") -> Iterator[None]:
    """Hold the lock on `path` for the block.

    wait_s: how long to wait for it [s]; 0: not at all. busy, remedy: what Locked says when it stays taken.
    Raises Locked, and OSError where the file can't be made.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    lock = FileLock(path)
    try:
        lock.acquire(timeout=wait_s, poll_interval=_POLL_S)
    except Timeout as error:
        raise Locked(busy, remedy=remedy) from error
    try:
        yield
    finally:
        lock.release()
