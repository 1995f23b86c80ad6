"""The top of the technician's page: the figures, every freeze at one glance, what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement, Severity
from pipeline.logs.timeline import Timeline
from pipeline.report.charts.strips import by_time, icicles
from pipeline.report.clock import Offsets, S
from pipeline.report.numbers.columns import columns_of
from pipeline.report.numbers.unjudged import Unjudged
from pipeline.report.page.running import energy_facts, refrigerant_facts, slab_facts
from pipeline.report.summary import UnitSummary
from pipeline.report.wording import Reader

NS_PER_MIN = 60 * S
MOST_STEPS = 5  # in "what to do next"
MOST_BROUGHT = 12  # kinds of things for one visit


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
    if summary.made_ice_kg_per_day is not None:
        notes = [t("page.ice_made")]
        low, high = output.made_ice_kg_per_day_low, output.made_ice_kg_per_day_high
        if low is not None and high is not None:
            notes.append(t("page.ice_range", low_whole_kg=low, high_whole_kg=high))
        if output.ice_kg_per_day is not None:
            notes.append(t("page.ice_running", running_whole_kg=output.ice_kg_per_day))
        notes += [reader.say_html(text) for text in (output.demand, output.basis) if text is not None]
        if output.expected_kg_per_day is not None:
            asked = t("page.ice_expected", expected_whole_kg=output.expected_kg_per_day)
            basis = [reader.say_html(output.expected_basis)] if output.expected_basis else []
            notes.append(Markup(" ").join([asked, *basis]))
        facts.append(
            {
                "name": t("page.ice"),
                "value": reader.show_html("ice_whole_kg", summary.made_ice_kg_per_day),
                "note": Markup(". ").join(n[:1].upper() + n[1:] if n[:1].isalpha() else n for n in notes),
            }
        )
    else:
        missing = "page.ice_missing" if summary.cycles else "page.ice_no_cycles"
        note = reader.say_html(output.basis) if output.basis else t(missing)
        facts.append({"name": t("page.ice"), "value": t("page.not_judged"), "note": note, "quiet": True})
    facts += energy_facts(output, reader)
    if summary.cycles:
        notes = [t("page.cycles_rate", cycles_per_day=summary.cycles / summary.days)] if summary.days else []
        if len(columns_of(record)["cycle"]) > summary.cycles:
            notes.append(t("page.cycles_all", count=len(columns_of(record)["cycle"])))
        facts.append(
            {
                "name": t("page.cycles"),
                "value": t("page.cycles_value", count=summary.cycles),
                "note": Markup("; ").join(notes),
            }
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
    facts += slab_facts(judgement.slabs, reader)
    if summary.idle_share:
        facts.append(
            {
                "name": t("page.off"),
                "value": t("page.off_value", off_pct=100 * summary.idle_share),
                "note": t("page.off_note"),
            }
        )
    return facts + refrigerant_facts(judgement.refrigerant_side, reader)


def _middle_nine_tenths(record: CycleRecord, column: str) -> tuple[float, float]:
    table = columns_of(record)
    values = table[column][table["complete"]]
    low, high = np.percentile(values[np.isfinite(values)], [5, 95])
    return float(low), float(high)


def next_steps(judgement: Judgement, lacking: Unjudged | None) -> list:
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
    first = judgement.verdict.first_check  # the technician's words beside the list name it as the first
    if first is not None:
        place[first.key] = -2
    return sorted(steps[:MOST_STEPS], key=lambda text: place.get(text.key, -1))


def to_bring(judgement: Judgement, lacking: Unjudged | None, reader: Reader) -> str:
    """What to take along to the visit, in the order of its steps, each once; "" where nothing has to be done."""
    if lacking is not None or all(f.severity == Severity.NOTE for f in judgement.findings):
        return ""
    most: dict[str, int] = {}
    for tool, count in (each for step in judgement.steps for each in step.bring):
        name = reader.say(tool)
        most[name] = max(most.get(name, 0), count)
    named = (name if count == 1 else f"{name} ({count})" for name, count in most.items())
    return "; ".join(islice(named, MOST_BROUGHT))


def freezes(
    record: CycleRecord,
    abnormal: set[int],
    timeline: Timeline,
    reader: Reader,
    visits: Sequence[float] = (),
) -> dict[str, Any] | None:
    """Every freeze as an icicle, as long as the freeze: the log at one glance. None of fewer than three freezes."""
    table = columns_of(record)
    numbers = table["cycle"]
    lengths = table["freeze_min"]
    seen = np.isfinite(lengths)
    if seen.sum() < 3:
        return None
    odd = np.isin(numbers, list(abnormal))
    starts = table["freeze_start_ns"]
    low_min, high_min = float(lengths[seen].min()), float(lengths[seen].max())
    broken = odd & ~seen & (starts >= timeline.start_ns)  # hangs for as long as it went on
    went_on = np.diff(starts, append=timeline.end_ns) / NS_PER_MIN
    lengths = np.where(broken, np.clip(went_on, low_min / 4, low_min), lengths)
    seen |= broken
    span = (timeline.start_ns, timeline.end_ns)
    lengths_shown, marked, at = by_time(starts[seen], lengths[seen], odd[seen], span)
    said = reader.t(
        "page.freezes_alt",
        low_min=low_min,
        high_min=high_min,
        abnormal=len(abnormal),
        count=len(table["cycle"]),
    )
    return {
        "svg": icicles(lengths_shown, marked, at=at, width=960.0, height=56.0, title=said, visits=visits),
        "note": Markup(" ").join(
            [
                reader.t_html("page.freezes", longest_min=high_min),
                *([reader.t_html("page.freezes_odd")] if any(marked) else []),
                *([reader.t_html("client.icicles_longest")] if len(at) < seen.sum() else []),
                *([reader.t_html("client.visit_line")] if visits else []),
            ]
        ),
    }
