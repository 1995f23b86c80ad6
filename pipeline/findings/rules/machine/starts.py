"""The compressor's starts: too close together, or failed."""

from __future__ import annotations

import itertools

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.evidence.case import NS_PER_H, NS_PER_MIN, Case
from pipeline.findings.evidence.stops import (
    CLAMPS,
    clamp_of,
    drawn,
    kind_of_trips,
    over_usual_pct,
)
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods.statistics import middle, rounded
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import NEEDS_STARTS, CannotTell, Rule, Seen

_SHORT = phrase(
    "finding.short-cycling.title",
    "The compressor short-cycles: {count} starts close together, up to {worst_per_hour}",
)
_SHORT_SPANS = phrase(
    "finding.short-cycling.spans",
    "The compressor short-cycles: it trips and restarts for {tripping_h} of the log",
)
_FAILED = phrase(
    "finding.failed-start.title",
    "The compressor failed to start {count} times: locked-rotor current, then a drop-out",
)
_NO_INRUSH = phrase(
    "needs.fast-current", "a clamp logging at 5 s or faster: a failed start lasts only seconds"
)

_TRIPPING = "tripping"


class _Starts:
    """The table of starts as arrays, one value a start."""

    def __init__(self, case: Case) -> None:
        table = case.record.starts
        n = len(table)

        def column(name: str) -> np.ndarray:
            return table[name].to_numpy().astype(float) if name in table else np.full(n, np.nan)

        self.n = n
        self.at_ns = table["start_ns"].to_numpy().astype(np.int64) if n else np.empty(0, np.int64)
        self.off_min, self.run_min = column("off_before_min"), column("run_min")
        self.line_c, self.discharge_c, self.inrush_a = (
            column("line_c"),
            column("discharge_c"),
            column("inrush_a"),
        )
        self.failed = (
            table["failed"].to_numpy().astype(bool) if n and "failed" in table else np.zeros(n, bool)
        )
        # Of another load on the same clamp, a bin's light or a heater, no matter what its runs look like.
        least = case.thresholds["start_least_pct"] / 100 * case.usual_draw
        other = ~self.failed & (drawn(case, self.at_ns, self.run_min) < least)
        if other.any():
            keep = ~other
            self.n = int(keep.sum())
            self.at_ns, self.off_min, self.run_min = self.at_ns[keep], self.off_min[keep], self.run_min[keep]
            self.line_c, self.discharge_c, self.inrush_a = (
                self.line_c[keep],
                self.discharge_c[keep],
                self.inrush_a[keep],
            )
            self.failed = self.failed[keep]


def _quick(case: Case, s: _Starts) -> np.ndarray:
    """Starts that come too soon after the one before and belong to a pattern of them, bool (starts,).

    Too soon: off for less than the least off-time, sooner than the most starts an hour allow, or after a run, by the
    current, that no control ends by itself. A pattern: as many as `starts_needed` within one hour; where a log has one, fewer
    are of its kind. Failed starts are judged by themselves.
    """
    t = case.thresholds
    if s.n < 2:
        return np.zeros(s.n, bool)
    since_last = np.concatenate([[np.inf], np.diff(s.at_ns) / NS_PER_MIN])
    ran_min = np.concatenate([[np.nan], s.run_min[:-1]])
    after_failed = np.concatenate([[False], s.failed[:-1]])
    known = np.isfinite(s.off_min) & ~s.failed & ~after_failed & ~_ends_harvest(case, s.at_ns)
    if not case.clamped:  # a probe lags: what it shows for seconds was no stop
        known &= s.off_min >= max(t["stop_seen_min"], t["seen_intervals"] * case.record.interval_s / 60)
        known &= ~(ran_min >= t["split_short_pct"] / 100 * case.usual_freeze_min)  # it made ice: no trip
    brief = case.clamped & (ran_min < t["short_run_min"])
    soon = known & ((s.off_min < t["start_off_min"]) | (since_last < 60 / t["starts_per_hour"]) | brief)
    return soon if _make_a_pattern(s.at_ns[soon], int(t["starts_needed"])) else np.zeros(s.n, bool)


def _ends_harvest(case: Case, at_ns: np.ndarray) -> np.ndarray:
    """Starts that end a harvest, bool (starts,), where most harvests end so: the compressor stands in harvest by design."""
    phases = case.record.phases
    ends = np.array(
        [
            b.start_ns
            for a, b in itertools.pairwise(phases)
            if a.kind is PhaseKind.HARVEST and b.kind is PhaseKind.FREEZE
        ],
        np.int64,
    )
    none = np.zeros(len(at_ns), bool)
    if len(ends) == 0 or len(at_ns) == 0:
        return none
    near = np.searchsorted(ends, at_ns)
    away = np.minimum(
        np.abs(at_ns - ends[np.minimum(near, len(ends) - 1)]), np.abs(at_ns - ends[np.maximum(near - 1, 0)])
    )
    own = away <= NS_PER_MIN
    return own if own.sum() > 0.5 * len(ends) else none


def _make_a_pattern(at_ns: np.ndarray, needed: int) -> bool:
    """Whether `needed` of these moments lie within one hour."""
    return len(at_ns) >= needed and bool(
        (at_ns[needed - 1 :] - at_ns[: len(at_ns) - needed + 1] <= NS_PER_H).any()
    )


def _short_cycling(case: Case):
    t, s = case.thresholds, _Starts(case)
    spans = [p for p in case.record.phases if p.kind is PhaseKind.UNCLEAR and p.why == _TRIPPING]
    quick = _quick(case, s)
    if not quick.any():
        return _by_spans(case, spans)
    at = np.flatnonzero(quick)
    before = np.maximum(at - 1, 0)
    run_min, off_min = s.run_min[before], s.off_min[at]
    per_hour = _most_per_hour(s.at_ns[at])
    first = int(
        s.at_ns[at[0]] - round(off_min[0] * NS_PER_MIN)
    )  # the stop that came before the first quick restart
    last = int(s.at_ns[at[-1]])
    if spans:
        first, last = min(first, spans[0].start_ns), max(last, spans[-1].end_ns)
    run, off = middle(run_min), middle(off_min)
    over = over_usual_pct(case, case.usual_draw, s.at_ns[before], s.run_min[before])
    kind = kind_of_trips(case, run, off, middle(s.discharge_c[at]), over)
    return Seen(
        # What a line shows are no starts that somebody saw.
        severity=Severity.ACT if len(at) >= t["starts_act"] and case.clamped else Severity.WATCH,
        title=_SHORT(count=len(at), worst_per_hour=round(per_hour, 1)),
        start_ns=first,
        end_ns=last,
        cycles=_touched(case, s.at_ns[at]),
        evidence={
            "kind": kind,
            "quick_starts": len(at),
            "starts_seen": s.n,
            "most_per_hour": round(per_hour, 1),
            "run_min": rounded(run),
            "off_min": rounded(off),
            "over_usual_current_pct": rounded(over),
            "shortest_off_min": rounded(float(np.nanmin(off_min))) if np.isfinite(off_min).any() else None,
            "line_before_c": rounded(middle(s.line_c[at])),
            "discharge_before_c": rounded(middle(s.discharge_c[at])),
            "seen_by": "current" if case.clamped else "temperature",
        },
        confidence=1 - 0.4 ** (len(at) / t["starts_needed"]),
        causes=_CAUSES[kind],
    )


def _by_spans(case: Case, spans):
    """Where the starts were not listed one by one, the stretches that the record calls tripping."""
    hours = sum(p.end_ns - p.start_ns for p in spans) / NS_PER_H
    if hours * case.thresholds["starts_per_hour"] < case.thresholds["starts_needed"]:
        return None
    return Seen(
        severity=Severity.ACT if hours >= case.thresholds["tripping_act_h"] else Severity.WATCH,
        title=_SHORT_SPANS(tripping_h=round(hours, 2)),
        start_ns=spans[0].start_ns,
        end_ns=spans[-1].end_ns,
        evidence={"kind": "unknown", "tripping_h": round(hours, 2), "spans": len(spans)},
        confidence=float(np.mean([p.confidence for p in spans])),
        causes=_CAUSES["unknown"],
        flag_cycles=False,
    )


def _failed_start(case: Case):
    s = _Starts(case)
    failed = np.flatnonzero(s.failed)
    if len(failed) == 0:
        clamp = clamp_of(case)
        slow = clamp is None or clamp.interval_s > case.thresholds["failed_start_s"]
        return CannotTell(needs=_NO_INRUSH()) if slow else None
    inrush = middle(s.inrush_a[failed])
    return Seen(
        severity=Severity.ACT if len(failed) >= case.thresholds["starts_needed"] else Severity.WATCH,
        title=_FAILED(count=len(failed)),
        start_ns=int(s.at_ns[failed[0]]),
        end_ns=int(s.at_ns[failed[-1]]),
        cycles=_touched(case, s.at_ns[failed]),
        evidence={
            "failed_starts": len(failed),
            "starts_seen": s.n,
            "inrush_a": rounded(inrush),
            "off_before_min": rounded(middle(s.off_min[failed])),
            "first_attempts": int((failed == 0).sum() + (~s.failed[failed[failed > 0] - 1]).sum()),
        },
        confidence=1 - 0.4 ** len(failed),
    )


def _most_per_hour(at_ns: np.ndarray) -> float:
    """The most starts within any one hour."""
    within = np.searchsorted(at_ns, at_ns + NS_PER_H) - np.arange(len(at_ns))
    return float(within.max()) if len(within) else 0.0


def _touched(case: Case, at_ns: np.ndarray) -> np.ndarray:
    """Cycles in which one of the moments lies, bool (n,)."""
    if case.n == 0:
        return np.zeros(0, bool)
    counts = np.searchsorted(at_ns, case.end_ns, "left") - np.searchsorted(at_ns, case.start_ns, "left")
    return counts > 0


_CAUSES = {
    "high-pressure": ("high-pressure-cut", "overload-trips", "control-chatters"),
    "low-pressure": ("low-pressure-cut", "control-chatters", "overload-trips"),
    "overload": ("overload-trips", "high-pressure-cut", "voltage-low"),
    "chatter": ("control-chatters", "low-pressure-cut"),
    "unknown": ("high-pressure-cut", "low-pressure-cut", "overload-trips", "control-chatters"),
}
RULES = (
    Rule(
        code="short-cycling",
        test=_short_cycling,
        needs=(NEEDS_STARTS,),
        shows=Shows(roles=CLAMPS, worst_stretch=True),
        causes=_CAUSES["unknown"],
    ),
    Rule(
        code="failed-start",
        test=_failed_start,
        needs=(NEEDS_STARTS,),
        shows=Shows(roles=CLAMPS, worst_stretch=True),
        causes=("start-gear", "voltage-low", "pressures-unequal", "compressor-stuck"),
    ),
)  # fmt: skip
