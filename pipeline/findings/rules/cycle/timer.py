"""Freezes that a timer ends: `freeze-at-timeout`. They bunch at one length while everything round them varies."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.findings.evidence.case import NS_PER_DAY, NS_PER_H, Case
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.phrase import phrase
from pipeline.findings.rule import CannotTell, Rule, Seen, cycles_needed

_AT_TIMER = phrase(
    "finding.freeze-at-timeout.title",
    "{count} of {of} freezes end at {length_min}, whatever the conditions: a timer ends them",
)
_AT_TIMER_OR = phrase(
    "finding.freeze-at-timeout.or-by-design",
    "{count} of {of} freezes end at {length_min}, whatever the conditions: a timer ends them, by design or because the sensing failed; "
    "the control's setting tells which",
)
_NOT_VARIED = phrase(
    "needs.varied-conditions",
    "a longer log, a faster one, or air and water temperatures: in this one, steady freezes and a timer look alike",
)

_MOST_BUNCHES = 4  # looked at
_SINCE = "longer since, and all alike"
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
    stretch = _whole_stretch(found, lengths, t)
    ended = found.bunched & stretch
    at = np.flatnonzero(ended)
    others = known & ~stretch
    severity = _severity(case, found, stretch, lengths)
    return Seen(
        severity=severity,
        title=(_AT_TIMER if severity is Severity.ACT else _AT_TIMER_OR)(
            count=len(at), of=int(known.sum()), length_min=round(found.length_min, 2)
        ),
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
        causes=_CAUSES,  # that a timer ends them speaks for the first by itself
    )


def _severity(case: Case, found: _Bunch, stretch: np.ndarray, lengths: np.ndarray) -> Severity:
    """Machines there are that a timer ends by design, and the log alone cannot part them from those whose sensing has failed: so it is
    something to look at. Unless the freezes before ended by nature, sooner: then the sensing ended them, and does so no longer."""
    t, known = case.thresholds, np.isfinite(lengths)
    before = known & ~stretch & (np.arange(case.n) < int(np.argmax(stretch)))
    if before.sum() < t["level_cycles"] or found.proof == _SINCE:
        return Severity.WATCH
    earlier = lengths[before]
    varied = (
        statistics.spread(np.abs(earlier - np.median(earlier))) > t["timer_varied_times"] * found.found_min
    )
    sooner = float(np.median(earlier)) < found.length_min - t["timer_near"] * found.found_min
    return Severity.ACT if varied and sooner else Severity.WATCH


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
    timer_sigma_min = math.hypot(case.sigma_min, t["timer_spread_s"] / 60)
    given = case.unit.nameplate.freeze_timer_min
    near = t["timer_near"] * timer_sigma_min
    left, found = lengths.copy(), []
    for _ in range(_MOST_BUNCHES):
        if np.isfinite(left).sum() < t["timer_cycles"]:
            break
        length = _bunch(left, near)
        bunched = np.isfinite(lengths) & (np.abs(lengths - length) <= near)
        left[bunched] = np.nan
        known = np.isfinite(lengths)
        stretch = _stretch(bunched, known, t["timer_share_pct"] / 100)
        inside = known & stretch
        n = int(inside.sum())
        if n < t["timer_cycles"]:
            continue
        calm = np.clip(lengths[inside], length - 2 * near, length + 2 * near)
        spread = max(float(np.std(calm)), 1e-9)
        by_conditions = _by_conditions_min(case, inside, length)
        own = _own_spread(case, lengths, known & ~stretch, inside)
        foreseen = math.hypot(by_conditions, length * max(t["natural_spread_pct"] / 100, own))
        rounding = rounding_min(length, foreseen, case.record.interval_s / 60)
        # What reading adds is no more than what is found, whatever is said of it.
        due = math.hypot(foreseen, min(case.sigma_min, rounding, spread))
        vary = t["timer_varied_times"] * spread
        varied = by_conditions > spread or _harvests_vary(case, inside, vary) or own * length > vary
        whole = 100 * n >= t["timer_whole_pct"] * known.sum()
        sure_z = statistics.quantile(t["timer_p" if whole else "timer_part_p"])
        like_one = spread <= t["timer_like_times"] * timer_sigma_min
        too_regular = like_one and due / spread >= t["timer_excess"] and chance_z(spread / due, n) < sure_z
        alike = n >= 0.5 * known.sum() and spread <= t["timer_alike_times"] * timer_sigma_min
        # A timer is the longest that a freeze may last, but for those that the record has sewn together.
        longer = ~stretch & (lengths > length + near) & (lengths < t["hump_from_pct"] / 100 * length)
        begins = whole or _begins_or_ends(case, lengths, stretch, length, spread)
        begins = begins and 100 * longer.sum() <= t["timer_longer_pct"] * n
        if not begins or (too_regular and _follow(case, lengths, inside, by_conditions)):
            proof = ""
        elif too_regular and varied:
            proof = "too regular for the conditions"
        elif too_regular and due / spread >= t["timer_nature_excess"]:
            proof = _BY_NATURE
        elif (
            given
            and abs(length / given - 1) <= t["timer_match_pct"] / 100
            and spread <= t["timer_told_times"] * timer_sigma_min
        ):
            proof = "the timer's length in unit.toml"
        elif alike and _longer_since(case, lengths, known & ~stretch, stretch, length, spread):
            proof = _SINCE
        else:
            proof = ""
        found.append(
            _Bunch(
                length_min=length,
                bunched=bunched,
                stretch=stretch,
                n=n,
                found_min=spread,
                due_min=due,
                alike=alike,
                proof=proof,
            )
        )
    return found


def _begins_or_ends(
    case: Case, lengths: np.ndarray, stretch: np.ndarray, length_min: float, spread_min: float
) -> bool:
    """Whether the freezes just before the stretch (bool (n,)), or just after it, ended clearly sooner, or varied far more from one to the next
    than those in it (`spread_min`); True where too few are there to tell.

    A timer is the longest that a freeze may last. Freezes that follow the weather also bunch, at its turn; but they lead up to it and away.
    """
    t, at, known = case.thresholds, np.flatnonzero(stretch), np.isfinite(lengths)
    n = int(t["level_cycles"])
    beside = (lengths[: at[0]][known[: at[0]]][-n:], lengths[at[-1] + 1 :][known[at[-1] + 1 :]][:n])
    told = [values for values in beside if len(values) == n]
    sooner = [np.median(values) < (1 - t["timer_sooner_pct"] / 100) * length_min for values in told]
    varied = [
        np.std(np.diff(values)) / math.sqrt(2) > t["timer_varied_times"] * spread_min for values in told
    ]
    return not told or any(sooner) or any(varied)


def _longer_since(
    case: Case,
    lengths: np.ndarray,
    others: np.ndarray,
    stretch: np.ndarray,
    length_min: float,
    spread_min: float,
) -> bool:
    """Whether the freezes before the stretch (others, stretch: bool (n,)) ended far sooner, or sooner and varied far more than those in it
    (`spread_min`): what ended them then does so no longer."""
    t = case.thresholds
    earlier = lengths[others & (np.arange(case.n) < int(np.argmax(stretch)))]
    if len(earlier) < t["level_cycles"]:
        return False
    usual = float(np.median(earlier))
    varied = statistics.spread(np.abs(earlier - usual)) > t["timer_like_times"] * spread_min
    return length_min > (1 + t["timer_sooner_pct" if varied else "drift_pct"] / 100) * usual


def _bunch(lengths: np.ndarray, tolerance: float) -> float:
    """The length round which most freezes lie within ± `tolerance`."""
    values = np.sort(lengths[np.isfinite(lengths)])
    count = np.searchsorted(values, values + 2 * tolerance, "right") - np.arange(len(values))
    best = int(np.argmax(count))
    return float(np.mean(values[best : best + count[best]]))  # a median would fall on a step of the logger


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


def _whole_stretch(found: _Bunch, lengths: np.ndarray, t: Mapping[str, float]) -> np.ndarray:
    """The stretch of a proved timer, bool (n,), with the cycles before and after it that end so as well, most of them
    exactly so: a few boundaries in the wrong place must not date it late."""
    known = np.isfinite(lengths)
    alike = known & (np.abs(lengths - found.length_min) <= t["timer_match_pct"] / 100 * found.length_min)
    whole = _stretch(alike, known, t["timer_share_pct"] / 100)
    added = whole & known & ~found.stretch
    if not (found.stretch & known <= whole).all() or not added.any():
        return found.stretch
    return whole if 100 * found.bunched[added].mean() >= t["timer_added_pct"] else found.stretch


def _by_conditions_min(case: Case, cycles: np.ndarray, length: float) -> float:
    """By how much air and water should make these freezes vary [min], one sigma; 0 where neither was logged."""
    total = 0.0
    for values in (case.air_c, case.water_c):
        known = values[cycles & np.isfinite(values)]
        if len(known) >= 3:
            per_k = case.thresholds["timer_pct_per_k"] / 100
            total = math.hypot(total, float(np.std(known)) * per_k * length)
    return total


def _follow(case: Case, lengths: np.ndarray, cycles: np.ndarray, due_min: float) -> bool:
    """Whether these freezes follow air or water by a good part of what those ask for (`due_min`, one sigma), as none do
    that a timer ends."""
    t = case.thresholds
    for values in (case.air_c, case.water_c):
        known = cycles & np.isfinite(values)
        n, y, x = int(known.sum()), lengths[known], values[known]
        if n < t["timer_cycles"] or np.ptp(x) == 0 or np.ptp(y) == 0:
            continue
        r = float(np.corrcoef(x, y)[0, 1])
        followed_min = r * float(np.std(y))
        # Fisher's transformation of a correlation: normal, with variance 1 / (n − 3) (from memory, to be confirmed)
        sure = math.atanh(min(max(r, -0.999), 0.999)) * math.sqrt(max(n - 3, 0)) > -statistics.quantile(
            t["timer_p"]
        )
        if sure and followed_min > t["timer_follow_pct"] / 100 * due_min:
            return True
    return False


def _harvests_vary(case: Case, cycles: np.ndarray, least_min: float) -> bool:
    """Whether the harvests of these cycles vary by `least_min` while their freezes do not: both are read with the same
    error, so what harvests differ by beyond that is the conditions' doing."""
    t, lengths = case.thresholds, case.harvest_min[cycles & case.harvests]
    if len(lengths) < t["level_cycles"] or not case.record.harvests_timed:
        return False
    found = statistics.spread(np.abs(lengths - np.median(lengths)))
    return found > max(t["timer_harvests_pct"] / 100 * float(np.median(lengths)), least_min)


def _own_spread(case: Case, lengths: np.ndarray, others: np.ndarray, inside: np.ndarray) -> float:
    """A part of the relative spread of the unit's other freezes, sampling taken off; 0 unless the stretch has met what they met: it
    covers a day, or as long as they do."""
    t = case.thresholds
    if others.sum() < t["timer_others"]:
        return 0.0
    span, met = _span_ns(case, others), _span_ns(case, inside)
    if met < NS_PER_DAY or span < t["timer_others_h"] * NS_PER_H:
        return 0.0
    values = np.sort(lengths[others])
    half = len(values) // 2
    first = int(
        np.argmin(values[half:] - values[: len(values) - half])
    )  # the shortest half: one level, if there are two
    sigma = float(values[first + half] - values[first]) / _SHORTEST_HALF
    usual = float(np.median(values[first : first + half + 1]))
    own = t["timer_own_pct"] / 100 * math.sqrt(max(sigma**2 - case.sigma_min**2, 0.0)) / usual
    return min(own, t["timer_own_most_pct"] / 100)  # what varies more has another fault


def _span_ns(case: Case, cycles: np.ndarray) -> int:
    at = np.flatnonzero(cycles)
    return int(case.end_ns[at[-1]] - case.start_ns[at[0]])


def rounding_min(length: float, spread: float, interval: float) -> float:
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


def chance_z(ratio: float, n: int) -> float:
    """Normal score of a sample's spread being only `ratio` of the true one, by n values (negative: too regular).

    Wilson & Hilferty 1931's cube root of chi-square (from memory, to be confirmed).
    """
    k = max(n - 1, 1)
    return ((ratio**2) ** (1 / 3) - (1 - 2 / (9 * k))) / math.sqrt(2 / (9 * k))


_CAUSES = ("end-of-freeze-sensing", "capacity-short", "water-leaks-in", "water-short")

RULES = (
    Rule(
        code="freeze-at-timeout",
        test=_at_timeout,
        shows=Shows(about="freeze", telling="middle"),
        causes=_CAUSES,
    ),
)  # fmt: skip
