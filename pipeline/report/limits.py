"""The limits of the length chart: the unit's own middle and spread, robustly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MODIFIED_Z = 3.5  # Iglewicz & Hoaglin's limit: NIST/SEMATECH e-Handbook 1.3.5.17
SPREAD_FLOOR = 0.015  # of the centre; no machine is steadier for long (common practice, no source)


@dataclass(frozen=True, kw_only=True)
class Limits:
    """centre and usual limits of a length [min]; NaN where too few were seen."""

    centre: float
    low: float
    high: float


def limits_of(lengths_min: np.ndarray, *, z: float = MODIFIED_Z, floor: float = SPREAD_FLOOR, sampling_min: float = 0.0) -> Limits:
    """Median ± z robust standard deviations.

    The robust deviation is the median absolute deviation ÷ 0.6745 (NIST/SEMATECH e-Handbook 1.3.5.17), no less than
    `floor` of the centre and than what sampling alone scatters (`sampling_min`, standard deviation [min]).
    """
    seen = lengths_min[np.isfinite(lengths_min)]
    if len(seen) < 5:
        return Limits(centre=float(np.median(seen)) if len(seen) else float("nan"), low=float("nan"), high=float("nan"))
    centre = float(np.median(seen))
    spread = max(float(np.median(np.abs(seen - centre))) / 0.6745, floor * centre, sampling_min)
    return Limits(centre=centre, low=max(centre - z * spread, 0.0), high=centre + z * spread)
