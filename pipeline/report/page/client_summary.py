"""The top of a unit's page, which the client reads: the figures, every freeze at one glance, what to do next."""

from __future__ import annotations

from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement, Severity
from pipeline.logs.timeline import Timeline
from pipeline.report.charts import svg
from pipeline.report.clock import Offsets
from pipeline.report.numbers.unjudged import Unsaid
from pipeline.report.page.running import energy_facts, refrigerant_facts
from pipeline.report.summary import UnitSummary
from pipeline.report.wording import Reader

MOST_STEPS = 5  # in "what to do next"
_COMB = 320  # ticks of the row of freezes


def facts(
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    summary: UnitSummary,
    offsets: Offsets,
    reader: Reader,
) -> list[dict[str, Any]]:
    """The few figures at the top: name, value, what it rests on."""
    t, output = reader.t_html, judgement.output
    first, last = reader.moment(timeline.start_ns, offsets), reader.moment(timeline.end_ns, offsets)
    facts = [
        {
            "name": t("page.logged"),
            "value": reader.length_html(summary.days),
            "note": t("page.logged_span_own_clock", first=first, last=last)
            if timeline.own_clock
            else t("page.logged_span", first=first, last=last, zone=timeline.time_zone),
        }
    ]
    if output.ice_kg_per_day is not None:
        notes = []
        if output.ice_kg_per_day_low is not None and output.ice_kg_per_day_high is not None:
            notes.append(
                t(
                    "page.ice_range",
                    low_whole_kg=output.ice_kg_per_day_low,
                    high_whole_kg=output.ice_kg_per_day_high,
                )
            )
        if output.basis:
            notes.append(reader.say_html(output.basis))
        if output.expected_kg_per_day is not None:
            notes.append(t("page.ice_expected", expected_whole_kg=output.expected_kg_per_day))
        facts.append(
            {
                "name": t("page.ice"),
                "value": _amount(output.ice_kg_per_day, reader),
                "note": Markup("; ").join(notes),
            }
        )
    else:
        missing = "page.ice_missing" if summary.cycles else "page.ice_no_cycles"
        note = reader.say_html(output.basis) if output.basis else t(missing)
        facts.append({"name": t("page.ice"), "value": t("page.not_judged"), "note": note, "quiet": True})
    facts += energy_facts(output, reader)
    if summary.cycles:
        rate = (
            t("page.cycles_rate", cycles_per_day=output.cycles_per_day)
            if output.cycles_per_day is not None
            else ""
        )
        facts.append(
            {"name": t("page.cycles"), "value": t("page.cycles_value", count=summary.cycles), "note": rate}
        )
    for name, column, value in (
        ("freeze", "freeze_min", summary.freeze_min),
        ("harvest", "harvest_min", summary.harvest_min),
    ):
        if value is not None:
            low, high = _middle_nine_tenths(record, column)
            facts.append(
                {
                    "name": t(f"page.{name}"),
                    "value": reader.show_html(column, value),
                    "note": t("page.typical_spread", low_min=low, high_min=high),
                }
            )
        elif name == "harvest" and summary.cycles and not record.harvests_timed:
            facts.append(
                {
                    "name": t("page.harvest"),
                    "value": t("page.not_judged"),
                    "note": t("page.harvest_coarse"),
                    "quiet": True,
                }
            )
    if summary.idle_share:
        facts.append(
            {
                "name": t("page.off"),
                "value": t("page.off_value", off_pct=100 * summary.idle_share),
                "note": t("page.off_note"),
            }
        )
    return facts + refrigerant_facts(judgement.refrigerant_side, reader)


def _amount(kg_per_day: float, reader: Reader) -> Markup:
    """kg (or lb), without "a day": the name beside it says that."""
    return reader.show_html("ice_whole_kg", kg_per_day)


def _middle_nine_tenths(record: CycleRecord, column: str) -> tuple[float, float]:
    table = record.cycles
    values = table[column].to_numpy(dtype=float)[table["complete"].to_numpy().astype(bool)]
    low, high = np.percentile(values[np.isfinite(values)], [5, 95])
    return float(low), float(high)


def next_steps(judgement: Judgement, lacking: Unsaid | None) -> list:
    """The first check of each finding that asks for one, worst first; then the second ones, as far as they go. Of a log
    that could not be judged: what to do so that the next one can be."""
    if lacking is not None:
        return list(lacking.steps)
    asking = [f for f in judgement.findings if f.severity != Severity.NOTE] or list(judgement.findings)
    steps, seen = [], set()
    for turn in range(2):
        for finding in asking:
            if turn < len(finding.next_checks):
                text = finding.next_checks[turn]
                if text.key not in seen:
                    seen.add(text.key)
                    steps.append(text)
        if len(steps) >= 3:
            break
    place = {step.text.key: n for n, step in enumerate(judgement.steps)}  # safest and cheapest first
    return sorted(steps[:MOST_STEPS], key=lambda text: place.get(text.key, -1))


def comb(record: CycleRecord, abnormal: set[int], reader: Reader) -> dict[str, Any] | None:
    """Every freeze as one tick, its height its length: the log at one glance."""
    table = record.cycles
    numbers = (table["cycle"] if "cycle" in table.columns else table.index).to_numpy()
    lengths = table["freeze_min"].to_numpy(dtype=float)
    seen = np.isfinite(lengths)
    numbers, lengths = numbers[seen], lengths[seen]
    if len(lengths) < 3:
        return None
    odd = np.isin(numbers, list(abnormal))
    groups = np.array_split(np.arange(len(lengths)), min(len(lengths), _COMB))
    width, height, pitch = 960.0, 40.0, 960.0 / len(groups)
    top = float(lengths.max())
    plain, marked = [], []
    for n, group in enumerate(groups):
        x, tall = n * pitch + pitch / 2, float(lengths[group].max()) / top * (height - 2)
        (marked if odd[group].any() else plain).append(f"M{x:.1f} {height:.0f}V{height - tall:.1f}")
    stroke = min(pitch * 0.55, 4.0)
    parts = [
        Markup('<path class="tick" stroke-width="{:.2f}" d="{}"/>').format(stroke, "".join(plain)),
        Markup('<path class="tick odd" stroke-width="{:.2f}" d="{}"/>').format(
            max(stroke, 2.2), "".join(marked)
        ),
    ]
    said = reader.t(
        "page.comb_alt", low_min=float(lengths.min()), high_min=top, abnormal=len(abnormal), count=len(table)
    )
    picture = Markup(
        str(svg.picture(width, height, parts, title=said, css="comb")).replace("xMidYMid meet", "none")
    )
    return {"svg": picture, "note": reader.t_html("page.comb")}
