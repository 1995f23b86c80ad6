"""Memory that goes back to the system as soon as it is free."""

from __future__ import annotations

import contextlib
import ctypes

LARGE_BYTES = 1 << 20
"""Arrays from here on have pages of their own; those of a week at 10 s are smaller, and as quick as before."""

_M_MMAP_THRESHOLD = -3  # mallopt(3)


def give_back_large_arrays() -> None:
    """Keep glibc from raising that limit by itself, to 32 MB, as it does when such arrays come and go: what lies between those that live on
    is then lost, 0.3 GB in a report of a year at 1 s. Other C libraries are left as they are."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, LARGE_BYTES)
