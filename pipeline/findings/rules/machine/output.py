"""Ice that is not made: less than is to be expected (`output-low`), or none while the compressor runs for hours (`no-ice`)."""

from __future__ import annotations

import math

import numpy as np

from pipeline.cycles.record import Phase, PhaseKind
from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.evidence.stops import level_between
from pipeline.findings.finding import Severity
from pipeline.findings.masks.doubtful import leaves_and_returns, stood
from pipeline.findings.methods import statistics
from pipeline.findings.methods.statistics import middle, rounded
from pipeline.findings.phrase import phrase
from pipeline.findings.production import conditions_of, cycles_per_day, expected_kg_per_day
from pipeline.findings.rule import NEEDS_PHASES, PHASES, READABLE, CannotTell, Rule, Seen, cycles_needed
from pipeline.logs.limits import limits_of
from pipeline.logs.timeline import Channel

_LOW = phrase(
    "finding.output-low.title",
    "It makes {found_kg_per_day} while running, where {expected_kg_per_day} is to be expected at the air or water that was logged",
)
_LOW_BY_PLATE = phrase(
    "finding.output-low.plate",
    "It makes {found_kg_per_day} while running, where {expected_kg_per_day} is to be expected at the plate's conditions; neither air nor water was logged",
)
_SLAB_AND_PLATE = phrase(
    "needs.slab-and-plate", "a weighed slab and the nameplate's ice per day in unit.toml"
)


def _output_low(case: Case):
    if case.unit.measured.slab_kg is None or case.unit.nameplate.ice_kg_per_day is None:
        return CannotTell(needs=_SLAB_AND_PLATE())
    short = cycles_needed("own_cycles")(case)
    if short:
        return short
    t, rate, expected = case.thresholds, cycles_per_day(case), expected_kg_per_day(case)
    if rate is None or expected is None:
        return CannotTell(needs=_SLAB_AND_PLATE())
    # Hours in which the compressor ran or tripped without a cycle make no ice, and they are the machine's.
    cycling = case.hours(PhaseKind.FREEZE, PhaseKind.HARVEST)
    lost = (
        sum(p.end_ns - p.start_ns for p in case.record.phases if p.why in ("tripping", "no-pattern")) / 3.6e12
    )
    found = rate * case.unit.measured.slab_kg * cycling / max(cycling + lost, 1e-9)
    under_pct = 100 * (1 - found / expected)
    if under_pct < t["output_low_pct"]:
        return None
    by_air = 1 if np.isfinite(case.air_c).any() else 2
    logged = any(math.isfinite(value) for value in conditions_of(case))
    sigma = math.hypot(t["slab_sigma_pct"], by_air * t["plate_sigma_pct"])
    return Seen(
        severity=Severity.ACT if under_pct >= t["output_act_pct"] else Severity.WATCH,
        title=(_LOW if logged else _LOW_BY_PLATE)(
            found_kg_per_day=round(found, 1), expected_kg_per_day=round(expected, 1)
        ),
        start_ns=case.timeline.start_ns,
        end_ns=case.timeline.end_ns,
        cycles=case.steady,
        evidence={
            "found_kg_per_day": round(found, 1),
            "expected_kg_per_day": round(expected, 1),
            "under_pct": round(under_pct, 1),
            "cycles_per_day": round(rate, 1),
            "slab_kg": case.unit.measured.slab_kg,
            "air_c": rounded(middle(case.air_c), 1),
            "water_c": rounded(middle(case.water_c), 1),
            "without_cycles_h": round(lost, 1),
        },
        confidence=statistics.phi((under_pct - t["output_low_pct"]) / sigma + 0.25),
        flag_cycles=False,
    )


_NO_ICE = phrase("finding.no-ice.title", "The compressor ran for {running_h} without a freeze and harvest")
_NO_ICE_AT = {
    "cold": phrase(
        "finding.no-ice.cold",
        "The compressor ran for {running_h} without a freeze and harvest, the line at {line_c}: the plate stays dry",
    ),
    "warm": phrase(
        "finding.no-ice.warm",
        "The compressor ran for {running_h} without a freeze and harvest, the line at {line_c}: it does not get cold",
    ),
}
_CAUSES = {
    "cold": ("no-water", "control-stuck", "end-of-freeze-sensing"),
    "warm": ("hot-gas-stuck-open", "charge-low", "compressor-worn"),
}

_NO_PATTERN = ("no-pattern", "")
_CELLS = 3000  # into which a long trace is cut


def _no_ice(case: Case):
    least = case.thresholds["no_ice_h"]
    lost = [p for p in case.record.phases if p.kind is PhaseKind.UNCLEAR and p.why in _NO_PATTERN]
    longest = max(lost, key=_length, default=None)
    if longest is None or _length(longest) < least * NS_PER_H:
        lost = _endless(case, least)
        longest = max(lost, key=_length, default=None)
    if longest is None:
        return None
    if longest.kind is PhaseKind.UNCLEAR and not _ran(case, longest):
        return CannotTell(needs=PHASES())
    if longest.kind is PhaseKind.UNCLEAR and _cycles_unread(case, longest):
        return CannotTell(needs=READABLE())
    hours = sum(p.end_ns - p.start_ns for p in lost) / NS_PER_H
    line = level_between(
        case, longest.start_ns + _length(longest) // 3, longest.end_ns, "evaporator", "suction"
    )
    found = (
        "cold"
        if line < case.thresholds["no_water_c"]
        else "warm"
        if line > case.thresholds["gas_open_c"]
        else ""
    )
    of_log = hours * NS_PER_H / max(case.timeline.end_ns - case.timeline.start_ns, 1)
    return Seen(
        severity=Severity.ACT,
        title=_NO_ICE_AT[found](running_h=round(hours, 1), line_c=round(line, 1))
        if found
        else _NO_ICE(running_h=round(hours, 1)),
        start_ns=longest.start_ns,
        end_ns=longest.end_ns,
        evidence={
            "kind": "endless freeze" if longest.kind is PhaseKind.FREEZE else "no pattern",
            "running_h": round(hours, 1),
            "of_log_pct": round(100 * of_log, 1),
            "cycles_seen": case.n,
            "line_c": round(line, 1) if math.isfinite(line) else None,
        },
        confidence=float(np.mean([p.confidence for p in lost])) * statistics.phi(hours / min(least, 2.0)),
        flag_cycles=False,
        causes=_CAUSES.get(found),
    )


def _length(phase: Phase) -> int:
    return phase.end_ns - phase.start_ns


def _endless(case: Case, least_h: float) -> list[Phase]:
    """Freezes that nothing ended, far beyond this unit's own length and its kind's, and that were no idle."""
    t, usual = case.thresholds, case.level("freeze_min", case.steady)
    if math.isfinite(usual):
        band = t["endless_band_pct"] / 100 * case.unit.expected_freeze_min[1]
        least_h = min(least_h, max(t["endless_times"] * usual, band) / 60)
    return [
        p
        for p in case.record.phases
        if p.kind is PhaseKind.FREEZE
        and _length(p) >= least_h * NS_PER_H
        and (_clamp_runs(case, p) or not (_warm(case, p) or _stood(case, p)))
        and not _holds_cycles(case, p)
    ]


def _holds_cycles(case: Case, span: Phase) -> bool:
    """Whether the current, where it is all there is, does within the span what it does between usual freezes: harvests that the record missed."""
    if case.timeline.get("evaporator", "suction") is not None:
        return False
    return bool(
        leaves_and_returns(case, np.array([span.start_ns]), np.array([span.end_ns]), case.usual_freeze_min)[0]
    )


def _stood(case: Case, span: Phase) -> bool:
    """Whether the compressor stood for most of the span, by the line."""
    begun, over = stood(case, span.start_ns, span.end_ns, case.usual_freeze_min)
    return over - begun > case.thresholds["stood_share_pct"] / 100 * _length(span)


def _warm(case: Case, span: Phase) -> bool:
    """Whether the cold trace was as warm through the span as harvests end: an idle taken for a freeze."""
    cold, peak = case.timeline.get("evaporator", "suction"), case.level("harvest_peak_c", case.harvests)
    if cold is None or math.isnan(peak):
        return False
    values = _readings(cold, span)
    return len(values) > 0 and float(np.median(values)) > peak - case.thresholds["idle_peak_k"]


def _ran(case: Case, span: Phase) -> bool:
    """Whether anything shows a compressor at work in the span: a current through a clamp, or a line colder than rooms
    are. A machine that was switched off for days shows neither."""
    if case.timeline.get("current_compressor", "current") is None and case.timeline.get("power") is not None:
        return True
    if _clamp_runs(case, span):
        return True
    cold = case.timeline.get("evaporator", "suction")
    if cold is None or not (line := _readings(cold, span)).size:
        return False
    return float(np.median(line)) < case.thresholds["runs_below_c"]


def _clamp_runs(case: Case, span: Phase) -> bool:
    """Whether a clamp shows current through the span."""
    draw = case.timeline.get("current_compressor", "current")
    if draw is None or not (drawn := _readings(draw, span)).size:
        return False
    return bool(np.quantile(drawn, 0.9) > limits_of(case.unit.thresholds)["clamp_dead_a"])


def _readings(channel: Channel, span: Phase) -> np.ndarray:
    """The trusted readings of `channel` within the span."""
    a, b = np.searchsorted(channel.time_ns, [span.start_ns, span.end_ns])
    return channel.values[a:b][channel.trusted[a:b]]


def _cycles_unread(case: Case, span: Phase) -> bool:
    """Whether a channel keeps rising and falling through the span, as it does where ice is made and let go."""
    cold = case.timeline.get("evaporator", "suction")
    draw = case.timeline.get("current_compressor", "current", "power")
    if cold is not None and not _doubted(case, cold, span):
        return _keeps_turning(case, cold, span, relative=False)
    return draw is not None and _keeps_turning(case, draw, span, relative=True)


def _doubted(case: Case, channel: Channel, span: Phase) -> bool:
    return any(
        d.role == channel.role and d.start_ns < span.end_ns and d.end_ns > span.start_ns
        for d in case.timeline.doubts
        if d.code in ("probe-fault", "probe-loose")
    )


def _keeps_turning(case: Case, channel: Channel, span: Phase, *, relative: bool) -> bool:
    """Whether the trace swings widely and crosses the middle of its range again and again."""
    t, values = case.thresholds, _readings(channel, span)
    if relative:
        values = values[values > 0.3 * np.quantile(values, 0.9)] if len(values) else values
    if len(values) < 20:
        return False
    width = max(len(values) // _CELLS, 1)
    cells = values[: len(values) // width * width].reshape(-1, width).mean(axis=1)
    low, middle, high = np.quantile(cells, [0.02, 0.5, 0.98])  # a harvest may be a twentieth of its cycle
    if high - low < (t["cycling_draw_pct"] / 100 * middle if relative else t["cycling_swing_k"]):
        return False
    # With a dead band of half the range, so that noise at the middle is no crossing.
    side = np.where(cells > low + 0.75 * (high - low), 1, np.where(cells < low + 0.25 * (high - low), -1, 0))
    side = side[side != 0]
    crossings = int(np.count_nonzero(np.diff(side)))
    return crossings * t["cycling_turn_h"] >= (span.end_ns - span.start_ns) / NS_PER_H


RULES = (
    Rule(
        code="output-low",
        test=_output_low,
        causes=("condenser-dirty", "charge-low", "water-leaks-in", "end-of-freeze-sensing", "slab-thin", "conditions"),
        quiet_when=("no-ice",),
    ),
    Rule(
        code="no-ice",
        test=_no_ice,
        needs=(NEEDS_PHASES,),
        causes=("no-water", "hot-gas-stuck-open", "control-stuck", "compressor-worn"),
    ),
)  # fmt: skip
