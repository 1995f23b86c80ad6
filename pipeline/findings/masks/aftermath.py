"""What a freeze tells of the harvest before it.

A slab that stayed on the plate is part of the next one. So the freeze that grows onto it ends early; or, where the machine
counts the water that it freezes, late and far colder, since the cold must pass through old ice. By itself neither proves a
stall: the harvest before it must have been unlike the others as well.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings.masks import doubtful
from pipeline.findings.masks.columns import Columns, following, of_the_next, usual_beside
from pipeline.findings.methods import statistics

_TOLD_BY = (
    "harvest_min",
    "harvest_peak_c",
    "harvest_plateau_min",
)  # by which harvests are set beside each other


def ice_left(
    columns: Columns,
    *,
    usual_freeze_min: float,
    broken: np.ndarray,
    harvests: np.ndarray,
    unlike: np.ndarray,
    slow: np.ndarray,
    misplaced: np.ndarray,
    excess_min: np.ndarray,
) -> np.ndarray:
    """Harvests that left their slab on the plate, by the freeze that follows, bool (n,).

    usual_freeze_min: the usual freeze [min]; broken: cycles that tell nothing, bool (n,); harvests: those that may be judged, bool (n,);
    unlike: harvests that were colder, longer or less of a harvest than the others, bool (n,); slow: the longer ones among
    them, bool (n,); misplaced: cycles with a boundary in the wrong place, bool (n,); excess_min: length beyond the usual
    one (n,) [min]. Without a probe on the cold side, where a harvest is not seen to warm, short freezes that each stand
    alone must do.
    """
    t, none = columns.thresholds, np.zeros(columns.n, bool)
    if columns.n < 3 or not math.isfinite(usual_freeze_min):
        return none
    usual_min = usual_beside(columns, columns.freeze_min, usual_freeze_min)
    share = columns.freeze_min / usual_min
    whole = np.isfinite(share) & ~columns.flag("after_idle") & ~broken & ~misplaced
    whole &= ~doubtful.beside_unclear(columns)
    if not whole.any():
        return none
    limit = statistics.outlier_limit(int(whole.sum()), t["outlier_z"])
    sigma = statistics.spread(np.abs(np.log(share[whole])), t["spread_floor_pct"] / 100)
    out = share < min(t["left_short_pct"] / 100, float(np.exp(-limit * sigma)))
    short = whole & out & (share > t["scrap_pct"] / 100)
    # What a boundary in the wrong place gave to the harvest it took from the freeze, no more.
    lack_min = of_the_next(usual_min - columns.freeze_min)
    before = of_the_next(short) & ~(lack_min < t["left_excess_times"] * np.fmax(excess_min, 0.0))
    if columns.timeline.get("evaporator", "suction") is None:
        unlike = unlike | _alone(columns, short)
    else:
        unlike = unlike | _unlike_as_a_group(columns, before, harvests)
    # A freeze that a stop cut in two comes back in two parts; old ice shortens the one after a whole freeze, or after
    # another one that grew onto old ice.
    grown = share + of_the_next(share) > t["left_grown_pct"] / 100
    left = before & unlike & grown
    for i in np.flatnonzero(before & unlike & ~grown):
        left[i] = i > 0 and left[i - 1]
    thick = _thick(columns, whole, share)
    # A thick slab takes its time to come off: its own slow harvest says nothing.
    for i in np.flatnonzero(slow & of_the_next(thick)):
        left[i] |= not thick[i] or (i > 0 and left[i - 1])
    return left


def let_go(columns: Columns, harvests: np.ndarray, *, usual_freeze_min: float, broken: np.ndarray) -> bool:
    """Whether the freezes after `harvests` (bool (n,)) are mostly like any other: the slab had let go.

    usual_freeze_min: the usual freeze [min]; broken: cycles that tell nothing, bool (n,).
    """
    t = columns.thresholds
    share = columns.freeze_min / usual_beside(columns, columns.freeze_min, usual_freeze_min)
    after = of_the_next(np.where(columns.flag("after_idle") | broken, np.nan, share))[harvests]
    after = after[np.isfinite(after)]
    like = (after > t["left_short_pct"] / 100) & (after < 1 + t["left_longer_pct"] / 100)
    return len(after) >= t["limit_harvests"] and 100 * float(np.mean(like)) > t["let_go_pct"]


def _thick(columns: Columns, whole: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Freezes that took longer and ended far colder than those round them, bool (n,)."""
    t, ends_c = columns.thresholds, columns.column("freeze_end_c")
    colder = usual_beside(columns, ends_c, columns.level("freeze_end_c")) - ends_c
    return whole & (share > 1 + t["left_longer_pct"] / 100) & (colder > t["left_colder_k"])


def _alone(columns: Columns, short: np.ndarray) -> np.ndarray:
    """Harvests before short freezes that each stand alone, bool (n,); none where most do not, or where they are many: a
    control that ends its freezes early does so in a row."""
    t, none = columns.thresholds, np.zeros(columns.n, bool)
    alone = short & ~of_the_next(short) & ~following(short)
    least = max(t["left_alone_cycles"], t["left_alone_pct"] / 100 * short.sum())
    few = 100 * short.sum() < t["repeats_most_pct"] * columns.n
    return of_the_next(alone) if few and alone.sum() >= least else none


def _unlike_as_a_group(columns: Columns, before: np.ndarray, harvests: np.ndarray) -> np.ndarray:
    """Of the harvests `before` short freezes, those that lie on their own side where the group is unlike the others by
    rank (Mann–Whitney), bool (n,)."""
    unlike = np.zeros(columns.n, bool)
    for name in _TOLD_BY:
        values = columns.column(name)
        known = np.isfinite(values) & harvests
        these, others = values[known & before], values[known & ~before]
        if min(len(these), len(others)) < 3:
            continue
        if statistics.hodges_lehmann(these, others).p < columns.thresholds["left_unlike_p"] / len(_TOLD_BY):
            own, usual = float(np.median(these)), float(np.median(others))
            unlike |= known & before & (np.abs(values - own) < np.abs(values - usual))
    return unlike
