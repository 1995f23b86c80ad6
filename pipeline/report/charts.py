"""What the charts of a unit's page are drawn from: every number goes through here into the page's pack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import Channel, Timeline
from pipeline.report.clock import Offsets
from pipeline.report.days import KINDS, Days
from pipeline.report.levels import COARSEST, STEP, coarser, finest_width_s, level, trusted_readings
from pipeline.report.limits import Limits
from pipeline.report.overlay import Overlay
from pipeline.report.pack import Pack, step_of
from pipeline.report.wording import Reader

S = 1_000_000_000
MARKS_A_FINDING = 200  # cycles of one finding that get a mark of their own
WINDOWS_A_FINDING = 8

LEAST_STEP = {"°C": 0.02, "A": 0.01, "kPa": 0.5, "V": 0.1, "W": 0.5}
PANELS = ("°C", "A", "W", "kPa", "V", "kWh", "")
_ORDER = (
    "evaporator", "suction", "discharge", "liquid", "condenser_in", "condenser_out", "ambient", "water_in", "reservoir", "bin",
    "current", "current_compressor",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Detail:
    """How much of the log a page holds. buckets: of all channels together; readings: in the windows at full rate."""

    buckets: int
    readings: int

    def scaled(self, share: float) -> Detail:
        return Detail(buckets=int(self.buckets * share), readings=int(self.readings * share))


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """How fine the log came out in a page. bucket_s: width of the finest buckets; every: each reading is in them."""

    bucket_s: float
    interval_s: float
    every: bool
    windows: int


def drawn_channels(timeline: Timeline) -> list[Channel]:
    """The channels of the log chart, one a role, in the order of the legend."""
    chosen = {
        c.role: c for c in reversed(timeline.channels) if c.chosen and c.role != "other" and len(c.values)
    }
    return sorted(
        chosen.values(), key=lambda c: (_ORDER.index(c.role) if c.role in _ORDER else len(_ORDER), c.role)
    )


def put_log(
    pack: Pack, timeline: Timeline, record: CycleRecord, judgement: Judgement, detail: Detail, reader: Reader
) -> Drawn:
    """The log at several levels, with windows at full rate around what was found."""
    channels = drawn_channels(timeline)
    start, end = timeline.start_ns, timeline.end_ns
    span_s = max((end - start) / S, 1.0)
    interval_s = min((_interval_s(c) for c in channels), default=1.0)
    bucket_s = finest_width_s(span_s, interval_s, max(detail.buckets // max(len(channels), 1), COARSEST))
    every = bucket_s <= interval_s * 1.001
    spans = [] if every else _windows(timeline, record, judgement, channels, detail.readings)
    put = []
    for channel in channels:
        time_ns, values = trusted_readings(channel)
        every_s = _interval_s(channel)
        low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 0.0)
        step = (low, step_of(channel.resolution, low, high, LEAST_STEP.get(channel.unit, 1e-3)))
        whole = every_s >= 0.999 * bucket_s  # sparse enough to keep every reading, at its own time
        width_s = STEP * every_s if whole else bucket_s
        levels = [level(time_ns, values, start_ns=start, end_ns=end, width_s=width_s)]
        while len(levels[-1].low) > COARSEST * STEP:
            levels.append(coarser(levels[-1]))
        put.append(
            {
                "role": channel.role,
                "name": reader.words[f"role.{channel.role}"],
                "unit": channel.unit,
                "interval": every_s,
                "whole": bool(whole),
                "gap": max(4 * every_s, 20),
                "levels": [
                    {
                        "width": lv.width_s,
                        "low": pack.steps(lv.low, base=step[0], step=step[1]),
                        "over": pack.steps(lv.high - lv.low, base=0.0, step=step[1]),
                    }
                    for lv in levels
                ],
                "windows": [
                    _window(pack, time_ns, values, a, b, start, *step)
                    for a, b in ([(start, end + 1)] if whole else spans)
                ],
            }
        )
    pack.header |= {
        "start": start // 1_000_000 / 1000,  # seconds since 1970, to the millisecond
        "span": span_s,
        "channels": put,
        "panels": [unit for unit in PANELS if any(c.unit == unit for c in channels)],
        "phases": {
            "edge": pack.doubles(np.array([p.start_ns - start for p in record.phases] + [end - start]) / S),
            "kind": pack.bytes(np.array([KINDS.index(p.kind) for p in record.phases])),
        },
    }
    return Drawn(bucket_s=bucket_s, interval_s=interval_s, every=every, windows=len(spans))


def _interval_s(channel: Channel) -> float:
    """The channel's interval [s]; of a log too short to tell it, a second."""
    return float(channel.interval_s) if channel.interval_s > 0 else 1.0


def put_cycles(
    pack: Pack,
    timeline: Timeline,
    record: CycleRecord,
    flags: dict[int, list[str]],
    limits: dict[str, Limits],
) -> None:
    """One value a cycle of what the length charts and the table show."""
    table, start = record.cycles, timeline.start_ns
    numbers = (table["cycle"] if "cycle" in table.columns else table.index).to_numpy(np.int64)

    def seconds(column: str) -> np.ndarray:
        ns = table[column].to_numpy(np.int64)
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
        "number": pack.doubles(numbers),
        "complete": pack.bytes(table["complete"].to_numpy().astype(np.uint8)),
        "flags": {str(n): codes for n, codes in sorted(flags.items())},
        **{name: pack.doubles(values) for name, values in columns.items()},
        **{
            name: pack.floats(table[name].to_numpy(dtype=float)) for name in measures if name in table.columns
        },
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
        "curves": [pack.steps(curve, base=base, step=step) for curve in overlay.curves],
    }


def put_days(pack: Pack, timeline: Timeline, days: Days | None, kg_per_cycle: float | None) -> None:
    """Cycles (or ice) a day, and the hours of each phase."""
    if days is None:
        return
    pack.header["days"] = {
        "date": [d.isoformat() for d in days.days],
        "noon": [round((int(t) - timeline.start_ns) / S) for t in days.noon_ns],
        "cycles": [int(n) for n in days.cycles],
        "whole": [bool(w) for w in days.whole],
        "kg_per_cycle": kg_per_cycle,
        "minutes": pack.bytes(np.minimum(np.round(days.hours * 60), 255)),
    }


def put_marks(
    pack: Pack, timeline: Timeline, record: CycleRecord, judgement: Judgement, reader: Reader
) -> None:
    """Where the findings lie in the log."""
    where = _cycle_spans(record)
    start = timeline.start_ns
    pack.header["findings"] = [
        {
            "severity": f.severity.value,
            "title": {u: Reader(language=reader.language, units=u).say(f.title) for u in ("si", "us")},
            "start": (f.start_ns - start) / S,
            "end": (f.end_ns - start) / S,
            "at": [
                round((where[c][0] - start) / S, 1) for c in _spread(f.cycles, MARKS_A_FINDING) if c in where
            ]
            if f.flag_cycles
            else [],
        }
        for f in judgement.findings
    ]


def put_clock(pack: Pack, offsets: Offsets, timeline: Timeline) -> None:
    """The offsets of the unit's zone, so that the browser needs no zone of its own."""
    pack.header["offsets"] = [
        [round((int(t) - timeline.start_ns) / S), int(o)]
        for t, o in zip(offsets.from_ns, offsets.offset_s, strict=True)
    ]


def _window(pack: Pack, time_ns, values, a: int, b: int, start: int, base: float, step: float) -> dict:
    i, j = np.searchsorted(time_ns, [a, b])
    t = (time_ns[i:j] - start) / S
    steps = np.diff(t)
    regular = len(t) > 2 and bool(np.all(np.abs(steps - steps[0]) < 1e-3))
    return {
        "value": pack.steps(values[i:j], base=base, step=step),
        **({"from": float(t[0]), "every": float(steps[0])} if regular else {"time": pack.doubles(t)}),
    }


def _windows(
    timeline: Timeline, record: CycleRecord, judgement: Judgement, channels, readings: int
) -> list[tuple[int, int]]:
    """Stretches kept at full rate, worst findings first, as long as `readings` last; merged, in order of time."""
    rate = sum(1 / _interval_s(c) for c in channels)
    left_s = readings / rate if rate else 0.0
    where = _cycle_spans(record)
    kept: list[tuple[int, int]] = []
    for begin, stop in _wanted(judgement, where):
        a, b = max(begin - 120 * S, timeline.start_ns), min(stop + 120 * S, timeline.end_ns)
        cost = (b - a) / S
        if cost <= 0 or cost > left_s or any(x <= a and b <= y for x, y in kept):
            continue
        kept.append((a, b))
        left_s -= cost
    merged: list[tuple[int, int]] = []
    for a, b in sorted(kept):
        if merged and a <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
        else:
            merged.append((a, b))
    return merged


def _wanted(judgement: Judgement, where: dict[int, tuple[int, int]]):
    """Spans to be seen at full rate: of each finding some cycles or its edges; then of the rest of the cycles, spread."""
    for turn in range(WINDOWS_A_FINDING):
        for finding in judgement.findings:
            cycles = [c for c in _spread(finding.cycles, WINDOWS_A_FINDING) if c in where]
            if finding.cycles:
                if turn < len(cycles):
                    yield where[cycles[turn]]
            elif turn == 0:
                yield finding.start_ns, min(finding.end_ns, finding.start_ns + 1800 * S)
            elif turn == 1:
                yield max(finding.start_ns, finding.end_ns - 900 * S), finding.end_ns
    yield from (where[c] for c in _spread(tuple(where), 200))


def _cycle_spans(record: CycleRecord) -> dict[int, tuple[int, int]]:
    table = record.cycles
    numbers = (table["cycle"] if "cycle" in table.columns else table.index).to_numpy()
    begin, harvest, stop = (
        table[c].to_numpy(np.int64) for c in ("freeze_start_ns", "harvest_start_ns", "harvest_end_ns")
    )
    last = np.where(stop > 0, stop, np.where(harvest > 0, harvest, begin + 1800 * S))
    return {int(n): (int(a), int(b)) for n, a, b in zip(numbers, begin, last, strict=True)}


def _spread(items: tuple, most: int) -> list:
    """At most `most` of `items`, evenly over them."""
    if len(items) <= most:
        return list(items)
    return [items[int(i)] for i in np.linspace(0, len(items) - 1, most)]


def _or_none(value: float) -> float | None:
    return round(value, 4) if np.isfinite(value) else None
