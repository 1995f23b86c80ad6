"""Logger files for the benchmarks: unit-weeks of four channels, of machines that differ, most of them healthy.

The traces come from the second machine; here they are put on whole seconds and written fast. Everything is invented.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from tests.bench.second_machine import HEADERS, KINDS, Case, make_log
from tests.bench.second_story import Plan

CHANNELS = ("evaporator", "suction", "discharge", "current")
WEEK_H = 7 * 24.0
DISTINCT = 24
"""So many weeks are simulated; a larger fleet holds each several times (as hard links, where the disk can)."""

_START = int(datetime(2026, 2, 3, 6, 0, tzinfo=UTC).timestamp())


def week(seed: int, interval_s: int) -> pa.Table:
    """One unit-week: `Time` and a column a channel; 604 800 / interval_s rows."""
    kinds = sorted(KINDS)
    scenario = ("steady", "steady", "steady", "stalled")[seed % 4]
    log = make_log(
        Case(
            seed=seed,
            kind=kinds[seed % len(kinds)],
            interval_s=float(interval_s),
            channels=CHANNELS,
            hours=WEEK_H,
            room_c=21.0 + seed % 9,
            plan=Plan(scenario=scenario, idle_at=(0.2, 0.55), idle_s=(9000, 20000)),
        )
    )
    rows = round(WEEK_H * 3600 / interval_s)
    times = (_START + interval_s * np.arange(rows)).astype("M8[s]")
    columns = [pa.array(times, pa.timestamp("s"))]
    for reading in log.readings:
        decimals = 2 if reading.unit == "A" else 1
        columns.append(pa.array(np.round(np.resize(reading.values, rows), decimals), from_pandas=True))
    return pa.Table.from_arrays(columns, names=["Time", *(HEADERS[r.role] for r in log.readings)])


def write_week(path: Path, *, seed: int, interval_s: int) -> int:
    """One unit-week as a CSV with ISO times; its size [bytes]."""
    path.parent.mkdir(parents=True, exist_ok=True)
    pa_csv.write_csv(week(seed, interval_s), path, pa_csv.WriteOptions(quoting_style="none"))
    return path.stat().st_size


def write_fleet(folder: Path, *, units: int, interval_s: int = 10) -> int:
    """`units` unit-weeks, one sub-folder each; the bytes of all."""
    total = 0
    for number in range(units):
        path = folder / f"unit-{number:04d}" / "logger.csv"
        if number < DISTINCT:
            total += write_week(path, seed=number, interval_s=interval_s)
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        twin = folder / f"unit-{number % DISTINCT:04d}" / "logger.csv"
        try:
            os.link(twin, path)
        except OSError:
            path.write_bytes(twin.read_bytes())
        total += path.stat().st_size
    return total
