"""A small picture of what a finding rests on: the cycle in question over the band of the usual ones, or the stretch of
the log that it speaks of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Finding
from pipeline.logs.timeline import Channel, Timeline
from pipeline.report.charts import svg
from pipeline.report.charts.overlay import EDGES, Overlay, cold_trace
from pipeline.report.charts.svg import levels, minutes
from pipeline.report.clock import Offsets, S
from pipeline.report.numbers.columns import KINDS, columns_of, phases_of
from pipeline.report.numbers.levels import thinned, trusted_readings
from pipeline.report.wording import Reader

WIDTH, HEIGHT = 340.0, 188.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 8.0, 10.0, 42.0
WIDE_LEFT = 66.0  # room for "−0.5 K/min"
STRIP = 6.0  # the strip of phases under the traces [px]
TRACE_POINTS = 420

_LONGEST_SPAN_H = 30  # a longer finding is shown by its worst stretch
_SHORTEST_SPAN_MIN = 20.0
CLOSE_H = 3.0  # of a finding over days that is shown by its densest stretch, the first hours are drawn


@dataclass(frozen=True, kw_only=True)
class _Telling:
    """The cycle that a picture shows: its freeze's (or harvest's) start and length."""

    cycle: int
    start_ns: int
    length_min: float


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A picture and what it shows, in a sentence."""

    svg: Markup
    caption: str


def evidence(
    finding: Finding,
    *,
    timeline: Timeline,
    record: CycleRecord,
    freezes: Overlay | None,
    harvests: Overlay | None,
    offsets: Offsets,
    reader: Reader,
    visits: Sequence[float] = (),
) -> Evidence | None:
    """The picture of `finding`; None where no channel has a reading in its span. visits: where one lies, as a share of the log."""
    picture = _measure_picture(finding, timeline, record, offsets, reader, visits)
    if picture is not None:
        return picture
    kind = finding.shows.about if finding.shows.about != "span" else ""
    overlay = harvests if kind == "harvest" else freezes
    row = _telling_cycle(finding, record, kind) if finding.cycles and kind else None
    channel = cold_trace(timeline)
    if row is not None and overlay is not None and channel is not None:
        return _cycle_picture(row, kind, overlay, channel, reader)
    return _span_picture(finding, timeline, record, offsets, reader, visits)


LEAST_MEASURED = 8  # cycles, for a course to be seen (common practice, no source)


def _measure_picture(
    finding: Finding,
    timeline: Timeline,
    record: CycleRecord,
    offsets: Offsets,
    reader: Reader,
    visits: Sequence[float],
) -> Evidence | None:
    """The measure that a finding speaks of, a dash a cycle over the whole log, and its middle from a twelfth of the log to
    the next; None where it speaks of none, or too few cycles have it."""
    name = str(finding.evidence.get("measure", ""))
    if name not in columns_of(record):
        return None
    table = columns_of(record)
    values = table[name]
    seen = np.isfinite(values) & ~table["broken"]
    if seen.sum() < LEAST_MEASURED:
        return None
    at = (table["freeze_start_ns"][seen] - timeline.start_ns) / S
    values, span_s = values[seen], (timeline.end_ns - timeline.start_ns) / S
    pieces = np.array_split(np.argsort(at), min(12, len(at) // 4 or 1))
    middles = np.array([[np.median(at[p]), np.median(values[p])] for p in pieces])
    # the first cycles after rests stand far off, and must not flatten the course of all the others
    usual = [*np.percentile(values, [10, 90]), *middles[:, 1]]
    low, high = min(usual), max(usual)
    room = max(float(high - low) * 0.4, 0.1)
    area = svg.PlotArea(
        left=WIDE_LEFT, top=TOP, width=WIDTH - WIDE_LEFT - RIGHT, height=HEIGHT - TOP - BOTTOM,
        x=(0.0, span_s), y=(float(low) - room, float(high) + room),
    )  # fmt: skip
    parts = levels(area, "", reader, 4, measure=name)
    inside = (values >= area.y[0]) & (values <= area.y[1])
    dashes = zip(area.px(at[inside]), area.py(values[inside]), strict=True)
    parts.append(svg.path("dashes", "".join(f"M{x:.1f} {y:.1f}h3" for x, y in dashes)))
    parts.append(svg.polyline(area, middles[:, 0], middles[:, 1], "odd"))
    parts += area.uprights(visits, "visit")
    first, last = reader.span(timeline.start_ns, timeline.end_ns, offsets)
    parts.append(svg.label(WIDE_LEFT, HEIGHT - 16, first, "tick"))
    parts.append(svg.label(WIDTH - RIGHT, HEIGHT - 16, last, "tick", "end"))
    # where visits split the log, the part that the finding lies in
    start_s, end_s = ((t - timeline.start_ns) / S for t in (finding.start_ns, finding.end_ns))
    begun = max((v * span_s for v in visits if v * span_s <= start_s), default=0.0)
    ended = min((v * span_s for v in visits if v * span_s >= end_s), default=span_s)
    told = (middles[:, 0] >= begun) & (middles[:, 0] <= ended)
    then, now = middles[told if told.any() else slice(None), 1][[0, -1]]
    since = at >= start_s
    at_once = finding.evidence.get("how") == "step" and 0 < since.sum() < len(since)
    if at_once:
        then, now = np.median(values[~since]), np.median(values[since])
    caption = reader.t(
        "picture.measure_step" if at_once else "picture.measure",
        name=reader.words.get(f"measure.{name}") or name.rpartition("_")[0].replace("_", " "),
        then=reader.show(name, float(then)),
        now=reader.show(name, float(now)),
    )
    return Evidence(svg=svg.picture(WIDTH, HEIGHT, parts, title=caption, css="evidence"), caption=caption)


def _telling_cycle(finding: Finding, record: CycleRecord, kind: str) -> _Telling | None:
    """Of the cycles meant, the one that shows the finding best and was seen whole."""
    table = columns_of(record)
    numbers = table["cycle"]
    start, end = EDGES[kind]
    length = table[f"{kind}_min"]
    usable = np.isin(numbers, finding.cycles) & np.isfinite(length) & (table[start] >= 0) & (table[end] >= 0)
    if not usable.any():
        return None
    at = np.flatnonzero(usable)
    if finding.shows.telling == "shortest":
        best = at[np.argmin(length[at])]
    elif finding.shows.telling == "warmest":
        # Of cycles of middling length the warmest: an odd length would hide what is meant.
        middling = at[np.argsort(np.abs(length[at] - np.median(length[at])))[: max(len(at) // 2, 1)]]
        best = middling[np.argmax(np.nan_to_num(table["freeze_end_c"][middling], nan=-np.inf))]
    elif finding.shows.telling == "middle":
        best = at[len(at) // 2]
    else:
        best = at[np.argmax(length[at])]
    return _Telling(
        cycle=int(numbers[best]), start_ns=int(table[start][best]), length_min=float(length[best])
    )


def _cycle_picture(
    row: _Telling, kind: str, overlay: Overlay, channel: Channel, reader: Reader
) -> Evidence | None:
    lead_min = 1.5 if kind == "harvest" else 0.0
    usual_min = overlay.usual_min if overlay.usual else row.length_min
    reach_min = max(row.length_min, usual_min * 1.25) + (1.5 if kind == "harvest" else 2.0)
    begin, stop = row.start_ns - round(lead_min * 60 * S), row.start_ns + round(reach_min * 60 * S)
    time_ns, values = _readings(channel, begin, stop)
    if not len(values):
        return None
    minute = (time_ns - row.start_ns) / S / 60
    near = overlay.minute <= reach_min
    low, high, middle = overlay.low[near], overlay.high[near], overlay.middle[near]
    area, parts = _frame((-lead_min, reach_min), [values, low, high], channel, reader)
    ends = area.px([0.0, row.length_min])
    bottom = area.top + area.height
    parts += [
        svg.ribbon(area, overlay.minute[near], low, high, "band"),
        svg.polyline(area, overlay.minute[near], middle, "middle"),
        svg.line(ends[0], area.top, ends[0], bottom, "edge"),
        svg.line(ends[1], area.top, ends[1], bottom, "edge"),
        svg.polyline(area, minute, values, "odd"),
        svg.rect(ends[0], bottom + 2, ends[1] - ends[0], STRIP, f"phase-{kind}"),
    ]
    parts += minutes(area, reader, f"picture.minutes_{kind}", 5, drop=6.0)
    caption = reader.t(
        f"picture.all_{kind}"
        if overlay.of_all
        else f"picture.cycle_{kind}"
        if overlay.usual
        else f"picture.alone_{kind}",
        cycle=row.cycle,
        length_min=row.length_min,
        usual_min=usual_min,
        usual=overlay.usual,
        channel_role=channel.role,
    )
    return Evidence(svg=svg.picture(WIDTH, HEIGHT, parts, title=caption, css="evidence"), caption=caption)


def _span_picture(
    finding: Finding,
    timeline: Timeline,
    record: CycleRecord,
    offsets: Offsets,
    reader: Reader,
    visits: Sequence[float],
) -> Evidence | None:
    begin, stop = _window(finding, timeline)
    moments = (timeline.start_ns + share * (timeline.end_ns - timeline.start_ns) for share in visits)
    about = str(finding.evidence.get("role", ""))
    wanted = [about] if about else []
    channel = timeline.get(*wanted, *finding.shows.roles) or cold_trace(timeline)
    if channel is None and timeline.channels:
        channel = timeline.channels[0]
    if channel is None:
        return None
    time_ns, values = _readings(channel, begin, stop, trusted=not finding.shows.doubted)
    if not len(values):
        return None
    x = (time_ns - begin) / S
    area, parts = _frame((0.0, (stop - begin) / S), [values], channel, reader)
    a, b = (
        float(v)
        for v in area.px(
            [(max(finding.start_ns, begin) - begin) / S, (min(finding.end_ns, stop) - begin) / S]
        )
    )
    if (finding.start_ns, finding.end_ns) != (timeline.start_ns, timeline.end_ns) and b > a:
        parts.insert(0, svg.rect(a, area.top, b - a, area.height, "meant"))
    parts.append(svg.polyline(area, *_broken(x, values, channel.interval_s), "odd"))
    parts += area.uprights([(at - begin) / (stop - begin) for at in moments if begin < at < stop], "visit")
    parts += _strip(record, begin, stop, area)
    first, last = reader.span(begin, stop, offsets)
    parts.append(svg.label(LEFT, HEIGHT - 16, first, "tick"))
    parts.append(svg.label(WIDTH - RIGHT, HEIGHT - 16, last, "tick", "end"))
    caption = reader.t("picture.span", channel_role=channel.role, first=first, last=last)
    return Evidence(svg=svg.picture(WIDTH, HEIGHT, parts, title=caption, css="evidence"), caption=caption)


def _window(finding: Finding, timeline: Timeline) -> tuple[int, int]:
    """The finding's span with some room around it; where it is long, its first cycles or its first stretch."""
    start, end = finding.start_ns, finding.end_ns
    longest = _LONGEST_SPAN_H * 3600 * S
    if end - start > longest and finding.shows.worst_stretch:
        end = start + round(CLOSE_H * 3600 * S)
    room = max((end - start) // 8, round(_SHORTEST_SPAN_MIN * 60 * S) // 2)
    return max(start - room, timeline.start_ns), min(end + room, timeline.end_ns)


def _readings(
    channel: Channel, begin: int, stop: int, *, trusted: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    if trusted:
        time_ns, values = trusted_readings(channel)
    else:
        seen = np.isfinite(channel.values)
        time_ns, values = channel.time_ns[seen], channel.values[seen]
    a, b = np.searchsorted(time_ns, [begin, stop + 1])
    return thinned(time_ns[a:b], values[a:b], TRACE_POINTS)


def _broken(x: np.ndarray, values: np.ndarray, interval_s: float) -> tuple[np.ndarray, np.ndarray]:
    """The line broken where readings are missing: a hole is wider than the log's step and than the thinned one."""
    if len(x) < 3:
        return x, values
    steps = np.diff(x)
    holes = np.flatnonzero(steps > max(20 * np.median(steps), 4 * interval_s)) + 1
    return np.insert(x, holes, x[holes - 1]), np.insert(values, holes, np.nan)


def _frame(
    x: tuple[float, float], ys: list[np.ndarray], channel: Channel, reader: Reader
) -> tuple[svg.PlotArea, list[Markup]]:
    """The area with its grid and the labels of its left side."""
    seen = np.concatenate([y[np.isfinite(y)] for y in ys])
    low, high = float(seen.min()), float(seen.max())
    room = max((high - low) * 0.06, 0.5 if channel.unit == "°C" else 0.1)
    area = svg.PlotArea(
        left=LEFT,
        top=TOP,
        width=WIDTH - LEFT - RIGHT,
        height=HEIGHT - TOP - BOTTOM,
        x=x,
        y=(low - room, high + room),
    )
    return area, levels(area, channel.unit, reader, 4)


def _strip(record: CycleRecord, begin: int, stop: int, area: svg.PlotArea) -> list[Markup]:
    """The phases between `begin` and `stop` [ns] under the area, a path a kind."""
    edges, kinds = phases_of(record)
    scale, top = area.width / (stop - begin), area.top + area.height + 2
    ends = np.clip(edges, begin, stop)
    seen = np.flatnonzero(np.diff(ends))
    left = area.left + (ends[seen] - begin) * scale
    wide = np.maximum(np.diff(ends)[seen] * scale, 0.4)
    one = f"M%.1f {top:.1f}h%.1fv{STRIP:g}H%.1fz"
    parts = []
    for code in np.unique(kinds[seen]):
        some = kinds[seen] == code
        places = np.column_stack([left, wide, left])[some].ravel().tolist()
        parts.append(svg.path(f"phase-{KINDS[code].value}", one * int(some.sum()) % tuple(places)))
    return parts
