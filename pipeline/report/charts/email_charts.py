"""Still pictures for the body of a message, drawn from a report's summary alone: no browser, no script.

Mail programs show PNG, not SVG. Drawn as wide as a phone shows them, so that their words can be read at 390 px.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.report.charts.strips import ribbons_note, ribbons_title
from pipeline.report.numbers.hours import MOST_DAYS, Day, days_from
from pipeline.report.options import Units
from pipeline.report.palette import LIGHT
from pipeline.report.summary import LEAST_ICICLES, UnitSummary, icicles_note, icicles_title, read_summary
from pipeline.report.wording import Reader

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, DPI = (
    4.0,
    276,
)  # 1,104 px: twice the 552 px of a message; letters of 9 points are 12 px wide on a phone
_TALL = {"ice": 0.5, "off": 0.08, "unclear": 0.3}
_VISIT = {"linewidth": 1.0, "linestyle": (0, (4, 2))}
_INK = {"ice": "freeze", "off": "edge", "unclear": "unclear"}


@dataclass(frozen=True, kw_only=True)
class EmailChart:
    """png: the picture. alt: what it shows in a sentence. note: how to read it."""

    png: bytes
    alt: str
    note: str


def email_charts(unit_folder: Path, *, language: str = "en", units: Units = "si") -> dict[str, EmailChart]:
    """Pictures of the report in `unit_folder`, by name.

    "freezes": every freeze as an icicle; "days": each day as a ribbon of 24 hours. A picture for which the report holds
    nothing is left out, and so are all where there is no report.
    """
    summary, reader = read_summary(unit_folder), Reader(language=language, units=units)
    if summary is None:
        return {}
    pictures, visits = {}, summary.visits_within
    if summary.stretches_with_ice >= LEAST_ICICLES:
        png = _png(_icicles(summary, visits))
        pictures["freezes"] = EmailChart(
            png=png, alt=icicles_title(summary, reader), note=icicles_note(summary, reader)
        )
    days = days_from(summary.hours)[-MOST_DAYS:]
    if any(day.runs for day in days) and summary.level != "cannot-tell":
        png = _png(_ribbons(days, visits, reader))
        pictures["days"] = EmailChart(
            png=png, alt=ribbons_title(days, reader), note=ribbons_note(days, reader)
        )
    return pictures


def _figure(height_in: float) -> tuple[Figure, Axes]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor=LIGHT["sheet"], layout="constrained")
    FigureCanvasAgg(figure)
    ax = figure.subplots()
    ax.set_facecolor(LIGHT["sheet"])
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.tick_params(colors=LIGHT["soft"], labelsize=9, length=0)
    return figure, ax


def _icicles(summary: UnitSummary, visits: Sequence[Mapping[str, Any]]) -> Figure:
    from matplotlib.collections import PolyCollection

    figure, ax = _figure(0.62)
    lengths = np.array([np.nan if v is None else v for v in summary.trace], float)
    odd = np.zeros(len(lengths), bool)
    odd[: len(summary.trace_flags)] = np.array(summary.trace_flags, bool)[: len(lengths)]
    for wanted, ink in ((~odd, "freeze"), (odd, "odd")):
        at = np.flatnonzero(np.isfinite(lengths) & wanted)
        shapes = [_icicle(float(n), float(lengths[n])) for n in at]
        ax.add_collection(PolyCollection(shapes, facecolors=LIGHT[ink], edgecolors="none"))
    ax.plot([-1, len(lengths)], [0, 0], color=LIGHT["edge"], linewidth=0.8)
    for place in visits:
        ax.axvline(place["share"] * len(lengths) - 0.5, color=LIGHT["ink"], **_VISIT)
    ax.set_xlim(-1, len(lengths))
    ax.set_ylim(-float(np.nanmax(lengths)) * 1.02, 0.02 * float(np.nanmax(lengths)))
    ax.set_axis_off()
    return figure


def _icicle(x: float, length: float) -> list[tuple[float, float]]:
    """A broad root, a long thin tip."""
    down = np.linspace(0, 1, 9)
    half = 0.46 * (1 - down) ** 1.6
    return [
        *zip(x - half, -length * down, strict=True),
        *zip((x + half)[::-1], (-length * down)[::-1], strict=True),
    ]


def _ribbons(days: Sequence[Day], visits: Sequence[Mapping[str, Any]], reader: Reader) -> Figure:
    figure, ax = _figure(0.34 + 0.2 * len(days))
    for row, day in enumerate(days):
        for state, tall in _TALL.items():
            spans = [(a / 60, (b - a) / 60) for a, b, kind in day.runs if kind == state]
            ax.broken_barh(spans, (row - tall / 2, tall), facecolor=LIGHT[_INK[state]], linewidth=0)
        for place in (v for v in visits if v["date"] == day.date):
            x = place["minute"] / 60
            ax.plot([x, x], [row - 0.5, row + 0.5], color=LIGHT["ink"], **_VISIT)
        if day.cycles:
            ax.text(
                24.4,
                row,
                reader.t("client.day_cycles", count=day.cycles),
                va="center",
                fontsize=8.5,
                color=LIGHT["soft"],
            )
    ax.set_xlim(0, 24)
    ax.set_ylim(len(days) - 0.4, -0.6)
    ax.set_xticks(range(0, 25, 6), [f"{h % 24:02d}:00" for h in range(0, 25, 6)])
    ax.xaxis.tick_top()
    ax.grid(axis="x", color=LIGHT["line"], linewidth=0.6)
    ax.set_axisbelow(True)
    ax.set_yticks(range(len(days)), [reader.weekday(date.fromisoformat(d.date)) for d in days])
    return figure


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=DPI, metadata={"Software": None})
    return out.getvalue()
