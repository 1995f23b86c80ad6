"""One log from channels to cycles, step by step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles import thermostat
from pipeline.cycles.boundary import boundaries, placing
from pipeline.cycles.label import labels, shown, standing
from pipeline.cycles.limits import limits_of
from pipeline.cycles.measure import measures, phases, starts
from pipeline.cycles.record import CycleRecord, NoBatches, Phase, PhaseKind
from pipeline.cycles.segment import segments
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal import features, signals
from pipeline.logs.limits import limits_of as reading_limits
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit


def find_cycles(timeline: Timeline, unit: Unit) -> CycleRecord:
    """Every phase of `timeline`, its cycles with their measures, and how sure each of them is."""
    # The channels that can show a phase, spikes taken out.
    reading = reading_limits(unit.thresholds)
    traces = signals.traces_of(timeline, reading)
    limits = {**reading, **limits_of(unit.thresholds)}
    if thermostat.too_coarse(traces, limits):
        unread = phases.one_phase(timeline, PhaseKind.UNCLEAR, why=NoBatches.TOO_COARSE.value)
        return thermostat.without_batches(_nothing(timeline, unit, unread), NoBatches.TOO_COARSE)
    running = thermostat.running_of(traces, limits)
    found = _search(timeline, unit, traces)
    record = found.record
    why = thermostat.why_none(record, traces, running, limits, standing=found.standing, sure=found.sure)
    return record if why is None else thermostat.without_batches(record, why)


def named_by(
    timeline: Timeline, unit: Unit, lines: Mapping[str, signals.Trace]
) -> tuple[Runs, signals.Cells] | None:
    """Runs and cells as these lines alone show them; None where they show no pattern."""
    found = _search(timeline, unit, lines)
    return (found.runs, found.cells) if found.record.pattern else None


@dataclass(frozen=True, kw_only=True)
class _Found:
    record: CycleRecord
    runs: Runs | None = None
    cells: signals.Cells | None = None
    standing: bool = False  # a clamp shows the compressor standing in most harvests
    sure: float = 1.0  # see `shown.Shown`


@dataclass(frozen=True, kw_only=True)
class _Named:
    """What the cells are, before any boundary is placed."""

    runs: Runs
    draws: Sequence[features.DrawCells]  # as far as the lines bear them out
    standing: bool  # a clamp shows the compressor standing in most harvests
    sure: float  # see `shown.Shown`


def _search(timeline: Timeline, unit: Unit, traces: Mapping[str, signals.Trace]) -> _Found:
    limits = limits_of(unit.thresholds)
    # 1. What shows the evaporator, the compressor, and anything else.
    colds = [traces[role] for role in features.COLD_ROLES if role in traces]
    draws = [traces[role] for role in features.DRAW_ROLES if role in traces]
    others = [traces[role] for role in features.OTHER_ROLES if role in traces]
    seen_s = max((1e-9 * float(t.time_ns[-1] - t.time_ns[0]) for t in (*colds, *draws)), default=0.0)
    if seen_s < limits["freeze_least_s"]:
        return _Found(
            record=_nothing(timeline, unit, phases.one_phase(timeline, PhaseKind.UNCLEAR, why="no-evidence"))
        )
    # 2. Means over cells of about ten seconds, and from them slopes and levels.
    cells = signals.lay_cells([*colds, *draws], limits)
    cold_cells = [features.course_of(trace, cells) for trace in colds]
    draw_cells = [d for d in (features.draw_cells(trace, cells) for trace in draws) if d is not None]
    if (
        not cold_cells and not draw_cells
    ):  # a clamp that never reads more than noise: nothing ran, as far as it shows
        return _Found(
            record=_nothing(timeline, unit, phases.one_phase(timeline, PhaseKind.IDLE, confidence=0.6))
        )
    # 3. What each stretch of cells is.
    named = _named(cold_cells, draw_cells, others, cells)
    draw_cells, runs = named.draws, named.runs
    # 4. Each boundary at full rate.
    placed = placing.place(runs, cold_cells, draw_cells, cells, standing=named.standing)
    # 5. Starts, phases and what cannot be told; cycles and their measures.
    limiting = [*colds, *(d.trace for d in draw_cells[:1] if boundaries.shows_harvests(runs, placed))]
    interval_s = min(t.interval_s for t in limiting or [*colds, *draws])
    drafts, harvests_timed, pattern = phases.settle(
        runs,
        placed,
        cells,
        timeline,
        interval_s=interval_s,
        sure=named.sure,
    )
    if not draw_cells and not phases.machine_runs(drafts):
        drafts = phases.at_rest(drafts, colds[0], limits)  # nothing runs, as far as a line shows
    start_columns = starts.starts_of_draw(draw_cells[0], limits) if draw_cells else phases.starts_of(drafts)
    start_table = starts.start_table(
        start_columns, timeline, colds[0] if colds else None, traces.get("discharge"), limits
    )
    cycles = measures.cycle_table(
        drafts,
        start_table,
        traces,
        unit,
        cold=colds[0] if colds else None,
        draws=draws,
    )
    record = CycleRecord(
        phases=tuple(drafts),
        cycles=cycles,
        starts=start_table,
        interval_s=float(interval_s),
        harvests_timed=harvests_timed,
        harvests_standing=named.standing and not colds,
        pattern=pattern,
    )
    return _Found(record=record, runs=runs, cells=cells, standing=named.standing, sure=named.sure)


def _named(
    cold_cells: Sequence[features.LevelCells],
    draw_cells: Sequence[features.DrawCells],
    others: Sequence[signals.Trace],
    cells: signals.Cells,
) -> _Named:
    """Change points, and the cheapest course of phases through the segments between them."""
    lines = [c.trace for c in cold_cells]
    draw_cells = [labels.believed(draw, lines, cells) for draw in draw_cells]
    channels = [*lines, *(d.trace for d in draw_cells[:1]), *others]
    seen = shown.says(channels, cells)
    found = segments.find_segments(seen.nats, [*cold_cells, *draw_cells], cells)
    named = labels.label(seen.nats, draw_cells, found)
    runs = phases.merge(found, named)
    stands = named.standing and standing.share_of_stops(runs) >= cells.limits["standing_share_pct"] / 100
    if stands and not lines:
        runs = standing.by_stops(runs)
    sure = seen.sure if stands == named.standing else 0.0  # stops of which only some look like harvests
    return _Named(runs=runs, draws=draw_cells, standing=stands, sure=sure)


def _nothing(timeline: Timeline, unit: Unit, drafts: list[Phase]) -> CycleRecord:
    start_table = starts.start_table(
        starts.starts_of_phases(*(np.empty(0, np.int64),) * 3), timeline, None, None
    )
    cycles = measures.cycle_table(drafts, start_table, {}, unit, cold=None, draws=[])
    return CycleRecord(
        phases=tuple(drafts),
        cycles=cycles,
        starts=start_table,
        harvests_timed=False,
        pattern=False,
    )
