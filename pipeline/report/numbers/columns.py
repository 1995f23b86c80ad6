"""The table of cycles as plain arrays: taken from the frame once a report, however many pages and pictures ask for it."""

from __future__ import annotations

import weakref
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, TypeVar

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind

T = TypeVar("T")

KINDS = tuple(PhaseKind)


def remembered(work: Callable[[Any], T]) -> Callable[[Any], T]:
    """`work` of one object, done once for as long as that very object lives."""
    kept: dict[int, T] = {}

    @wraps(work)
    def once(of: Any) -> T:
        if id(of) not in kept:
            result = work(of)
            weakref.finalize(of, kept.pop, id(of), None)
            kept[id(of)] = result
        return kept[id(of)]

    return once


@remembered
def phases_of(record: CycleRecord) -> tuple[np.ndarray, np.ndarray]:
    """Where the phases, which touch, begin and the last one ends [ns], int64 (n + 1,), and which of KINDS each is, uint8 (n,);
    nothing, twice, where there is none."""
    code = {kind: n for n, kind in enumerate(KINDS)}
    edges = [p.start_ns for p in record.phases] + [p.end_ns for p in record.phases[-1:]]
    return np.array(edges, np.int64), np.array([code[p.kind] for p in record.phases], np.uint8)


def spans_of(record: CycleRecord) -> Mapping[PhaseKind, int]:
    """Phase -> how much of the log it took [ns]."""
    edges, kinds = phases_of(record)
    length = np.diff(edges)
    return {kind: int(length[kinds == n].sum()) for n, kind in enumerate(KINDS)}


@remembered
def columns_of(record: CycleRecord) -> Mapping[str, np.ndarray]:
    """Column -> (n,) of `record.cycles`: numbers of cycles and times int64, flags bool, everything else float64."""
    table = record.cycles
    return {name: _plain(name, table[name].to_numpy()) for name in map(str, table.columns)}


def _plain(name: str, values: np.ndarray) -> np.ndarray:
    if name == "cycle" or name.endswith("_ns"):
        return values.astype(np.int64)
    return values.astype(bool if name in ("complete", "after_idle", "broken") else float)
