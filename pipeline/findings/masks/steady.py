"""Freezes that may be compared with each other, and those that the record is likely to have misread."""

from __future__ import annotations

import numpy as np

from pipeline.findings.masks import doubtful
from pipeline.findings.masks.columns import Columns, following
from pipeline.findings.masks.stalls import Stalls


def misread(columns: Columns, *, usual_freeze_min: float, spells: np.ndarray, stalls: Stalls) -> np.ndarray:
    """Freezes that the record is likely to have cut in two, or sewn together, bool (n,).

    usual_freeze_min: the usual freeze [min]; spells: cycles in runs of short freezes, bool (n,).
    """
    return (
        doubtful.impossibly_short(columns, usual_freeze_min)
        | doubtful.cut_off(columns, usual_freeze_min)
        | spells
        | following(spells)  # what is left of the freeze that the spell cut off
        | doubtful.cut_in_two(columns, usual_freeze_min, stalls.doubtful)
        | stalls.missed
        | stalls.stopped
        | following(stalls.stopped)
    )


def steady(
    columns: Columns, *, broken: np.ndarray, repeats: np.ndarray, misread: np.ndarray, stalls: Stalls
) -> np.ndarray:
    """Freezes that may be compared with each other: both ends seen, whole, no pull-down after an idle, and none that began with ice
    left by a stalled harvest, bool (n,).

    broken, repeats, misread: cycles that tell nothing of a freeze, bool (n,).
    """
    whole = np.isfinite(columns.freeze_min) & columns.flag("complete") & ~broken
    after_stall = following(stalls.stalled | stalls.doubtful | repeats)
    alike = ~columns.flag("after_idle") & ~repeats & ~after_stall
    return whole & alike & ~misread & ~stalls.doubtful & ~stalls.hidden
