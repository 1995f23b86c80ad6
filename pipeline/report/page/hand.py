"""The technician's own part of the page: visits with before and after beside them, and what earlier reports said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from datetime import time as clock_time
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord
from pipeline.report.charts import svg
from pipeline.report.given import Given
from pipeline.report.page.client import visit_view
from pipeline.report.summary import LEVELS, UnitSummary
from pipeline.report.wording import Reader

LEAST_CYCLES = 3  # on each side of a visit, for a middle (common practice, no source)
MOST_REPORTS = 24  # earlier ones that are drawn
_MEASURES = ("freeze_min", "harvest_min", "ice_kg_per_day")


def visits_of(given: Given, tz: ZoneInfo, record: CycleRecord, reader: Reader) -> list[dict[str, Any]]:
    """Each visit, oldest first, and the lengths before and after it where the log holds both."""
    moments = [
        datetime.combine(
            date.fromisoformat(visit["on"]),
            clock_time.fromisoformat(visit["at"]) if visit["at"] else clock_time(12),
            tz,
        ).timestamp()
        * 1e9
        for visit in given.visits
    ]
    views = [visit_view(visit, reader) for visit in given.visits]
    return [{"v": view, "beside": _beside(n, moments, record, reader)} for n, view in enumerate(views)]


def _beside(n: int, moments: Sequence[float], record: CycleRecord, reader: Reader) -> list[Markup]:
    table = record.cycles
    if not len(table):
        return []
    begin = moments[n - 1] if n else -np.inf
    stop = moments[n + 1] if n + 1 < len(moments) else np.inf
    starts, ends = table["freeze_start_ns"].to_numpy(float), table["harvest_end_ns"].to_numpy(float)
    whole = table["complete"].to_numpy().astype(bool) & ~table["broken"].to_numpy().astype(bool)
    sides = (
        whole & (starts >= begin) & (ends <= moments[n]),
        whole & (starts >= moments[n]) & (ends <= stop),
    )
    if min(int(side.sum()) for side in sides) < LEAST_CYCLES:
        return []
    said = []
    for column in ("freeze_min", "harvest_min") if record.harvests_timed else ("freeze_min",):
        before, after = (float(np.nanmedian(table[column].to_numpy(float)[side])) for side in sides)
        said.append(reader.t_html(f"visits.beside_{column}", before_min=before, after_min=after))
    return said


def history_of(
    past: Sequence[Mapping[str, Any]], summary: UnitSummary, reader: Reader
) -> dict[str, Any] | None:
    """What earlier reports said, and a small line a measure up to this one; None where there is none earlier.

    past: of each earlier report, oldest first, `log_end` (ISO 8601), `level` and the measures.
    """
    earlier = [p for p in past if p.get("log_end") and p["log_end"] < summary.log_end][-MOST_REPORTS:]
    if not earlier:
        return None
    now = {"log_end": summary.log_end, "level": summary.level, **{m: getattr(summary, m) for m in _MEASURES}}
    now["ice_kg_per_day"] = summary.made_ice_kg_per_day
    lines = []
    for measure in _MEASURES:
        seen = [(p["log_end"], p.get(measure)) for p in (*earlier, now) if p.get(measure) is not None]
        if len(seen) >= 2 and seen[-1][0] == summary.log_end:
            lines.append(_line(measure, seen, reader))
    told = [
        reader.t_html("history.said", day=_day(p["log_end"], reader), level=reader.t(f"level.{p['level']}"))
        for p in reversed(earlier)
        if p["level"] in LEVELS
    ]
    return {"lines": lines, "told": told}


def _line(measure: str, seen: Sequence[tuple[str, float]], reader: Reader) -> dict[str, Markup]:
    days = np.array([datetime.fromisoformat(end).timestamp() for end, _ in seen])
    values = np.array([float(value) for _, value in seen])
    name = "ice_whole_kg" if measure == "ice_kg_per_day" else measure
    said = reader.t_html(
        f"history.{measure}",
        then=reader.show_html(name, values[0]),
        day=_day(seen[0][0], reader),
        now=reader.show_html(name, values[-1]),
    )
    width, height = 240.0, 40.0
    room = max(float(np.ptp(values)), 0.05 * float(values.max()), 1e-6)
    plane = svg.Plane(
        left=4, top=4, width=width - 8, height=height - 8, x=(days[0], max(days[-1], days[0] + 1)),
        y=(values.min() - room * 0.1, values.min() + room * 1.1),
    )  # fmt: skip
    x, y = plane.px(days), plane.py(values)
    dot = Markup('<path class="dot" d="M{:.1f} {:.1f}h.01"/>').format(x[-1], y[-1])
    title = reader.t("history.line_alt", name=reader.t(f"history.name_{measure}"))
    picture = svg.picture(
        width, height, [svg.polyline(plane, days, values, ""), dot], title=title, css="line"
    )
    return {"said": said, "svg": Markup(str(picture).replace("xMidYMid meet", "none"))}


def _day(iso: str, reader: Reader) -> str:
    return reader.day(date.fromisoformat(iso[:10]))
