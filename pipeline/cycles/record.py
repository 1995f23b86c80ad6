"""What the cycles room hands on: phases that touch, and one row of measures a cycle.

Times are int64 nanoseconds UTC; durations are minutes; temperatures °C; currents A.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


class PhaseKind(StrEnum):
    """What the machine does over a stretch of the log."""

    FREEZE = "freeze"
    HARVEST = "harvest"
    IDLE = "idle"  # compressor off
    UNCLEAR = "unclear"  # the log cannot tell
    GAP = "gap"  # no data


class NoBatches(StrEnum):
    """Why a log is not read as one of a machine that makes ice in batches."""

    TOO_COARSE = "too-coarse"
    THERMOSTAT = "thermostat"  # it repeats, but not as freezes and harvests
    NOT_SHOWN = "not-shown"  # nothing in it shows a compressor at work


@dataclass(frozen=True, kw_only=True)
class Phase:
    """One stretch of one state. Each phase ends where the next begins."""

    kind: PhaseKind
    start_ns: int
    end_ns: int
    start_uncertainty_s: (
        float  # half-width of the 90 % interval of the start [s]; the end's is the next phase's
    )
    confidence: float  # 0…1: how sure the label is
    why: str = ""  # for `unclear`: "tripping", "no-pattern", "probe-fault", "conflict", one of `NoBatches`, …


@dataclass(frozen=True, kw_only=True)
class CycleRecord:
    """Every phase of a log, its cycles with their measures, and how they were found."""

    phases: tuple[Phase, ...]  # cover start_ns…end_ns of the timeline without holes
    cycles: pd.DataFrame  # one row a cycle; see CYCLE_COLUMNS
    starts: pd.DataFrame  # one row a compressor start seen; see START_COLUMNS
    interval_s: float = float("nan")  # the interval that limits the timing of boundaries [s]
    harvests_timed: bool = True  # False: the log is too coarse to time a harvest
    harvests_standing: bool = (
        False  # True: a clamp alone shows the compressor standing in them, as a thermostat's may
    )
    pattern: bool = True  # False: the compressor ran, but no freeze/harvest pattern was found
    no_batches: NoBatches | None = (
        None  # then no phase is a freeze or a harvest, and no fault is told by cycles
    )


CYCLE_COLUMNS: Mapping[str, str] = {
    "cycle": "1, 2, … (index of the table too)",
    "freeze_start_ns": "int64; the moment hot gas was shut off, or the compressor started",
    "harvest_start_ns": "int64; the moment hot gas was let in; -1 where it was not seen",
    "harvest_end_ns": "int64; -1 where it was not seen",
    "freeze_min": "freeze length [min]; NaN where an end was not seen",
    "harvest_min": "harvest length [min]; NaN where an end was not seen",
    "uncertainty_min": "half-width of the 90 % interval of a duration [min]",
    "complete": "bool: both ends of freeze and harvest were seen",
    "after_idle": "bool: the freeze began with a compressor start (a pull-down freeze, longer by nature)",
    "broken": "bool: a trip, gap or unclear stretch lies in it",
    # Measures; NaN where the channel is missing. Temperatures are of the cold trace used (evaporator or suction).
    "below_zero_min": "time of the freeze below 0 °C [min]",
    "pull_down_k_per_min": "rate of fall over the first part of the freeze [K/min], positive",
    "freeze_end_c": "temperature when the freeze ended [°C]",
    "freeze_min_c": "lowest temperature of the freeze [°C]",
    "harvest_peak_c": "highest temperature of the harvest and of the minute, or the reading, after its end [°C]",
    "harvest_rise_k_per_min": "rate of rise at the start of the harvest [K/min]",
    "harvest_plateau_min": "longest stretch of the harvest that stays within ±1.5 K of 0 °C [min]",
    "freeze_current_a": "mean current of the freeze [A]",
    "harvest_current_a": "mean current of the harvest [A]",
    "peak_current_a": "highest current of the cycle, the start inrush left out [A]",
    "inrush_a": "start inrush, where a compressor start lies in the cycle and the interval shows it [A]",
    "charge_ah": "amp-hours drawn in the cycle [A·h]",
    "energy_kwh": "energy of the cycle [kWh], from power, or current × voltage × power factor where both are known",
    "discharge_peak_c": "highest discharge line temperature of the cycle [°C]",
    "condenser_in_c": "mean air or water into the condenser over the freeze [°C]",
    "condenser_split_k": "condenser out minus in over the last half of the freeze [K]",
    "ambient_c": "mean room air over the cycle [°C]",
    "water_in_c": "mean supply water over the cycle [°C]",
    "off_before_min": "off-time before the compressor start in this cycle [min]",
}
"""Columns of `CycleRecord.cycles` and what they hold. A room may add columns; it renames none."""

START_COLUMNS: Mapping[str, str] = {
    "start_ns": "int64; when the compressor started",
    "off_before_min": "how long it had been off [min]; NaN for the first",
    "run_min": "how long it then ran [min]; NaN where the end was not seen",
    "inrush_a": "highest current at the start [A]; NaN where unknown",
    "failed": "bool: starting current and a drop-out without a run",
    "line_c": "temperature of the cold trace at the start [°C]",
    "discharge_c": "discharge line before the start [°C]",
}
"""Columns of `CycleRecord.starts`."""
