"""A unit of our own invention, as the rooms before the report would hand it on: healthy freezes, a few long ones,
some harvests that stall, one night off, one gap. Nothing here was measured on a real machine."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.cycles.record import CYCLE_COLUMNS, START_COLUMNS, CycleRecord, Phase, PhaseKind
from pipeline.findings.finding import Finding, Judgement, NotJudged, Output, Severity, Shows, Verdict
from pipeline.language.text import Text
from pipeline.logs.timeline import Channel, SourceFile, Timeline
from pipeline.report.given import Given
from pipeline.report.options import ReportOptions
from pipeline.report.summary import UnitSummary
from pipeline.report.writing import write_unit
from pipeline.unit import Unit

S = 1_000_000_000
START = datetime(2026, 3, 23, 6, 0, tzinfo=UTC)  # a week that holds the change to summer time in Europe


def text(key: str, english: str, **values) -> Text:
    return Text(key=key, english=english, values=values)


def made_up(**kind):
    """(unit, timeline, record, judgement) of a log of some `kind`, see `_made_up`; the record is the caller's own."""
    unit, timeline, record, judgement = _made_up(**kind)
    return unit, timeline, replace(record, cycles=record.cycles.copy()), judgement


@lru_cache(maxsize=2)  # tests that follow each other ask for the same log
def _made_up(
    *,
    days: float = 7,
    interval_s: float = 1,
    roles: tuple[str, ...] = ("evaporator", "discharge", "condenser_in", "current"),
    seed: int = 7,
    name: str = "harbour-deck",
    title: str = "Harbour deck, cuber 2",
    place: str = "Saltmarsh Pavilion (invented)",
    label: str = "Ch {n} {role}",
    time_zone: str = "Europe/Madrid",
    well: bool = False,
):
    """(unit, timeline, record, judgement) of `days` at `interval_s`."""
    rng = np.random.default_rng(seed)
    start = int(START.timestamp()) * S
    end = start + round(days * 86_400) * S
    phases, rows = _phases(rng, start, end, well)
    time_ns = np.arange(start, end + 1, round(interval_s * S))
    timeline = Timeline(
        unit_name=name,
        time_zone=time_zone,
        start_ns=start,
        end_ns=end,
        channels=tuple(
            _channel(rng, role, time_ns, phases, interval_s, label.format(n=n + 1, role=role))
            for n, role in enumerate(roles)
        ),
        sources=(
            SourceFile(
                name="probes.csv",
                rows=len(time_ns),
                start_ns=start,
                end_ns=end,
                interval_s=interval_s,
                dialect={"delimiter": ";", "decimal": ",", "encoding": "utf-8"},
            ),
        ),
    )
    table = pd.DataFrame(rows)
    for column in CYCLE_COLUMNS:
        if column not in table.columns:
            table[column] = np.nan
    n = len(table)
    table["freeze_end_c"] = -12 + rng.normal(0, 0.4, n)
    table["harvest_peak_c"] = 11 + rng.normal(0, 0.7, n)
    table["freeze_current_a"] = 7.9 + rng.normal(0, 0.1, n)
    table["condenser_split_k"] = 9 + rng.normal(0, 0.3, n)
    record = CycleRecord(
        phases=tuple(phases),
        cycles=table[list(CYCLE_COLUMNS)].set_index("cycle", drop=False),
        starts=pd.DataFrame({c: [] for c in START_COLUMNS}),
        interval_s=interval_s,
    )
    return (
        Unit(name=name, title=title, place=place, time_zone=time_zone, kind="cube"),
        timeline,
        record,
        _judgement(record, start, end, well),
    )


def reported(folder: Path, parts=None, *, problems=(), options=None, given=None, **made) -> UnitSummary:
    """What is written into `folder` of `parts` (unit, timeline, record, judgement), or of `made_up(**made)`; its summary."""
    unit, timeline, record, judgement = made_up(**made) if parts is None else parts
    return write_unit(
        folder,
        unit=unit,
        timeline=timeline,
        record=record,
        judgement=judgement,
        problems=problems,
        options=options or ReportOptions(),
        given=given or Given(),
    )


def _phases(rng, start, end, well):
    phases, rows = [], []
    at, number, idle_due = start, 0, True

    def add(kind, minutes, why=""):
        nonlocal at
        to = min(at + round(minutes * 60 * S), end)
        if to > at:
            phases.append(
                Phase(
                    kind=kind,
                    start_ns=at,
                    end_ns=to,
                    start_uncertainty_s=2.0,
                    confidence=0.97,
                    why=why,
                )
            )
        began, at = at, to
        return began

    while at < end:
        hour = (at - start) / S / 3600
        if idle_due and hour % 24 > 18:
            add(PhaseKind.IDLE, 45 + rng.uniform(0, 60))
            idle_due = False
        if hour % 24 < 2:
            idle_due = True
        number += 1
        long_freeze = not well and number % 61 == 40
        stalled = not well and number % 97 == 55
        freeze = 18.5 + rng.normal(0, 0.5) + 1.2 * np.sin(2 * np.pi * hour / 24) + (16 if long_freeze else 0)
        harvest = 2.1 + rng.normal(0, 0.08) + (5 if stalled else 0)
        f0 = add(PhaseKind.FREEZE, freeze)
        h0 = add(PhaseKind.HARVEST, harvest)
        complete = at < end
        rows.append(
            {
                "cycle": number,
                "freeze_start_ns": f0,
                "harvest_start_ns": h0 if h0 < end else -1,
                "harvest_end_ns": at if complete else -1,
                "freeze_min": freeze if h0 < end else np.nan,
                "harvest_min": harvest if complete else np.nan,
                "uncertainty_min": 0.05,
                "complete": complete,
                "after_idle": False,
                "broken": False,
            }
        )
        if not well and number == 120:
            add(PhaseKind.GAP, 90)
        if not well and number == 200:
            add(PhaseKind.UNCLEAR, 25, "tripping")
    return phases, rows


def _channel(rng, role, time_ns, phases, interval_s, label):
    edges = np.array([p.start_ns for p in phases], np.int64)
    index = np.searchsorted(edges, time_ns, side="right") - 1
    minutes = (time_ns - edges[index]) / S / 60
    kinds = np.array([list(PhaseKind).index(p.kind) for p in phases])[index]
    lengths = np.array([(p.end_ns - p.start_ns) / S / 60 for p in phases])[index]
    freeze, harvest, idle = kinds == 0, kinds == 1, kinds == 2
    day = np.sin(2 * np.pi * time_ns / S / 86_400)
    if role in ("current", "current_compressor"):
        values = np.select([freeze, harvest, idle], [8.2 - 0.02 * minutes, 6.4 + 0.1 * minutes, 0.05], 3.0)
        noise, step, unit = 0.06, 0.05, "A"
    else:
        unit, noise, step = "°C", 0.12, 0.1
        stalled = lengths > 5
        values = {
            "evaporator": np.select(
                [freeze, harvest & ~stalled, harvest, idle],
                [
                    4 - 17 * (1 - np.exp(-minutes / 6)),
                    -12 + 23 * np.minimum(minutes / 2, 1.1),
                    -12 + 12.4 * np.minimum(minutes, 1),
                    18 - 20 * np.exp(-minutes / 20),
                ],
                2.0,
            ),
            "discharge": np.select(
                [freeze, harvest, idle],
                [62 + minutes / 2, 70 - 3 * minutes, 30 + 30 * np.exp(-minutes / 15)],
                50,
            )
            + 3 * day,
            "condenser_in": 25 + 4 * day,
            "condenser_out": 34 + 4 * day,
            "ambient": 24 + 4 * day,
            "water_in": 17 + day,
            "suction": np.select([freeze, harvest], [-5 - minutes / 3, 5 + 3 * minutes], 10.0),
            "reservoir": np.select([freeze], [8 * np.exp(-minutes / 4)], 9.0),
        }.get(role, np.full(len(time_ns), 20.0))
    values = np.round((values + rng.normal(0, noise, len(values))) / step) * step
    values = np.where(kinds == 4, np.nan, values)
    return Channel(
        role=role,
        label=label,
        file="probes.csv",
        unit=unit,
        unit_read=unit,
        time_ns=time_ns,
        values=values,
        trusted=np.isfinite(values),
        interval_s=interval_s,
        resolution=step,
        chosen=True,
        role_by="header",
        role_confidence=0.93,
    )


def _judgement(record, start, end, well):
    if well:
        return Judgement(
            findings=(),
            not_judged=(
                NotJudged(code="warm-water", needs=text("needs.water", "a probe on the supply water")),
            ),
            output=Output(
                cycles_per_day=66.0,
                ice_kg_per_day=196.0,
                made_cycles_per_day=53.2,
                made_ice_kg_per_day=158.0,
                basis=text("output.basis", "slab weighed on site: {slab_kg}", slab_kg=2.4),
            ),
            verdict=Verdict(
                level="well",
                client=text("verdict.well", "This machine is making ice as it should."),
                technician=text(
                    "verdict.well.tech",
                    "Freezes of {freeze_min}, harvests of {harvest_min}; nothing out of line.",
                    freeze_min=18.5,
                    harvest_min=2.1,
                ),
            ),
        )
    table = record.cycles
    stalled = table[table.harvest_min > 5]
    long = table[table.freeze_min > 28]

    def span(rows):
        last = rows.iloc[-1]
        return int(rows.iloc[0].freeze_start_ns), int(last.harvest_end_ns if last.harvest_end_ns > 0 else end)

    findings = []
    if len(stalled):
        s, e = span(stalled)
        findings.append(
            Finding(
                code="harvest-stalled",
                shows=Shows(about="harvest"),
                severity=Severity.ACT,
                start_ns=s,
                end_ns=e,
                cycles=tuple(int(c) for c in stalled.cycle),
                title=text(
                    "made.stalled",
                    "In {count} harvests the ice did not let go: the evaporator stayed near {plateau_c} for {harvest_min}.",
                    count=len(stalled),
                    plateau_c=0.4,
                    harvest_min=7.1,
                ),
                evidence={
                    "stalled_harvests": len(stalled),
                    "usual_harvest_min": 2.1,
                    "longest_harvest_min": 7.3,
                    "plateau_c": 0.4,
                    "harvest_rise_k_per_min": 12.0,
                },
                likely_causes=(
                    text("made.c1", "Scale on the evaporator plate"),
                    text("made.c2", "A hot-gas valve that does not open fully"),
                ),
                next_checks=(
                    text("made.n1", "Look at the plate for scale, and clean it by the maker's procedure"),
                    text("made.n2", "Compare the line before and after the hot-gas valve during a harvest"),
                ),
                confidence=0.95,
                signals={"freeze_end_c": -12.1, "current_pct": -4.0},
            )
        )
    if len(long):
        s, e = span(long)
        findings.append(
            Finding(
                code="freeze-long",
                shows=Shows(about="freeze"),
                severity=Severity.WATCH,
                start_ns=s,
                end_ns=e,
                cycles=tuple(int(c) for c in long.cycle),
                title=text(
                    "made.long",
                    "{count} freezes took {freeze_min}, against {usual_min} as a rule.",
                    count=len(long),
                    freeze_min=34.6,
                    usual_min=18.5,
                ),
                evidence={
                    "long_freezes": len(long),
                    "usual_freeze_min": 18.5,
                    "longest_freeze_min": 35.3,
                    "limit_freeze_min": 21.4,
                },
                likely_causes=(text("made.c3", "Condenser short of air at the time"),),
                next_checks=(text("made.n3", "See what else ran in the room at those hours"),),
                confidence=0.8,
            )
        )
    gap = next((p for p in record.phases if p.kind == PhaseKind.GAP), None)
    if gap:
        findings.append(
            Finding(
                code="log-gap",
                severity=Severity.NOTE,
                start_ns=gap.start_ns,
                end_ns=gap.end_ns,
                flag_cycles=False,
                title=text(
                    "made.gap", "No readings for {gap_min}.", gap_min=(gap.end_ns - gap.start_ns) / S / 60
                ),
                evidence={"gap_min": (gap.end_ns - gap.start_ns) / S / 60},
                confidence=1.0,
            )
        )
    return Judgement(
        findings=tuple(findings),
        not_judged=(
            NotJudged(code="warm-water", needs=text("needs.water", "a probe on the supply water")),
            NotJudged(
                code="condenser-hot", needs=text("needs.out", "a probe in the air that leaves the condenser")
            ),
        ),
        output=Output(
            cycles_per_day=64.0,
            ice_kg_per_day=189.0,
            ice_kg_per_day_low=179.0,
            ice_kg_per_day_high=200.0,
            made_cycles_per_day=51.1,
            made_ice_kg_per_day=151.0,
            made_ice_kg_per_day_low=143.0,
            made_ice_kg_per_day_high=160.0,
            basis=text("output.basis", "slab weighed on site: {slab_kg}", slab_kg=2.4),
            expected_kg_per_day=170.0,
        ),
        verdict=Verdict(
            level="act",
            client=text(
                "verdict.stalled",
                "Ice sticks to the plate now and then, and the machine loses time until it comes off.",
            ),
            technician=text(
                "verdict.tech", "{count} of {total} harvests stalled", count=len(stalled), total=len(table)
            ),
            since=text("verdict.since.made", "First seen {after_h} into the log", after_h=19.5),
            likeliest=text("made.c1", "Scale on the evaporator plate"),
            first_check=text("made.n1", "Look at the plate for scale"),
        ),
        thresholds=(
            ("harvest_plateau_min", 1.5, "min", "common practice, no source"),
            ("freeze_spread", 3.5, "", "NIST/SEMATECH e-Handbook 1.3.5.17"),
        ),
        cautions=(
            text(
                "caution.panel",
                "Behind the panels are live parts, hot lines and moving fans: isolate the supply before reaching in.",
            ),
            text("caution.gas", "Flammable refrigerants need licensed people and no ignition source nearby."),
            text("caution.codes", "Local codes and licensed practice come before anything said here."),
        ),
    )
