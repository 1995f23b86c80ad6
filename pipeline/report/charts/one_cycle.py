"""One usual cycle of this very machine, large and explained: what happens when, and where a fault would change it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord
from pipeline.logs.timeline import Timeline
from pipeline.report.charts import svg
from pipeline.report.charts.svg import levels, minutes
from pipeline.report.clock import S
from pipeline.report.numbers.columns import columns_of
from pipeline.report.numbers.levels import thinned, trusted_readings
from pipeline.report.wording import Reader

WIDTH, HEIGHT = 760.0, 338.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 12.0, 22.0, 72.0
POINTS = 900
LEAD_MIN = 2.0  # of the harvest before that is shown
LEAST = 5  # whole cycles, for one of them to be called usual (common practice, no source)


@dataclass(frozen=True, kw_only=True)
class OneCycle:
    """number: of the cycle shown. svg: the picture with numbers at what happens. steps: what each number is, with where a
    fault would show, in order."""

    number: int
    svg: Markup
    said: str
    steps: tuple[tuple[Markup, Markup], ...]


def one_cycle(timeline: Timeline, record: CycleRecord, odd: set[int], reader: Reader) -> OneCycle | None:
    """A usual cycle over the coldest line that was logged; None where too few were seen whole, or no line was logged.

    odd: numbers of the cycles that are not usual.
    """
    channel = timeline.get("evaporator", "suction")
    chosen = _usual(record, odd)
    if channel is None or chosen is None or not record.harvests_timed:
        return None
    number, begin, gas, end, usual = chosen
    time_ns, values = trusted_readings(channel)
    first, last = begin - round(LEAD_MIN * 60 * S), end + round(3 * 60 * S)
    a, b = np.searchsorted(time_ns, [first, last])
    time_ns, values = thinned(time_ns[a:b], values[a:b], POINTS)
    if len(values) < 12:
        return None
    minute = (time_ns - begin) / S / 60
    low, high = float(values.min()), float(values.max())
    room = max((high - low) * 0.1, 1.0)
    area = svg.PlotArea(
        left=LEFT, top=TOP, width=WIDTH - LEFT - RIGHT, height=HEIGHT - TOP - BOTTOM,
        x=(float(minute[0]), float(minute[-1])), y=(low - room, high + room),
    )  # fmt: skip
    parts = levels(area, channel.unit, reader)
    freeze_min, whole_min = (gas - begin) / S / 60, (end - begin) / S / 60
    x0, x1, x2 = (float(v) for v in area.px([0.0, freeze_min, whole_min]))
    bottom = area.top + area.height
    parts.append(svg.rect(x1, area.top, x2 - x1, area.height, "gas"))
    parts.append(svg.rect(x0, bottom + 3, x1 - x0, 8, "phase-freeze"))
    parts.append(svg.rect(x1, bottom + 3, x2 - x1, 8, "phase-harvest"))
    parts.append(svg.polyline(area, minute, values, "trace"))
    at = _moments(minute, values, freeze_min, whole_min)
    for n, (where, level) in enumerate(at.values(), start=1):
        x, y = float(area.px(where)), float(area.py(level))
        parts.append(Markup('<circle class="mark" cx="{:.1f}" cy="{:.1f}" r="11"/>').format(x, y))
        parts.append(svg.label(x, y + 4.5, str(n), "number", "middle"))
    parts += minutes(area, reader, "picture.minutes_freeze", drop=10.0, apart=23.0)
    said = reader.t(
        "cycle.said" if usual else "cycle.said_middle",
        cycle=number,
        freeze_min=freeze_min,
        harvest_min=whole_min - freeze_min,
        channel_role=channel.role,
    )
    steps = tuple((reader.t_html(f"cycle.{name}"), reader.t_html(f"cycle.{name}_fault")) for name in at)
    return OneCycle(
        number=number,
        svg=svg.picture(WIDTH, HEIGHT, parts, title=said, css="one-cycle"),
        said=said,
        steps=steps,
    )


def _usual(record: CycleRecord, odd: set[int]) -> tuple[int, int, int, int, bool] | None:
    """Number, start, harvest and end of the whole cycle whose freeze and harvest are nearest the middle ones, and whether that is
    a usual one: where next to none is, it is chosen among all."""
    table = columns_of(record)
    numbers = table["cycle"]
    whole = table["complete"] & ~table["broken"] & ~table["after_idle"]
    freeze, harvest = (table[c] for c in ("freeze_min", "harvest_min"))
    whole &= np.isfinite(freeze) & np.isfinite(harvest)
    plain = whole & ~np.isin(numbers, list(odd))
    is_usual = bool(plain.sum() >= LEAST)
    usual = plain if is_usual else whole
    if usual.sum() < LEAST:
        return None
    off = sum(np.abs(v - np.median(v[usual])) / np.median(v[usual]) for v in (freeze, harvest))
    k = int(np.argmin(np.where(usual, off, np.inf)))
    edges = (int(table[f"{name}_ns"][k]) for name in ("freeze_start", "harvest_start", "harvest_end"))
    return int(numbers[k]), *edges, is_usual


def _moments(
    minute: np.ndarray, values: np.ndarray, freeze_min: float, whole_min: float
) -> dict[str, tuple[float, float]]:
    """What happens when: name -> minute, level, in the order of time."""

    def level(at: float) -> float:
        return float(np.interp(at, minute, values))

    freeze = (minute >= 0) & (minute <= freeze_min)
    chilled = (
        minute[freeze][np.argmax(values[freeze] <= 0)] if (values[freeze] <= 0).any() else 0.2 * freeze_min
    )
    ice = min(max(float(chilled), 0.08 * freeze_min) + 0.12 * freeze_min, 0.6 * freeze_min)
    gas = (minute >= freeze_min) & (minute <= whole_min + 1)
    peak = float(minute[gas][np.argmax(values[gas])]) if gas.any() else whole_min
    let_go = freeze_min + 0.62 * (min(peak, whole_min) - freeze_min)
    moments = {
        "refill": 0.02 * freeze_min,
        "falls": 0.5 * (0.02 * freeze_min + ice),
        "first_ice": ice,
        "full": 0.93 * freeze_min,
        "gas": freeze_min,
        "release": let_go,
        "shut": whole_min,
    }
    return {name: (at, level(at)) for name, at in moments.items()}
