"""One log from channels to cycles, step by step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles import thermostat
from pipeline.cycles.boundary import boundaries, placing
from pipeline.cycles.label import by_clamp, labels, moves
from pipeline.cycles.limits import limits_of
from pipeline.cycles.measure import measures, phases, starts
from pipeline.cycles.record import CycleRecord, NoBatches, Phase, PhaseKind
from pipeline.cycles.repair import halts
from pipeline.cycles.segment import segments
from pipeline.cycles.segment.runs import Runs, runs_of
from pipeline.cycles.signal import features, signals
from pipeline.cycles.states import HARVEST
from pipeline.cycles.template import superpose
from pipeline.logs.limits import limits_of as reading_limits
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

LEAST_HARVESTS = 3  # that tell how alike they are; common practice, no source
UNEVEN = 0.5  # share of the cycles that are a batch machine's: a line that shows fewer is not believed …
EVEN = 0.85  # … beside a current that shows more; common practice, no source, both
ODD = 0.5  # part of the usual length by which one differs that is none of them; common practice, no source
APART = 2.0  # from one harvest to the next the times are so much more alike than harvests; common practice, no source


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
    record = _in_batches(timeline, unit, traces, running, limits)
    why = thermostat.why_none(record, traces, running, limits)
    standing = thermostat.harvests_standing(traces, running, limits)
    if standing is not None and why in (None, NoBatches.THERMOSTAT):
        # It may stand in its harvests: so it is read where nothing else makes its cycles more alike.
        alone = _search(timeline, unit, traces, standing=standing).record
        if why is not None or not record.pattern or _unevenness(alone) < _unevenness(record):
            return alone
    return record if why is None else thermostat.without_batches(record, why)


def _in_batches(
    timeline: Timeline,
    unit: Unit,
    traces: dict[str, signals.Trace],
    running: thermostat.Running | None,
    limits: Mapping[str, float],
) -> CycleRecord:
    """The record of the log, read as that of a machine that makes ice in batches."""
    first = _search(timeline, unit, traces)
    if thermostat.warmed_standing(traces, running, limits):
        # Either it stands in harvests, and a clamp does not show them, or it rests after them: what makes the cycles more alike is right.
        alone = _search(timeline, unit, traces, by_lines=True)
        if alone.record.pattern and (
            not first.record.pattern or _unevenness(alone.record) < _unevenness(first.record)
        ):
            return alone.record
    return first.record


def named_by(
    timeline: Timeline, unit: Unit, lines: Mapping[str, signals.Trace]
) -> tuple[Runs, signals.Cells] | None:
    """Runs and cells as these lines alone show them; None where they show no pattern."""
    found = _search(timeline, unit, lines)
    return (found.runs, found.cells) if found.record.pattern else None


def _unevenness(record: CycleRecord) -> float:
    """How much harvests, and the times from one to the next, differ in length, in parts of what is usual; inf of too few to tell."""
    harvests = [p for p in record.phases if p.kind == PhaseKind.HARVEST]
    if len(harvests) < LEAST_HARVESTS:
        return np.inf
    begin, end = (np.array([getattr(p, x) for p in harvests]) for x in ("start_ns", "end_ns"))
    return _spread(end - begin) + APART * _spread(np.diff(begin))


def _spread(values: np.ndarray) -> float:
    """Mean deviation from what is usual there and then, in parts of it, none more than ODD; 0 of none."""
    if len(values) == 0:
        return 0.0
    return float(np.minimum(np.abs(values / superpose.running_median(values) - 1.0), ODD).mean())


@dataclass(frozen=True, kw_only=True)
class _Found:
    record: CycleRecord
    runs: Runs | None = None
    cells: signals.Cells | None = None


@dataclass(frozen=True, kw_only=True)
class _Named:
    """What the cells are, before any boundary is placed."""

    runs: Runs
    draws: Sequence[features.DrawCells]  # as far as the lines bear them out
    evenness: float


def _search(
    timeline: Timeline,
    unit: Unit,
    traces: Mapping[str, signals.Trace],
    *,
    by_lines: bool = False,
    standing: np.ndarray | None = None,
) -> _Found:
    """by_lines: the lines alone name the phases, and the clamps help to place them; standing: int64 (k, 2) [ns], the harvests, in which a
    clamp shows the compressor standing."""
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
    other_cells = [features.course_of(trace, cells) for trace in others]
    if (
        not cold_cells and not draw_cells
    ):  # a clamp that never reads more than noise: nothing ran, as far as it shows
        return _Found(
            record=_nothing(timeline, unit, phases.one_phase(timeline, PhaseKind.IDLE, confidence=0.6))
        )
    # 3. What each stretch of cells is.
    standing = standing if draw_cells else None
    if standing is not None:
        named = _named_standing(standing, draw_cells, cells)
    elif not cold_cells:
        named = _named_by_clamp(draw_cells, cells)
    else:
        named = _named(cold_cells, [] if by_lines else draw_cells, other_cells, cells)
    if not by_lines:
        draw_cells = named.draws
    runs = named.runs
    # 4. Each boundary at full rate.
    placed = placing.place(runs, cold_cells, draw_cells, cells, standing=standing is not None)
    # 5. Starts, phases and what cannot be told; cycles and their measures.
    limiting = [*colds, *(d.trace for d in draw_cells[:1] if boundaries.shows_harvests(runs, placed))]
    interval_s = min(t.interval_s for t in limiting or [*colds, *draws])
    drafts, harvests_timed, pattern = phases.settle(
        runs,
        placed,
        cells,
        timeline,
        colds=colds,
        draws=draw_cells,
        interval_s=interval_s,
        evenness=named.evenness,
    )
    if draws and not draw_cells and not pattern and phases.like_the_room(colds[0], limits):
        drafts = phases.at_rest(drafts)  # the clamp reads nothing, and the line agrees
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
        harvests_standing=standing is not None and not colds,
        pattern=pattern,
    )
    return _Found(record=record, runs=runs, cells=cells)


def _named(
    cold_cells: Sequence[features.SlopeCells],
    draw_cells: Sequence[features.DrawCells],
    other_cells: Sequence[features.SlopeCells],
    cells: signals.Cells,
) -> _Named:
    """Change points, and the cheapest course of phases through the segments between them; corrected where few logs need it."""
    running = features.running_course(draw_cells[0], cells) if draw_cells else None
    found = segments.find_segments(cold_cells, draw_cells, cells)
    lines = [moves.line_of(course, found, cells) for course in cold_cells]
    draw_cells = [labels.believed(draw, lines, found) for draw in draw_cells]
    if draw_cells and not any(line.scales.clear for line in lines):
        return _named_by_clamp(draw_cells, cells)

    def shown() -> np.ndarray:
        return by_clamp.against(by_clamp.says(draw_cells[0], cells), found)

    labelled = labels.label(lines, draw_cells, other_cells, found, cells, shown)
    if draw_cells and labelled.evenness < UNEVEN:
        # A valve that hunts makes a line climb ten times a freeze; the current knows better, if it shows even cycles.
        alone = _named_by_clamp(draw_cells, cells)
        if alone.evenness > EVEN and np.sum(alone.runs.state == HARVEST) >= LEAST_HARVESTS:
            return alone
    runs, evenness = phases.merge(found, labelled, cells), labelled.evenness
    runs = halts.without_small_rises(runs, cold_cells[0], clamped=bool(draw_cells))
    if draw_cells:
        runs = halts.unseen_by_current(runs, cold_cells[0], running, cells)
    else:
        runs = halts.unseen_stops(runs, cold_cells[0], lines[0].scales, cells)
        runs = halts.rests_like_others(halts.rests_after_harvests(runs, cold_cells[0], cells), cold_cells[0])
    runs = halts.without_odd_ones(runs, cells)
    return _Named(
        runs=runs,
        draws=draw_cells,
        evenness=evenness,
    )


def _named_by_clamp(draw_cells: Sequence[features.DrawCells], cells: signals.Cells) -> _Named:
    """The log named by what a clamp alone shows."""
    found, named = by_clamp.named_by_clamp(draw_cells[0], cells)
    runs = halts.without_odd_ones(phases.merge(found, named, cells), cells)
    return _Named(runs=runs, draws=draw_cells, evenness=named.evenness)


def _named_standing(
    standing: np.ndarray, draw_cells: Sequence[features.DrawCells], cells: signals.Cells
) -> _Named:
    """The log named by harvests in which a clamp shows the compressor standing."""
    off = draw_cells[0].level < draw_cells[0].off_below
    return _Named(
        runs=runs_of(standing[:, 0], standing[:, 1], off, cells),
        draws=draw_cells,
        evenness=1.0,
    )


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
