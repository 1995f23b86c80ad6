"""The scales of small pictures: a line and a label a level, a label a minute or a day."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from pipeline.logs.timeline import Timeline
from pipeline.report.charts import svg
from pipeline.report.clock import DAY_NS, Offsets, local_day
from pipeline.report.wording import Reader


def levels(
    plane: svg.Plane, unit: str, reader: Reader, most: int = 5, *, suffix: str | None = None
) -> list[Markup]:
    """A line across and a label at the left for about `most` round levels. unit: of the channel; suffix: of a measure's name, in
    its place. The labels follow the switch of units."""
    name = f"tick_{suffix}" if suffix else {"°C": "tick_c", "A": "tick_a", "min": "tick_min"}.get(unit, "")
    parts = []
    for tick in svg.nice_ticks(*plane.y, most):
        y = float(plane.py(tick))
        shown = tuple(reader.tick(name, tick, units) for units in ("si", "us"))
        css = "zero" if tick == 0 and name == "tick_c" else "grid"
        parts.append(svg.line(plane.left, y, plane.left + plane.width, y, css))
        parts.append(svg.label(plane.left - 6, y + 4, shown[reader.units == "us"], "tick", "end", shown))
    return parts


def minutes(plane: svg.Plane, reader: Reader, key: str, most: int = 8, *, drop: float = 0.0) -> list[Markup]:
    """Labels under the plane from minute 0 on, and below them what they count: the text `key`. drop: how
    much lower than right under it [px]."""
    bottom, right = plane.top + plane.height + drop, plane.left + plane.width
    parts = [
        svg.label(float(plane.px(tick)), bottom + 17, reader.number(tick), "tick", "middle")
        for tick in svg.nice_ticks(0, plane.x[1], most)
    ]
    return [*parts, svg.label(right, bottom + 33, reader.t(key), "tick", "end")]


def midnights(
    plane: svg.Plane, timeline: Timeline, offsets: Offsets, reader: Reader, *, below: float = 0.0
) -> list[Markup]:
    """Local midnights of a plane over the whole log, as many as there is room for. below: how far under the plane the labels
    stand [px]."""
    first, last = (int(t) for t in offsets.local_ns(np.array([timeline.start_ns, timeline.end_ns])))
    nights = np.arange(-(-first // DAY_NS), last // DAY_NS + 1) * DAY_NS
    step = max(1, -(-len(nights) // 9))
    parts = []
    for at in offsets.utc_ns(nights[::step]):
        share = (int(at) - timeline.start_ns) / max(timeline.end_ns - timeline.start_ns, 1)
        parts += plane.uprights([share], "grid")
        x, y = plane.left + share * plane.width, plane.top + plane.height + below + 17
        parts.append(svg.label(x, y, reader.day(local_day(int(at), offsets), year=False), "tick", "middle"))
    return parts
