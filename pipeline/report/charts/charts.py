"""What the charts of a unit's page are drawn from besides the log itself (`traces.py`): numbers on their way into the pack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import Timeline
from pipeline.report.charts.detail import LEAST_STEP, cycle_spans, spread
from pipeline.report.charts.overlay import Overlay
from pipeline.report.clock import Offsets, S
from pipeline.report.numbers.columns import columns_of
from pipeline.report.numbers.usual_range import Limits
from pipeline.report.payload.pack import Pack
from pipeline.report.wording import Reader

MARKS_A_FINDING = 200  # cycles of one finding that get a mark of their own


def put_cycles(
    pack: Pack,
    timeline: Timeline,
    record: CycleRecord,
    flags: dict[int, list[str]],
    limits: dict[str, Limits],
) -> None:
    """One value a cycle of what the length charts and the table show."""
    table, start = columns_of(record), timeline.start_ns
    numbers = table["cycle"]

    def seconds(column: str) -> np.ndarray:
        ns = table[column]
        return np.where(ns < 0, np.nan, (ns - start) / S)

    columns = {
        "start": seconds("freeze_start_ns"),
        "harvest": seconds("harvest_start_ns"),
        "end": seconds("harvest_end_ns"),
    }
    measures = (
        "freeze_min",
        "harvest_min",
        "uncertainty_min",
        "freeze_end_c",
        "harvest_peak_c",
        "freeze_current_a",
        "condenser_split_k",
    )
    pack.header["cycles"] = {
        "number": pack.steps(numbers, base=0.0, step=1.0),
        "complete": pack.bytes(table["complete"].astype(np.uint8)),
        "flags": {str(n): codes for n, codes in sorted(flags.items())},
        **{name: pack.thousandths(values) for name, values in columns.items()},
        **{name: pack.thousandths(table[name]) for name in measures if name in table},
        "limits": {
            name: [_or_none(v) for v in (lim.low, lim.centre, lim.high)] for name, lim in limits.items()
        },
    }


def put_overlay(pack: Pack, name: str, overlay: Overlay | None) -> None:
    """One of the charts of stretches laid over each other."""
    if overlay is None:
        return
    step = LEAST_STEP.get(overlay.unit, 1e-3) * 2
    every = np.concatenate([overlay.low, overlay.high, overlay.curves.ravel()])
    base = float(np.nanmin(every)) if np.isfinite(every).any() else 0.0
    pack.header.setdefault("overlays", {})[name] = {
        "role": overlay.role,
        "unit": overlay.unit,
        "minutes": float(overlay.minute[-1]),
        "usual": overlay.usual,
        "cycles": list(overlay.cycles),
        **{
            part: pack.steps(getattr(overlay, part), base=base, step=step)
            for part in ("low", "middle", "high")
        },
        "curves": pack.steps(overlay.curves.ravel(), base=base, step=step),  # one after another
    }


def put_marks(
    pack: Pack, timeline: Timeline, record: CycleRecord, judgement: Judgement, reader: Reader
) -> None:
    """Where the findings lie in the log."""
    where = cycle_spans(record)
    start = timeline.start_ns
    pack.header["findings"] = [
        {
            "severity": f.severity.value,
            "title": {u: replace(reader, units=u).say(f.title) for u in ("si", "us")},
            "start": (f.start_ns - start) / S,
            "end": (f.end_ns - start) / S,
            "at": [
                round((where[c][0] - start) / S, 1) for c in spread(f.cycles, MARKS_A_FINDING) if c in where
            ]
            if f.flag_cycles
            else [],
        }
        for f in judgement.findings
    ]


def put_visits(pack: Pack, timeline: Timeline, shares: Sequence[float]) -> None:
    """Where visits lie in the log, as shares of it: lines in every chart over time."""
    span_s = (timeline.end_ns - timeline.start_ns) / S
    pack.header["visits"] = [{"at": round(share * span_s)} for share in shares]


def put_clock(pack: Pack, offsets: Offsets, timeline: Timeline) -> None:
    """The offsets of the unit's zone, so that the browser needs no zone of its own."""
    pack.header["offsets"] = [
        [round((int(t) - timeline.start_ns) / S), int(o)]
        for t, o in zip(offsets.from_ns, offsets.offset_s, strict=True)
    ]


def _or_none(value: float) -> float | None:
    return round(value, 4) if np.isfinite(value) else None
