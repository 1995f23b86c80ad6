"""From labelled runs to the phases that are handed on, with what the log cannot tell called `unclear`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.cycles.boundary.boundaries import Placed
from pipeline.cycles.label.labels import Labels
from pipeline.cycles.limits import USUAL
from pipeline.cycles.measure.starts import starts_of_phases
from pipeline.cycles.record import Phase, PhaseKind
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.signal.features import DrawCells
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.logs.timeline import Timeline

KINDS = {FREEZE: PhaseKind.FREEZE, HARVEST: PhaseKind.HARVEST, IDLE: PhaseKind.IDLE}

# Common practice, no source, all of them.
USUAL_FREEZE_MIN = 20.0
LULL_SHARE = 0.6  # of a freeze that a harvest takes no longer than, and of the usual freeze
LULLS = (PhaseKind.HARVEST, PhaseKind.IDLE)  # as which a standing compressor is read off a line
PATTERN_HARVESTS, PATTERN_EVENNESS = 4, 0.25  # so many harvests of which so few make cycles are no pattern
LONE_EVENNESS = 0.5  # a clamp alone shows fans, pumps and loads besides: there it takes more
TOLD = 1.5  # intervals in which a harvest can be told from none
SHORT_HARVEST = 0.25  # of the usual harvest
CUT_HARVEST = 0.5  # … and beside a stop: the line that warms there was read late, or early


def merge(found: Segments, named: Labels, cells: Cells) -> Runs:
    """Runs of segments with one label, without what no machine does: a freeze of a minute within a harvest, and a
    harvest of a small part of the usual length within a freeze or between a freeze and a stop."""
    state = named.state.copy()
    for _ in range(2):
        first, stop, kind = _runs(state, found)
        length_s = (found.stop[stop - 1] - found.first[first]) * cells.step_s
        harvests = length_s[kind == HARVEST]
        usual_s = float(np.median(harvests)) if len(harvests) else 0.0
        shortest_s, cut_s = SHORT_HARVEST * usual_s, CUT_HARVEST * usual_s
        inside = np.zeros(len(kind), dtype=bool)
        inside[1:-1] = (kind[:-2] == kind[2:]) & ~found.opens_span[first[1:-1]] & ~found.opens_span[first[2:]]
        before, after = np.r_[-1, kind[:-1]], np.r_[kind[1:], -1]
        beside_stop = (np.minimum(before, after) == FREEZE) & (np.maximum(before, after) == IDLE)
        flips = inside & (
            (kind == FREEZE) & (before == HARVEST) & (length_s < cells.limits["freeze_least_s"])
            | (kind == HARVEST) & (before == FREEZE) & (length_s < shortest_s)
        )
        joins = ~found.opens_span[first] & (before >= 0)
        cut = joins & (kind == HARVEST) & beside_stop & (length_s < cut_s)
        begun = (
            joins
            & (kind == FREEZE)
            & (before == HARVEST)
            & (after == IDLE)
            & (length_s < cells.limits["freeze_least_s"])
        )
        if not (flips | cut | begun).any():
            break
        state = np.repeat(np.where(cut, FREEZE, np.where(flips | begun, before, kind)), stop - first)
    first, stop, kind = _runs(state, found)
    return Runs(
        state=kind,
        first=found.first[first],
        stop=found.stop[stop - 1],
        margin=np.maximum.reduceat(named.margin, first),
        opens_span=found.opens_span[first],
    )


def _runs(state: np.ndarray, found: Segments) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First segment, one past the last segment and state of every run of equal states within a span."""
    first = np.flatnonzero(np.r_[True, state[1:] != state[:-1]] | found.opens_span)
    return first, np.append(first[1:], len(state)), state[first]


def settle(
    runs: Runs,
    placed: Placed,
    cells: Cells,
    timeline: Timeline,
    *,
    colds: Sequence[Trace],
    draws: Sequence[DrawCells],
    interval_s: float,
    evenness: float,
) -> tuple[list[Phase], bool, bool]:
    """The phases of the log, whether its harvests can be timed, and whether it shows a pattern at all."""
    limits = cells.limits
    phases = _drafts(runs, placed, cells, timeline)
    phases = without_moments(phases, interval_s, limits)
    phases = tripping(phases if draws else too_short_to_freeze(phases, limits), limits)
    harvest = lengths_min(phases, PhaseKind.HARVEST)
    timed = not (
        interval_s >= limits["untimed_interval_s"]
        or (len(harvest) and interval_s / 60 > limits["untimed_times"] * np.median(harvest))
    )
    running = (
        sum((p.end_ns - p.start_ns) for p in phases if p.kind in (PhaseKind.FREEZE, PhaseKind.HARVEST)) / 6e10
    )
    pattern = running == 0 or (len(harvest) > 0 and any(p.kind is PhaseKind.FREEZE for p in phases))
    if len(harvest) >= PATTERN_HARVESTS and evenness < (PATTERN_EVENNESS if colds else LONE_EVENNESS):
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


def without_moments(
    phases: Sequence[Phase], interval_s: float, limits: Mapping[str, float] = USUAL
) -> list[Phase]:
    """`phases` without harvests of a few seconds, or of a small part of the usual time, in a freeze, and of a few seconds between a
    freeze and a stop, a gap or the log's end: a spike, or its trace, or too little to tell."""
    kinds = [None, *(p.kind for p in phases), None]
    harvest_min = lengths_min(phases, PhaseKind.HARVEST)
    inside_s = SHORT_HARVEST * 60.0 * float(np.median(harvest_min)) if len(harvest_min) else 0.0
    least_s = limits["harvest_least_s"]
    if inside_s < max(least_s, TOLD * interval_s):  # the logger times no harvest so well
        inside_s = least_s
    short = [
        p.kind is PhaseKind.HARVEST
        and kinds[i] is PhaseKind.FREEZE
        and kinds[i + 2] in (PhaseKind.FREEZE, PhaseKind.IDLE, PhaseKind.GAP, None)
        and (p.end_ns - p.start_ns) * 1e-9 < (inside_s if kinds[i + 2] is PhaseKind.FREEZE else least_s)
        for i, p in enumerate(phases)
    ]
    return joined([replace(p, kind=PhaseKind.FREEZE) if s else p for p, s in zip(phases, short, strict=True)])


def like_the_room(line: Trace, limits: Mapping[str, float]) -> bool:
    """Whether a cold line stays as warm and as even as the room of a machine that is off."""
    low, middle, high = np.quantile(line.values, (0.05, 0.5, 0.95))
    return bool(middle > limits["room_coldest_c"] and high - low < limits["room_swing_k"])


def at_rest(phases: Sequence[Phase]) -> list[Phase]:
    """`phases` with every stretch that shows no pattern called idle."""
    return joined(
        [
            replace(p, kind=PhaseKind.IDLE, why="", confidence=min(p.confidence, 0.6))
            if p.kind is PhaseKind.UNCLEAR and p.why == "no-pattern"
            else p
            for p in phases
        ]
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


def too_short_to_freeze(phases: Sequence[Phase], limits: Mapping[str, float]) -> list[Phase]:
    """`phases` of a log without a clamp, with every row of runs that are too short to make ice, and whose "harvests" last as
    long as they, `unclear`: the line warms because the compressor stands."""
    kinds = [p.kind for p in phases]
    length = [(p.end_ns - p.start_ns) / 6e10 for p in phases]
    pairs = [i for i in range(len(phases) - 1) if kinds[i] is PhaseKind.FREEZE and kinds[i + 1] in LULLS]
    whole = [
        length[i]
        for i in pairs
        if length[i] >= limits["trip_run_min"] and length[i + 1] < LULL_SHARE * length[i]
    ]
    usual = _usual_freeze(whole)
    most = _most_of_a_trip(whole, limits)
    short = {
        i
        for i in pairs
        if length[i] < most or (length[i] < LULL_SHARE * usual and length[i + 1] >= length[i])
    }
    out = list(phases)
    for first, last in reversed(_rows(short)):
        lulls = kinds[first + 1 : last + 2 : 2]
        if len(lulls) < limits["trip_runs_blind"] or lulls.count(PhaseKind.HARVEST) < 0.5 * len(lulls):
            continue  # few, or known for stops already
        # What came before is the first stop, unless it is the harvest of a whole freeze.
        harvest = first > 1 and kinds[first - 1] is PhaseKind.HARVEST and kinds[first - 2] is PhaseKind.FREEZE
        whole = harvest and length[first - 1] < LULL_SHARE * length[first - 2] >= LULL_SHARE**2 * usual
        start = first - 1 if first and kinds[first - 1] in LULLS and not whole else first
        out[start : last + 2] = [
            replace(
                out[start],
                kind=PhaseKind.UNCLEAR,
                end_ns=out[last + 1].end_ns,
                why="tripping",
                confidence=min(p.confidence for p in out[start : last + 2]),
            )
        ]
    return out


def _rows(members: set[int]) -> list[tuple[int, int]]:
    """First and last of every row of members two apart."""
    rows: list[tuple[int, int]] = []
    for i in sorted(members):
        if rows and i == rows[-1][1] + 2:
            rows[-1] = (rows[-1][0], i)
        else:
            rows.append((i, i))
    return rows


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
