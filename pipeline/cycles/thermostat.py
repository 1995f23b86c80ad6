"""Whether a log is of a machine that makes ice in batches, or of a thermostat: one question, asked of every log.

The cycle of a batch machine has two parts in which its compressor runs: it freezes, and then hot gas warms the evaporator, far faster than the
air about it would. A thermostat (fridge, freezer, air conditioner, heater) has one: it runs and stands, a plain rectangle of current, and
what it cooled warms by itself. Defrosts are seldom: most runs of a freezer hold none. What neither shows is not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.label.standing import WHOLE_RUN
from pipeline.cycles.record import CycleRecord, NoBatches, Phase, PhaseKind
from pipeline.cycles.signal import signals
from pipeline.cycles.signal.features import COLD_ROLES, DRAW_ROLES, course_of
from pipeline.cycles.signal.signals import Trace

# Common practice, no source, all of them.
RISE_S = 20.0  # to either side of a moment, over which the rate of a line is taken
AFTER_S = 90.0  # for which a lagging clip may still climb after a harvest
STANDS, RUNS = (
    0.25,
    0.5,
)  # parts of the running current: under the one the compressor stands, from the other on it runs
WITH_HARVESTS = 1.6  # times more does a current spread where hot gas, fans and pumps come with harvests
FALLS = 1.6  # a line that air warms falls faster than it climbs, the more so the slower it climbs
QUARTER = 0.25  # of a run: from its second to its last the current of a plate that freezes falls
MOST = 0.4  # of the runs hold a harvest, where ice is made
TURN = (0.3, 0.7)  # parts of its range that a line passes when it turns


@dataclass(frozen=True, kw_only=True)
class Running:
    """When a clamp shows its compressor running."""

    start_ns: np.ndarray  # int64 (runs,): first reading of every run
    end_ns: np.ndarray  # int64 (runs,): last reading
    whole: np.ndarray  # bool (runs,): it stood before and after
    spread: float  # of the running current, between its 5 % and 95 %, in parts of its median
    time_ns: np.ndarray  # int64 (n,): of all readings
    values: np.ndarray  # float64 (n,)
    interval_s: float


def too_coarse(traces: Mapping[str, Trace], limits: Mapping[str, float]) -> bool:
    """Whether no channel that shows cycles is read so often that one could be told from the next."""
    return _finest_s(traces) >= limits["untimed_interval_s"]


def _finest_s(traces: Mapping[str, Trace]) -> float:
    """The shortest interval of a channel that shows cycles [s]; 0 where there is none."""
    return min(
        (traces[role].interval_s for role in (*COLD_ROLES, *DRAW_ROLES) if role in traces), default=0.0
    )


def why_none(
    record: CycleRecord,
    traces: Mapping[str, Trace],
    running: Running | None,
    limits: Mapping[str, float],
    *,
    standing: bool,
    sure: float,
) -> NoBatches | None:
    """Why the log is not to be read as one of a batch machine; None where it may be. running: see `running_of`; standing: a clamp shows the
    compressor standing in the harvests; sure: of all that may be harvest, so much is (`label.shown.Shown`)."""
    line = next((traces[role] for role in COLD_ROLES if role in traces), None)
    if not record.phases or _finest_s(traces) == 0.0:
        return None
    clamped = any(role in traces for role in DRAW_ROLES)
    harvests = [p for p in record.phases if p.kind is PhaseKind.HARVEST]
    told = sure >= limits["sure_pct"] / 100
    # To a clamp alone a heater that loosens the ice can look like a compressor that runs on.
    alone = standing or line is None
    if harvests and told and alone and _freed_standing(harvests, line, running, limits):
        return None
    if harvests and told and not standing and _warmed_by_gas(record.phases, harvests, line, running, limits):
        return None
    if clamped and running is None:  # nothing runs, or the clamp does not read
        return NoBatches.THERMOSTAT if harvests else None
    if not harvests and _finest_s(traces) > limits["coarse_interval_s"]:
        return NoBatches.TOO_COARSE
    if running is None:
        return NoBatches.THERMOSTAT if _turns(line) >= limits["thermostat_turns"] else NoBatches.NOT_SHOWN
    starts_ns = running.start_ns[running.whole]
    if len(starts_ns) < limits["thermostat_turns"]:
        many_speeds = running.spread > limits["one_speed_spread"]
        return NoBatches.NOT_SHOWN if many_speeds or standing or not told else None
    if np.median(np.diff(starts_ns)) < limits["thermostat_least_min"] * 6e10:  # it trips
        return None
    return NoBatches.THERMOSTAT


def _freed_standing(
    harvests: Sequence[Phase], line: Trace | None, running: Running | None, limits: Mapping[str, float]
) -> bool:
    """Whether ice may come loose while the compressor stands: the line is warmed faster than by air, or, by a clamp alone, the current falls over
    each run as a plate gets colder."""
    if running is None or running.whole.sum() < limits["thermostat_turns"]:
        return False
    if len(harvests) < MOST * running.whole.sum():
        return False
    if line is not None:
        return _climbs(line, _spans(harvests), limits).rate >= limits["warmed_least_k_per_min"]
    return _falls(running) >= limits["standing_falls_pct"] / 100


def _falls(running: Running) -> float:
    """By which part the current usually falls from the second quarter of a whole run to its last; nan of runs too short to tell."""
    begin, end = running.start_ns[running.whole], running.end_ns[running.whole]
    quarter = np.round(QUARTER * (end - begin)).astype(np.int64)
    level = _levels(running, np.column_stack([begin + quarter, begin + 2 * quarter, end - quarter, end]))
    fall = 1.0 - level[:, 2] / level[:, 0]
    return float(np.median(fall[np.isfinite(fall)])) if np.isfinite(fall).any() else np.nan


def _levels(running: Running, edges_ns: np.ndarray) -> np.ndarray:
    """Mean reading from each of the edges of a row to the next, (k, m - 1); nan where there is none. edges_ns: int64 (k, m)."""
    at = np.searchsorted(running.time_ns, edges_ns)
    total = np.r_[0.0, np.cumsum(running.values)]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.diff(total[at], axis=1) / np.diff(at, axis=1)


def without_batches(record: CycleRecord, why: NoBatches) -> CycleRecord:
    """`record` with no cycle in it, and every freeze and harvest called `unclear`."""
    made = (PhaseKind.FREEZE, PhaseKind.HARVEST, PhaseKind.UNCLEAR)
    phases = [
        replace(p, kind=PhaseKind.UNCLEAR, why=why.value) if p.kind in made else p for p in record.phases
    ]
    return replace(
        record,
        phases=tuple(phases),
        cycles=record.cycles.iloc[:0],
        pattern=False,
        harvests_standing=False,
        no_batches=why,
    )


def _warmed_by_gas(
    phases: Sequence[Phase],
    harvests: Sequence[Phase],
    line: Trace | None,
    running: Running | None,
    limits: Mapping[str, float],
) -> bool:
    """Whether most of what was taken for cycles has two parts in which the compressor runs, in the second of which the line is warmed."""
    climbs = _climbs(line, _spans(harvests), limits) if line is not None else None
    if running is None:
        return climbs is not None and _warmed(climbs, limits, limits["warmed_alone_k_per_min"])
    if running.whole.sum() < limits["thermostat_turns"]:
        if climbs is not None and _warmed(climbs, limits, limits["warmed_alone_k_per_min"]):
            return True  # by the line alone, whatever else the current does: it may run on without end, and draw otherwise then
        too_slow = climbs is not None and climbs.rate < limits["warmed_least_k_per_min"]
        return running.spread <= WITH_HARVESTS * limits["one_speed_spread"] and not too_slow
    freezes_ns = [p.end_ns - p.start_ns for p in phases if p.kind is PhaseKind.FREEZE]
    least_ns = max(limits["trip_run_min"] * 6e10, WHOLE_RUN * float(np.median(freezes_ns or [0.0])))
    runs = max(1, int((running.whole & (running.end_ns - running.start_ns >= least_ns)).sum()))
    warmed = climbs is None or climbs.rate >= limits["warmed_least_k_per_min"]
    return warmed and _while_running(harvests, running) >= MOST * runs


def _spans(phases: Sequence[Phase]) -> np.ndarray:
    """Start and end of each of `phases`, int64 (k, 2) [ns]."""
    return np.array([(p.start_ns, p.end_ns) for p in phases], dtype=np.int64).reshape(-1, 2)


def _warmed(climbs: _Climbs, limits: Mapping[str, float], least: float) -> bool:
    """Whether the line alone shows that it is warmed, by `least` [K/min], again and again. Air does it more slowly than a compressor
    cools it; gas does it faster, and water holds up the cooling."""
    fast = climbs.rate >= max(least, np.sqrt(FALLS * least * climbs.fall))
    return bool(
        fast and climbs.bottom_c <= limits["freezes_c"] and climbs.apart_min <= limits["harvests_apart_min"]
    )


@dataclass(frozen=True, kw_only=True)
class _Climbs:
    """How a line climbs, here and there; medians, except for the rate."""

    rate: float  # at most [K/min]; all but a quarter of them no faster
    fall: float  # how fast it falls at most after one [K/min]
    bottom_c: float  # before the next one
    apart_min: float  # from one to the next; 0 of a single one


def _climbs(line: Trace, spans_ns: np.ndarray, limits: Mapping[str, float]) -> _Climbs:
    """How `line` climbs in `spans_ns`, int64 (k, 2)."""
    cells = signals.lay_cells([line], limits)
    level = course_of(line, cells).level
    over = max(1, round(RISE_S / cells.step_s))
    rate = np.zeros(len(level))
    rate[over:-over] = (level[2 * over :] - level[: -2 * over]) / (2 * over * cells.step_s / 60.0)
    rate[np.isnan(rate)] = 0.0
    begin = np.searchsorted(cells.start_ns, spans_ns[:, 0])
    end = np.searchsorted(cells.start_ns, spans_ns[:, 1] + round(AFTER_S * 1e9))
    following = np.r_[begin[1:], len(level)]
    end = np.minimum(end, following)
    found = []
    for i, j, k in zip(begin, end, following, strict=True):
        if j > i and np.isfinite(level[i:k]).all():
            top = i + int(np.argmax(level[i:j]))
            found.append((rate[i:j].max(), -rate[top:k].min(), level[top:k].min()))
    if not found:
        return _Climbs(rate=np.nan, fall=np.nan, bottom_c=np.nan, apart_min=np.nan)
    fastest, fall, bottom_c = np.array(found).T
    return _Climbs(
        rate=float(np.quantile(fastest, 0.75)),
        fall=float(np.median(fall)),
        bottom_c=float(np.median(bottom_c)),
        apart_min=float(np.median(np.diff(spans_ns[:, 0]))) / 6e10 if len(spans_ns) > 1 else 0.0,
    )


def _while_running(harvests: Sequence[Phase], running: Running) -> int:
    """How many harvests lie within a run: it goes on after them, or holds readings of them before it ends."""
    reading_ns = round(running.interval_s * 1e9)
    begin, end = (np.array([getattr(p, x) for p in harvests]) for x in ("start_ns", "end_ns"))
    run = np.searchsorted(running.start_ns, begin, side="right") - 1
    stops = running.end_ns[np.maximum(run, 0)]
    goes_on = stops >= end + 2 * reading_ns
    inner = np.minimum(end, stops) - begin - 2 * reading_ns
    return int(((run >= 0) & (goes_on | (inner >= reading_ns))).sum())


def running_of(traces: Mapping[str, Trace], limits: Mapping[str, float]) -> Running | None:
    """The runs of the compressor by the readings as they came (what takes out spikes takes out short runs too); None where no clamp
    shows a running machine."""
    role = next((role for role in DRAW_ROLES if role in traces), None)
    if role is None:
        return None
    channel = traces[role].channel
    known = channel.trusted & np.isfinite(channel.values)
    time_ns, values = channel.time_ns[known], channel.values[known]
    top = float(np.quantile(values, 0.99)) if len(values) else 0.0
    if top <= 0:
        return None
    usual = float(np.median(values[values > STANDS * top]))
    if usual < limits["clamp_dead_a"]:
        return None
    side = np.where(values >= RUNS * usual, 1, np.where(values < STANDS * usual, -1, 0))
    told = np.flatnonzero(side)
    on = side[told] > 0
    hole = np.diff(time_ns[told]) > signals.longest_hole_ns(channel.interval_s, limits)
    first = np.flatnonzero(np.r_[True, (on[1:] != on[:-1]) | hole])
    last = np.r_[first[1:], len(told)] - 1
    stood_before = np.r_[False, ~hole][first] & np.r_[False, ~on[:-1]][first]
    stood_after = np.r_[~hole, False][last] & np.r_[~on[1:], False][last]
    runs = on[first]
    level = values[values >= RUNS * usual]
    low, middle, high = np.quantile(level, (0.05, 0.5, 0.95))
    return Running(
        start_ns=time_ns[told[first[runs]]],
        end_ns=time_ns[told[last[runs]]],
        whole=(stood_before & stood_after)[runs],
        spread=float((high - low) / middle),
        time_ns=time_ns,
        values=values,
        interval_s=channel.interval_s,
    )


def _turns(line: Trace) -> int:
    """How often the line turns up from the low part of its range to the high one."""
    low, high = np.quantile(line.values, (0.02, 0.98))
    below, above = (low + part * (high - low) for part in TURN)
    side = np.where(line.values >= above, 1, np.where(line.values <= below, -1, 0))
    side = side[side != 0]
    return int(np.count_nonzero(np.diff(side) > 0))
