"""What a finding costs a day while it lasts: ice by the time that its cycles take beyond the usual ones, and energy by what they use beyond."""

from __future__ import annotations

import numpy as np

from pipeline.findings.evidence.case import NS_PER_DAY, Case
from pipeline.findings.methods import statistics
from pipeline.findings.rule import Seen
from pipeline.findings.rules.output import slab_bounds_kg

READS = ("slab_sigma_pct", "level_cycles")


def loss_of(case: Case, seen: Seen) -> dict[str, float]:
    """Ice [kg a day] and energy [kWh a day] lost from the finding's first cycle to its last, each with its 95 % interval.

    Ice needs a slab that was weighed, or a nameplate, which bounds it; energy needs power, or current with voltage and power factor.
    Its slabs are taken to weigh what the usual ones do. {} where the finding has no cycles to compare, where these take no longer, or where neither is known.
    """
    if seen.cycles is None or seen.usual is None:
        return {}
    focus, usual = np.asarray(seen.cycles), np.asarray(seen.usual) & ~case.repeats
    days = (seen.end_ns - seen.start_ns) / NS_PER_DAY
    minutes = _with_repeats(case)
    longer = _shift(minutes, focus, usual, case)
    out: dict[str, float] = {}
    if longer is None or days <= 0:
        return out
    times = int(focus.sum()) / days
    lost_cycles = [
        times * m / float(np.nanmedian(minutes[usual])) for m in (longer.value, longer.low, longer.high)
    ]
    slab = case.unit.measured.slab_kg
    off = 2 * case.thresholds["slab_sigma_pct"] / 100
    bounds = slab_bounds_kg(case) if slab is None else (slab * (1 - off), slab * (1 + off))
    if bounds is not None and longer.low > 0:
        if slab is not None:
            out["ice_lost_kg_per_day"] = round(slab * lost_cycles[0], 1)
        out["ice_lost_low_kg_per_day"] = round(bounds[0] * lost_cycles[1], 1)
        out["ice_lost_high_kg_per_day"] = round(bounds[1] * lost_cycles[2], 1)
    used = _shift(case.column("energy_kwh"), focus, usual, case)
    if used is not None and used.low > 0:
        out["energy_lost_kwh_per_day"] = round(times * used.value, 2)
        out["energy_lost_low_kwh_per_day"] = round(times * used.low, 2)
        out["energy_lost_high_kwh_per_day"] = round(times * used.high, 2)
    return out


def _with_repeats(case: Case) -> np.ndarray:
    """Minutes of every cycle (n,), with those of the repeated ones right after it, which bring no ice of their own."""
    minutes = case.freeze_min + np.nan_to_num(case.harvest_min)
    total = minutes.copy()
    for i in range(case.n - 1, 0, -1):
        if case.repeats[i] and np.isfinite(total[i]):
            total[i - 1] += total[i]
    return total


def _shift(values: np.ndarray, focus: np.ndarray, usual: np.ndarray, case: Case) -> statistics.Shift | None:
    """By how much the finding's cycles lie above the usual ones; None where either are too few."""
    known = np.isfinite(values) & case.flag("complete")
    here, there = values[known & focus], values[known & usual & ~focus]
    if len(here) == 0 or len(there) < case.thresholds["level_cycles"]:
        return None
    return statistics.hodges_lehmann(there, here)
