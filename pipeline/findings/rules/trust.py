"""What the reading room doubts, said as findings: a report must show what its readings cannot carry."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.evidence.visits import worked_on
from pipeline.findings.finding import SPAN, Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import Rule, Seen
from pipeline.logs.alignment.unit_clock import ANOTHER_MACHINE
from pipeline.logs.timeline import Doubt

_MANY = phrase("finding.log-gap.several", "The log has {count} gaps, {missing_h} in all")
_SLIPS = phrase(
    "finding.probe-loose.slips",
    "The probe slips off its pipe: between freeze and harvest it swings by {after_k}, {before_k} at first, while the machine goes on as before",
)
_MOVED = phrase(
    "finding.probe-loose.moved",
    "The probe sits elsewhere, or looser: between freeze and harvest it swings by {after_k}, {before_k} before, while the machine goes on as before",
)
_COLD = ("evaporator", "suction")


def _passed_on(code: str, severity: Severity) -> Callable[[Case], tuple[Seen, ...]]:
    def test(case: Case) -> tuple[Seen, ...]:
        doubts = [d for d in case.timeline.doubts if d.code == code]
        by_channel: dict[tuple[str, str, str], list[Doubt]] = {}
        for doubt in doubts:
            by_channel.setdefault((doubt.role, doubt.label, doubt.file), []).append(doubt)
        return tuple(_seen(case, code, severity, group) for group in by_channel.values())

    return test


_OF_THE_WHOLE_LOG = ("clock-offset", "log-coarse")  # no cycle of it is meant more than another


def _seen(case: Case, code: str, severity: Severity, group: list[Doubt]) -> Seen:
    """One finding for all doubts of one kind about one channel."""
    first = min(group, key=lambda d: d.start_ns)
    whole_h = sum(d.end_ns - d.start_ns for d in group) / NS_PER_H
    touched = np.zeros(case.n, bool)
    for doubt in group:
        touched |= (case.start_ns < doubt.end_ns) & (case.end_ns > doubt.start_ns)
    # A doubt about a channel that no phase rests on is worth knowing, no more.
    minor = severity is Severity.WATCH and first.role not in (*_COLD, "current", "current_compressor", "")
    # Which machine is it that was judged? That has to be looked at.
    other = any(d.evidence.get("check") == ANOTHER_MACHINE for d in group)
    return Seen(
        severity=Severity.WATCH if other else Severity.NOTE if minor else severity,
        title=_title(code, group, whole_h),
        start_ns=first.start_ns,
        end_ns=max(d.end_ns for d in group),
        cycles=touched & (code not in _OF_THE_WHOLE_LOG),
        evidence={
            **dict(first.evidence),
            "channel": first.label or None,
            "role": first.role or None,
            "file": first.file or None,
            "spans": len(group),
            "span_h": round(whole_h, 2),
        },
        confidence=max(d.confidence for d in group),
        flag_cycles=first.role in _COLD and bool(touched.any()) and not touched.all(),
    )


def _title(code: str, group: list[Doubt], whole_h: float):
    if code == "log-gap" and len(group) > 1:
        return _MANY(count=len(group), missing_h=round(whole_h, 2))
    longest = max(group, key=lambda d: d.end_ns - d.start_ns)
    return longest.what


def _slips(case: Case) -> Seen | None:
    course = case.slipping
    if course is None:
        return None
    moved = course.change
    late = moved.late
    at = np.flatnonzero(late)
    cold = case.timeline.get(*_COLD)
    before, after = course.levels
    title = _SLIPS if moved.kind == "ramp" else _MOVED
    by_hand = moved.kind == "step" and worked_on(case, case.steady, moved.first) is not None
    return Seen(
        severity=Severity.NOTE if by_hand else Severity.WATCH,
        title=title(before_k=round(before, 1), after_k=round(after, 1)),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=late,
        usual=moved.judged & ~late,
        evidence={
            "how": moved.kind,
            "swing_before_k": round(before, 1),
            "swing_after_k": round(after, 1),
            "swing_change_pct": round(course.total, 1),
            "channel": cold.label or None,
            "role": cold.role,
            "cycles_judged": int(moved.judged.sum()),
        },
        confidence=statistics.phi(abs(course.total) / case.thresholds["drift_swing_pct"]),
        flag_cycles=False,
    )


_KINDS: tuple[tuple[str, Severity, tuple[str, ...]], ...] = (
    ("probe-fault", Severity.WATCH, ("probe-off-pipe",)),
    ("probe-loose", Severity.WATCH, ("probe-off-pipe",)),
    ("clamp-dead", Severity.WATCH, ("clamp-open",)),
    ("log-gap", Severity.NOTE, ("logger-stopped",)),
    ("log-coarse", Severity.NOTE, ("logger-slow",)),
    ("clock-offset", Severity.NOTE, ("clocks-differ",)),
)

_CLAMPS = Shows(roles=("current_compressor", "current", "power"), doubted=True)
_PROBES = Shows(doubted=True)

RULES = (
    *(
        Rule(
            code=code,
            test=_passed_on(code, severity),
            causes=causes,
            of_the_log=True,
            of_cycles=False,
            shows={"clamp-dead": _CLAMPS, "probe-fault": _PROBES, "probe-loose": _PROBES}.get(code, SPAN),
        )
        for code, severity, causes in _KINDS
    ),
    Rule(
        code="probe-loose",
        test=_slips,
        causes=("probe-off-pipe",),
        shows=_PROBES,
    ),
)
