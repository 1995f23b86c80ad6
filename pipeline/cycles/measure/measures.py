"""One row of trade measures a cycle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.cycles.limits import limits_of
from pipeline.cycles.record import CYCLE_COLUMNS, Phase, PhaseKind
from pipeline.cycles.signal.signals import Trace
from pipeline.cycles.signal.windows import Windows, reading_at
from pipeline.unit import Unit

if TYPE_CHECKING:
    import pandas as pd

NS_PER_MIN = 6e10


def cycle_table(
    phases: Sequence[Phase],
    starts: pd.DataFrame,
    traces: Mapping[str, Trace],
    unit: Unit,
    *,
    cold: Trace | None,
    draws: Sequence[Trace],
) -> pd.DataFrame:
    """CYCLE_COLUMNS as a table, one row a freeze (with the harvest that ends it).

    A freeze that a stop, a gap or an unclear stretch ends is a row of its own, `broken` and not complete. Where a gap or
    an unclear stretch comes just before, the freeze's start was not seen: its length is NaN. traces: by role.
    """
    import pandas as pd

    table = _cycles(phases)
    table |= _measures(table, starts, traces, unit, cold, draws)
    frame = pd.DataFrame({name: table[name] for name in CYCLE_COLUMNS})
    return frame.set_index("cycle", drop=False).rename_axis(None)


def _cycles(phases: Sequence[Phase]) -> dict[str, np.ndarray]:
    rows = []
    cuts = (PhaseKind.GAP, PhaseKind.UNCLEAR)
    for i, phase in enumerate(phases):
        if phase.kind is not PhaseKind.FREEZE:
            continue
        before = phases[i - 1] if i else None
        after = phases[i + 1] if i + 1 < len(phases) else None
        last = phases[i + 2] if i + 2 < len(phases) else None
        start_seen = before is not None and before.kind not in cuts
        if before is not None and before.kind is PhaseKind.UNCLEAR and before.why == "tripping":
            start_seen = True  # its end is a compressor start
        harvested = after is not None and after.kind is PhaseKind.HARVEST
        end_seen = harvested and last is not None and last.kind is not PhaseKind.GAP
        u = [phase.start_uncertainty_s, after.start_uncertainty_s if after else 0.0]
        u.append(last.start_uncertainty_s if last and harvested else 0.0)
        rows.append(
            (
                phase.start_ns,
                after.start_ns if harvested else -1,
                after.end_ns if end_seen else -1,
                start_seen and harvested,
                max(np.hypot(u[0], u[1]), np.hypot(u[1], u[2])) / 60,
                start_seen and end_seen,
                before is not None and (before.kind is PhaseKind.IDLE or before.why == "tripping"),
                (before is not None and before.kind in cuts and before.why != "tripping")
                or (after is not None and not harvested)
                or (harvested and last is not None and last.kind in cuts),
                after.start_ns if harvested else phase.end_ns,
            )
        )
    columns = list(zip(*rows, strict=True)) if rows else [()] * 9
    freeze_start, harvest_start, harvest_end = (np.array(c, dtype=np.int64) for c in columns[:3])
    timed = np.array(columns[3], dtype=bool)
    ended = harvest_end >= 0
    return {
        "cycle": np.arange(1, len(rows) + 1),
        "freeze_start_ns": freeze_start,
        "harvest_start_ns": harvest_start,
        "harvest_end_ns": harvest_end,
        "freeze_min": np.where(timed, (harvest_start - freeze_start) / NS_PER_MIN, np.nan),
        "harvest_min": np.where(ended, (harvest_end - harvest_start) / NS_PER_MIN, np.nan),
        "uncertainty_min": np.array(columns[4], dtype=float),
        "complete": np.array(columns[5], dtype=bool),
        "after_idle": np.array(columns[6], dtype=bool),
        "broken": np.array(columns[7], dtype=bool),
        "freeze_end_ns": np.array(columns[8], dtype=np.int64),
    }


def _measures(
    table: dict[str, np.ndarray],
    starts: pd.DataFrame,
    traces: Mapping[str, Trace],
    unit: Unit,
    cold: Trace | None,
    draws: Sequence[Trace],
) -> dict[str, np.ndarray]:
    freeze, freeze_end = table["freeze_start_ns"], table["freeze_end_ns"]
    seen = table["harvest_start_ns"] >= 0
    ended = table["harvest_end_ns"] >= 0
    harvest = np.where(seen, table["harvest_start_ns"], freeze_end)
    harvest_end = np.where(ended, table["harvest_end_ns"], harvest)
    cycle_end = np.where(ended, harvest_end, freeze_end)
    nothing = np.full(len(freeze), np.nan)
    limits = limits_of(unit.thresholds)
    out = {name: nothing for name in CYCLE_COLUMNS if name not in table}
    if len(freeze) == 0:
        return out
    if cold is not None:
        out |= _cold_measures(cold, freeze, freeze_end, harvest_end, seen, ended, limits)
    by_role = {trace.role: trace for trace in draws}
    clamp = by_role.get("current") or by_role.get("current_compressor")
    if clamp is not None:
        out |= _draw_measures(clamp, freeze, freeze_end, harvest_end, table["after_idle"], ended, limits)
    out["energy_kwh"] = _energy(by_role, traces, unit, freeze, cycle_end, ended)
    discharge, condenser_in = traces.get("discharge"), traces.get("condenser_in")
    condenser_out, ambient = traces.get("condenser_out"), traces.get("ambient")
    water = traces.get("water_in")
    if discharge is not None:
        out["discharge_peak_c"] = Windows(discharge, freeze, cycle_end).highest()
    if condenser_in is not None:
        out["condenser_in_c"] = Windows(condenser_in, freeze, freeze_end).mean()
        if condenser_out is not None:
            half = (freeze + freeze_end) // 2
            warm, cool = Windows(condenser_out, half, freeze_end), Windows(condenser_in, half, freeze_end)
            out["condenser_split_k"] = warm.mean() - cool.mean()
    if ambient is not None:
        out["ambient_c"] = Windows(ambient, freeze, cycle_end).mean()
    if water is not None:
        out["water_in_c"] = Windows(water, freeze, cycle_end).mean()
    if len(starts):
        start_ns = starts["start_ns"].to_numpy()
        good = np.flatnonzero(~starts["failed"].to_numpy())
        at = np.searchsorted(start_ns[good], freeze - 60_000_000_000)
        at_ok = at < len(good)
        pick = good[np.minimum(at, max(len(good) - 1, 0))] if len(good) else np.zeros(len(at), dtype=np.int64)
        inside = at_ok & (start_ns[pick] < cycle_end) if len(good) else np.zeros(len(at), dtype=bool)
        out["inrush_a"] = np.where(inside, starts["inrush_a"].to_numpy()[pick], np.nan)
        out["off_before_min"] = np.where(inside, starts["off_before_min"].to_numpy()[pick], np.nan)
    return out


def _cold_measures(cold, freeze, freeze_end, harvest_end, seen, ended, limits) -> dict[str, np.ndarray]:
    in_freeze = Windows(cold, freeze, freeze_end)
    in_harvest = Windows(cold, freeze_end, harvest_end)
    # The line is warmest as the harvest ends: behind a clip's lag, and on a slow logger, that shows a little after.
    to_peak = Windows(cold, freeze_end, harvest_end + round(max(cold.interval_s, limits["top_late_s"]) * 1e9))
    length_min = (freeze_end - freeze) / NS_PER_MIN
    pulled, plateau_k = limits["pull_down_pct"] / 100, limits["plateau_k"]
    first_part = freeze + ((freeze_end - freeze) * pulled).astype(np.int64)
    at_start, at_part = reading_at(cold, freeze), reading_at(cold, first_part)
    at_end = reading_at(cold, freeze_end)
    rise_ns = np.minimum((harvest_end - freeze_end) * limits["rise_pct"] / 100, limits["rise_most_s"] * 1e9)
    rise_ns = np.maximum(rise_ns, cold.interval_s * 1e9).astype(np.int64)
    risen = reading_at(cold, freeze_end + rise_ns)
    return {
        "below_zero_min": in_freeze.share_below(0.0) * length_min,
        "pull_down_k_per_min": (at_start - at_part) / np.maximum(pulled * length_min, 1e-9),
        "freeze_end_c": np.where(seen, at_end, np.nan),
        "freeze_min_c": in_freeze.lowest(),
        "harvest_peak_c": np.where(ended, to_peak.highest(), np.nan),
        "harvest_rise_k_per_min": np.where(ended, (risen - at_end) / (rise_ns / NS_PER_MIN), np.nan),
        "harvest_plateau_min": np.where(ended, in_harvest.longest_within_min(-plateau_k, plateau_k), np.nan),
    }


def _draw_measures(
    clamp, freeze, freeze_end, harvest_end, after_idle, ended, limits
) -> dict[str, np.ndarray]:
    in_freeze, in_harvest = Windows(clamp, freeze, freeze_end), Windows(clamp, freeze_end, harvest_end)
    cycle_end = np.where(ended, harvest_end, freeze_end)
    after_inrush = freeze + np.where(after_idle, int(limits["inrush_s"] * 1e9 + clamp.interval_s * 1e9), 0)
    cycle = Windows(clamp, freeze, cycle_end)
    hours = (cycle_end - freeze) / NS_PER_MIN / 60
    return {
        "freeze_current_a": in_freeze.mean(),
        "harvest_current_a": np.where(ended, in_harvest.mean(), np.nan),
        "peak_current_a": Windows(clamp, after_inrush, cycle_end).highest(),
        "charge_ah": np.where(ended, cycle.mean() * hours, np.nan),
    }


def _energy(by_role, traces: Mapping[str, Trace], unit: Unit, freeze, cycle_end, ended) -> np.ndarray:
    """kWh of each cycle: from power; else current × voltage × power factor, logged or given, × √3 on three phases."""
    hours = (cycle_end - freeze) / NS_PER_MIN / 60
    if "power" in by_role:
        watts = Windows(by_role["power"], freeze, cycle_end).mean()
        return np.where(ended, watts * hours / 1000, np.nan)
    voltage, factor = traces.get("voltage"), traces.get("power_factor")
    given_v = unit.measured.voltage_v or unit.nameplate.voltage_v
    given_factor = unit.measured.power_factor
    if (
        "current" not in by_role
        or (voltage is None and given_v is None)
        or (factor is None and given_factor is None)
    ):
        return np.full(len(freeze), np.nan)
    volts = Windows(voltage, freeze, cycle_end).mean() if voltage is not None else given_v
    share = Windows(factor, freeze, cycle_end).mean() if factor is not None else given_factor
    amps = Windows(by_role["current"], freeze, cycle_end).mean()
    lines = np.sqrt(3.0) if unit.nameplate.phases == 3 else 1.0
    return np.where(ended, lines * volts * amps * share * hours / 1000, np.nan)
