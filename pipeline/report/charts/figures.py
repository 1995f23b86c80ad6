"""Which charts a unit's page has, and the sentence that says what each shows: made from the data, for whoever cannot see it."""

from __future__ import annotations

from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import Channel, Timeline
from pipeline.report.charts.overlay import Overlay
from pipeline.report.charts.traces import Drawn, drawn_channels
from pipeline.report.numbers.columns import columns_of, spans_of
from pipeline.report.numbers.levels import reach_of
from pipeline.report.numbers.usual_range import Limits
from pipeline.report.summary import UnitSummary
from pipeline.report.wording import Reader


def figures(
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    summary: UnitSummary,
    freezes: Overlay | None,
    harvests: Overlay | None,
    limits: dict[str, Limits],
    reader: Reader,
) -> list[dict[str, Any]]:
    """Each chart's name, place and the sentence that says what it shows."""
    figures = [
        {"id": "log", "name": "chart.log", "said": _log_said(timeline, record, judgement, summary, reader)}
    ]
    table = columns_of(record)
    if any(np.isfinite(table[name]).any() for name in ("freeze_min", "harvest_min")):
        figures.append(
            {"id": "lengths", "name": "chart.lengths", "said": _lengths_said(record, limits, reader)}
        )
    for ident, over, column in (("freezes", freezes, "freeze_min"), ("harvests", harvests, "harvest_min")):
        if over is not None and record.harvests_timed:
            lengths = table[column]
            longest = float(np.fmax.reduce(lengths)) if len(lengths) else float("nan")
            said = reader.t_html(
                f"chart.{ident}_alt_all" if over.of_all else f"chart.{ident}_alt",
                usual=over.usual,
                channel_role=over.role,
                abnormal=len(over.cycles),
                longest_min=longest,
            )
            if over.cut:
                said += " " + reader.t_html("chart.overlay_cut", reach_min=float(over.minute[-1]))
            figures.append({"id": ident, "name": f"chart.{ident}", "said": said})
    return figures


def _log_said(
    timeline: Timeline, record: CycleRecord, judgement: Judgement, summary: UnitSummary, reader: Reader
) -> Markup:
    spans = spans_of(record)
    whole = sum(spans.values()) or 1
    phases = ", ".join(
        reader.t("chart.log_phases", share_pct=100 * span / whole, name_phase=kind.value)
        for kind, span in spans.items()
        if span / whole >= 0.005
    )
    drawn = [_range_said(c, reader) for c in drawn_channels(timeline)]
    channels = Markup(", ").join(drawn) or reader.t_html("unjudged.read_none")
    count = len(judgement.findings)
    marks = reader.t("chart.log_marks", count=count) if count else reader.t("chart.log_marks_none")
    shares = phases[:1].upper() + phases[1:]
    return reader.t_html(
        "chart.log_alt", channels=channels, span=reader.length_html(summary.days), phases=shares, marks=marks
    )


def _range_said(channel: Channel, reader: Reader) -> Markup:
    low, high = reach_of(channel)
    if low != low:
        return reader.t_html("chart.log_channel", channel_role=channel.role, span="–")
    name = {"°C": "t_c", "A": "i_a", "W": "p_w", "kPa": "p_kpa", "V": "u_v", "kWh": "e_kwh"}.get(
        channel.unit, ""
    )
    ends = [reader.show_html(name, v) for v in (low, high)]
    return reader.t_html("chart.log_channel", channel_role=channel.role, span=Markup("…").join(ends))


def _lengths_said(record: CycleRecord, limits: dict[str, Limits], reader: Reader) -> Markup:
    said = []
    for name, key in (("freeze", "chart.lengths_alt"), ("harvest", "chart.lengths_alt_harvest")):
        values = columns_of(record)[f"{name}_min"]
        values, lim = values[np.isfinite(values)], limits[f"{name}_min"]
        if not len(values) or (name == "harvest" and not record.harvests_timed):
            continue
        if not np.isfinite(lim.low):
            few = {"count": len(values), f"{name}_min": float(np.median(values))}
            said.append(reader.t_html(f"{key}_few", **few))
            continue
        outside = int(((values < lim.low) | (values > lim.high)).sum())
        figures = {
            f"{name}_min": float(np.median(values)),
            f"{name}_low_min": lim.low,
            f"{name}_high_min": lim.high,
            f"{name}_out": outside,
        }
        said.append(reader.t_html(key, count=len(values), **figures))
    return Markup(" ").join(said)


def finest(drawn: Drawn, reader: Reader) -> str:
    """How fine the page can show the log anywhere in it, in words."""
    interval = reader.seconds(drawn.interval_s)
    if not drawn.bucket_s:
        return reader.t("chart.finest_all", interval=interval)
    parts = [reader.t("chart.finest_full", interval=interval)] if drawn.full else []
    if drawn.turn_s:
        parts.append(reader.t("chart.finest_turns", width=reader.seconds(drawn.turn_s)))
    key = "chart.finest_else" if parts else "chart.finest_bucket"
    parts.append(reader.t(key, width=reader.seconds(drawn.bucket_s)))
    return reader.t("chart.finest", parts="; ".join(parts))
