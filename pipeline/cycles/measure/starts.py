"""Every compressor start that the log shows: on a clamp by its current, else where the phases leave idle."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from pipeline.cycles.limits import USUAL
from pipeline.cycles.record import START_COLUMNS
from pipeline.cycles.signal.features import DrawCells
from pipeline.cycles.signal.signals import Trace, longest_hole_ns
from pipeline.logs.timeline import Timeline

if TYPE_CHECKING:
    import pandas as pd


def starts_of_draw(draw: DrawCells, limits: Mapping[str, float] = USUAL) -> dict[str, np.ndarray]:
    """Starts on a clamp: the columns (s,) of START_COLUMNS but the temperatures."""
    trace = draw.trace
    channel = trace.channel
    time_ns, raw = channel.readings()
    n = len(raw)
    first, stop, failed = _runs_of(raw >= draw.off_below, raw, time_ns, draw, limits)
    begun = first > 0  # a run that the log begins with was not seen to start
    before = np.r_[-1, stop[:-1]]
    bracket_ns = time_ns[first] - time_ns[np.maximum(first - 1, 0)]
    # Where the readings pause before a run, its start was not seen either.
    seen = begun & (bracket_ns <= longest_hole_ns(trace.interval_s, limits))
    first, stop, failed, before, bracket_ns = (x[seen] for x in (first, stop, failed, before, bracket_ns))
    start_ns = time_ns[first] - bracket_ns // 2
    run_ns = time_ns[np.minimum(stop, n - 1)] - start_ns
    off_ns = start_ns - time_ns[np.maximum(before, 0)]
    peaks = _peaks(raw, first, stop, trace.interval_s, limits)
    starting = peaks >= limits["inrush_times"] * draw.running
    shown = failed | (trace.interval_s <= limits["inrush_seen_s"]) & starting
    return {
        "start_ns": start_ns,
        "off_before_min": np.where(before >= 0, off_ns * 1e-9 / 60, np.nan),
        "run_min": np.where(stop < n, run_ns * 1e-9 / 60, np.nan),
        "inrush_a": np.where(shown & (channel.unit == "A"), peaks, np.nan),
        "failed": failed,
    }


def _runs_of(
    on: np.ndarray, raw: np.ndarray, time_ns: np.ndarray, draw: DrawCells, limits: Mapping[str, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Runs of the compressor as indices, first reading and one past the last, and which of them failed to start.

    One reading up and down again is a spike unless it carries starting current; one reading down and up again no stop.
    """
    n = len(on)
    turns = np.flatnonzero(on[1:] != on[:-1]) + 1
    edges = np.concatenate([[0] if n and on[0] else [], turns, [n] if n and on[-1] else []]).astype(np.int64)
    first, stop = edges[::2], edges[1::2]
    interval_s = draw.trace.interval_s
    lasted_s = (time_ns[np.minimum(stop, n - 1)] - time_ns[first]) * 1e-9
    drawn = _peaks(raw, first, stop, interval_s, limits) >= limits["inrush_times"] * draw.running
    most_s = limits["failed_run_s"]
    failed = drawn & (lasted_s <= most_s) & (stop < n) & (interval_s <= most_s / 4)
    real = failed | (stop - first > 1) | (first == 0) | (stop == n)
    first, stop, failed = first[real], stop[real], failed[real]
    if len(first) < 2:
        return first, stop, failed
    apart = np.r_[True, (first[1:] - stop[:-1] > 1) | failed[1:] | failed[:-1]]
    return first[apart], stop[np.r_[apart[1:], True]], failed[apart]


def _peaks(
    raw: np.ndarray, first: np.ndarray, stop: np.ndarray, interval_s: float, limits: Mapping[str, float]
) -> np.ndarray:
    """Highest reading of each run while a starting current can last."""
    within = max(2, round(limits["inrush_s"] / interval_s))
    return np.array(
        [raw[a : min(a + within, b)].max() for a, b in zip(first.tolist(), stop.tolist(), strict=True)]
    )


def starts_of_phases(starts_ns: np.ndarray, off_ns: np.ndarray, run_ns: np.ndarray) -> dict[str, np.ndarray]:
    """Starts where the phases leave idle: `off_ns`, `run_ns` (s,) are the lengths of the idle before and of the run after
    (-1 where unknown)."""
    return {
        "start_ns": starts_ns,
        "off_before_min": np.where(off_ns >= 0, off_ns * 1e-9 / 60, np.nan),
        "run_min": np.where(run_ns >= 0, run_ns * 1e-9 / 60, np.nan),
        "inrush_a": np.full(len(starts_ns), np.nan),
        "failed": np.zeros(len(starts_ns), dtype=bool),
    }


def start_table(
    columns: dict[str, np.ndarray],
    timeline: Timeline,
    cold: Trace | None,
    discharge: Trace | None,
    limits: Mapping[str, float] = USUAL,
) -> pd.DataFrame:
    """START_COLUMNS as a table of s rows, with the temperatures [°C] just before each start. columns: (s,) each."""
    import pandas as pd

    out = dict(columns)
    out["line_c"] = reading_before(cold, columns["start_ns"], limits)
    out["discharge_c"] = reading_before(discharge, columns["start_ns"], limits)
    return pd.DataFrame({name: out[name] for name in START_COLUMNS})


def reading_before(trace: Trace | None, time_ns: np.ndarray, limits: Mapping[str, float]) -> np.ndarray:
    """The last reading (m,) of `trace` at or before each moment `time_ns` (m,), NaN where there is none within the logger's own gap limit."""
    if trace is None or len(trace.values) == 0:
        return np.full(len(time_ns), np.nan)
    at = np.searchsorted(trace.time_ns, time_ns, side="right") - 1
    limit_ns = longest_hole_ns(trace.interval_s, limits)
    near = (at >= 0) & (time_ns - trace.time_ns[np.maximum(at, 0)] <= limit_ns)
    return np.where(near, trace.values[np.maximum(at, 0)], np.nan)
