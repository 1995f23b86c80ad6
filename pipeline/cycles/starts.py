"""Every compressor start that the log shows: on a clamp by its current, else where the phases leave idle."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.cycles.features import DrawCells
from pipeline.cycles.record import START_COLUMNS
from pipeline.cycles.signals import GAP_INTERVALS, GAP_LEAST_S, Trace
from pipeline.logs.timeline import Timeline

if TYPE_CHECKING:
    import pandas as pd

FAILED_RUN_S = (
    20.0  # a motor that starts runs on; a protector drops a stalled one within seconds (common practice)
)
INRUSH_WITHIN_S = 3.0  # starting current is over by then (common practice, no source)
SHOWS_INRUSH_S = 2.0  # a slower logger meets the inrush by luck only


def starts_of_draw(draw: DrawCells) -> dict[str, np.ndarray]:
    """Starts on a clamp: columns of START_COLUMNS but the temperatures; `bracket_s` is the time between the last
    reading off and the first on [s]."""
    trace = draw.trace
    channel = trace.channel
    if channel.trusted.all():
        time_ns, raw = channel.time_ns, channel.values
    else:
        time_ns, raw = channel.time_ns[channel.trusted], channel.values[channel.trusted]
    on = raw >= draw.off_below
    turns = np.flatnonzero(on[1:] != on[:-1]) + 1
    limit_ns = int(max(GAP_INTERVALS * trace.interval_s, GAP_LEAST_S) * 1e9)
    ups = turns[on[turns]]
    ends = np.append(turns, len(raw))
    stops = ends[np.searchsorted(ends, ups, side="right")]
    inrush_n = max(2, round(INRUSH_WITHIN_S / trace.interval_s))
    peaks = np.array([raw[u : min(u + inrush_n, s)].max() for u, s in zip(ups, stops, strict=True)])
    run_s = (time_ns[np.minimum(stops, len(raw) - 1)] - time_ns[ups]) * 1e-9
    seen_end = stops < len(raw)
    drawn = peaks >= 1.15 * draw.running  # starting current
    quick = trace.interval_s <= FAILED_RUN_S / 4
    failed = quick & seen_end & (run_s <= FAILED_RUN_S) & drawn
    # One reading up and down again without starting current is a spike, and a dip of one reading no stop.
    real = failed | ~seen_end | (stops - ups > 1)
    ups, stops, peaks, failed, seen_end = (x[real] for x in (ups, stops, peaks, failed, seen_end))
    previous = np.r_[-1, np.where(seen_end, stops, len(raw) - 1)[:-1]] if len(ups) else np.empty(0, np.int64)
    off_from = np.where(previous >= 0, previous, 0)
    dip = (
        (previous >= 0) & (ups - previous < 2) & ~failed & ~np.r_[False, failed[:-1]]
        if len(ups)
        else np.empty(0, bool)
    )
    keep = ~dip
    ups, stops, peaks, failed, seen_end, previous, off_from = (
        x[keep] for x in (ups, stops, peaks, failed, seen_end, previous, off_from)
    )
    bracket_ns = time_ns[ups] - time_ns[ups - 1]
    known = bracket_ns <= limit_ns
    ups, stops, peaks, failed, seen_end, previous, off_from, bracket_ns = (
        x[known] for x in (ups, stops, peaks, failed, seen_end, previous, off_from, bracket_ns)
    )
    start_ns = time_ns[ups] - bracket_ns // 2
    stop_ns = time_ns[np.minimum(stops, len(raw) - 1)]
    off_min = np.where(previous >= 0, (start_ns - time_ns[off_from]) * 1e-9 / 60, np.nan)
    shows = (trace.interval_s <= SHOWS_INRUSH_S) & (peaks >= 1.15 * draw.running) | failed
    return {
        "start_ns": start_ns,
        "off_before_min": off_min,
        "run_min": np.where(seen_end, (stop_ns - start_ns) * 1e-9 / 60, np.nan),
        "inrush_a": np.where(shows & (channel.unit == "A"), peaks, np.nan),
        "failed": failed,
        "bracket_s": bracket_ns * 1e-9,
    }


def starts_of_phases(starts_ns: np.ndarray, off_ns: np.ndarray, run_ns: np.ndarray) -> dict[str, np.ndarray]:
    """Starts where the phases leave idle: `off_ns`, `run_ns` are the lengths of the idle before and of the run after
    (-1 where unknown)."""
    return {
        "start_ns": starts_ns,
        "off_before_min": np.where(off_ns >= 0, off_ns * 1e-9 / 60, np.nan),
        "run_min": np.where(run_ns >= 0, run_ns * 1e-9 / 60, np.nan),
        "inrush_a": np.full(len(starts_ns), np.nan),
        "failed": np.zeros(len(starts_ns), dtype=bool),
    }


def start_table(
    columns: dict[str, np.ndarray], timeline: Timeline, cold: Trace | None, discharge: Trace | None
) -> pd.DataFrame:
    """START_COLUMNS as a table, with the temperatures just before each start."""
    import pandas as pd

    out = dict(columns)
    out["line_c"] = reading_before(cold, columns["start_ns"])
    out["discharge_c"] = reading_before(discharge, columns["start_ns"])
    return pd.DataFrame({name: out[name] for name in START_COLUMNS})


def reading_before(trace: Trace | None, time_ns: np.ndarray) -> np.ndarray:
    """The last reading of `trace` at or before each moment, NaN where there is none within the logger's own gap limit."""
    if trace is None or len(trace.values) == 0:
        return np.full(len(time_ns), np.nan)
    at = np.searchsorted(trace.time_ns, time_ns, side="right") - 1
    limit_ns = max(GAP_INTERVALS * trace.interval_s, GAP_LEAST_S) * 1e9
    near = (at >= 0) & (time_ns - trace.time_ns[np.maximum(at, 0)] <= limit_ns)
    return np.where(near, trace.values[np.maximum(at, 0)], np.nan)
