"""From labelled runs to the phases that are handed on, with what the log cannot tell called `unclear`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.cycles.boundary.boundaries import Placed
from pipeline.cycles.label.labels import Labels
from pipeline.cycles.measure.starts import starts_of_phases
from pipeline.cycles.record import Phase, PhaseKind
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.logs.timeline import Timeline

KINDS = {FREEZE: PhaseKind.FREEZE, HARVEST: PhaseKind.HARVEST, IDLE: PhaseKind.IDLE}

# Common practice, no source, all of them.
USUAL_FREEZE_MIN = 20.0
PATTERN_HARVESTS = 4  # so many that are not sure are no pattern


def merge(found: Segments, named: Labels) -> Runs:
    """Runs of segments with one label."""
    first = np.flatnonzero(np.r_[True, named.state[1:] != named.state[:-1]] | found.opens_span)
    return Runs(
        state=named.state[first],
        first=found.first[first],
        stop=found.stop[np.append(first[1:], len(named.state)) - 1],
        margin=np.maximum.reduceat(named.margin, first),
        opens_span=found.opens_span[first],
    )


def settle(
    runs: Runs,
    placed: Placed,
    cells: Cells,
    timeline: Timeline,
    *,
    interval_s: float,
    sure: float,
) -> tuple[list[Phase], bool, bool]:
    """The phases of the log, whether its harvests can be timed, and whether it shows a pattern at all. sure: see `label.shown.Shown`."""
    limits = cells.limits
    phases = _drafts(runs, placed, cells, timeline)
    phases = tripping(phases, limits)
    harvest = lengths_min(phases, PhaseKind.HARVEST)
    timed = not (
        interval_s >= limits["untimed_interval_s"]
        or (len(harvest) and interval_s / 60 > limits["untimed_times"] * np.median(harvest))
    )
    running = (
        sum((p.end_ns - p.start_ns) for p in phases if p.kind in (PhaseKind.FREEZE, PhaseKind.HARVEST)) / 6e10
    )
    pattern = running == 0 or (len(harvest) > 0 and any(p.kind is PhaseKind.FREEZE for p in phases))
    if len(harvest) >= PATTERN_HARVESTS and sure < limits["sure_pct"] / 100:
        pattern = False
    if not pattern:
        phases = [
            _unclear(p, "no-pattern") if p.kind in (PhaseKind.FREEZE, PhaseKind.HARVEST) else p
            for p in phases
        ]
    else:
        phases = [
            _unclear(p, "no-pattern")
            if p.kind is PhaseKind.HARVEST and p.end_ns - p.start_ns > limits["harvest_most_min"] * 6e10
            else p
            for p in phases
        ]
        if not timed:
            phases = [_unclear(p, "too-coarse") if p.kind is PhaseKind.HARVEST else p for p in phases]
    return joined(phases), timed, pattern


def machine_runs(phases: Sequence[Phase]) -> bool:
    """Whether there is a freeze or a harvest."""
    return any(p.kind in (PhaseKind.FREEZE, PhaseKind.HARVEST) for p in phases)


def at_rest(phases: Sequence[Phase], line: Trace, limits: Mapping[str, float]) -> list[Phase]:
    """`phases` of a log without freeze or harvest: idle where its cold line stays as warm and as even as the room of a machine that is off; else
    they show no pattern."""
    low, middle, high = np.quantile(line.values, (0.05, 0.5, 0.95))
    rests = middle > limits["room_coldest_c"] and high - low < limits["room_swing_k"]
    kinds = (PhaseKind.IDLE, PhaseKind.UNCLEAR)
    how = {"kind": PhaseKind.IDLE, "why": ""} if rests else {"kind": PhaseKind.UNCLEAR, "why": "no-pattern"}
    return joined(
        [replace(p, confidence=min(p.confidence, 0.6), **how) if p.kind in kinds else p for p in phases]
    )


def lengths_min(phases: Sequence[Phase], kind: PhaseKind) -> np.ndarray:
    """Lengths (m,) of the m phases of one kind [min]."""
    return np.array([(p.end_ns - p.start_ns) / 6e10 for p in phases if p.kind is kind])


def _unclear(phase: Phase, why: str) -> Phase:
    return replace(phase, kind=PhaseKind.UNCLEAR, why=why)


def _drafts(runs: Runs, placed: Placed, cells: Cells, timeline: Timeline) -> list[Phase]:
    span = np.searchsorted(cells.span_stop, runs.first, side="right")
    start = placed.start_ns.copy()
    start[runs.opens_span] = cells.span_start_ns[span[runs.opens_span]]
    # A boundary lies between the readings of its span, and after the one before.
    start = np.clip(start, cells.span_start_ns[span], cells.span_end_ns[span])
    start = np.maximum.accumulate(start)
    closes = np.r_[span[1:] != span[:-1], True]
    end = np.where(closes, cells.span_end_ns[span], np.append(start[1:], 0))
    phases: list[Phase] = []
    cursor = timeline.start_ns
    for i in range(len(start)):
        if start[i] > cursor:
            phases.append(_gap(cursor, int(start[i])))
        if end[i] <= start[i]:
            continue
        edge = bool(runs.opens_span[i])
        phases.append(
            Phase(
                kind=KINDS[int(runs.state[i])],
                start_ns=int(start[i]),
                end_ns=int(end[i]),
                start_uncertainty_s=0.0 if edge else float(placed.uncertainty_s[i]),
                confidence=float(1 - 0.5 * np.exp(-runs.margin[i] / 1.5)),
            )
        )
        cursor = int(end[i])
    if cursor < timeline.end_ns:
        phases.append(_gap(cursor, timeline.end_ns))
    return phases


def _gap(start_ns: int, end_ns: int) -> Phase:
    return Phase(
        kind=PhaseKind.GAP,
        start_ns=start_ns,
        end_ns=end_ns,
        start_uncertainty_s=0.0,
        confidence=1.0,
    )


def joined(phases: Sequence[Phase]) -> list[Phase]:
    """Neighbours of the same kind (and reason) made one."""
    out: list[Phase] = []
    for phase in phases:
        if out and out[-1].kind is phase.kind and out[-1].why == phase.why:
            out[-1] = replace(
                out[-1], end_ns=phase.end_ns, confidence=min(out[-1].confidence, phase.confidence)
            )
        else:
            out.append(phase)
    return out


def tripping(phases: Sequence[Phase], limits: Mapping[str, float]) -> list[Phase]:
    """`phases` with every row of short runs between short rests, from its first stop to its last start, `unclear`."""
    freeze = lengths_min(phases, PhaseKind.FREEZE)
    whole = freeze[freeze > limits["trip_run_min"]]
    most_ns = _most_of_a_trip(whole, limits) * 6e10
    rest_ns = limits["trip_off_min"] * 6e10
    out = list(phases)
    i = 0
    while i < len(out):
        j, short = i, 0
        # A row: rest, short run, rest, short run, …, rest.
        while j < len(out) and out[j].kind is PhaseKind.IDLE and out[j].end_ns - out[j].start_ns <= rest_ns:
            k = j + 1
            while k < len(out) and out[k].kind in (PhaseKind.FREEZE, PhaseKind.HARVEST):
                k += 1
            if k >= len(out) or k == j + 1 or out[k - 1].end_ns - out[j + 1].start_ns > most_ns:
                break
            if out[k].kind is not PhaseKind.IDLE or out[k].end_ns - out[k].start_ns > rest_ns:
                break
            j, short = k, short + 1
        if short >= limits["trip_runs"]:
            merged = replace(
                out[i],
                kind=PhaseKind.UNCLEAR,
                end_ns=out[j].end_ns,
                why="tripping",
                confidence=min(p.confidence for p in out[i : j + 1]),
            )
            out[i : j + 1] = [merged]
        i += 1
    return out


def _usual_freeze(whole_min: Sequence[float]) -> float:
    """The middle one of whole freezes [min]; of none, what most machines take."""
    return float(np.median(whole_min)) if len(whole_min) else USUAL_FREEZE_MIN


def _most_of_a_trip(whole_min: Sequence[float], limits: Mapping[str, float]) -> float:
    """Length of the longest run that makes no ice beside whole freezes of `whole_min` [min]."""
    share = limits["trip_run_pct"] / 100 * _usual_freeze(whole_min)
    return max(limits["trip_run_min"], min(share, limits["trip_run_most_min"]))


def starts_of(phases: Sequence[Phase]) -> dict[str, np.ndarray]:
    """Compressor starts where no clamp was logged, the ends of idle: columns (s,) of START_COLUMNS but the temperatures."""
    found = []
    for i in range(1, len(phases)):
        if phases[i - 1].kind is PhaseKind.IDLE and phases[i].kind in (PhaseKind.FREEZE, PhaseKind.HARVEST):
            j = i
            while j < len(phases) and phases[j].kind in (PhaseKind.FREEZE, PhaseKind.HARVEST):
                j += 1
            seen = j < len(phases) and phases[j].kind is PhaseKind.IDLE
            off = phases[i - 1].end_ns - phases[i - 1].start_ns if i > 1 else -1
            found.append((phases[i].start_ns, off, phases[j - 1].end_ns - phases[i].start_ns if seen else -1))
    table = np.array(found, dtype=np.int64).reshape(-1, 3)
    return starts_of_phases(table[:, 0], table[:, 1], table[:, 2])


def one_phase(timeline: Timeline, kind: PhaseKind, *, why: str = "", confidence: float = 1.0) -> list[Phase]:
    """The whole log as one phase (nothing where the log has no length)."""
    if timeline.end_ns <= timeline.start_ns:
        return []
    return [
        Phase(
            kind=kind,
            start_ns=timeline.start_ns,
            end_ns=timeline.end_ns,
            start_uncertainty_s=0.0,
            confidence=confidence,
            why=why,
        )
    ]
