"""What earlier reports said, and a small line a measure up to this one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.report.charts import svg
from pipeline.report.summary import LEVELS, UnitSummary
from pipeline.report.wording import Reader

MOST_REPORTS = 24  # earlier ones that are drawn
_MEASURES = ("freeze_min", "harvest_min", "made_ice_kg_per_day")


def history_of(
    past: Sequence[Mapping[str, Any]], summary: UnitSummary, reader: Reader
) -> dict[str, Any] | None:
    """What earlier reports said, and a small line a measure up to this one; None where there is none earlier.

    past: of each earlier report `log_end` (ISO 8601), `level` and the measures.
    """
    end = datetime.fromisoformat(summary.log_end)  # instants: the unit's zone may have been named in between
    ends = [(datetime.fromisoformat(p["log_end"]), p) for p in past if p.get("log_end")]
    in_order = sorted(
        ends, key=lambda report: report[0]
    )  # files of old visits may be reported after newer ones
    earlier = [report for ended, report in in_order if ended < end][-MOST_REPORTS:]
    if not earlier:
        return None
    now = {"log_end": summary.log_end, "level": summary.level, **{m: getattr(summary, m) for m in _MEASURES}}
    lines = []
    for measure in _MEASURES:
        seen = [(p["log_end"], p.get(measure)) for p in (*earlier, now) if p.get(measure) is not None]
        if len(seen) >= 2 and seen[-1][0] == summary.log_end:
            lines.append(_line(measure, seen, reader))
    verdicts = [
        reader.t_html("history.said", day=_day(p["log_end"], reader), level=reader.t(f"level.{p['level']}"))
        for p in reversed(earlier)
        if p["level"] in LEVELS
    ]
    return {"lines": lines, "verdicts": verdicts}


def _line(measure: str, seen: Sequence[tuple[str, float]], reader: Reader) -> dict[str, Markup]:
    days = np.array([datetime.fromisoformat(end).timestamp() for end, _ in seen])
    values = np.array([float(value) for _, value in seen])
    name = "ice_whole_kg" if measure == "made_ice_kg_per_day" else measure
    said = reader.t_html(
        f"history.{measure}",
        then=reader.show_html(name, values[0]),
        day=_day(seen[0][0], reader),
        now=reader.show_html(name, values[-1]),
    )
    width, height = 240.0, 40.0
    room = max(float(np.ptp(values)), 0.05 * float(values.max()), 1e-6)
    area = svg.PlotArea(
        left=4, top=4, width=width - 8, height=height - 8, x=(days[0], max(days[-1], days[0] + 1)),
        y=(values.min() - room * 0.1, values.min() + room * 1.1),
    )  # fmt: skip
    x, y = area.px(days), area.py(values)
    dot = Markup('<path class="dot" d="M{:.1f} {:.1f}h.01"/>').format(x[-1], y[-1])
    title = reader.t("history.line_alt", name=reader.t(f"history.name_{measure}"))
    picture = svg.picture(width, height, [svg.polyline(area, days, values, ""), dot], title=title, css="line")
    return {"said": said, "svg": Markup(str(picture).replace("xMidYMid meet", "none"))}


def _day(iso: str, reader: Reader) -> str:
    return reader.day(date.fromisoformat(iso[:10]))
