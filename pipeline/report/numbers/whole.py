"""All numbers of one report that more than one page or picture needs, computed once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.finding import Judgement, Output
from pipeline.logs.timeline import Timeline
from pipeline.report.clock import Offsets, offsets_between
from pipeline.report.numbers.columns import columns_of, spans_of
from pipeline.report.numbers.days import Days, days_of, kg_per_cycle
from pipeline.report.numbers.flags import cycle_flags, odd_cycles
from pipeline.report.numbers.hours import Day, hours_of
from pipeline.report.numbers.unjudged import Unjudged, unjudged
from pipeline.report.numbers.usual_range import Limits, limits_in_force
from pipeline.report.numbers.visits import VisitPlace, places_of
from pipeline.unit import Unit


@dataclass(frozen=True, kw_only=True)
class Numbers:
    """offsets: of the unit's zone over the log. flags: cycle number -> codes of the findings that mean it. odd: phase ->
    numbers of the cycles whose freeze (or harvest) is itself abnormal. beside: the same of those that follow, or go before, an
    abnormal one and are no usual ones either. limits: "freeze_min" and "harvest_min" -> usual range. days: None where
    nothing was logged. hours: the days as ribbons of 24 hours. made_kg_per_day: ice made a day in the time that the log
    covers, rests included; None where it could not be said. lacking: why nothing could be said; None where something could.
    visits: of unit.toml, oldest first."""

    offsets: Offsets
    flags: Mapping[int, list[str]]
    odd: Mapping[str, set[int]]
    beside: Mapping[str, set[int]]
    limits: Mapping[str, Limits]
    days: Days | None
    hours: tuple[Day, ...]
    made_kg_per_day: float | None
    lacking: Unjudged | None
    visits: tuple[VisitPlace, ...]


def numbers_of(unit: Unit, timeline: Timeline, record: CycleRecord, judgement: Judgement) -> Numbers:
    """The numbers of one report."""
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    days = days_of(record, offsets)
    odd = {phase: odd_cycles(judgement.findings, phase) for phase in ("freeze", "harvest")}
    # A freeze on a slab that did not let go, or a harvest of one that froze too long, is no usual one either.
    beside = {"freeze": {number + 1 for number in odd["harvest"]}, "harvest": odd["freeze"]}
    return Numbers(
        offsets=offsets,
        flags=cycle_flags(judgement.findings),
        odd=odd,
        beside=beside,
        limits={
            f"{phase}_min": limits_in_force(record, f"{phase}_min", judgement, odd[phase] | beside[phase])
            for phase in odd
        },
        days=days,
        hours=hours_of(record, offsets, cycles=days.cycles, whole=days.whole) if days is not None else (),
        made_kg_per_day=_made(judgement.output, record),
        lacking=unjudged(timeline, record, judgement),
        visits=places_of(unit.visits, judgement.visits, timeline, record),
    )


def _made(output: Output, record: CycleRecord) -> float | None:
    if output.made_ice_kg_per_day is not None:
        return output.made_ice_kg_per_day
    kg = kg_per_cycle(output)
    covered_ns = sum(ns for kind, ns in spans_of(record).items() if kind is not PhaseKind.GAP)
    if kg is None or not covered_ns:
        return None
    return kg * int(columns_of(record)["complete"].sum()) / (covered_ns / 86_400e9)
