"""The page over all units, in three lists by who needs somebody when, and its rows for a spreadsheet."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import chain, pairwise
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from markupsafe import Markup

from pipeline import atomic
from pipeline.logs.timeline import Problem
from pipeline.report.charts.strips import icicles
from pipeline.report.machine_files import spreadsheet_safe, to_csv
from pipeline.report.options import ReportOptions
from pipeline.report.page.finding_view import named
from pipeline.report.page.trend import trend_of
from pipeline.report.payload.plotting import SHARED, shared_script
from pipeline.report.payload.rendering import render_pieces
from pipeline.report.summary import LISTS, UnitSummary, text_from
from pipeline.report.wording import Reader

STYLES = ("base.css", "strips.css", "fleet.css", "paper.css")
SCRIPTS = ("switches.js", "fleet.js")

_COLUMNS = (
    "unit", "title", "place", "level", "log_start", "log_end", "days", "cycles", "cycles_per_day", "ice_kg_per_day", "freeze_min",
    "harvest_min", "abnormal_cycles", "findings", "verdict", "report", "client", "list", "made_ice_kg_per_day", "made_cycles_per_day",
)  # fmt: skip


def write_fleet(
    reports: Path,
    summaries: Iterable[UnitSummary],
    problems: Sequence[Problem],
    options: ReportOptions,
    *,
    written: date | None = None,
) -> None:
    """Write `problems.csv`, `fleet.csv` and `index.html` into `reports`. Raises OSError.

    summaries: walked three times (so no generator), one unit in memory at a time. A list or tuple may stand in any
    order; anything else must come sorted by `UnitSummary.order`. written: the day that printed sheets carry; None: today.
    """
    if options.shared_library:
        atomic.write_bytes(reports / SHARED, shared_script())
    atomic.write_text(reports / "problems.csv", _problems_csv(problems))
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
        for piece in fleet_page(ordered, problems, reader, written=written or date.today()):
            file.write(piece)


def _problems_csv(problems: Iterable[Problem]) -> str:
    """A row a file that could not be read; `file` is empty where the unit as a whole is meant."""
    rows = sorted((problem.unit_name, problem.file, problem.message) for problem in problems)
    plain = [[spreadsheet_safe(" ".join(cell.split())) for cell in row] for row in rows]
    return to_csv(("unit", "file", "problem"), plain)


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
    verdict = spreadsheet_safe(si.say(text_from(s.texts["verdict_client"]))) if s.texts else ""
    numbers = ["" if v is None else f"{v:g}" if isinstance(v, float) else str(v) for v in figures]
    made = ["" if v is None else f"{v:g}" for v in (s.made_ice_kg_per_day, s.made_cycles_per_day)]
    row = [
        *texts,
        s.level,
        s.log_start,
        s.log_end,
        *numbers,
        " ".join(s.codes),
        verdict,
        spreadsheet_safe(_link(s)),
    ]
    return [*row, spreadsheet_safe(s.client), s.due, *made]


def _csv_row_unreported(problem: Problem) -> list[str]:
    """A unit without a report: its name, and the first reason where the verdict stands."""
    cells = {
        "unit": spreadsheet_safe(problem.unit_name),
        "level": "not-reported",
        "verdict": spreadsheet_safe(problem.message),
    }
    return [cells.get(column, "") for column in _COLUMNS]


@dataclass(frozen=True, kw_only=True)
class _Sister:
    """What sister machines are set beside each other by."""

    title: str
    link: str
    freeze_min: float | None
    harvest_min: float | None
    made_kg: float | None


def _sister(s: UnitSummary) -> _Sister:
    return _Sister(
        title=s.title,
        link=_link(s),
        freeze_min=s.freeze_min,
        harvest_min=s.harvest_min,
        made_kg=s.made_ice_kg_per_day,
    )


def _alike(alike: dict[str, list[_Sister]], reader: Reader) -> list[dict[str, Any]]:
    """Each model of which there are two or more, its slowest unit first; a bar is as long as its freeze."""
    models = []
    for model, sisters in sorted(alike.items()):
        if len(sisters) < 2:
            continue
        longest = max((s.freeze_min or 0.0 for s in sisters), default=0.0) or 1.0
        models.append(
            {
                "model": model,
                "rows": [
                    {
                        "s": s,
                        "freeze": reader.show_html("freeze_min", s.freeze_min),
                        "harvest": reader.show_html("harvest_min", s.harvest_min),
                        "made": reader.show_html("ice_whole_kg", s.made_kg),
                        "share": round(100 * (s.freeze_min or 0.0) / longest),
                    }
                    for s in sorted(sisters, key=lambda s: -(s.freeze_min or 0.0))
                ],
            }
        )
    return models


@dataclass
class _Totals:
    """Filled in the first walk over the units."""

    count: int = 0
    placed: bool = False  # a unit's place is known
    lists: Counter[str] = field(default_factory=Counter)
    alike: dict[str, list[_Sister]] = field(default_factory=dict)  # model -> its units
    ice_kg: float = 0.0
    ice_from: int = 0
    without_cycles: int = 0
    longest_min: float = 1.0

    def add(self, summary: UnitSummary) -> None:
        self.count += 1
        self.placed = self.placed or bool(summary.place)
        self.lists[summary.due] += 1
        if summary.made_ice_kg_per_day is not None:
            self.ice_kg += summary.made_ice_kg_per_day
            self.ice_from += 1
        elif not summary.cycles:
            self.without_cycles += 1
        if summary.model:
            self.alike.setdefault(summary.model, []).append(_sister(summary))
        self.longest_min = max(
            self.longest_min, max((v for v in summary.trace if v is not None), default=0.0)
        )


def fleet_page(
    ordered: Iterable[UnitSummary], problems: Sequence[Problem], reader: Reader, *, written: date
) -> Iterator[str]:
    """The page as HTML, piece by piece, its printed sheets dated `written`; small traces are drawn here, so that hundreds of units open at once."""
    totals = _Totals()
    for summary in ordered:
        totals.add(summary)
    return render_pieces(
        "fleet.html",
        reader=reader,
        styles=STYLES,
        scripts=SCRIPTS,
        foot=f"{reader.t('fleet.title')}, {reader.day(written)}",
        rows=_rows(ordered, totals.longest_min, reader),
        lists={name: totals.lists[name] for name in LISTS},
        placed=totals.placed,
        alike=_alike(totals.alike, reader),
        count=totals.count,
        ice=totals.ice_kg if totals.ice_from else None,
        ice_from=_ice_from(totals, reader),
        problems=problems,
    )


def _ice_from(totals: _Totals, reader: Reader) -> str:
    """Of how many units the ice is the sum, and what the others lack; "" where it is that of all."""
    if totals.ice_from == totals.count:
        return ""
    said = [reader.t("fleet.ice_partial", count=totals.ice_from, all=totals.count)]
    lacking = totals.count - totals.ice_from - totals.without_cycles
    counts = (("ice_lacking", lacking), ("ice_unjudged", totals.without_cycles))
    return "; ".join(said + [reader.t(f"fleet.{key}", count=count) for key, count in counts if count])


def _rows(ordered: Iterable[UnitSummary], longest_min: float, reader: Reader) -> Iterator[dict[str, Any]]:
    """A row a unit, each knowing whether a list or a client begins with it, and whether its place is that of the row above. A client's name
    is not said twice over its only unit."""
    last: UnitSummary | None = None
    for rank, (summary, following) in enumerate(pairwise(chain(ordered, [None]))):
        new_list = last is None or last.due != summary.due
        new_client = new_list or last.client != summary.client
        alone = following is None or (following.due, following.client) != (summary.due, summary.client)
        named = summary.client and not (alone and summary.client.casefold() == summary.title.casefold())
        yield _row(summary, rank, longest_min, reader) | {
            "new_list": new_list,
            "new_client": new_client,
            "client_said": new_client and named,
            "same_place": not new_client and last.place == summary.place,
        }
        last = summary


def _row(summary: UnitSummary, rank: int, top: float, reader: Reader) -> dict[str, Any]:
    trend = trend_of(summary, reader)
    change = trend.freeze_pct if trend.freeze_pct is not None else -1e9
    return {
        "s": summary,
        "link": _link(summary),
        "verdict": reader.say_html(text_from(summary.texts["verdict_client"])) if summary.texts else "",
        "trace": _trace(summary, top, reader),
        "trend": trend,
        "what": _what(summary, reader),
        "search": " ".join(
            (
                summary.title,
                summary.unit,
                summary.place,
                summary.client,
                summary.model,
                *_named(summary, reader),
            )
        ).casefold(),
        # What the page's script sorts by: a larger number comes first
        "keys": {
            "worst": -rank,
            "ice": summary.made_ice_kg_per_day or -1,
            "freeze": summary.freeze_min or -1,
            "trend": round(change, 2),
        },
    }


def _link(summary: UnitSummary) -> str:
    return f"{quote(summary.unit)}/report.html"


_WIDTH, _HEIGHT = 192.0, 30.0


def _trace(summary: UnitSummary, top: float, reader: Reader) -> Markup:
    """The freezes as icicles on one scale for all units; where no ice was made, none hangs."""
    seen = [v for v in summary.trace if v is not None]
    if not seen:
        said = reader.t("fleet.trace_none", title=summary.title)
        return icicles((), (), width=_WIDTH, height=_HEIGHT, title=said)
    said = reader.t(
        "fleet.trace_alt",
        title=summary.title,
        low_min=min(seen),
        high_min=max(seen),
        abnormal=summary.abnormal_cycles,
    )
    # One endless freeze elsewhere must not flatten the others.
    scale = min(top, 4 * float(np.median(seen)))
    trace, flags = _coarser(summary.trace, max), _coarser(summary.trace_flags, max)
    odd = [bool(flag) for flag in flags]
    return icicles(trace, odd, width=_WIDTH, height=_HEIGHT, title=said, longest_min=scale)


def _coarser(values: Sequence, of: Any) -> list:
    """Two neighbours in one, so that an icicle is wide enough to be seen."""
    pairs = (values[n : n + 2] for n in range(0, len(values), 2))
    return [of(known) if (known := [v for v in pair if v is not None]) else None for pair in pairs]


def _named(summary: UnitSummary, reader: Reader) -> list[str]:
    return [named(code, reader) for code in summary.codes]


def _what(summary: UnitSummary, reader: Reader) -> str:
    """The worst that was found, in two or three words, and how much more there is."""
    found = _named(summary, reader)
    if not found:
        return reader.t(f"fleet.what_{summary.level}") if summary.level in ("well", "cannot-tell") else ""
    return found[0] if len(found) == 1 else reader.t("fleet.what_more", what=found[0], more=len(found) - 1)
