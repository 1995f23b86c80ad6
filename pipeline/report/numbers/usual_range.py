"""The usual range of a length: the unit's own middle and spread, robustly."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.findings.finding import Judgement
from pipeline.report.numbers.columns import columns_of

SIGMA_90 = 1.645  # half-width of the middle 90 % of a normal sample, in standard deviations


@dataclass(frozen=True, kw_only=True)
class Limits:
    """centre and usual limits of a length [min]; NaN where too few were seen."""

    centre: float
    low: float
    high: float


def limits_of(lengths_min: np.ndarray, *, z: float, floor: float, sampling_min: float = 0.0) -> Limits:
    """Median ± `z` robust standard deviations of `lengths_min` (n,); NaN where fewer than five lengths [min] are there.

    The robust deviation is the median absolute deviation ÷ 0.6745 (NIST/SEMATECH e-Handbook 1.3.5.17), no less than
    `floor` of the centre and than what sampling alone scatters (`sampling_min`, standard deviation [min]).
    """
    seen = lengths_min[np.isfinite(lengths_min)]
    if len(seen) < 5:
        return Limits(
            centre=float(np.median(seen)) if len(seen) else float("nan"), low=float("nan"), high=float("nan")
        )
    centre = float(np.median(seen))
    spread = max(float(np.median(np.abs(seen - centre))) / 0.6745, floor * centre, sampling_min)
    return Limits(centre=centre, low=max(centre - z * spread, 0.0), high=centre + z * spread)


def limits_in_force(record: CycleRecord, column: str, judgement: Judgement, odd: set[int]) -> Limits:
    """The limits that `column` was judged by, where a finding tells them; else from the cycles that nobody objects to.

    odd: numbers of the cycles that somebody objects to; they stay out where enough others are left.
    """
    phase, names = column.removesuffix("_min"), ("usual_low_min", "usual_min", "usual_high_min")
    for finding in judgement.findings:
        evidence = finding.evidence
        if finding.shows.about == phase and all(evidence.get(name) is not None for name in names):
            low, centre, high = (float(evidence[name]) for name in names)
            return Limits(centre=centre, low=low, high=high)
    table = columns_of(record)
    sampling = table["uncertainty_min"]
    known = sampling[np.isfinite(sampling)]
    numbers = table["cycle"]
    whole = ~table["broken"]
    usual = whole & ~np.isin(numbers, list(odd))
    lengths = table[column]
    table_of = in_force(judgement.thresholds)
    chosen = lengths[usual] if np.isfinite(lengths[usual]).sum() >= table_of["own_cycles"] else lengths[whole]
    # uncertainty_min is the half-width of a 90 % interval
    return limits_of(
        chosen,
        z=table_of["outlier_z"],
        floor=table_of["spread_floor_pct"] / 100,
        sampling_min=float(np.median(known)) / SIGMA_90 if len(known) else 0.0,
    )


def in_force(rows: Iterable[tuple[str, float, str, str]] = ()) -> dict[str, float]:
    """Name -> value of every threshold: as a judgement's `rows` tell it, else as the table has it."""
    from pipeline.findings.thresholds import BEFORE, TABLE

    table = {row.name: row.value for row in TABLE} | {name: row.value for name, row in BEFORE.items()}
    return table | {name: value for name, value, _, _ in rows}
