"""How freezes end and how cold they get: `freeze-at-timeout` and `weak-freeze`."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.case import NS_PER_MIN, Case
from pipeline.findings.changes import Change, change_of
from pipeline.findings.finding import Severity
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import NEEDS_COLD, CannotTell, Rule, Seen, cycles_needed
from pipeline.logs.timeline import Channel

_AT_TIMER = phrase(
    "finding.freeze-at-timeout.title",
    "{count} of {of} freezes end at {length_min}, whatever the conditions: a timer ends them",
)
_NOT_VARIED = phrase(
    "needs.varied-conditions",
    "a longer log, a faster one, or air and water temperatures: in this one, steady freezes and a timer look alike",
)
# Common practice, no source.
_LENGTH_PER_K = 0.010  # share by which a kelvin of air or water lengthens a freeze, at the least
_SURE_Z = -3.0  # chance about 1 in 1,000 that a machine is so regular by luck over a whole log …
_SURE_PART_Z = -4.5  # … and below 1 in 100,000 where the stretch was picked out of a longer log
_MOST_BUNCHES = 4

_WEAK_SINCE = phrase(
    "finding.weak-freeze.since",
    "The evaporator no longer gets as cold: freezes end at {after_c}, {rise_k} warmer than before",
)
_WEAK_ALL = phrase(
    "finding.weak-freeze.all", "The evaporator does not get cold enough: freezes end at {freeze_end_c}"
)
_WEAK_SUPERHEAT = phrase(
    "finding.weak-freeze.superheat",
    "The evaporator is starved: superheat is {superheat_k} at the end of the freeze",
)


def _at_timeout(case: Case):
    """Do freezes bunch at one length although conditions, and the nature of a freeze, should make them vary?"""
    t = case.thresholds
    lengths = np.where(case.stalls_aside, case.freeze_min, np.nan)
    known = np.isfinite(lengths)
    if known.sum() < t["timer_cycles"]:
        return cycles_needed("timer_cycles")(case)
    bunches = [b for b in _bunches(case, lengths) if b.n >= t["timer_cycles"]]
    proved = [b for b in bunches if b.proof]
    if not proved:
        return CannotTell(needs=_NOT_VARIED()) if any(b.alike for b in bunches) else None
    found = max(proved, key=lambda b: b.n)
    ended = found.bunched & found.stretch
    at = np.flatnonzero(ended)
    others = known & ~found.stretch
    return Seen(
        severity=Severity.ACT,
        title=_AT_TIMER(count=len(at), of=int(known.sum()), length_min=round(found.length_min, 2)),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=ended,
        usual=others if others.sum() >= 3 else None,
        evidence={
            "length_min": round(found.length_min, 2),
            "bunched": len(at),
            "freezes_judged": int(known.sum()),
            "spread_found_s": round(60 * found.found_min, 1),
            "spread_due_s": round(60 * found.due_min, 1),
            "sampling_s": round(60 * case.sigma_min, 1),
            "timer_told_min": case.unit.nameplate.freeze_timer_min,
            "proof": found.proof,
        },
        confidence=1 - 0.5 * 0.35 ** max(found.due_min / found.found_min - 1, 0.2),
    )


@dataclass(frozen=True, kw_only=True)
class _Bunch:
    """Freezes that bunch at one length."""

    length_min: float
    bunched: np.ndarray  # bool (n,)
    stretch: np.ndarray  # bool (n,): the cycles among which they are nearly all
    n: int  # freezes in the stretch
    found_min: float  # their spread
    due_min: float  # the spread that conditions, nature and sampling should make
    alike: bool  # as alike as sampling lets them be, and most of the log
    proof: str  # what shows that a timer ends them, "" where nothing does


def _bunches(case: Case, lengths: np.ndarray) -> list[_Bunch]:
    """The lengths at which most freezes bunch, one after the other: the fault may begin or end in mid-log."""
    t = case.thresholds
    believed = math.hypot(case.sigma_min, t["timer_spread_s"] / 60)
    told = case.unit.nameplate.freeze_timer_min
    left, found = lengths.copy(), []
    for _ in range(_MOST_BUNCHES):
        if np.isfinite(left).sum() < t["timer_cycles"]:
            break
        length, _ = _bunch(left, 2.5 * believed)
        bunched = np.isfinite(lengths) & (np.abs(lengths - length) <= 2.5 * believed)
        left[bunched] = np.nan
        known = np.isfinite(lengths)
        stretch = _stretch(bunched, known, t["timer_share_pct"] / 100)
        inside = known & stretch
        n = int(inside.sum())
        if n < t["timer_cycles"]:
            continue
        near = np.clip(lengths[inside], length - 5 * believed, length + 5 * believed)
        spread = max(float(np.std(near)), 1e-9)
        foreseen = math.hypot(
            _by_conditions_min(case, inside, length), length * t["natural_spread_pct"] / 100
        )
        due = math.hypot(case.sigma_min, foreseen)
        proof = ""
        sure_z = _SURE_Z if n >= 0.8 * known.sum() else _SURE_PART_Z
        if due / spread >= t["timer_excess"] and _chance_z(spread / due, n) < sure_z:
            proof = "too regular for the conditions"
        elif (
            told is not None
            and abs(length / told - 1) <= t["timer_match_pct"] / 100
            and spread <= 2 * believed
        ):
            proof = "the timer's length in unit.toml"
        found.append(
            _Bunch(
                length_min=length,
                bunched=bunched,
                stretch=stretch,
                n=n,
                found_min=spread,
                due_min=due,
                alike=n >= 0.5 * known.sum() and spread <= 1.2 * believed,
                proof=proof,
            )
        )
    return found


def _bunch(lengths: np.ndarray, tolerance: float) -> tuple[float, np.ndarray]:
    """The length round which most freezes lie within ± `tolerance`, and which those are, bool (n,)."""
    values = np.sort(lengths[np.isfinite(lengths)])
    count = np.searchsorted(values, values + 2 * tolerance, "right") - np.arange(len(values))
    best = int(np.argmax(count))
    length = float(np.median(values[best : best + count[best]]))
    return length, np.isfinite(lengths) & (np.abs(lengths - length) <= tolerance)


def _stretch(bunched: np.ndarray, known: np.ndarray, share: float) -> np.ndarray:
    """The stretch of cycles that holds most bunched freezes for its few others, bool (n,): the fault may begin in
    mid-log. Each freeze that is not bunched costs so much that at least about `share` of the stretch is."""
    cost = share / (1 - share)
    worth = np.where(bunched, 1.0, np.where(known, -cost, 0.0))
    total = np.concatenate([[0.0], np.cumsum(worth)])
    lowest = np.minimum.accumulate(total)
    stop = int(np.argmax(total - lowest))
    start = int(np.argmin(total[: stop + 1]))
    stretch = np.zeros(len(bunched), bool)
    stretch[start:stop] = True
    return stretch


def _by_conditions_min(case: Case, cycles: np.ndarray, length: float) -> float:
    """By how much air and water should make these freezes vary [min], one sigma; 0 where neither was logged."""
    total = 0.0
    for values in (case.air_c, case.water_c):
        known = values[cycles & np.isfinite(values)]
        if len(known) >= 3:
            total = math.hypot(total, float(np.std(known)) * _LENGTH_PER_K * length)
    return total


def _chance_z(ratio: float, n: int) -> float:
    """Normal score of a sample's spread being only `ratio` of the true one, by n values (negative: too regular).

    Wilson & Hilferty 1931's cube root of chi-square (from memory, to be confirmed).
    """
    k = max(n - 1, 1)
    return ((ratio**2) ** (1 / 3) - (1 - 2 / (9 * k))) / math.sqrt(2 / (9 * k))


def _weak(case: Case):
    t = case.thresholds
    ends = np.where(case.steady, case.column("freeze_end_c"), np.nan)
    if np.isfinite(ends).sum() < t["band_cycles"]:
        return cycles_needed("band_cycles")(case)
    warmed = change_of(case, ends, least=t["freeze_end_rise_k"], air_slope=0.1, air_slope_sd=0.15)
    if warmed is not None and warmed.total > 0 and not _ended_early(case, warmed):
        late = warmed.late
        at = np.flatnonzero(late)
        return Seen(
            severity=Severity.ACT if _longer(case, late, warmed.judged & ~late) else Severity.WATCH,
            title=_WEAK_SINCE(after_c=round(warmed.after, 1), rise_k=round(warmed.total, 1)),
            start_ns=int(case.start_ns[at[0]]),
            end_ns=int(case.end_ns[at[-1]]),
            cycles=late,
            usual=warmed.judged & ~late,
            evidence={
                "before_c": round(warmed.before, 1),
                "after_c": round(warmed.after, 1),
                "rise_k": round(warmed.total, 1),
                "rise_low_k": round(warmed.low, 1),
                "rise_high_k": round(warmed.high, 1),
                "how": warmed.kind,
                "cycles_judged": int(warmed.judged.sum()),
            },
            confidence=statistics.phi(2 * warmed.total / t["freeze_end_rise_k"] - 1),
        )
    return _weak_throughout(case, ends)


def _weak_throughout(case: Case, ends: np.ndarray):
    t = case.thresholds
    judged = np.isfinite(ends)
    typical = float(np.median(ends[judged]))
    at = np.flatnonzero(judged)
    superheat = (
        float(np.nanmedian(case.refrigeration.superheat_k))
        if np.isfinite(case.refrigeration.superheat_k).any()
        else math.nan
    )
    # A suction line far from the plate reads warmer than the plate: only a probe on the evaporator has a fixed level.
    warm = case.timeline.get("evaporator") is not None and typical > t["freeze_end_high_c"]
    starved = superheat > t["superheat_high_k"]
    if not warm and not starved:
        return None
    title = (
        _WEAK_ALL(freeze_end_c=round(typical, 1))
        if warm
        else _WEAK_SUPERHEAT(superheat_k=round(superheat, 1))
    )
    sigma = 2.0  # K: how far the level of a clipped probe is off (common practice, no source)
    margin = typical - t["freeze_end_high_c"] if warm else (superheat - t["superheat_high_k"]) / 2
    return Seen(
        severity=Severity.WATCH,
        title=title,
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=judged,
        evidence={
            "freeze_end_c": round(typical, 1),
            "superheat_k": round(superheat, 1) if math.isfinite(superheat) else None,
            "cycles_judged": len(at),
        },
        confidence=statistics.phi(margin / sigma),
    )


def _ended_early(case: Case, warmed: Change) -> bool:
    """Whether the freezes end warm only because they end early: as far into the freeze, they are as cold as before."""
    early, late = warmed.judged & ~warmed.late, warmed.late
    before, after = case.level("freeze_min", early), case.level("freeze_min", late)
    cold = case.timeline.get("evaporator", "suction")
    if not after < 0.93 * before or cold is None:
        return False
    reached = _reading_at(cold, case.start_ns + round(0.9 * after * NS_PER_MIN))
    then, now = reached[early], reached[late]
    return not np.nanmedian(now) - np.nanmedian(then) > 0.6 * case.thresholds["freeze_end_rise_k"]


def _reading_at(channel: Channel, at_ns: np.ndarray) -> np.ndarray:
    """The trusted reading at or before each moment, NaN where there is none."""
    time_ns, values = channel.time_ns[channel.trusted], channel.values[channel.trusted]
    at = np.searchsorted(time_ns, at_ns, side="right") - 1
    return (
        np.where(at >= 0, values[np.maximum(at, 0)], np.nan) if len(values) else np.full(len(at_ns), np.nan)
    )


def _longer(case: Case, late: np.ndarray, early: np.ndarray) -> bool:
    """Whether the warm freezes also take longer, so that ice is being lost."""
    if not early.any():
        return False
    return case.level("freeze_min", late) > 1.1 * case.level("freeze_min", early)


RULES = (
    Rule(
        code="freeze-at-timeout",
        test=_at_timeout,
        thresholds=("timer_cycles", "timer_spread_s", "timer_share_pct", "timer_match_pct", "timer_excess"),
        causes=("end-of-freeze-sensing", "capacity-short", "water-leaks-in", "water-short"),
    ),
    Rule(
        code="weak-freeze",
        test=_weak,
        needs=(NEEDS_COLD,),
        thresholds=("freeze_end_high_c", "freeze_end_rise_k", "superheat_high_k", "drift_p", "band_cycles"),
        causes=(
            "charge-low",
            "metering",
            "hot-gas-leaks",
            "compressor-worn",
            "water-leaks-in",
            "condenser-dirty",
        ),
    ),
)
