"""Small pictures as inline SVG, and their scales: drawn here, no script needed, coloured by the page's style sheet.

Text in them goes through `escape`, styles are words of our own; numbers are rounded, so that a picture weighs a few kB.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from pipeline.logs.timeline import Timeline
from pipeline.report.clock import DAY_NS, Offsets, local_day
from pipeline.report.wording import Reader


@dataclass(frozen=True, kw_only=True)
class PlotArea:
    """A rectangle of the picture [px] and the data that it spans."""

    left: float
    top: float
    width: float
    height: float
    x: tuple[float, float]
    y: tuple[float, float]

    def px(self, x) -> np.ndarray:
        """Places on the picture [px] of `x`, one or (n,)."""
        return self.left + (np.asarray(x, float) - self.x[0]) / ((self.x[1] - self.x[0]) or 1) * self.width

    def py(self, y) -> np.ndarray:
        """Places on the picture [px] of `y`, one or (n,)."""
        return (
            self.top
            + self.height
            - (np.asarray(y, float) - self.y[0]) / ((self.y[1] - self.y[0]) or 1) * self.height
        )

    def uprights(self, shares: Iterable[float], css: str) -> list[Markup]:
        """Lines from top to bottom, each at a share of the width."""
        at = [self.left + share * self.width for share in shares]
        return [line(x, self.top, x, self.top + self.height, css) for x in at]


def polyline(area: PlotArea, x: np.ndarray, y: np.ndarray, css: str) -> Markup:
    """A line through the points `x`, `y` (n,), broken where y is NaN."""
    px, py = area.px(x), area.py(y)
    return path(css, "".join("M" + _points(px[a:b], py[a:b]) for a, b in _runs(np.isfinite(py))))


def path(css: str, course: str) -> Markup:
    """A path of figures and letters of our own, which need no escaping; nothing where it has no course."""
    return Markup(f'<path class="{css}" d="{course}"/>') if course else Markup("")


def ribbon(area: PlotArea, x: np.ndarray, low: np.ndarray, high: np.ndarray, css: str) -> Markup:
    """The area between the lines `low` and `high` (n,) over `x` (n,), one piece a run without NaN."""
    pieces = []
    for a, b in _runs(np.isfinite(low) & np.isfinite(high)):
        px, up, down = area.px(x[a:b]), area.py(high[a:b]), area.py(low[a:b])
        pieces.append(f"M{_points(px, up)}L{_points(px[::-1], down[::-1])}Z")
    return path(css, "".join(pieces))


def _runs(seen: np.ndarray) -> Iterator[tuple[int, int]]:
    """Start and end of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(np.int8))).tolist()
    return zip(edges[::2], edges[1::2], strict=True)


def _points(px: np.ndarray, py: np.ndarray) -> str:
    """The points of a path, joined by lines; one format for all of them is several times faster than one each."""
    return "L".join(["%.1f %.1f"] * len(px)) % tuple(np.column_stack([px, py]).ravel().tolist())


def rect(x: float, y: float, width: float, height: float, css: str) -> Markup:
    """A rectangle [px] of the style `css`."""
    return Markup(
        f'<rect class="{css}" x="{x:.1f}" y="{y:.1f}" width="{max(width, 0.4):.1f}" height="{height:.1f}"/>'
    )


def line(x1: float, y1: float, x2: float, y2: float, css: str) -> Markup:
    """A straight line [px] of the style `css`."""
    return Markup(f'<path class="{css}" d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"/>')


def label(
    x: float, y: float, text, css: str = "", anchor: str = "start", units: tuple[str, str] | None = None
) -> Markup:
    """Text at a point. units: what it says in (SI, US), where the page's switch changes it."""
    switch = ""
    if units and units[0] != units[1]:
        switch = f' data-si="{escape(units[0])}" data-us="{escape(units[1])}"'
        css = f"{css} q".strip()
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return Markup(f'<text class="{css}" {place}{switch}>{escape(text)}</text>')


def picture(width: float, height: float, parts: Iterable[Markup], *, title: str, css: str = "") -> Markup:
    """The whole picture; `title` is what it shows, in a sentence."""
    return Markup(
        f'<svg class="{css}" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{escape(title)}"'
        f' preserveAspectRatio="xMidYMid meet">{"".join(parts)}</svg>'
    )


def nice_ticks(low: float, high: float, most: int = 5) -> Sequence[float]:
    """At most about `most` round figures between `low` and `high`."""
    span = max(high - low, 1e-9)
    raw = span / max(most, 1)
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
    first = np.ceil(low / step - 1e-9) * step
    return [round(float(v), 10) for v in np.arange(first, high + step * 1e-6, step)]


def levels(area: PlotArea, unit: str, reader: Reader, most: int = 5, *, measure: str = "") -> list[Markup]:
    """A line across and a label at the left for about `most` round levels. unit: of the channel; measure: whose name tells it, in
    its place. The labels follow the switch of units."""
    name = measure or {"°C": "tick_c", "A": "tick_a", "min": "tick_min"}.get(unit, "")
    parts = []
    for tick in nice_ticks(*area.y, most):
        y = float(area.py(tick))
        shown = tuple(reader.tick(name, tick, units) for units in ("si", "us"))
        css = "zero" if tick == 0 and name == "tick_c" else "grid"
        parts.append(line(area.left, y, area.left + area.width, y, css))
        parts.append(label(area.left - 6, y + 4, shown[reader.units == "us"], "tick", "end", shown))
    return parts


def minutes(
    area: PlotArea, reader: Reader, key: str, most: int = 8, *, drop: float = 0.0, apart: float = 16.0
) -> list[Markup]:
    """Labels under the area from minute 0 on, and `apart` [px] below them what they count: the text `key`. drop: how
    much lower than right under it [px]."""
    bottom, right = area.top + area.height + drop, area.left + area.width
    parts = [
        label(float(area.px(tick)), bottom + 17, reader.number(tick), "tick", "middle")
        for tick in nice_ticks(0, area.x[1], most)
    ]
    return [*parts, label(right, bottom + 17 + apart, reader.t(key), "tick", "end")]


def midnights(
    area: PlotArea, timeline: Timeline, offsets: Offsets, reader: Reader, *, below: float = 0.0
) -> list[Markup]:
    """Local midnights of an area over the whole log, as many as there is room for. below: how far under the area the labels
    stand [px]."""
    first, last = (int(t) for t in offsets.local_ns(np.array([timeline.start_ns, timeline.end_ns])))
    nights = np.arange(-(-first // DAY_NS), last // DAY_NS + 1) * DAY_NS
    step = max(1, -(-len(nights) // 9))
    parts = []
    for at in offsets.utc_ns(nights[::step]):
        share = (int(at) - timeline.start_ns) / max(timeline.end_ns - timeline.start_ns, 1)
        parts += area.uprights([share], "grid")
        x, y = area.left + share * area.width, area.top + area.height + below + 17
        parts.append(label(x, y, reader.day(local_day(int(at), offsets), year=False), "tick", "middle"))
    return parts
