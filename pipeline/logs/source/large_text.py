"""The text of a large file, read a piece at a time: as much of what `bytes` can do as the reader asks for.

A file is not mapped into memory, as one that is cut while it is read would then end the process.
"""

from __future__ import annotations

import os
from typing import IO

from pipeline.errors import LogFileError

LARGE_BYTES = 96 * 1024**2
"""From here on a file is not taken into memory as a whole. Measured: below, it is faster so."""
PIECE = 1 << 22


class LargeText:
    """`head`, then the bytes of `file` from `at` on. Raises LogFileError where the file became shorter meanwhile."""

    def __init__(
        self, file: IO[bytes], name: str, *, head: bytes = b"", at: int = 0, size: int | None = None
    ) -> None:
        self.file = file
        self.name = name
        self.head = head
        self.at = at
        end = os.fstat(file.fileno()).st_size if size is None else size
        self.size = len(head) + max(0, end - at)

    def __len__(self) -> int:
        return self.size

    def __getitem__(self, part: slice) -> bytes:
        first, last, _step = part.indices(self.size)
        if last <= first:
            return b""
        before = self.head[first:last]
        start, end = max(first, len(self.head)), max(last, len(self.head))
        return before + self._read(start - len(self.head) + self.at, end - start) if end > start else before

    def _read(self, offset: int, size: int) -> bytes:
        self.file.seek(offset)
        read = self.file.read(size)
        if len(read) < size:
            raise LogFileError(
                "the file became shorter while it was read", file=self.name, remedy="copy it again"
            )
        return read

    def startswith(self, start: bytes) -> bool:
        """As of bytes. Raises LogFileError where the file became shorter."""
        return self[: len(start)] == start

    def find(self, what: bytes | int, start: int = 0, end: int | None = None) -> int:
        """The first place of `what` from `start` on, before `end`; −1 where there is none."""
        end = self.size if end is None else min(end, self.size)
        more = 0 if isinstance(what, int) else len(what) - 1
        for at in range(max(start, 0), end, PIECE):
            place = self[at : min(at + PIECE + more, end)].find(what)
            if place >= 0:
                return at + place
        return -1

    def rfind(self, what: bytes, start: int = 0, end: int | None = None) -> int:
        """The last place of `what` from `start` on, before `end`; −1 where there is none."""
        end = self.size if end is None else min(end, self.size)
        while end > start:
            at = max(start, end - PIECE)
            place = self[at:end].rfind(what)
            if place >= 0:
                return at + place
            end = at + len(what) - 1 if at > start else start
        return -1

    def count(self, what: bytes, start: int = 0, end: int | None = None) -> int:
        """How often `what`, one byte, stands between `start` and `end`."""
        end = self.size if end is None else min(end, self.size)
        return sum(self[at : min(at + PIECE, end)].count(what) for at in range(max(start, 0), end, PIECE))

    def pieces(self):
        """(place, bytes) of the whole text in order."""
        for at in range(0, self.size, PIECE):
            yield at, self[at : at + PIECE]
