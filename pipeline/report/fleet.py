"""The page over all units, worst first, with its rows for a spreadsheet and the files that could not be read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from markupsafe import Markup

from pipeline import atomic
from pipeline.logs.timeline import Problem
from pipeline.report import svg
from pipeline.report.machine_files import spreadsheet_safe, to_csv
from pipeline.report.options import ReportOptions
from pipeline.report.rendering import render
from pipeline.report.summary import LEVELS, UnitSummary, text_from
from pipeline.report.trend import trend_of
from pipeline.report.wording import Reader

STYLES = ("base.css", "fleet.css", "paper.css")
SCRIPTS = ("switches.js", "fleet.js")

_COLUMNS = (
    "unit", "title", "place", "level", "log_start", "log_end", "days", "cycles", "cycles_per_day", "ice_kg_per_day", "freeze_min",
    "harvest_min", "abnormal_cycles", "findings", "verdict", "report",
)  # fmt: skip


def write_fleet(reports: Path, summaries: Sequence[UnitSummary], problems: Sequence[Problem], options: ReportOptions) -> None:
    """Write `index.html`, `fleet.csv` and `problems.csv` into `reports`. Raises OSError."""
    reader = Reader(language=options.language, units=options.units)
    ordered = sorted(summaries, key=lambda s: s.order)
    atomic.write_text(reports / "fleet.csv", fleet_csv(ordered, reader))
    atomic.write_text(reports / "problems.csv", problems_csv(problems))
    atomic.write_text(reports / "index.html", fleet_page(ordered, problems, reader))


def fleet_csv(ordered: Sequence[UnitSummary], reader: Reader) -> str:
    """One row a unit, worst first; house units. Text that could be taken for a formula gets an apostrophe before it."""
    si = Reader(language=reader.language, units="si")
    rows = []
    for s in ordered:
        figures = (s.days, s.cycles, s.cycles_per_day, s.ice_kg_per_day, s.freeze_min, s.harvest_min, s.abnormal_cycles)
        texts = [spreadsheet_safe(x) for x in (s.unit, s.title, s.place)]
        told = spreadsheet_safe(si.say(text_from(s.texts["verdict_client"]))) if s.texts else ""
        numbers = ["" if v is None else f"{v:g}" if isinstance(v, float) else str(v) for v in figures]
        rows.append([*texts, s.level, s.log_start, s.log_end, *numbers, " ".join(s.codes), told, _link(s)])
    return to_csv(_COLUMNS, rows)


def problems_csv(problems: Sequence[Problem]) -> str:
    """What could not be read, and why."""
    return to_csv(("unit", "file", "message"), [[spreadsheet_safe(x) for x in (p.unit_name, p.file, p.message)] for p in problems])


def fleet_page(ordered: Sequence[UnitSummary], problems: Sequence[Problem], reader: Reader) -> str:
    """The page as HTML; small traces are drawn here, so that hundreds of units open at once."""
    top = max((v for s in ordered for v in s.trace if v is not None), default=1.0)
    said = [s.ice_kg_per_day for s in ordered if s.ice_kg_per_day is not None]
    return render(
        "fleet.html",
        reader=reader,
        styles=STYLES,
        scripts=SCRIPTS,
        rows=[_row(s, n, top, reader) for n, s in enumerate(ordered)],
        totals=[(level, count) for level in LEVELS if (count := sum(s.level == level for s in ordered))],
        count=len(ordered),
        ice=sum(said) if said else None,
        ice_from=len(said),
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
        "keys": {"worst": -place, "ice": summary.ice_kg_per_day or -1, "freeze": summary.freeze_min or -1, "trend": round(change, 2)},
    }


def _link(summary: UnitSummary) -> str:
    return f"{quote(summary.unit)}/report.html"


_WIDTH, _HEIGHT = 192.0, 30.0


def _trace(summary: UnitSummary, top: float, reader: Reader) -> Markup:
    """The freezes as a row of ticks on one scale for all units; where no ice was made, nothing stands."""
    seen = [v for v in summary.trace if v is not None]
    if not seen:
        return svg.picture(_WIDTH, _HEIGHT, [svg.line(0, _HEIGHT - 0.5, _WIDTH, _HEIGHT - 0.5, "none")], title=reader.t("fleet.trace_none", title=summary.title), css="comb")
    scale = min(top, 4 * float(np.median(seen)))  # one endless freeze elsewhere must not flatten the others
    pitch = _WIDTH / len(summary.trace)
    plain, odd = [], []
    for n, value in enumerate(summary.trace):
        if value is not None:
            tall = min(value / scale, 1.0) * (_HEIGHT - 2)
            into = odd if n < len(summary.trace_flags) and summary.trace_flags[n] else plain
            into.append(f"M{n * pitch + pitch / 2:.0f} {_HEIGHT:.0f}v-{tall:.0f}")
    parts = [Markup('<path class="{}" d="{}"/>').format(css, "".join(path)) for css, path in (("tick", plain), ("tick odd", odd)) if path]
    said = reader.t("fleet.trace_alt", title=summary.title, low_min=min(seen), high_min=max(seen), abnormal=summary.abnormal_cycles)
    return svg.picture(_WIDTH, _HEIGHT, parts, title=said, css="comb")
