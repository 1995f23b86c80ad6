"""When a file that somebody is copying may be read: once it has come to rest."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.stamp import Stamp


@dataclass(kw_only=True)
class _Watched:
    stamp: Stamp
    since: float  # when this stamp was first seen
    restless_since: float
    at_rest: bool = False


class Rest:
    """Follows the stamps of files over time and tells which are at rest.

    A file is at rest when its stamp has stayed the same for `rest_s` and nobody has it open for writing, as far as the
    system can tell. One that never rests (a logger that appends for weeks) is taken as it stands every `patience_s`.
    """

    def __init__(
        self, *, rest_s: float, patience_s: float, is_being_written: Callable[[Path], bool] | None = None
    ) -> None:
        self.rest_s = rest_s
        self.patience_s = patience_s
        self._is_being_written = is_being_written or being_written
        self._files: dict[Path, _Watched] = {}

    def update(self, stamps: Mapping[Path, Stamp], now: float) -> None:
        """What a scan found. now: seconds on a clock that never jumps. Files that are gone are forgotten."""
        self._files = {path: self._followed(path, stamp, now) for path, stamp in stamps.items()}

    def restless(self, now: float) -> frozenset[Path]:
        """The files that may not be read yet."""
        return frozenset(path for path, file in self._files.items() if not self._rests(path, file, now))

    def next_look(self, now: float) -> float | None:
        """In how many seconds the next file may come to rest; None where all do."""
        waits = [
            max(file.since + self.rest_s - now, 0.0) or self.rest_s
            for path, file in self._files.items()
            if not self._rests(path, file, now)
        ]
        return min(waits, default=None)

    def _followed(self, path: Path, stamp: Stamp, now: float) -> _Watched:
        before = self._files.get(path)
        if before is None:
            return _Watched(stamp=stamp, since=now, restless_since=now)
        if before.stamp == stamp:
            return before
        restless_since = now if before.at_rest else before.restless_since
        return _Watched(stamp=stamp, since=now, restless_since=restless_since)

    def _rests(self, path: Path, file: _Watched, now: float) -> bool:
        if not file.at_rest:
            is_live = now - file.restless_since >= self.patience_s
            file.at_rest = is_live or (now - file.since >= self.rest_s and not self._is_being_written(path))
        return file.at_rest


def being_written(path: Path) -> bool:
    """Whether somebody has `path` open for writing; False also where the system can't tell (most network drives)."""
    try:
        if sys.platform == "linux":
            return _written_linux(path)
        if os.name == "nt":
            return written_windows(path)
    except OSError:
        pass
    return False


def _written_linux(path: Path) -> bool:
    import errno
    import fcntl
    import signal

    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        # A read lease is granted only while nobody has the file open for writing (fcntl(2), "Leases"). Whoever opens it
        # in this very moment makes the kernel send a signal, SIGIO, which would end this process: ask for a harmless one.
        fcntl.fcntl(handle, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as error:
        # EAGAIN: open for writing. Any other (not our file, a drive without leases) tells nothing.
        return error.errno == errno.EAGAIN
    finally:
        os.close(handle)
    return False


def written_windows(path: Path) -> bool:
    """Whether another process has the file open for writing, as Windows says it."""
    import ctypes

    generic_read, share_read_and_delete, open_existing = 0x80000000, 0x1 | 0x4, 3
    sharing_violation, invalid_handle = 32, ctypes.c_void_p(-1).value
    kernel = ctypes.WinDLL("kernel32", use_last_error=True)  # type: ignore[attr-defined]
    kernel.CreateFileW.restype = ctypes.c_void_p
    handle = kernel.CreateFileW(str(path), generic_read, share_read_and_delete, None, open_existing, 0, None)
    if handle == invalid_handle:
        return ctypes.get_last_error() == sharing_violation  # type: ignore[attr-defined]
    kernel.CloseHandle(ctypes.c_void_p(handle))
    return False
