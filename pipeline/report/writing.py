"""Everything of one unit, written into its folder. The technician's page comes last: whoever sees it sees a whole report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipeline import atomic
from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import Problem, Timeline
from pipeline.report.given import FILE as GIVEN
from pipeline.report.given import Given
from pipeline.report.machine_files import cycles_csv, findings_json, phases_csv, write_timeline
from pipeline.report.numbers.whole import numbers_of
from pipeline.report.options import ReportOptions
from pipeline.report.payload.plotting import warm_up
from pipeline.report.summary import FILE, UnitSummary, read_summary, summarise
from pipeline.report.wording import Reader
from pipeline.unit import Unit


def write_unit(
    folder: Path,
    *,
    unit: Unit,
    timeline: Timeline,
    record: CycleRecord,
    judgement: Judgement,
    problems: Sequence[Problem],
    options: ReportOptions,
    given: Given | None = None,
    past: Sequence[Mapping[str, Any]] = (),
    previous: UnitSummary | None = None,
    written: date | None = None,
) -> UnitSummary:
    """Write the pages and the machine files of one unit into `folder`; return what the fleet page needs of it.

    given: what the technician gives for the pages. past: what earlier reports said, oldest first: see
    `page.history.history_of`. previous: the summary of the report before this one; None looks for it
    in `folder`. written: the day that the pages carry; None: today in the unit's zone. Raises OSError where the folder
    cannot be written to; what was there before is then still whole.
    """
    warm_up()
    from pipeline.report.page.client import client_page
    from pipeline.report.page.page import unit_page

    reader = Reader(language=options.language, units=options.units, cooling=unit.cooling)
    given = given or Given()
    written = written or datetime.now(timeline.tz).date()
    numbers = numbers_of(unit, timeline, record, judgement)
    offsets = numbers.offsets
    summary = summarise(
        unit=unit,
        timeline=timeline,
        record=record,
        judgement=judgement,
        numbers=numbers,
        problems=problems,
        previous=previous or read_summary(folder),
    )
    page = unit_page(
        unit=unit,
        timeline=timeline,
        record=record,
        judgement=judgement,
        numbers=numbers,
        problems=problems,
        summary=summary,
        given=given,
        past=past,
        written=written,
        reader=reader,
        page_bytes=options.page_bytes,
        shared_library=options.shared_library,
    )
    with atomic.beside(folder / "timeline.parquet") as part:
        write_timeline(part, timeline)
    atomic.write_text(folder / "phases.csv", phases_csv(record, offsets))
    atomic.write_text(folder / "cycles.csv", cycles_csv(record, judgement, offsets))
    atomic.write_text(folder / "findings.json", findings_json(timeline, judgement, offsets, reader))
    atomic.write_text(folder / FILE, summary.to_json())
    if given:
        atomic.write_text(folder / GIVEN, given.to_json())
    own = unit.client.language if "language" in unit.client.model_fields_set else options.language
    client = replace(reader, language=own, units=unit.client.units or options.units)
    atomic.write_bytes(folder / "client.html", client_page(summary, given, client, written=written))
    atomic.write_bytes(folder / "report.html", page)
    return summary
