"""The table of cycles as plain arrays: taken from the frame once a report, however many pages and pictures ask for it."""

from __future__ import annotations

import weakref
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, TypeVar

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind

T = TypeVar("T")


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
def spans_of(record: CycleRecord) -> Mapping[PhaseKind, int]:
    """Phase -> how much of the log it took [ns]."""
    spans = dict.fromkeys(PhaseKind, 0)
    for phase in record.phases:
        spans[phase.kind] += phase.end_ns - phase.start_ns
    return spans


@remembered
def columns_of(record: CycleRecord) -> Mapping[str, np.ndarray]:
    """Column -> (n,) of `record.cycles`: numbers of cycles and times int64, flags bool, everything else float64."""
    table = record.cycles
    return {name: _plain(name, table[name].to_numpy()) for name in map(str, table.columns)}


def _plain(name: str, values: np.ndarray) -> np.ndarray:
    if name == "cycle" or name.endswith("_ns"):
        return values.astype(np.int64)
    return values.astype(bool if name in ("complete", "after_idle", "broken") else float)
