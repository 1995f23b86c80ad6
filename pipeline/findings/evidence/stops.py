"""When the compressor stood: each stop with where in the cycle it came, and what current and line did meanwhile."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.cycles.record import Phase, PhaseKind
from pipeline.findings.masks.columns import NS_PER_DAY, NS_PER_H, NS_PER_MIN, Columns
from pipeline.findings.masks.doubtful import stood
from pipeline.findings.methods.statistics import median, middle
from pipeline.logs.timeline import Channel

_HOURS_SHOWN = 6  # width of the part of a day that events may keep to


@dataclass(frozen=True, kw_only=True)
class Stop:
    """A stretch in which the compressor stood, gaps of the log within it included."""

    start_ns: int
    end_ns: int
    after: str  # "freeze": in mid-freeze; "full freeze": at the end of one that was whole; "harvest"; "": not seen
    into_freeze_min: float  # how far that freeze had come, NaN where it was none
    resumed: bool  # a freeze came after it
    ends_log: bool

    @property
    def minutes(self) -> float:
        """How long it lasted [min]."""
        return (self.end_ns - self.start_ns) / NS_PER_MIN


def stops(columns: Columns, *, usual_freeze_min: float, broken: np.ndarray) -> tuple[Stop, ...]:
    """Every stop of the log, in time order.

    usual_freeze_min: the usual freeze [min]; broken: cycles that tell nothing, bool (n,).
    """
    peak_c = columns.level("harvest_peak_c", columns.flag("complete") & ~broken)
    phases = tuple(_with_stood(columns, usual_freeze_min, peak_c))
    t = columns.thresholds
    # What runs before a stop, or between two, for far less than a freeze is none; a line alone is slow to move.
    brief_min = np.nan_to_num(t["scrap_pct"] / 100 * usual_freeze_min)
    brief_min = brief_min if columns.clamped else max(brief_min, t["short_run_min"])
    bridge_ns = t["stop_bridge_min"] * NS_PER_MIN
    whole_min = t["split_short_pct"] / 100 * usual_freeze_min
    found, i = [], 0
    while i < len(phases):
        if phases[i].kind is not PhaseKind.IDLE:
            i += 1
            continue
        last = i
        while last + 1 < len(phases) and _goes_on(phases, last + 1, bridge_ns, brief_min * NS_PER_MIN):
            last += 1
        before = phases[i - 1] if i else None
        then = phases[last + 1] if last + 1 < len(phases) else None
        after, into = _came(phases, i, before, whole_min, brief_min)
        found.append(
            Stop(
                start_ns=phases[i].start_ns,
                end_ns=phases[last].end_ns,
                after=after,
                into_freeze_min=into,
                resumed=then is not None and then.kind is PhaseKind.FREEZE,
                ends_log=then is None,
            )
        )
        i = last + 1
    return tuple(found)


def _with_stood(columns: Columns, usual_freeze_min: float, peak_c: float) -> Iterator[Phase]:
    """The record's phases, those freezes cut up that hold a stop which no clamp was there to see: the line as warm through it as harvests
    end (`peak_c` [°C]), or too warm for a freeze until it fell at once. usual_freeze_min: [min]."""
    t = columns.thresholds
    for phase in columns.record.phases:
        length = (phase.end_ns - phase.start_ns) / NS_PER_MIN
        longer = length > (1 + t["run_out_pct"] / 100) * usual_freeze_min
        if phase.kind is not PhaseKind.FREEZE or columns.clamped or not longer:
            yield phase
            continue
        line_c = level_between(columns, phase.start_ns, phase.end_ns, "evaporator", "suction")
        if length >= t["stood_times"] * usual_freeze_min and line_c > peak_c - t["idle_peak_k"]:
            yield replace(phase, kind=PhaseKind.IDLE)
            continue
        begun, over = stood(columns, phase.start_ns, phase.end_ns, usual_freeze_min)
        if over - begun <= t["stood_share_pct"] / 100 * (length - usual_freeze_min) * NS_PER_MIN:
            yield phase
            continue
        for kind, first, last in (
            (PhaseKind.FREEZE, phase.start_ns, begun),
            (PhaseKind.IDLE, begun, over),
            (PhaseKind.FREEZE, over, phase.end_ns),
        ):
            if last > first:
                yield replace(phase, kind=kind, start_ns=first, end_ns=last)


def _goes_on(phases: tuple[Phase, ...], k: int, bridge_ns: float, brief_ns: float) -> bool:
    """Whether the stop goes on in phase `k`: idle, or a short gap or unclear stretch, or a freeze for a moment, with an idle after it."""
    if phases[k].kind is PhaseKind.IDLE:
        return True
    most_ns = {PhaseKind.GAP: bridge_ns, PhaseKind.UNCLEAR: bridge_ns, PhaseKind.FREEZE: brief_ns}
    between = phases[k].end_ns - phases[k].start_ns <= most_ns.get(phases[k].kind, -1.0)
    return between and k + 1 < len(phases) and phases[k + 1].kind is PhaseKind.IDLE


def _came(
    phases: tuple[Phase, ...], i: int, before: Phase | None, whole_min: float, brief_min: float
) -> tuple[str, float]:
    if before is None:
        return "", math.nan
    if before.kind is PhaseKind.HARVEST:
        return "harvest", math.nan
    if before.kind is not PhaseKind.FREEZE:
        return "", math.nan
    minutes = (before.end_ns - before.start_ns) / NS_PER_MIN
    if i >= 2 and phases[i - 2].kind is PhaseKind.HARVEST and minutes <= brief_min:
        return "harvest", math.nan
    begun = i >= 2 and phases[i - 2].kind in (PhaseKind.HARVEST, PhaseKind.IDLE)
    if not begun or not math.isfinite(whole_min):
        return "", minutes
    return ("freeze" if minutes < whole_min else "full freeze"), minutes


def level_between(columns: Columns, start_ns: int, end_ns: int, *roles: str) -> float:
    """The median trusted reading of the first of these channels between two moments, NaN where there is none."""
    channel = columns.timeline.get(*roles)
    if channel is None:
        return math.nan
    a, b = np.searchsorted(channel.time_ns, [start_ns, end_ns])
    values = channel.values[a:b][channel.trusted[a:b]]
    return median(values) if len(values) else math.nan


def hours_of_day(columns: Columns, at_ns: np.ndarray) -> str | None:
    """The part of the day that moments `at_ns` (n,) keep to, as "13–18 h" in the unit's zone; None where they keep to none, or the log is too
    short to show that they would."""
    t = columns.thresholds
    days = (columns.timeline.end_ns - columns.timeline.start_ns) / NS_PER_DAY
    if len(at_ns) < 3 or days < t["hours_days"]:
        return None
    hours = np.sort(hour_of(columns, at_ns))
    width = np.concatenate([hours, hours + 24])
    n = len(hours)
    needed = math.ceil(t["hours_share_pct"] / 100 * n)
    span = width[needed - 1 : needed - 1 + n] - hours
    first = int(np.argmin(span))
    if span[first] > _HOURS_SHOWN:
        return None
    return f"{math.floor(hours[first]) % 24}–{math.ceil(hours[first] + span[first] + 1e-9) % 24 or 24} h"


def moment(columns: Columns, at_ns: int) -> str:
    """Day and time of a moment in the unit's zone, as "2026-05-17 05:31"."""
    return datetime.fromtimestamp(at_ns / 1e9, ZoneInfo(columns.timeline.time_zone)).strftime(
        "%Y-%m-%d %H:%M"
    )


def hour_of(columns: Columns, at_ns: np.ndarray) -> np.ndarray:
    """Hours of the day (n,) of moments `at_ns` (n,), 0…24, in the unit's zone (by its offset at the log's start)."""
    zone = ZoneInfo(columns.timeline.time_zone)
    offset = datetime.fromtimestamp(columns.timeline.start_ns / 1e9, UTC).astimezone(zone).utcoffset()
    return (np.asarray(at_ns) / NS_PER_H + offset.total_seconds() / 3600) % 24


CLAMPS = ("current_compressor", "current", "power")


def clamp_of(columns: Columns) -> Channel | None:
    """The channel that shows the compressor's draw, None where none does."""
    return columns.timeline.get(*CLAMPS)


def drawn(columns: Columns, at_ns: np.ndarray, run_min: np.ndarray, *, most_min: float = 2.0) -> np.ndarray:
    """The middle reading of the clamp over the first minutes of each run (runs,) [A or W], NaN where it is not known."""
    clamp, found = clamp_of(columns), np.full(len(at_ns), np.nan)
    if clamp is None:
        return found
    time_ns, values = clamp.readings()
    minutes = np.minimum(np.nan_to_num(run_min, nan=2.0), most_min)
    first, stop = np.searchsorted(time_ns, at_ns), np.searchsorted(time_ns, at_ns + (minutes * NS_PER_MIN).astype(np.int64))  # fmt: skip
    for i in np.flatnonzero(stop > first):
        found[i] = median(values[first[i] : stop[i]])
    return found


def usual_draw(columns: Columns) -> float:
    """What the clamp usually reads in freezes [A or W], NaN where that is unknown."""
    whole = columns.flag("complete") & np.isfinite(columns.freeze_min)
    return middle(drawn(columns, columns.start_ns[whole], columns.freeze_min[whole], most_min=math.inf))


def over_usual_pct(columns: Columns, usual: float, at_ns: np.ndarray, run_min: np.ndarray) -> float:
    """By how much the runs of `run_min` (r,) [min] that begin at `at_ns` (r,) draw more than the `usual` of freezes [%], NaN where it is
    not known."""
    return 100 * (middle(drawn(columns, at_ns, run_min)) / usual - 1) if usual > 0 else math.nan


def kind_of_trips(
    columns: Columns, run_min: float, off_min: float, discharge_c: float, over_pct: float
) -> str:
    """Which protection is likely to open, by on and off times and the discharge line before the restart.

    Common practice, no source: a low-pressure switch opens within a minute and closes again as the pressures equalise; an
    overload needs minutes to cool and opens sooner on a hot motor; a high-pressure switch needs a minute or more to
    build the pressure; contacts that chatter do so within seconds. What the clamp's interval adds to a run or a stop by
    rounding up is allowed for.
    """
    t, clamp = columns.thresholds, clamp_of(columns)
    if not (math.isfinite(run_min) and math.isfinite(off_min)):
        return "unknown"
    if clamp is not None:
        rounded = clamp.interval_s / 120
        run_min, off_min = max(run_min - rounded, 0.0), max(off_min - rounded, 0.0)
    if run_min < t["chatter_run_min"] and off_min < t["chatter_off_min"]:
        return "chatter"
    if run_min <= t["low_pressure_run_min"] and off_min <= t["low_pressure_off_min"]:
        return "low-pressure"
    if run_min <= t["overload_run_min"] and over_pct <= -t["low_pressure_draw_pct"]:
        return "low-pressure"  # next to no gas to pump: an overload opens on a motor that draws more
    if run_min > t["overload_run_min"] and not over_pct >= t["overload_draw_pct"]:
        return "high-pressure"  # a motor that draws no more than usual heats up no overload in so long; a pressure builds up
    if math.isfinite(discharge_c) and discharge_c >= t["overload_discharge_c"]:
        return "overload" if off_min >= run_min else "high-pressure"
    if off_min >= max(t["overload_off_times"] * run_min, t["overload_off_min"]):
        return "overload"
    return "high-pressure"
