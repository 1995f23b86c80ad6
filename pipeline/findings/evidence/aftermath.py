"""What a freeze tells of the harvest before it.

A slab that stayed on the plate is part of the next one. So the freeze that grows onto it ends early; or, where the machine
counts the water that it freezes, late and far colder, since the cold must pass through old ice. By itself neither proves a
stall: the harvest before it must have been unlike the others as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings.evidence import doubtful, statistics

if TYPE_CHECKING:
    from pipeline.findings.evidence.case import Case

_BESIDE = 6  # cycles before and after one, of which the usual value round it is made
_TOLD_BY = (
    "harvest_min",
    "harvest_peak_c",
    "harvest_plateau_min",
)  # by which harvests are set beside each other

READS = (
    "outlier_z", "spread_floor_pct", "scrap_pct", "repeats_most_pct", "left_short_pct", "left_grown_pct", "left_longer_pct",
    "left_colder_k", "left_excess_times", "left_alone_pct", "left_alone_cycles", "left_unlike_p",
    "limit_harvests", "let_go_pct",
)  # fmt: skip


def usual_beside(
    case: Case, values: np.ndarray, otherwise: float, *, odd: np.ndarray | None = None
) -> np.ndarray:
    """The usual value of a measure (n,) round each cycle, (n,): air and water move it over a log, a fault gives it two levels.

    Those in `odd` (bool (n,)) and pull-downs are left out; `otherwise` where none is left.
    """
    values = np.where(case.flag("after_idle") | (False if odd is None else odd), np.nan, values)
    usual = np.full(case.n, otherwise)
    if case.n:
        padded = np.pad(values, _BESIDE, constant_values=np.nan)
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _BESIDE + 1)
        known = np.isfinite(windows).any(axis=1)
        usual[known] = np.nanmedian(windows[known], axis=1)
    return usual


def ice_left(
    case: Case, *, unlike: np.ndarray, slow: np.ndarray, misplaced: np.ndarray, excess_min: np.ndarray
) -> np.ndarray:
    """Harvests that left their slab on the plate, by the freeze that follows, bool (n,).

    unlike: harvests that were colder, longer or less of a harvest than the others, bool (n,); slow: the longer ones among
    them, bool (n,); misplaced: cycles with a boundary in the wrong place, bool (n,); excess_min: length beyond the usual
    one (n,) [min]. Without a probe on the cold side, where a harvest is not seen to warm, short freezes that each stand
    alone must do.
    """
    t, none = case.thresholds, np.zeros(case.n, bool)
    if case.n < 3 or not np.isfinite(case.usual_freeze_min):
        return none
    usual_min = usual_beside(case, case.freeze_min, case.usual_freeze_min)
    share = case.freeze_min / usual_min
    whole = np.isfinite(share) & ~case.flag("after_idle") & ~case.broken & ~misplaced
    whole &= ~doubtful.beside_unclear(case)
    if not whole.any():
        return none
    limit = statistics.outlier_limit(int(whole.sum()), t["outlier_z"])
    sigma = statistics.spread(np.abs(np.log(share[whole])), t["spread_floor_pct"] / 100)
    out = share < min(t["left_short_pct"] / 100, float(np.exp(-limit * sigma)))
    short = whole & out & (share > t["scrap_pct"] / 100)
    # What a boundary in the wrong place gave to the harvest it took from the freeze, no more.
    lack_min = _next(usual_min - case.freeze_min)
    before = _next(short) & ~(lack_min < t["left_excess_times"] * np.fmax(excess_min, 0.0))
    if case.timeline.get("evaporator", "suction") is None:
        unlike = unlike | _alone(case, short)
    else:
        unlike = unlike | _unlike_as_a_group(case, before)
    # A freeze that a stop cut in two comes back in two parts; old ice shortens the one after a whole freeze, or after
    # another one that grew onto old ice.
    grown = share + _next(share) > t["left_grown_pct"] / 100
    left = before & unlike & grown
    for i in np.flatnonzero(before & unlike & ~grown):
        left[i] = i > 0 and left[i - 1]
    return left | (slow & _next(_thick(case, whole, share)))


def let_go(case: Case, harvests: np.ndarray) -> bool:
    """Whether the freezes after `harvests` (bool (n,)) are mostly like any other: the slab had let go."""
    t = case.thresholds
    share = case.freeze_min / usual_beside(case, case.freeze_min, case.usual_freeze_min)
    after = _next(np.where(case.flag("after_idle") | case.broken, np.nan, share))[harvests]
    after = after[np.isfinite(after)]
    like = (after > t["left_short_pct"] / 100) & (after < 1 + t["left_longer_pct"] / 100)
    return len(after) >= t["limit_harvests"] and 100 * float(np.mean(like)) > t["let_go_pct"]


def _thick(case: Case, whole: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Freezes that took longer and ended far colder than those round them, bool (n,)."""
    t, ends_c = case.thresholds, case.column("freeze_end_c")
    colder = usual_beside(case, ends_c, case.level("freeze_end_c")) - ends_c
    return whole & (share > 1 + t["left_longer_pct"] / 100) & (colder > t["left_colder_k"])


def _alone(case: Case, short: np.ndarray) -> np.ndarray:
    """Harvests before short freezes that each stand alone, bool (n,); none where most do not, or where they are many: a
    control that ends its freezes early does so in a row."""
    t, none = case.thresholds, np.zeros(case.n, bool)
    alone = short & ~_next(short) & ~np.concatenate([[False], short[:-1]])
    least = max(t["left_alone_cycles"], t["left_alone_pct"] / 100 * short.sum())
    few = 100 * short.sum() < t["repeats_most_pct"] * case.n
    return _next(alone) if few and alone.sum() >= least else none


def _unlike_as_a_group(case: Case, before: np.ndarray) -> np.ndarray:
    """Of the harvests `before` short freezes, those that lie on their own side where the group is unlike the others by
    rank (Mann–Whitney), bool (n,)."""
    unlike = np.zeros(case.n, bool)
    for name in _TOLD_BY:
        values = case.column(name)
        known = np.isfinite(values) & case.harvests
        these, others = values[known & before], values[known & ~before]
        if min(len(these), len(others)) < 3:
            continue
        if statistics.hodges_lehmann(these, others).p < case.thresholds["left_unlike_p"] / len(_TOLD_BY):
            own, usual = float(np.median(these)), float(np.median(others))
            unlike |= known & before & (np.abs(values - own) < np.abs(values - usual))
    return unlike


def _next(values: np.ndarray) -> np.ndarray:
    """The value of the cycle after each, (n,): False, or NaN, after the last."""
    last = np.zeros(1, bool) if values.dtype == bool else np.full(1, np.nan)
    return np.concatenate([values[1:], last])
