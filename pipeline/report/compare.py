"""The page of two logs of one unit held against each other."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline import atomic
from pipeline.findings.comparison import Comparison, SegmentedLog, Shifted
from pipeline.findings.finding import Output
from pipeline.report.charts import svg
from pipeline.report.charts.overlay import Overlay, overlay
from pipeline.report.charts.svg import levels, minutes
from pipeline.report.clock import Offsets, offsets_between
from pipeline.report.numbers.columns import columns_of
from pipeline.report.numbers.usual_range import in_force, limits_of
from pipeline.report.options import ReportOptions
from pipeline.report.payload.rendering import render
from pipeline.report.wording import Reader
from pipeline.unit import Unit

STYLES = ("base.css", "unit.css", "compare.css", "paper.css")
SCRIPTS = ("switches.js",)


def write_compare(
    path: Path,
    comparison: Comparison,
    *,
    unit: Unit,
    earlier: SegmentedLog,
    later: SegmentedLog,
    options: ReportOptions,
    written: date | None = None,
) -> None:
    """Write the page of `comparison` to `path`; `earlier` and `later` are the logs that it was made from.

    written: the day that printed sheets carry; None: today in the unit's zone. Raises OSError.
    """
    reader = Reader(language=options.language, units=options.units, cooling=unit.cooling)
    zone = later.timeline.tz
    offsets = offsets_between(zone, comparison.earlier_start_ns, comparison.later_end_ns)
    rows = [_row(s, reader) for s in comparison.shifts]
    if comparison.freeze_at_same_conditions is not None:
        rows.insert(1, _row(comparison.freeze_at_same_conditions, reader))
    page = render(
        "compare.html",
        reader=reader,
        styles=STYLES,
        scripts=SCRIPTS,
        foot=f"{unit.shown_as}, {reader.day(written or datetime.now(zone).date())}",
        unit=unit,
        better_or_worse=comparison.better_or_worse,
        sentence=comparison.sentence,
        adjusted=comparison.freeze_at_same_conditions,
        spans={
            "earlier": _span(comparison.earlier_start_ns, comparison.earlier_end_ns, offsets, reader),
            "later": _span(comparison.later_start_ns, comparison.later_end_ns, offsets, reader),
        },
        own_clock=earlier.timeline.own_clock and later.timeline.own_clock,
        zone=later.timeline.time_zone,
        made={
            "earlier": _made(comparison.earlier_output, reader),
            "later": _made(comparison.later_output, reader),
        },
        rows=rows,
        conditions=[
            {
                "name": reader.say_html(c.name),
                "earlier": reader.show_html("t_c", c.earlier_c),
                "later": reader.show_html("t_c", c.later_c),
                "shift": _signed("shift_k", c.shift_k, reader),
            }
            for c in comparison.conditions
        ],
        not_compared=comparison.not_compared,
        pictures=[p for p in (_bands(earlier, later, kind, reader) for kind in ("freeze", "harvest")) if p],
    )
    atomic.write_text(path, page)


def _made(output: Output, reader: Reader) -> Markup:
    """Cycles and, where known, ice a day: as made, rests included, and as running without a rest."""
    said = []
    if output.cycles_per_day is not None and output.made_cycles_per_day is not None:
        said.append(
            reader.t_html(
                "compare.cycles_made",
                made_per_day=output.made_cycles_per_day,
                running_per_day=output.cycles_per_day,
            )
        )
    if output.ice_kg_per_day is not None and output.made_ice_kg_per_day is not None:
        said.append(
            reader.t_html(
                "compare.ice_made",
                made_kg_per_day=output.made_ice_kg_per_day,
                running_kg_per_day=output.ice_kg_per_day,
            )
        )
    return Markup("; ").join(said)


def _span(start_ns: int, end_ns: int, offsets: Offsets, reader: Reader) -> Markup:
    return reader.t_html(
        "findings.when", first=reader.moment(start_ns, offsets), last=reader.moment(end_ns, offsets)
    )


def _row(shifted: Shifted, reader: Reader) -> dict[str, Any]:
    """One measure: both levels as bars, and a sentence with the shift and its interval."""
    return {
        "name": reader.say_html(shifted.name),
        "said": reader.say_html(shifted.sentence),
        "earlier": reader.show_html(shifted.measure, shifted.earlier.value),
        "later": reader.show_html(shifted.measure, shifted.later.value),
        "cycles": (shifted.earlier.cycles, shifted.later.cycles),
        "changed": shifted.changed,
        "bars": _bars(shifted),
    }


def _signed(name: str, value: float, reader: Reader) -> Markup:
    """A difference: its plus sign written out."""
    shown = [reader.show(name, float(value), units) for units in ("si", "us")]
    shown = ["+" + x if value > 0 and any(c in x for c in "123456789") else x for x in shown]
    return Markup('<span class="q" data-si="{}" data-us="{}">{}</span>').format(
        *shown, shown[reader.units == "us"]
    )


COLDEST_C = -30.0
"""No plate of an ice machine ends a freeze colder (common practice, no source)."""


def _bars(shifted: Shifted) -> tuple[float, float]:
    """How long the bars of the earlier and the later level are, the longer one 1: from zero where both are well above it; of temperatures from
    COLDEST_C, so that a degree is as long whatever the change; else from below the lower one."""
    earlier, later = shifted.earlier.value, shifted.later.value
    low, high = min(earlier, later), max(earlier, later)
    if shifted.measure.endswith("_c"):
        base = min(COLDEST_C, low - 10)
    else:
        base = 0.0 if low > 0.2 * high > 0 else low - max(high - low, 1e-6)
    return round((earlier - base) / (high - base), 3), round((later - base) / (high - base), 3)


def _bands(earlier: SegmentedLog, later: SegmentedLog, kind: str, reader: Reader) -> dict[str, Any] | None:
    """The usual freezes (or harvests) before and after, as two bands in one picture."""
    both = [
        overlay(log.timeline, log.record, kind, abnormal=_odd(log, f"{kind}_min")) for log in (earlier, later)
    ]
    before, after = both
    if (
        before is None
        or after is None
        or before.unit != after.unit
        or not (before.usual >= 5 and after.usual >= 5)
    ):
        return None
    reach = max(_reach(before), _reach(after))
    every = np.concatenate(
        [v[np.isfinite(v) & (o.minute <= reach)] for o in (before, after) for v in (o.low, o.high)]
    )
    if not len(every) or reach <= 0:
        return None
    width, height = 640.0, 268.0
    area = svg.PlotArea(
        left=62,
        top=8,
        width=width - 74,
        height=height - 60,
        x=(0, reach),
        y=(float(every.min()) - 0.5, float(every.max()) + 0.5),
    )
    parts = levels(area, before.unit, reader)
    for over, css in ((before, "before"), (after, "after")):
        parts.append(svg.ribbon(area, over.minute, over.low, over.high, f"band {css}"))
        parts.append(svg.polyline(area, over.minute, over.middle, f"middle {css}"))
    parts += minutes(area, reader, f"picture.minutes_{kind}", apart=23.0)
    said = reader.t(f"compare.bands_{kind}", earlier=before.usual, later=after.usual, channel_role=after.role)
    return {
        "name": f"chart.{kind}s",
        "svg": svg.picture(width, height, parts, title=said, css="evidence bands"),
        "said": said,
    }


def _reach(over: Overlay) -> float:
    seen = np.isfinite(over.middle)
    return float(over.minute[seen][-1]) if seen.any() else 0.0


def _odd(log: SegmentedLog, column: str) -> set[int]:
    """Cycles whose length is far off the log's own: they would widen the band for nothing."""
    table = columns_of(log.record)
    lengths = table[column]
    rows = in_force()
    limits = limits_of(lengths, z=rows["outlier_z"], floor=rows["spread_floor_pct"] / 100)
    if not np.isfinite(limits.low):
        return set()
    numbers = table["cycle"]
    return {int(n) for n in numbers[(lengths < limits.low) | (lengths > limits.high)]}
