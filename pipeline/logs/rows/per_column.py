"""The same work on every column of a long log, a column a thread: copying millions of readings is waiting for memory."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")

LONG_LOG = 100_000
"""Readings from which on starting the threads costs less than it saves (measured)."""


def for_each(work: Callable[[T], R], columns: Iterable[T], *, readings: int) -> list[R]:
    """`work` of each column, in their order. As many threads as Arrow may use: one where units are read side by side."""
    todo = list(columns)
    if readings < LONG_LOG or len(todo) < 2:
        return [work(one) for one in todo]
    import pyarrow as pa

    threads = min(pa.cpu_count(), len(todo))
    if threads < 2:
        return [work(one) for one in todo]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, todo))
