"""Files appear whole or not at all: each is written beside its place, then renamed into it.

What a killed process leaves is a hidden file ending in `.part`; `sweep` removes those where nobody else is writing.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import time
from collections.abc import Iterator
from pathlib import Path

PART = ".part"

ON_WINDOWS = os.name == "nt"
_PAUSES_S = (0.05, 0.2, 0.5)


@contextlib.contextmanager
def beside(path: Path, *, durable: bool = False) -> Iterator[Path]:
    """A path to write to; when the block ends well it takes the place of `path`, otherwise nothing changed.

    durable: also wait until the disk has it (for what cannot be made again).
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.parent / f".{path.name[:100]}.{os.getpid()}-{secrets.token_hex(4)}{PART}"
    try:
        yield part
        if durable:
            _flush(part)
        move(part, path)
        if durable:
            flush_folder(path.parent)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def move(path: Path, place: Path) -> None:
    """`path` takes the place of what is at `place`. Raises OSError.

    On Windows a virus scanner or an indexer may hold a file open for a moment: then it is tried again.
    """
    for pause_s in _PAUSES_S if ON_WINDOWS else ():
        try:
            return os.replace(path, place)
        except PermissionError:
            time.sleep(pause_s)
    return os.replace(path, place)


def write_bytes(path: Path, data: bytes, *, durable: bool = False) -> None:
    """`data` becomes the whole of `path`."""
    with beside(path, durable=durable) as part:
        part.write_bytes(data)


def write_text(path: Path, text: str) -> None:
    """`text` becomes the whole of `path`, in UTF-8, its line ends as they are."""
    write_bytes(path, text.encode("utf-8"))


def sweep(folder: Path) -> int:
    """Remove what killed writers left in `folder` (not below it); return how many files that were.

    Only for whoever holds the folder's lock: a part file of a living writer would go too.
    """
    removed = 0
    with contextlib.suppress(FileNotFoundError, NotADirectoryError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith(".") and entry.name.endswith(PART):
                with contextlib.suppress(OSError):
                    os.unlink(entry.path)
                    removed += 1
    return removed


def flush_folder(folder: Path) -> None:
    """Make renames in `folder` last through a loss of power, where the system can do that."""
    if ON_WINDOWS:
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # some network drives refuse to flush a folder; the file itself is safe
        pass
    finally:
        os.close(handle)


def _flush(path: Path) -> None:
    with open(path, "rb+") as file:
        os.fsync(file.fileno())
