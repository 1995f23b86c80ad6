"""Still versions of the charts, drawn into the page beforehand: they stand there until the moving ones are
drawn, and stay where no script runs (a mail program's preview, a locked-down browser)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.logs.timeline import Timeline
from pipeline.report.charts import svg
from pipeline.report.charts.overlay import Overlay, cold_trace
from pipeline.report.charts.svg import levels, midnights, minutes
from pipeline.report.clock import Offsets, S
from pipeline.report.numbers.columns import KINDS, columns_of, phases_of
from pipeline.report.numbers.levels import level, trusted_readings
from pipeline.report.numbers.usual_range import Limits
from pipeline.report.wording import Reader

WIDTH = 960.0
LEFT, RIGHT = 74.0, 12.0
BUCKETS = 480
RIBBON = 26.0
_TALL = {PhaseKind.FREEZE: 9, PhaseKind.HARVEST: 15, PhaseKind.IDLE: 2, PhaseKind.UNCLEAR: 5}
"""How tall the ribbon is in each phase [px]; without readings there is none."""
MOST_CURVES = 12


def sketch_log(
    timeline: Timeline,
    record: CycleRecord,
    offsets: Offsets,
    reader: Reader,
    visits: Sequence[float] = (),
) -> Markup | None:
    """The cold trace over the whole log, and under it one ribbon of phases; None where nothing was read. visits: where one lies,
    as a share of the log."""
    channel = cold_trace(timeline) or (timeline.channels[0] if timeline.channels else None)
    if channel is None:
        return None
    time_ns, values = trusted_readings(channel)
    if not len(values):
        return None
    span_s = max((timeline.end_ns - timeline.start_ns) / S, 1.0)
    shown = level(
        time_ns, values, start_ns=timeline.start_ns, end_ns=timeline.end_ns, width_s=span_s / BUCKETS
    )
    top, height = 8.0, 190.0
    low, high = float(np.nanmin(shown.low)), float(np.nanmax(shown.high))
    area = svg.PlotArea(
        left=LEFT, top=top, width=WIDTH - LEFT - RIGHT, height=height, x=(0, BUCKETS), y=(low - 1, high + 1)
    )
    parts = levels(area, channel.unit, reader) + midnights(area, timeline, offsets, reader, below=RIBBON)
    parts += _ribbon(record, timeline, top + height + RIBBON / 2)
    x = np.repeat(np.arange(len(shown.low)), 2)
    y = np.column_stack([shown.low, shown.high]).ravel()
    parts.append(svg.polyline(area, x, y, "trace"))
    parts += area.uprights(visits, "visit")
    said = reader.t("chart.sketch_log", channel_role=channel.role)
    return svg.picture(WIDTH, top + height + RIBBON + 26, parts, title=said, css="sketch")


def sketch_lengths(
    timeline: Timeline,
    record: CycleRecord,
    limits: Mapping[str, Limits],
    odd: set[int],
    offsets: Offsets,
    reader: Reader,
    visits: Sequence[float] = (),
) -> Markup | None:
    """Every freeze as a dash, abnormal ones broader, over the usual range; None where fewer than three were seen."""
    table = columns_of(record)
    lengths = table["freeze_min"]
    seen = np.isfinite(lengths)
    if seen.sum() < 3:
        return None
    numbers = table["cycle"]
    starts = table["freeze_start_ns"]
    lim, height = limits["freeze_min"], 170.0
    edges = [v for v in (lim.low, lim.high) if np.isfinite(v)]
    low, high = min(lengths[seen].min(), *edges, np.inf), max(lengths[seen].max(), *edges, 0.0)
    span = timeline.end_ns - timeline.start_ns
    area = svg.PlotArea(
        left=LEFT,
        top=8,
        width=WIDTH - LEFT - RIGHT,
        height=height,
        x=(0, max(span, 1)),
        y=(low - 1, high + 1),
    )
    parts = levels(area, "min", reader) + midnights(area, timeline, offsets, reader)
    if np.isfinite(lim.low):
        y = float(area.py(lim.high))
        parts.append(svg.rect(LEFT, y, WIDTH - LEFT - RIGHT, float(area.py(lim.low)) - y, "range"))
    parts += area.uprights(visits, "visit")
    abnormal = np.isin(numbers, list(odd))
    for mask, mark, css in (
        (seen & ~abnormal, "h7", "dashes"),
        (seen & abnormal, "h9", "dashes odd"),
    ):
        places = 1 if mask.sum() < WIDTH else 0  # of thousands those that lie on each other are drawn once
        at = np.column_stack([area.px(starts[mask] - timeline.start_ns), area.py(lengths[mask])])
        at = np.unique(np.round(at, places), axis=0)
        parts.append(svg.path(css, f"M%.{places}f %.{places}f{mark}" * len(at) % tuple(at.ravel().tolist())))
    return svg.picture(WIDTH, height + 34, parts, title=reader.t("chart.sketch_lengths"), css="sketch")


def sketch_overlay(over: Overlay | None, name: str, reader: Reader) -> Markup | None:
    """The band of the usual freezes (or harvests) with some of the abnormal ones; None where there is no overlay."""
    if over is None:
        return None
    drawn = over.curves[np.linspace(0, len(over.curves) - 1, min(len(over.curves), MOST_CURVES)).astype(int)]
    every = np.concatenate([over.low, over.high, drawn.ravel()])
    every = every[np.isfinite(every)]
    if not len(every):
        return None
    area = svg.PlotArea(
        left=LEFT,
        top=8,
        width=WIDTH - LEFT - RIGHT,
        height=200,
        x=(0, float(over.minute[-1])),
        y=(float(every.min()) - 0.5, float(every.max()) + 0.5),
    )
    parts = levels(area, over.unit, reader)
    minute = over.minute[::2]
    parts.append(svg.ribbon(area, minute, over.low[::2], over.high[::2], "band"))
    parts.append(svg.polyline(area, minute, over.middle[::2], "middle"))
    parts += [svg.polyline(area, minute, curve[::2], "odd") for curve in drawn]
    parts += minutes(area, reader, f"picture.minutes_{name}")
    return svg.picture(WIDTH, 248, parts, title=reader.t(f"chart.{name}s"), css="sketch evidence")


def _ribbon(record: CycleRecord, timeline: Timeline, middle: float) -> list[Markup]:
    """One ribbon of phases. What is narrower than half a pixel is drawn half a pixel wide."""
    scale = (WIDTH - LEFT - RIGHT) / max(timeline.end_ns - timeline.start_ns, 1)
    edges, kinds = phases_of(record)
    decimals = 0 if len(kinds) > WIDTH else 1
    left = np.round(LEFT + (edges[:-1] - timeline.start_ns) * scale, decimals)
    wide = np.round(np.maximum(np.diff(edges) * scale, 0.5), 1)
    parts = []
    for kind, tall in _TALL.items():
        place = np.column_stack([left, wide])[kinds == KINDS.index(kind)]
        if not len(place):
            continue
        place = np.unique(place, axis=0)  # in a long log many phases share a pixel
        path = f"M%g {middle:.0f}h%g" * len(place) % tuple(place.ravel().tolist())
        parts.append(Markup(f'<path class="lane lane-{kind.value}" stroke-width="{tall}" d="{path}"/>'))
    return parts
