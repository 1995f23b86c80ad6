"""The technician's page of one unit: the verdict and the work first, then the proof, then how it was worked out."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from markupsafe import Markup, escape

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import Problem, Timeline
from pipeline.report.charts import charts
from pipeline.report.charts.detail import plan, plotted_channels
from pipeline.report.charts.evidence import evidence
from pipeline.report.charts.figures import figures, finest
from pipeline.report.charts.noscript import sketch_lengths, sketch_log, sketch_overlay
from pipeline.report.charts.one_cycle import one_cycle
from pipeline.report.charts.overlay import EDGES, overlay
from pipeline.report.charts.strips import day_ribbons, ribbons_note, ribbons_title
from pipeline.report.charts.traces import drawn_channels, put_log
from pipeline.report.given import Given
from pipeline.report.numbers.columns import KINDS
from pipeline.report.numbers.days import kg_per_cycle
from pipeline.report.numbers.flags import abnormal_cycles, codes_about
from pipeline.report.numbers.unjudged import read_in_words
from pipeline.report.numbers.whole import Numbers
from pipeline.report.page import at_a_glance
from pipeline.report.page.client import firm_view, visit_views
from pipeline.report.page.finding_view import clip_view, finding_view, named, with_shared_advice
from pipeline.report.page.history import history_of
from pipeline.report.page.method import method_of
from pipeline.report.page.trend import trend_of
from pipeline.report.payload.pack import Pack
from pipeline.report.payload.plotting import plotting_script
from pipeline.report.payload.rendering import DRAWN_MARK, PACK_MARK, PLOT_MARK, render
from pipeline.report.summary import UnitSummary
from pipeline.report.wording import Reader
from pipeline.unit import Unit

PLOT_ELEMENT = Markup(f'<script type="text/plain" id="plotting">{PLOT_MARK}</script>')
SHARED_SOURCES = ("'self'", "file:")
"""Where a shared library may come from: the server of the page, or the folder that it lies in."""
TRIES = 8  # to fit a page into what it may weigh, each with a tenth less room
STYLES = ("base.css", "strips.css", "unit.css", "paper.css")
SCRIPTS = (
    "switches.js",
    "unpack.js",
    "clock.js",
    "draw.js",
    "points.js",
    "log.js",
    "cycles.js",
    "table.js",
    "start.js",
)


def unit_page(
    *,
    unit: Unit,
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    problems: Sequence[Problem],
    numbers: Numbers,
    summary: UnitSummary,
    given: Given,
    past: Sequence[Mapping[str, Any]],
    written: date,
    reader: Reader,
    page_bytes: int,
    shared_library: bool = False,
) -> bytes:
    """The whole page as UTF-8, no longer than `page_bytes` where thinning the log can bring that about.

    shared_library: it loads the drawing library from beside the fleet page instead of carrying it.
    """
    offsets, flags, limits = numbers.offsets, numbers.flags, numbers.limits
    visits = [place.share for place in numbers.visits if place.share is not None]
    freezes, harvests = (
        overlay(timeline, record, phase, abnormal=numbers.odd[phase], beside=numbers.beside[phase])
        for phase in EDGES
    )
    pictures = [
        evidence(
            f,
            timeline=timeline,
            record=record,
            freezes=freezes,
            harvests=harvests,
            offsets=offsets,
            reader=reader,
            visits=visits,
        )
        for f in judgement.findings
    ]
    abnormal = abnormal_cycles(judgement.findings)
    script = plotting_script()
    lacking = numbers.lacking
    parts = {
        "reader": reader,
        "styles": STYLES,
        "scripts": SCRIPTS,
        "more_hashes": (script.integrity, *(SHARED_SOURCES if shared_library else ())),
        "plotting": Markup(script.element.decode()) if shared_library else PLOT_ELEMENT,
        "foot": f"{unit.shown_as}, {reader.day(written)}",
        "unit": unit,
        "summary": summary,
        "level": judgement.verdict.level,
        "verdict": judgement.verdict,
        "facts": at_a_glance.facts(timeline, record, judgement, summary, offsets, reader),
        "freezes": at_a_glance.freezes(record, abnormal, timeline, reader, visits),
        "firm": firm_view(given),
        "written": reader.day(written),
        "visits": visit_views(given, summary, reader),
        "history": history_of(past, summary, reader),
        "one_cycle": one_cycle(timeline, record, set(flags), reader),
        "ribbons": _ribbons(numbers, judgement, reader),
        "steps": at_a_glance.next_steps(judgement, lacking),
        "bring": at_a_glance.to_bring(judgement, lacking, reader),
        "lacking": lacking and {"why": lacking.why, "read": read_in_words(timeline, reader)},
        "trend": trend_of(summary, reader),
        "clip": clip_view(judgement.next_clip, reader),
        "findings": with_shared_advice([finding_view(n, f, p, offsets, reader) for n, (f, p) in enumerate(zip(judgement.findings, pictures, strict=True))]),
        "not_judged": _by_need(judgement, reader),
        "problems": problems,
        "charts": figures(timeline, record, judgement, summary, freezes, harvests, limits, reader),
        "sketches": {
            "log": sketch_log(timeline, record, offsets, reader, visits),
            "lengths": sketch_lengths(timeline, record, limits, numbers.odd["freeze"], offsets, reader, visits),
            "freezes": sketch_overlay(freezes, "freeze", reader),
            "harvests": sketch_overlay(harvests, "harvest", reader),
        },
        "own_clock": timeline.own_clock,
        "method": method_of(unit=unit, timeline=timeline, record=record, judgement=judgement, offsets=offsets, reader=reader),
        "cautions": judgement.cautions,
        "pack_mark": PACK_MARK,
        "drawn_mark": DRAWN_MARK,
    }  # fmt: skip
    html = render("unit.html", **parts).encode()

    base = Pack()
    charts.put_cycles(base, timeline, record, flags, limits)
    charts.put_overlay(base, "freeze", freezes)
    charts.put_overlay(base, "harvest", harvests)
    charts.put_marks(base, timeline, record, judgement, reader)
    charts.put_visits(base, timeline, visits)
    charts.put_clock(base, offsets, timeline)
    base.header |= _for_scripts(unit, reader) | {
        "about": codes_about(judgement.findings),
        "names": {f.code: named(f.code, reader) for f in judgement.findings},
    }
    traces = plotted_channels(drawn_channels(timeline))
    plotting = b"" if shared_library else script.packed
    room = 0.97 * (page_bytes - len(html) - len(plotting) - base.at_most())
    for _ in range(TRIES):
        pack = base.copy()
        drawn = put_log(
            pack, traces, timeline, record, plan(traces, timeline, record, judgement, room), reader
        )
        page = (
            html.replace(DRAWN_MARK.encode(), str(escape(finest(drawn, reader))).encode())
            .replace(PACK_MARK.encode(), pack.packed())
            .replace(PLOT_MARK.encode(), plotting)
        )
        if len(page) <= page_bytes:
            break
        room *= 0.9
    return page


RIBBON_DAYS = 35  # of a longer log the last days


def _ribbons(numbers: Numbers, judgement: Judgement, reader: Reader) -> dict[str, Any] | None:
    """The days as ribbons of 24 hours, with what each made."""
    if not numbers.hours:
        return None
    kg, days = kg_per_cycle(judgement.output), numbers.hours[-RIBBON_DAYS:]
    said = [
        (
            reader.t("client.day_cycles", count=d.cycles)
            if kg is None
            else reader.show("ice_whole_kg", kg * d.cycles)
        )
        + ("" if d.whole else " *")
        for d in days
    ]
    title = ribbons_title(days, reader)
    visits = [(place.date, place.minute) for place in numbers.visits if place.share is not None]
    key = "chart.ribbons_kg" if kg is not None else "chart.ribbons_cycles"
    note = ribbons_note(days, reader, key, visits=visits)
    ribbons = day_ribbons(days, reader, title=title, said=said, visits=visits, right=64.0)
    return {"svg": ribbons, "said": title, "note": note}


def _by_need(judgement: Judgement, reader: Reader) -> dict[Markup, list[str]]:
    """What could not be judged: what is needed -> what needs it, in words."""
    needs: dict[Markup, list[str]] = {}
    for each in judgement.not_judged:
        needs.setdefault(reader.say_html(each.needs), []).append(named(each.code, reader))
    return needs


_WORDS_FOR_SCRIPTS = (
    "chart.", "table.", "phase.", "duration.", "calendar.", "number.", "word.", "picture.minutes",
)  # fmt: skip


def _for_scripts(unit: Unit, reader: Reader) -> dict[str, Any]:
    words = {k: v for k, v in reader.words.items() if k.startswith(_WORDS_FOR_SCRIPTS)}
    return {
        "words": words,
        "units": reader.units,
        "lang": reader.language,
        "file": re.sub(r"[^\w.-]+", "-", unit.name)[:80] + "-cycles.csv",
        "expected": {
            "freeze_min": list(unit.expected_freeze_min),
            "harvest_min": list(unit.expected_harvest_min),
        },
        "kinds": [k.value for k in KINDS],
    }
