"""Whether a file is the one that was seen before: by its stamp where that can be trusted, else by its content."""

from __future__ import annotations

import hashlib
import os
import time
from dataclasses import dataclass
from pathlib import Path

_TICK_NS = 2_000_000_000
"""The coarsest clock of a file system in use (FAT counts modification times in 2 s): a file that changed less than
this before it was looked at may change again without its stamp telling."""


@dataclass(frozen=True, kw_only=True)
class Stamp:
    """What the file system says of a file without opening it."""

    size: int
    mtime_ns: int
    ctime_ns: int  # moves on POSIX with every write, even where the modification time was put back
    inode: int

    @classmethod
    def of(cls, path: Path) -> Stamp:
        """Raises OSError."""
        status = os.stat(path)
        return cls(
            size=status.st_size,
            mtime_ns=status.st_mtime_ns,
            ctime_ns=status.st_ctime_ns,
            inode=status.st_ino,
        )


@dataclass(frozen=True, kw_only=True)
class SeenFile:
    """A file's content as it was at one moment."""

    stamp: Stamp
    at_ns: int  # when it was looked at [ns since 1970]
    content: str  # SHA-256, in hex

    def vouches_for(self, stamp: Stamp) -> bool:
        """Whether a file with `stamp` now must still hold this content."""
        settled = self.at_ns - max(stamp.mtime_ns, stamp.ctime_ns) > _TICK_NS
        return settled and stamp == self.stamp


def look(path: Path, before: SeenFile | None) -> SeenFile:
    """The file as it is now; its content is read only where `before` can't vouch for it. Raises OSError."""
    stamp = Stamp.of(path)
    if before is not None and before.vouches_for(stamp):
        return before
    at_ns = time.time_ns()
    with open(path, "rb") as file:
        content = hashlib.file_digest(file, "sha256").hexdigest()
    return SeenFile(stamp=stamp, at_ns=at_ns, content=content)
