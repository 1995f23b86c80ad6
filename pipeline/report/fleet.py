"""The page over all units, worst first, and its rows for a spreadsheet."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from markupsafe import Markup

from pipeline import atomic
from pipeline.logs.timeline import Problem
from pipeline.report.charts import svg
from pipeline.report.machine_files import spreadsheet_safe
from pipeline.report.options import ReportOptions
from pipeline.report.page.trend import trend_of
from pipeline.report.payload.rendering import render_pieces
from pipeline.report.summary import LEVELS, UnitSummary, text_from
from pipeline.report.wording import Reader

STYLES = ("base.css", "fleet.css", "paper.css")
SCRIPTS = ("switches.js", "fleet.js")

_COLUMNS = (
    "unit", "title", "place", "level", "log_start", "log_end", "days", "cycles", "cycles_per_day", "ice_kg_per_day", "freeze_min",
    "harvest_min", "abnormal_cycles", "findings", "verdict", "report",
)  # fmt: skip


def write_fleet(
    reports: Path, summaries: Iterable[UnitSummary], problems: Sequence[Problem], options: ReportOptions
) -> None:
    """Write `index.html` and `fleet.csv` into `reports`. Raises OSError.

    summaries: walked three times (so no generator), one unit in memory at a time. A list or tuple may stand in any
    order; anything else must come sorted by `UnitSummary.order`.
    """
    reader = Reader(language=options.language, units=options.units)
    ordered = sorted(summaries, key=lambda s: s.order) if isinstance(summaries, list | tuple) else summaries
    with atomic.beside(reports / "fleet.csv") as part, part.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(_COLUMNS)
        reported = set()
        for summary in ordered:
            reported.add(summary.unit)
            table.writerow(_csv_row(summary, reader))
        for problem in problems:
            if problem.unit_name not in reported:
                reported.add(problem.unit_name)
                table.writerow(_csv_row_unreported(problem))
    with atomic.beside(reports / "index.html") as part, part.open("w", encoding="utf-8", newline="") as file:
        for piece in fleet_page(ordered, problems, reader):
            file.write(piece)


def _csv_row(summary: UnitSummary, reader: Reader) -> list[str]:
    """House units. Text that could be taken for a formula gets an apostrophe before it."""
    s, si = summary, Reader(language=reader.language, units="si")
    figures = (
        s.days,
        s.cycles,
        s.cycles_per_day,
        s.ice_kg_per_day,
        s.freeze_min,
        s.harvest_min,
        s.abnormal_cycles,
    )
    texts = [spreadsheet_safe(x) for x in (s.unit, s.title, s.place)]
    told = spreadsheet_safe(si.say(text_from(s.texts["verdict_client"]))) if s.texts else ""
    numbers = ["" if v is None else f"{v:g}" if isinstance(v, float) else str(v) for v in figures]
    return [
        *texts,
        s.level,
        s.log_start,
        s.log_end,
        *numbers,
        " ".join(s.codes),
        told,
        spreadsheet_safe(_link(s)),
    ]


def _csv_row_unreported(problem: Problem) -> list[str]:
    """A unit without a report: its name, and the first reason where the verdict stands."""
    told = {
        "unit": spreadsheet_safe(problem.unit_name),
        "level": "not-reported",
        "verdict": spreadsheet_safe(problem.message),
    }
    return [told.get(column, "") for column in _COLUMNS]


@dataclass
class _Totals:
    """Filled in the first walk over the units."""

    count: int = 0
    levels: Counter[str] = field(default_factory=Counter)
    ice_kg: float = 0.0
    ice_from: int = 0
    longest_min: float = 1.0

    def add(self, summary: UnitSummary) -> None:
        self.count += 1
        self.levels[summary.level] += 1
        if summary.ice_kg_per_day is not None:
            self.ice_kg += summary.ice_kg_per_day
            self.ice_from += 1
        self.longest_min = max(
            self.longest_min, max((v for v in summary.trace if v is not None), default=0.0)
        )


def fleet_page(ordered: Iterable[UnitSummary], problems: Sequence[Problem], reader: Reader) -> Iterator[str]:
    """The page as HTML, piece by piece; small traces are drawn here, so that hundreds of units open at once."""
    totals = _Totals()
    for summary in ordered:
        totals.add(summary)
    return render_pieces(
        "fleet.html",
        reader=reader,
        styles=STYLES,
        scripts=SCRIPTS,
        rows=(_row(s, n, totals.longest_min, reader) for n, s in enumerate(ordered)),
        totals=[(level, totals.levels[level]) for level in LEVELS if totals.levels[level]],
        count=totals.count,
        ice=totals.ice_kg if totals.ice_from else None,
        ice_from=totals.ice_from,
        problems=problems,
    )


def _row(summary: UnitSummary, place: int, top: float, reader: Reader) -> dict[str, Any]:
    trend = trend_of(summary, reader)
    change = trend.freeze_pct if trend.freeze_pct is not None else -1e9
    return {
        "s": summary,
        "link": _link(summary),
        "verdict": reader.say_html(text_from(summary.texts["verdict_client"])) if summary.texts else "",
        "trace": _trace(summary, top, reader),
        "trend": trend,
        "search": " ".join((summary.title, summary.unit, summary.place, *summary.codes)).casefold(),
        # What the page's script sorts by: a larger number comes first
        "keys": {
            "worst": -place,
            "ice": summary.ice_kg_per_day or -1,
            "freeze": summary.freeze_min or -1,
            "trend": round(change, 2),
        },
    }


def _link(summary: UnitSummary) -> str:
    return f"{quote(summary.unit)}/report.html"


_WIDTH, _HEIGHT = 192.0, 30.0


def _trace(summary: UnitSummary, top: float, reader: Reader) -> Markup:
    """The freezes as a row of ticks on one scale for all units; where no ice was made, nothing stands."""
    seen = [v for v in summary.trace if v is not None]
    if not seen:
        return svg.picture(
            _WIDTH,
            _HEIGHT,
            [svg.line(0, _HEIGHT - 0.5, _WIDTH, _HEIGHT - 0.5, "none")],
            title=reader.t("fleet.trace_none", title=summary.title),
            css="comb",
        )
    scale = min(top, 4 * float(np.median(seen)))  # one endless freeze elsewhere must not flatten the others
    pitch = _WIDTH / len(summary.trace)
    plain, odd = [], []
    for n, value in enumerate(summary.trace):
        if value is not None:
            tall = min(value / scale, 1.0) * (_HEIGHT - 2)
            into = odd if n < len(summary.trace_flags) and summary.trace_flags[n] else plain
            into.append(f"M{n * pitch + pitch / 2:.0f} {_HEIGHT:.0f}v-{tall:.0f}")
    parts = [
        Markup('<path class="{}" d="{}"/>').format(css, "".join(path))
        for css, path in (("tick", plain), ("tick odd", odd))
        if path
    ]
    said = reader.t(
        "fleet.trace_alt",
        title=summary.title,
        low_min=min(seen),
        high_min=max(seen),
        abnormal=summary.abnormal_cycles,
    )
    return svg.picture(_WIDTH, _HEIGHT, parts, title=said, css="comb")
