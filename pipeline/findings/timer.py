"""Freezes that a timer ends: `freeze-at-timeout`. They bunch at one length while everything round them varies."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.case import NS_PER_DAY, Case
from pipeline.findings.finding import Severity
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import CannotTell, Rule, Seen, cycles_needed

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
_HARVESTS_VARY = 0.015  # spread of harvests, as a share, that shows that conditions vary …
_HARVESTS_MORE = 2.0  # … and in multiples of the spread of the freezes
_SURE_Z = -3.0  # chance about 1 in 1,000 that a machine is so regular by luck over a whole log …
_SURE_PART_Z = -4.5  # … and below 1 in 100,000 where the stretch was picked out of a longer log
_MOST_BUNCHES = 4
_FAR_TOO = 1.8  # times the excess at which regularity alone speaks, where nothing shows that conditions vary
_BY_NATURE = "more regular than any machine is by nature"
_SHORTEST_HALF = 1.349  # length of the shortest half of a normal sample, in sigmas: 2 Φ⁻¹(3/4)


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
        severity=Severity.WATCH if found.proof == _BY_NATURE else Severity.ACT,
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
        by_conditions = _by_conditions_min(case, inside, length)
        own = _own_spread(case, lengths, known & ~stretch, inside)
        foreseen = math.hypot(by_conditions, length * max(t["natural_spread_pct"] / 100, own))
        rounding = _rounding_min(length, foreseen, case.record.interval_s / 60)
        due = math.hypot(foreseen, min(case.sigma_min, rounding))
        varied = by_conditions > spread or _harvests_vary(case, inside, spread) or own * length > 2 * spread
        sure_z = _SURE_Z if n >= 0.8 * known.sum() else _SURE_PART_Z
        too_regular = due / spread >= t["timer_excess"] and _chance_z(spread / due, n) < sure_z
        proof = ""
        if too_regular and varied:
            proof = "too regular for the conditions"
        elif (
            too_regular
            and due / spread >= _FAR_TOO * t["timer_excess"]
            and not _pull_downs_differ(case, bunched)
        ):
            proof = _BY_NATURE
        elif told and abs(length / told - 1) <= t["timer_match_pct"] / 100 and spread <= 2 * believed:
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
    length = float(np.mean(values[best : best + count[best]]))  # a median would fall on a step of the logger
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


def _pull_downs_differ(case: Case, bunched: np.ndarray) -> bool:
    """Whether freezes after an idle take another length, as they do by nature and do not by a timer."""
    pulled = case.flag("after_idle") & case.stalls_aside
    return pulled.sum() >= 2 and float(bunched[pulled].mean()) < 0.5


def _harvests_vary(case: Case, cycles: np.ndarray, spread: float) -> bool:
    """Whether the harvests of these cycles vary while their freezes do not: both are read with the same error, so what
    harvests differ by beyond that is the conditions' doing."""
    lengths = case.harvest_min[cycles & case.harvests]
    if len(lengths) < 6 or not case.record.harvests_timed:
        return False
    found = statistics.spread(np.abs(lengths - np.median(lengths)))
    return found > max(_HARVESTS_VARY * float(np.median(lengths)), _HARVESTS_MORE * spread)


def _own_spread(case: Case, lengths: np.ndarray, others: np.ndarray, inside: np.ndarray) -> float:
    """Half the relative spread of the unit's other freezes, sampling taken off; 0 unless both they and the stretch cover
    a day, so that each has met the same conditions."""
    if others.sum() < 20 or min(_span_ns(case, others), _span_ns(case, inside)) < NS_PER_DAY:
        return 0.0
    values = np.sort(lengths[others])
    half = len(values) // 2
    first = int(
        np.argmin(values[half:] - values[: len(values) - half])
    )  # the shortest half: one level, if there are two
    sigma = float(values[first + half] - values[first]) / _SHORTEST_HALF
    usual = float(np.median(values[first : first + half + 1]))
    return 0.5 * math.sqrt(max(sigma**2 - case.sigma_min**2, 0.0)) / usual


def _span_ns(case: Case, cycles: np.ndarray) -> int:
    at = np.flatnonzero(cycles)
    return int(case.end_ns[at[-1]] - case.start_ns[at[0]])


def _rounding_min(length: float, spread: float, interval: float) -> float:
    """What reading at an interval adds to the spread of durations round `length` that scatter by `spread` [all min].

    A duration read at both ends is rounded up with the chance of its fraction f of an interval, so its variance grows by
    the mean of f (1 − f): the Fourier series of that over a normal scatter. Next to nothing where a steady length is a
    whole number of intervals, which makes a healthy machine look as regular as a timer.
    """
    if not interval > 0:
        return 0.0
    k = np.arange(1, 30)
    waves = (
        np.cos(2 * np.pi * k * length / interval) * np.exp(-2 * (np.pi * k * spread / interval) ** 2) / k**2
    )
    return interval * math.sqrt(max(1 / 6 - float(waves.sum()) / np.pi**2, 0.0))


def _chance_z(ratio: float, n: int) -> float:
    """Normal score of a sample's spread being only `ratio` of the true one, by n values (negative: too regular).

    Wilson & Hilferty 1931's cube root of chi-square (from memory, to be confirmed).
    """
    k = max(n - 1, 1)
    return ((ratio**2) ** (1 / 3) - (1 - 2 / (9 * k))) / math.sqrt(2 / (9 * k))


RULES = (
    Rule(
        code="freeze-at-timeout",
        test=_at_timeout,
        thresholds=("timer_cycles", "timer_spread_s", "timer_share_pct", "timer_match_pct", "timer_excess", "natural_spread_pct"),
        causes=("end-of-freeze-sensing", "capacity-short", "water-leaks-in", "water-short"),
    ),
)  # fmt: skip
