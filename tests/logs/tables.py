"""Small builders for tests of the reading room."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from pipeline.logs.clock.time_order import usual_interval_s
from pipeline.logs.table import FileTable, LoggedColumn
from pipeline.logs.timeline import SourceFile

START_NS = int(np.datetime64("2026-05-04T00:00:00", "ns").astype(np.int64))
SECOND_NS = 10**9


def times(seconds: np.ndarray) -> np.ndarray:
    """UTC nanoseconds of seconds after the start."""
    return START_NS + np.round(np.asarray(seconds) * 1e9).astype(np.int64)


def table(
    name: str, time_ns: np.ndarray, columns: Mapping[str, tuple[str | None, np.ndarray]], *, logger: str = ""
) -> FileTable:
    """A table as the reader makes it: label -> (unit as logged, readings)."""
    return FileTable(
        name=name,
        logger=logger,
        time_ns=time_ns,
        columns=tuple(
            LoggedColumn(
                label=label, unit=unit, unit_by="header" if unit else "", values=np.asarray(values, float)
            )
            for label, (unit, values) in columns.items()
        ),
        source=SourceFile(
            name=name,
            rows=len(time_ns),
            start_ns=int(time_ns[0]),
            end_ns=int(time_ns[-1]),
            interval_s=usual_interval_s(time_ns),
            dialect={},
        ),
    )


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode(encoding))
    return path


def cycling(
    hours: float = 12.0,
    step_s: float = 10.0,
    *,
    freeze_min: float = 20.0,
    harvest_min: float = 2.5,
    seed: int = 1,
) -> dict[str, np.ndarray]:
    """A plain invented machine that freezes and harvests all along: seconds, evaporator, discharge, current."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(0.0, hours * 3600, step_s)
    lengths = (
        (freeze_min + harvest_min) * 60 * (1 + 0.03 * rng.standard_normal(int(hours * 60 / freeze_min) + 4))
    )
    starts = np.concatenate([[0.0], np.cumsum(lengths)])
    which = np.searchsorted(starts, seconds, side="right") - 1
    into, length = seconds - starts[which], lengths[which]
    freeze = length - harvest_min * 60
    frozen = np.minimum(into / freeze, 1.0)
    rise = np.clip((into - freeze) / (harvest_min * 60), 0.0, 1.0)
    evaporator = 8.0 - 20.0 * frozen**0.5 + 20.0 * rise
    discharge = np.where(rise > 0, 72.0 - 10 * rise, 60.0 + 12 * frozen)
    current = np.where(rise > 0, 6.2, 8.0 - 1.0 * frozen)
    noise = rng.standard_normal((3, len(seconds)))
    return {
        "seconds": seconds,
        "evaporator": np.round(evaporator + 0.05 * noise[0], 2),
        "discharge": np.round(discharge + 0.1 * noise[1], 2),
        "current": np.round(current + 0.03 * noise[2], 2),
        "harvest_starts": starts[1:] - harvest_min * 60,
    }
