"""What stands: the compressor for hours (`ice-stopped`) or in mid-freeze (`freeze-broken`), and parts with a clamp of their own (`part-off`)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings.evidence.case import NS_PER_MIN, Case
from pipeline.findings.evidence.stops import (
    Stop,
    clamp_of,
    hours_of_day,
    kind_of_trips,
    level_between,
    moment,
    over_usual_pct,
)
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.methods.statistics import middle, rounded
from pipeline.findings.phrase import Phrase, phrase
from pipeline.findings.rule import NEEDS_PHASES, NEEDS_STARTS, CannotTell, Need, Rule, Seen, cycles_needed

_STOPPED = phrase(
    "finding.ice-stopped.since",
    "It stopped on {when} and made no more ice: the compressor has stood for {stopped_h}",
)
_CAME_BACK = phrase(
    "finding.ice-stopped.came-back",
    "No ice for {stopped_h}: the compressor stood, from {when} on",
)
_STANDS = phrase(
    "finding.ice-stopped.stands",
    "It has stood for the last {stopped_h} of the log, longer than before: with a full bin, switched off, or tripped",
)
_BROKEN = phrase(
    "finding.freeze-broken.title",
    "The compressor stopped within freezes and came back: {count} times, for {off_min}",
)
_BROKEN_ONCE = phrase(
    "finding.freeze-broken.once",
    "The compressor stopped within a freeze, on {when}, and came back after {off_min}",
)
_BROKEN_HOURS = phrase(
    "finding.freeze-broken.hours",
    "The compressor stopped within freezes and came back: {count} times, for {off_min}, mostly at {hours}",
)


def _ice_stopped(case: Case):
    t = case.thresholds
    found = [s for s in case.stops if _too_long(case, s)]
    # How the log ends is told, though a full bin may do as much.
    told = found or [s for s in case.stops if s.ends_log and _longer(case, s, t["stopped_mid_h"])]
    if not told:
        return None
    stop = max(told, key=lambda s: s.minutes)
    rest_h = max((s.minutes for s in case.stops if s not in told), default=0.0) / 60
    hours = stop.minutes / 60
    grave = stop.ends_log and hours >= t["stopped_act_times"] * rest_h
    title = _STANDS if not found else _STOPPED if stop.ends_log else _CAME_BACK
    return Seen(
        severity=Severity.NOTE if not found else Severity.ACT if grave else Severity.WATCH,
        title=title(when=moment(case, stop.start_ns), stopped_h=round(hours, 1)),
        start_ns=stop.start_ns,
        end_ns=stop.end_ns,
        evidence={
            "stopped_h": round(hours, 1),
            "longest_rest_otherwise_h": round(rest_h, 1),
            "rests_seen": len(case.stops) - len(told),
            "came": {"freeze": "in mid-freeze", "full freeze": "at the end of a freeze", "harvest": "after a harvest"}.get(stop.after),
            "current_a": rounded(level_between(case, stop.start_ns, stop.end_ns, "current_compressor", "current"), 2),
            "power_w": rounded(level_between(case, stop.start_ns, stop.end_ns, "power"), 0),
            "runs_on": "fan or pump" if _runs_on(case, stop) else None,
            "line_c": rounded(level_between(case, stop.start_ns, stop.end_ns, "evaporator", "suction"), 1),
            "bin_c": rounded(level_between(case, stop.start_ns, stop.end_ns, "bin"), 1),
            "stops_so_long": len(told),
            "at_the_end": "yes" if stop.ends_log else None,
        },
        confidence=_sure(stop, hours, rest_h),
        flag_cycles=False,
    )  # fmt: skip


def _too_long(case: Case, stop: Stop) -> bool:
    """Whether a stop is far longer than the unit's other rests, and than a full bin makes a machine wait overnight; sooner where it came
    in mid-freeze, as a full bin comes after a harvest in a unit that otherwise rests after harvests, or where a fan or pump ran on."""
    t = case.thresholds
    if not _longer(case, stop, min(t["stopped_mid_h"], t["stopped_h"])):
        return False
    rests = [s for s in case.stops if s.minutes >= t["broken_off_min"] and s is not stop]
    after_harvests = sum(s.after in ("harvest", "") for s in rests) >= len(rests) / 2
    sooner = (stop.after == "freeze" and after_harvests) or _runs_on(case, stop)
    return _longer(case, stop, t["stopped_mid_h"] if sooner else t["stopped_h"])


def _longer(case: Case, stop: Stop, least_h: float) -> bool:
    """Whether a stop took `least_h` and far longer than the unit's other rests."""
    longest = max((s.minutes for s in case.stops if s is not stop), default=0.0)
    return stop.minutes >= 60 * least_h and stop.minutes >= case.thresholds["stopped_times"] * longest


def _runs_on(case: Case, stop: Stop) -> bool:
    """Whether a clamp round the whole unit shows that a fan or pump ran through the stop, as in no other rest."""
    clamp = clamp_of(case)
    if clamp is None or clamp.role == "current_compressor":
        return False
    rests = [s for s in case.stops if s is not stop and s.minutes >= case.thresholds["broken_off_min"]]
    other = middle(np.array([level_between(case, s.start_ns, s.end_ns, clamp.role) for s in rests]))
    here = level_between(case, stop.start_ns, stop.end_ns, clamp.role)
    return here - max(np.nan_to_num(other), 0.0) > case.thresholds["runs_on_pct"] / 100 * case.usual_draw


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
        title = _BROKEN_ONCE(when=moment(case, brief[0].start_ns), off_min=round(off_min, 1))
    else:
        title = _BROKEN_HOURS(hours=hours, **values) if hours else _BROKEN(**values)
    many = len(brief) >= t["starts_act"] and share >= t["broken_act_pct"]
    pattern = len(brief) >= t["starts_needed"]
    into_min = middle(np.array([s.into_freeze_min for s in brief]))
    before_min = np.full(len(brief), 2.0)
    over = over_usual_pct(case, case.usual_draw, at_ns - round(2 * NS_PER_MIN), before_min)
    discharge = middle(
        np.array([level_between(case, s.end_ns - NS_PER_MIN, s.end_ns, "discharge") for s in brief])
    )
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
            "into_freeze_min": rounded(into_min, 1),
            "kind": kind_of_trips(case, into_min, off_min, discharge, over) if pattern else None,
            "over_usual_current_pct": rounded(over, 1),
            "hours": hours,
            "seen_by": "current" if case.timeline.get("current_compressor", "current", "power") is not None else "temperature",
        },
        confidence=1 - 0.45 ** len(brief),
    )  # fmt: skip


_CLAMPS = Shows(roles=("current_compressor", "current", "power", "evaporator", "suction"))


@dataclass(frozen=True, kw_only=True)
class _Part:
    """A part by the role of its clamp: in which stretch of every cycle it runs, and what is said where it does not."""

    role: str
    through: str  # "freeze", "cycle"
    since: Phrase
    never: Phrase
    causes: tuple[str, ...]
    slowest_s: float = 60.0  # logger that shows it


def _part(role: str, through: str, name: str, effect: str, *causes: str, slowest_s: float = 60.0) -> _Part:
    since = f"{name} stopped drawing current for {{count}} cycles; {effect}"
    return _Part(
        role=role,
        through=through,
        since=phrase(f"finding.part-off.{role}", since),
        never=phrase(
            f"finding.part-off.{role}.never",
            f"{name} drew no current in {{count}} cycles: it stands, or the clamp is open; where it stands, {effect}",
        ),
        causes=causes,
        slowest_s=slowest_s,
    )


_PARTS = (
    _part("current_fan", "freeze", "The condenser fan", "the heat stays in the condenser", "condenser-fan"),
    _part("current_pump", "freeze", "The water pump", "no water runs over the plate", "no-water", "water-spread"),
    _part("current_dump", "cycle", "The dump valve", "minerals gather in the water", "dump-valve", "scale", slowest_s=15.0),
    _part("current_grid", "cycle", "The cutter grid", "slabs stack up uncut"),
)  # fmt: skip
_ROLES = tuple(p.role for p in _PARTS)
_PART_CLAMP = phrase("needs.part-clamp", "a clamp of its own on fan, pump, dump valve or cutter grid")
_FASTER = phrase("needs.part-faster", "a faster logger on the dump valve: it opens for seconds")


def _part_off(case: Case):
    short_of = cycles_needed("band_cycles")(case)
    if short_of:
        return short_of
    found = [(part, outcome) for part in _PARTS if (outcome := _part_without_current(case, part)) is not None]
    seen = tuple(outcome for _, outcome in found if isinstance(outcome, Seen))
    return seen or (found[0][1] if found else None)


def _part_without_current(case: Case, part: _Part) -> Seen | CannotTell | None:
    t, channel = case.thresholds, case.timeline.get(part.role)
    if channel is None or not channel.trusted.any():
        return None
    if channel.interval_s > part.slowest_s:
        return CannotTell(needs=_FASTER())
    time_ns, values = channel.readings()
    usual = float(np.quantile(values, 0.995))
    ran = values > max(t["part_on_pct"] / 100 * usual, t["part_least_a"])
    until = case.harvest_ns if part.through == "freeze" else case.end_ns
    first, stop = np.searchsorted(time_ns, case.start_ns), np.searchsorted(time_ns, until)
    counted = np.concatenate([[0], np.cumsum(ran)])
    known = case.flag("complete") & (stop - first >= 3) & ~case.broken
    off = known & (counted[stop] == counted[first])
    if not ran.any() or usual < t["part_least_a"]:
        return (
            _part_seen(case, part, known, part.never, usual, ever=False)
            if known.sum() >= t["part_cycles"]
            else None
        )
    at = np.flatnonzero(known)
    runs = [r for r in statistics.episodes(off[at]) if r[1] - r[0] + 1 >= t["part_cycles"]]
    if not runs:
        return None
    out = np.zeros(case.n, bool)
    for a, b in runs:
        out[at[a : b + 1]] = True
    return _part_seen(case, part, out, part.since, usual, ever=True)


def _part_seen(
    case: Case, part: _Part, out: np.ndarray, title: Phrase, usual_a: float, *, ever: bool
) -> Seen:
    at = np.flatnonzero(out)
    lasts = at[-1] >= np.flatnonzero(case.flag("complete"))[-1]
    return Seen(
        severity=Severity.ACT if ever and lasts else Severity.WATCH,
        title=title(count=len(at)),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=out,
        usual=case.steady & ~out if ever else None,
        evidence={
            "role": part.role,
            "count": len(at),
            "usual_a": round(usual_a, 2),
            "at_the_end": "yes" if lasts else None,
        },
        confidence=1 - 0.7 ** len(at) if ever else 0.6,
        causes=part.causes,
    )


RULES = (
    Rule(
        code="part-off",
        test=_part_off,
        needs=(Need(met=lambda case: case.timeline.get(*_ROLES) is not None, text=_PART_CLAMP()),),
        causes=("condenser-fan", "no-water", "dump-valve"),
        shows=Shows(roles=_ROLES),
    ),
    Rule(
        code="ice-stopped",
        test=_ice_stopped,
        needs=(NEEDS_PHASES,),
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
        causes=("high-pressure-cut", "overload-trips", "low-pressure-cut", "control-chatters"),
        quiet_when=("short-cycling",),
        shows=Shows(roles=_CLAMPS.roles, worst_stretch=True),
    ),
)  # fmt: skip
