"""The log itself on its way into the page's pack, as fine as `detail.plan` found room for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.logs.timeline import Channel, Timeline
from pipeline.report.charts.detail import (
    RUN_READINGS,
    Detail,
    PlottedChannel,
    Spans,
    is_kept_whole,
    runs_of,
    turn_width_s,
)
from pipeline.report.clock import S
from pipeline.report.numbers.columns import phases_of
from pipeline.report.numbers.levels import level_within
from pipeline.report.payload.pack import Pack
from pipeline.report.wording import Reader
from pipeline.unit import ROLES

LATEST_NS = 1000 * S  # a reading later than that begins a new run: `Pack.steps` holds no jump of over an hour

PANELS = ("°C", "A", "W", "kPa", "V", "kWh", "")
_ORDER = tuple(ROLES)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """How fine the log came out in a page. bucket_s: width of the buckets over the whole log (0: every reading is
    there); turn_s: around the harvests' turns (0: no finer); full: whether some stretches have every reading."""

    bucket_s: float
    turn_s: float
    interval_s: float
    full: bool


def drawn_channels(timeline: Timeline) -> list[Channel]:
    """The channels of the log chart, one a role, in the order of the legend."""
    chosen = {
        c.role: c for c in reversed(timeline.channels) if c.chosen and c.role != "other" and len(c.values)
    }
    return sorted(chosen.values(), key=lambda c: _ORDER.index(c.role))


def put_log(
    pack: Pack,
    traces: Sequence[PlottedChannel],
    timeline: Timeline,
    record: CycleRecord,
    detail: Detail,
    reader: Reader,
) -> Drawn:
    """Every channel in buckets, the stretches of `detail` finer; phases; where the log lies in time."""
    start, end = timeline.start_ns, timeline.end_ns
    edges, kinds = phases_of(record)
    put = []
    for trace in traces:
        whole = is_kept_whole(trace, detail.bucket_s)
        turn_s = turn_width_s(trace, detail.turn_s, detail.bucket_s)
        put.append(
            {
                "role": trace.channel.role,
                "name": reader.words[f"role.{trace.channel.role}"],
                "unit": trace.channel.unit,
                "interval": trace.interval_s,
                "gap": max(4 * trace.interval_s, 20),
                "windows": [
                    _window(pack, trace, a, b, start) for a, b in ([(start, end + 1)] if whole else detail.full)
                ],
                **({} if whole else {"level": _level(pack, trace, detail.bucket_s, [(start, end + 1)])}),
                **({"turns": _level(pack, trace, turn_s, detail.turns)} if detail.turns and turn_s else {}),
            }
        )  # fmt: skip
    pack.header |= {
        "start": start // 1_000_000 / 1000,  # seconds since 1970, to the millisecond
        "span": max((end - start) / S, 1.0),
        "channels": put,
        "turns": [[(a - start) / S, (b - start) / S] for a, b in detail.turns],
        "panels": [unit for unit in PANELS if any(t.channel.unit == unit for t in traces)],
        "phases": {
            "edge": pack.thousandths((np.append(edges[:-1], end) - start) / S),
            "kind": pack.bytes(kinds),
        },
    }
    return Drawn(
        bucket_s=detail.bucket_s,
        turn_s=detail.turn_s,
        interval_s=min((t.interval_s for t in traces), default=1.0),
        full=bool(detail.full),
    )


def _level(pack: Pack, trace: PlottedChannel, width_s: float, spans: Spans) -> dict:
    """`spans`, which begin and end where buckets do, in buckets one after another in one array."""
    cut = level_within(trace.time_ns, trace.values, spans=spans, width_s=width_s)
    return {
        "width": width_s,
        "low": pack.steps(cut.low, base=trace.base, step=trace.step),
        "over": pack.steps(cut.high - cut.low, base=0.0, step=trace.step),
    }


def _window(pack: Pack, trace: PlottedChannel, a: int, b: int, start: int) -> dict:
    """Readings from `a` to `b` [ns]. Times in runs of equal steps; where there are hardly any, how late each reading is
    in its run."""
    i, j = np.searchsorted(trace.time_ns, [a, b])
    time_ns = trace.time_ns[i:j]
    usual_ns = trace.usual_step_ns
    runs, late = runs_of(time_ns, usual_ns), {}
    if len(runs) * RUN_READINGS > len(time_ns):
        runs = runs_of(time_ns, usual_ns, apart_ns=LATEST_NS)
        run = np.searchsorted(runs, np.arange(len(time_ns)), side="right") - 1
        due = time_ns[runs][run] + (np.arange(len(time_ns)) - runs[run]) * usual_ns
        late = {"late": pack.steps((time_ns - due) / S, base=0.0, step=0.001)}
    return {
        "span": [(a - start) / S, (b - start) / S],
        "value": pack.steps(trace.values[i:j], base=trace.base, step=trace.step),
        "every": usual_ns / S,
        "at": runs.tolist(),
        "from": ((time_ns[runs] - start) / S).tolist(),
        **late,
    }
