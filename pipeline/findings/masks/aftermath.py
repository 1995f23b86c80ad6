"""What a freeze tells of the harvest before it.

A slab that stayed on the plate is part of the next one, so the freeze that grows onto it ends early. By itself that proves no
stall: the harvest before it must have been unlike the others as well.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.findings.masks import doubtful
from pipeline.findings.masks.columns import Columns, following, of_the_next, usual_beside
from pipeline.findings.methods import statistics


def ice_left(
    columns: Columns,
    *,
    usual_freeze_min: float,
    broken: np.ndarray,
    unlike: np.ndarray,
    misplaced: np.ndarray,
    excess_min: np.ndarray,
) -> np.ndarray:
    """Harvests that left their slab on the plate, by the freeze that follows, bool (n,).

    usual_freeze_min: the usual freeze [min]; broken: cycles that tell nothing, bool (n,); unlike: harvests that were colder, longer or
    less of a harvest than the others, bool (n,); misplaced: cycles with a boundary in the wrong place, bool (n,); excess_min: length
    beyond the usual one (n,) [min]. Without a probe on the cold side, where a harvest is not seen to warm, short freezes that each stand
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
    # A freeze that a stop cut in two comes back in two parts; old ice shortens the one after a whole freeze, or after
    # another one that grew onto old ice.
    grown = share + of_the_next(share) > t["left_grown_pct"] / 100
    left = before & unlike & grown
    for i in np.flatnonzero(before & unlike & ~grown):
        left[i] = i > 0 and left[i - 1]
    return left


def _alone(columns: Columns, short: np.ndarray) -> np.ndarray:
    """Harvests before short freezes that each stand alone, bool (n,); none where most do not, or where they are many: a
    control that ends its freezes early does so in a row."""
    t, none = columns.thresholds, np.zeros(columns.n, bool)
    alone = short & ~of_the_next(short) & ~following(short)
    least = max(t["left_alone_cycles"], t["left_alone_pct"] / 100 * short.sum())
    few = 100 * short.sum() < t["repeats_most_pct"] * columns.n
    return of_the_next(alone) if few and alone.sum() >= least else none
