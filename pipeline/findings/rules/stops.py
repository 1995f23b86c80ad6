"""A compressor that stands far longer than it rests otherwise, and one that stops in mid-freeze and comes back."""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.evidence.stops import Stop, hours_of_day, level_between
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.methods.statistics import rounded
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import NEEDS_STARTS, Need, Rule, Seen

_STOPPED = phrase(
    "finding.ice-stopped.since",
    "It stopped {after_h} into the log and made no more ice: the compressor has stood for {stopped_h}",
)
_CAME_BACK = phrase(
    "finding.ice-stopped.came-back",
    "No ice for {stopped_h}: the compressor stood, from {after_h} into the log",
)
_BROKEN = phrase(
    "finding.freeze-broken.title",
    "The compressor stopped within freezes and came back: {count} times, for {off_min}",
)
_BROKEN_ONCE = phrase(
    "finding.freeze-broken.once",
    "The compressor stopped within a freeze, {after_h} into the log, and came back after {off_min}",
)
_BROKEN_HOURS = phrase(
    "finding.freeze-broken.hours",
    "The compressor stopped within freezes and came back: {count} times, for {off_min}, mostly at {hours}",
)
_PHASES = phrase("needs.phases", "a log that shows when the compressor runs")


def _ice_stopped(case: Case):
    t = case.thresholds
    lengths = np.array([s.minutes for s in case.stops])
    found = [s for i, s in enumerate(case.stops) if _too_long(case, s, np.delete(lengths, i))]
    if not found:
        return None
    stop = max(found, key=lambda s: s.minutes)
    others = [s.minutes for s in case.stops if s not in found]
    rest_h = max(others, default=0.0) / 60
    hours = stop.minutes / 60
    after_h = (stop.start_ns - case.timeline.start_ns) / NS_PER_H
    grave = stop.ends_log and hours >= t["stopped_act_times"] * rest_h
    title = _STOPPED if stop.ends_log else _CAME_BACK
    return Seen(
        severity=Severity.ACT if grave else Severity.WATCH,
        title=title(after_h=round(after_h, 1), stopped_h=round(hours, 1)),
        start_ns=stop.start_ns,
        end_ns=stop.end_ns,
        evidence={
            "stopped_h": round(hours, 1),
            "longest_rest_otherwise_h": round(rest_h, 1),
            "rests_seen": len(others),
            "came": {"freeze": "in mid-freeze", "full freeze": "at the end of a freeze", "harvest": "after a harvest"}.get(stop.after),
            "current_a": rounded(level_between(case, stop.start_ns, stop.end_ns, "current_compressor", "current"), 2),
            "power_w": rounded(level_between(case, stop.start_ns, stop.end_ns, "power"), 0),
            "line_c": rounded(level_between(case, stop.start_ns, stop.end_ns, "evaporator", "suction"), 1),
            "bin_c": rounded(level_between(case, stop.start_ns, stop.end_ns, "bin"), 1),
            "stops_so_long": len(found),
            "at_the_end": "yes" if stop.ends_log else None,
        },
        confidence=_sure(stop, hours, rest_h),
        flag_cycles=False,
    )  # fmt: skip


def _too_long(case: Case, stop: Stop, others: np.ndarray) -> bool:
    """Whether a stop is far longer than the unit's other rests, and than a full bin makes a machine wait overnight; sooner where it came
    in mid-freeze, as a full bin comes after a harvest in a unit that otherwise rests after harvests."""
    t = case.thresholds
    longest = float(np.sort(others)[-1]) if len(others) else 0.0
    rests = [s for s in case.stops if s.minutes >= t["broken_off_min"] and s is not stop]
    after_harvests = sum(s.after in ("harvest", "") for s in rests) >= len(rests) / 2
    least_h = t["stopped_mid_h"] if stop.after == "freeze" and after_harvests else t["stopped_h"]
    return stop.minutes >= 60 * least_h and stop.minutes >= t["stopped_times"] * longest


def _sure(stop: Stop, hours: float, rest_h: float) -> float:
    times = hours / max(rest_h, 1.0)
    return statistics.phi(math.log(times) + (0.5 if stop.after == "freeze" else 0.0))


def _freeze_broken(case: Case):
    t = case.thresholds
    within = [s for s in case.stops if s.after == "freeze"]
    brief = [s for s in within if s.minutes <= t["broken_off_min"] and s.resumed]
    if not brief or 100 * len(brief) < t["broken_brief_pct"] * len(within):
        return None  # a unit that rests at any moment of its freeze, for as long as the bin is full
    at_ns = np.array([s.start_ns for s in brief])
    off_min = float(np.median([s.minutes for s in brief]))
    freezes = max(case.n - len(brief), 1)
    share = 100 * len(brief) / freezes
    hours = hours_of_day(case, at_ns)
    values = {"count": len(brief), "off_min": round(off_min, 1)}
    if len(brief) == 1:
        title = _BROKEN_ONCE(
            after_h=round((brief[0].start_ns - case.timeline.start_ns) / NS_PER_H, 1),
            off_min=round(off_min, 1),
        )
    else:
        title = _BROKEN_HOURS(hours=hours, **values) if hours else _BROKEN(**values)
    many = len(brief) >= t["starts_act"] and share >= t["broken_act_pct"]
    touched = np.zeros(case.n, bool)
    for stop in brief:
        touched |= (case.start_ns < stop.end_ns) & (case.end_ns >= stop.start_ns)
    return Seen(
        severity=Severity.NOTE if len(brief) < t["broken_stops"] else Severity.ACT if many else Severity.WATCH,
        title=title,
        start_ns=int(at_ns[0]),
        end_ns=brief[-1].end_ns,
        cycles=touched,
        usual=case.steady & ~touched,
        evidence={
            "stops": len(brief),
            "of_freezes_pct": round(share, 1),
            "off_min": round(off_min, 1),
            "shortest_off_min": round(min(s.minutes for s in brief), 1),
            "longest_off_min": round(max(s.minutes for s in brief), 1),
            "into_freeze_min": rounded(float(np.median([s.into_freeze_min for s in brief])), 1),
            "hours": hours,
            "seen_by": "current" if case.timeline.get("current_compressor", "current", "power") is not None else "temperature",
        },
        confidence=1 - 0.45 ** len(brief),
    )  # fmt: skip


_CLAMPS = Shows(roles=("current_compressor", "current", "power", "evaporator", "suction"))
_NEEDS_PHASES = Need(met=lambda case: bool(case.record.phases), text=_PHASES())

RULES = (
    Rule(
        code="ice-stopped",
        test=_ice_stopped,
        needs=(_NEEDS_PHASES,),
        thresholds=("stopped_h", "stopped_mid_h", "stopped_times", "stopped_act_times", "broken_off_min"),
        causes=(
            "bin-control",
            "power-lost",
            "control-stuck",
            "overload-trips",
            "high-pressure-cut",
            "somebody-at-it",
        ),
        shows=_CLAMPS,
        of_the_log=True,
    ),
    Rule(
        code="freeze-broken",
        test=_freeze_broken,
        needs=(NEEDS_STARTS,),
        thresholds=("broken_off_min", "broken_brief_pct", "broken_act_pct", "broken_stops", "starts_act"),
        causes=("high-pressure-cut", "overload-trips", "low-pressure-cut", "control-chatters"),
        quiet_when=("short-cycling",),
        shows=Shows(roles=_CLAMPS.roles, worst_stretch=True),
    ),
)
