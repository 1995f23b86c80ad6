"""The arrays of a long log rest in a file without a name: what nobody looks at takes no memory.

The file is gone with the process, whatever ends it, and nobody else can cut it short.
"""

from __future__ import annotations

import mmap
import tempfile
from pathlib import Path
from typing import IO

import numpy as np

LEAST_SAMPLES = 1 << 23
"""Channels from here on rest on the disk: 140 MB each. A month at 1 s lies in memory, as quick as ever."""


class _Mapping(mmap.mmap):
    """Bytes of a file, and the file, to map them again."""

    file: IO[bytes]


def on_disk(array: np.ndarray, folder: Path) -> np.ndarray:
    """The same numbers, not to be written to, in a file of `folder`, which is made where it is not there. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115  (lives as long as the array)
    np.ascontiguousarray(array).tofile(file)
    file.flush()
    return _array_of(file, array.shape, array.dtype)


def _array_of(file: IO[bytes], shape: tuple[int, ...], dtype: np.dtype) -> np.ndarray:
    mapping = _Mapping(file.fileno(), 0, access=mmap.ACCESS_READ)
    mapping.file = file
    return np.ndarray(shape, dtype, buffer=mapping)


def looked_through(array: np.ndarray) -> np.ndarray:
    """`array`; where it rests on the disk the same numbers in a mapping of its own, whose memory goes when the caller lets go of it."""
    mapping = array.base
    if isinstance(mapping, _Mapping):
        return _array_of(mapping.file, array.shape, array.dtype)
    return array
