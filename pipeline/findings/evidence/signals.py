"""What the other channels say about a finding: how its cycles differ from the unit's usual ones, and how they stand
by themselves. They stand on the page beside the finding."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from pipeline.findings.evidence.case import Case

_NAN = math.nan


@dataclass(frozen=True, kw_only=True)
class Signals:
    """NaN: not logged, or nothing to compare with. `…_shift_k` is the finding's cycles minus the usual ones [K]."""

    split_k: float = _NAN  # condenser out minus in
    split_shift_k: float = _NAN
    discharge_c: float = _NAN
    discharge_shift_k: float = _NAN
    freeze_end_c: float = _NAN  # cold trace at the end of freeze
    freeze_end_shift_k: float = _NAN
    harvest_peak_c: float = _NAN
    harvest_peak_shift_k: float = _NAN
    harvest_rise_pct: float = _NAN  # rate at which the harvest begins to warm over the usual one, minus 100 %
    plateau_min: float = _NAN
    air_c: float = _NAN
    air_shift_k: float = _NAN
    water_c: float = _NAN
    water_shift_k: float = _NAN
    current_pct: float = _NAN  # freeze current over the usual one, minus 100 %
    harvest_current_pct: float = (
        _NAN  # harvest current over the freeze current of the same cycles, minus 100 %
    )
    freeze_pct: float = _NAN  # freeze length over the usual one, minus 100 %
    superheat_k: float = _NAN
    subcooling_k: float = _NAN
    condensing_over_air_k: float = _NAN

    def known(self) -> dict[str, float]:
        """The signals that were logged, by name."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: round(value, 3) for name, value in values.items() if math.isfinite(value)}


def signals(case: Case, focus: np.ndarray | None, usual: np.ndarray | None) -> Signals:
    """The signals of the cycles in `focus` (bool (n,); None: all) against those in `usual` (bool (n,); None: no comparison)."""
    if case.n == 0:
        return Signals()
    focus = np.ones(case.n, bool) if focus is None else focus
    if not focus.any():
        return Signals()

    def level(values: np.ndarray, mask: np.ndarray | None) -> float:
        if mask is None:
            return _NAN
        known = values[mask & np.isfinite(values)]
        return float(np.median(known)) if len(known) else _NAN

    def pair(values: np.ndarray) -> tuple[float, float]:
        here, there = level(values, focus), level(values, usual)
        return here, here - there

    def ratio(values: np.ndarray) -> float:
        here, there = level(values, focus), level(values, usual)
        return 100 * (here / there - 1) if there else _NAN

    split, split_shift = pair(case.column("condenser_split_k"))
    discharge, discharge_shift = pair(case.column("discharge_peak_c"))
    freeze_end, freeze_end_shift = pair(case.column("freeze_end_c"))
    peak, peak_shift = pair(case.column("harvest_peak_c"))
    air, air_shift = pair(case.air_c)
    water, water_shift = pair(case.water_c)
    side = case.refrigeration
    with np.errstate(divide="ignore", invalid="ignore"):
        harvest_current = case.column("harvest_current_a") / case.column("freeze_current_a")
    return Signals(
        split_k=split,
        split_shift_k=split_shift,
        discharge_c=discharge,
        discharge_shift_k=discharge_shift,
        freeze_end_c=freeze_end,
        freeze_end_shift_k=freeze_end_shift,
        harvest_peak_c=peak,
        harvest_peak_shift_k=peak_shift,
        harvest_rise_pct=ratio(case.harvest_rise_k),
        plateau_min=level(case.column("harvest_plateau_min"), focus),
        air_c=air,
        air_shift_k=air_shift,
        water_c=water,
        water_shift_k=water_shift,
        current_pct=ratio(case.column("freeze_current_a")),
        harvest_current_pct=100 * (level(harvest_current, focus) - 1),
        freeze_pct=ratio(case.freeze_min),
        superheat_k=level(side.superheat_k, focus),
        subcooling_k=level(side.subcooling_k, focus),
        condensing_over_air_k=level(side.condensing_over_air_k, focus),
    )
