"""The columns of a record, with the readings and the thresholds that go with them. Nothing is judged here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.methods.statistics import middle
from pipeline.findings.thresholds import InForce
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

NS_PER_MIN = 60_000_000_000
NS_PER_H = 3_600_000_000_000
NS_PER_DAY = 86_400_000_000_000
_BESIDE = 6  # cycles before and after one, of which the usual value round it is made


@dataclass(frozen=True, kw_only=True)
class Columns:
    """One log with its record. Arrays have one value a cycle (n,), NaN where it was not seen."""

    timeline: Timeline
    record: CycleRecord
    unit: Unit
    thresholds: InForce

    @property
    def n(self) -> int:
        """Cycles of the record."""
        return len(self.record.cycles)

    @cached_property
    def _columns(self) -> dict[str, np.ndarray]:
        table = self.record.cycles
        return {name: table[name].to_numpy() for name in table.columns}

    def column(self, name: str) -> np.ndarray:
        """A measure of every cycle as float64 (n,); all NaN where the record has no such column."""
        values = self._columns.get(name)
        return np.full(self.n, np.nan) if values is None else values.astype(float)

    def flag(self, name: str) -> np.ndarray:
        """A yes-or-no of every cycle, bool (n,); False where the record has no such column."""
        values = self._columns.get(name)
        return np.zeros(self.n, bool) if values is None else values.astype(bool)

    def has(self, name: str, least: int = 3) -> bool:
        """Whether at least `least` cycles have the measure."""
        return int(np.isfinite(self.column(name)).sum()) >= least

    def level(self, name: str, mask: np.ndarray | None = None) -> float:
        """Median of a measure over the cycles in `mask` (bool (n,); None: all), in its unit; NaN where there is none."""
        return middle(self.column(name) if mask is None else self.column(name)[mask])

    @cached_property
    def number(self) -> np.ndarray:
        """Number of every cycle as the record counts them, int (n,)."""
        values = self._columns.get("cycle")
        return np.arange(1, self.n + 1) if values is None else values.astype(int)

    def numbers(self, mask: np.ndarray) -> tuple[int, ...]:
        """The numbers of the cycles in `mask`, bool (n,)."""
        return tuple(int(k) for k in self.number[mask])

    @cached_property
    def start_ns(self) -> np.ndarray:
        """When every freeze began [ns, UTC], int64 (n,)."""
        return self._columns["freeze_start_ns"].astype(np.int64)

    @cached_property
    def harvest_ns(self) -> np.ndarray:
        """When every harvest began [ns, UTC], int64 (n,); -1 where that was not seen."""
        return self._columns["harvest_start_ns"].astype(np.int64)

    @cached_property
    def end_ns(self) -> np.ndarray:
        """When a cycle ended [ns] (n,): its harvest's end, else the harvest's start, else the next cycle or the end of the log."""
        end = self._columns["harvest_end_ns"].astype(np.int64)
        end = np.where(end > 0, end, self.harvest_ns)
        following = np.append(self.start_ns[1:], self.timeline.end_ns) if self.n else end
        return np.where(end > 0, end, following)

    @cached_property
    def freeze_min(self) -> np.ndarray:
        """Length of every freeze [min], (n,); NaN where an end was not seen."""
        return self.column("freeze_min")

    @cached_property
    def harvest_min(self) -> np.ndarray:
        """Length of every harvest [min], (n,); NaN where an end was not seen."""
        return self.column("harvest_min")

    @cached_property
    def sigma_min(self) -> float:
        """How far sampling alone scatters a duration, as a standard deviation [min]."""
        half_width = middle(self.column("uncertainty_min"))
        return half_width / 1.645 if math.isfinite(half_width) else 0.0

    @property
    def interval_min(self) -> float:
        """The logger's interval [min], 0 where it has none."""
        interval = self.record.interval_s / 60
        return interval if math.isfinite(interval) else 0.0

    @property
    def clamped(self) -> bool:
        """Whether a clamp or a power meter shows when the compressor runs."""
        return self.timeline.get("current_compressor", "current", "power") is not None

    @cached_property
    def air_c(self) -> np.ndarray:
        """What the condenser is given, every cycle [°C] (n,): by its own probe, else the room's air; the supply water where the
        machine is water-cooled."""
        inlet = self.column("condenser_in_c")
        other = self.column("ambient_c" if self.unit.cooling == "air" else "water_in_c")
        return np.where(np.isfinite(inlet), inlet, other)

    @cached_property
    def water_c(self) -> np.ndarray:
        """Supply water of every cycle, else what the technician measured [°C] (n,)."""
        logged = self.column("water_in_c")
        known = self.unit.measured.water_in_c
        return np.where(np.isfinite(logged), logged, np.nan if known is None else known)

    def cold_at(self, at_ns: np.ndarray) -> np.ndarray:
        """The trusted reading of the cold trace at or before each moment `at_ns` (n,) [°C], NaN where there is none."""
        cold = self.timeline.get("evaporator", "suction")
        if cold is None or not cold.trusted.any():
            return np.full(len(at_ns), np.nan)
        time_ns, values = cold.readings()
        at = np.searchsorted(time_ns, at_ns, side="right") - 1
        return np.where(at >= 0, values[np.maximum(at, 0)], np.nan)

    def hours(self, *kinds: PhaseKind) -> float:
        """Hours of the log in phases of these kinds."""
        return sum(p.end_ns - p.start_ns for p in self.record.phases if p.kind in kinds) / NS_PER_H

    def rare(self, mask: np.ndarray, confidence: float = 1.0) -> bool:
        """Whether so few cycles are meant by `mask` (n,) that they are worth a note, no more; a single one must be certain as well."""
        single = mask.sum() == 1 and confidence < self.thresholds["single_sure_pct"] / 100
        return single or 100 * mask.sum() <= self.thresholds["rare_pct"] * self.n

    @cached_property
    def trust(self) -> float:
        """Share of the cold trace's readings that are trusted, 0…1: no conclusion is surer than its readings."""
        cold = self.timeline.get("evaporator", "suction")
        channel = cold or self.timeline.get("current_compressor", "current", "power")
        if channel is None or len(channel.trusted) == 0:
            return 0.5
        return float(np.mean(channel.trusted)) * (0.85 + 0.15 * channel.role_confidence)


def following(mask: np.ndarray) -> np.ndarray:
    """The cycles that follow those in `mask`, bool (n,)."""
    return np.concatenate([[False], mask[:-1]]) if len(mask) else mask


def of_the_next(values: np.ndarray) -> np.ndarray:
    """`values` (n,) of the cycle after each, (n,): False, or NaN, after the last."""
    if len(values) == 0:
        return values
    last = np.zeros(1, bool) if values.dtype == bool else np.full(1, np.nan)
    return np.concatenate([values[1:], last])


def usual_beside(
    columns: Columns, values: np.ndarray, otherwise: float, *, odd: np.ndarray | None = None
) -> np.ndarray:
    """The usual value of a measure, `values` (n,), round each cycle, (n,): air and water move it over a log, a fault gives it two levels.

    Those in `odd` (bool (n,)) and pull-downs are left out; `otherwise` where none is left.
    """
    values = np.where(columns.flag("after_idle") | (False if odd is None else odd), np.nan, values)
    usual = np.full(columns.n, otherwise)
    if columns.n:
        padded = np.pad(values, _BESIDE, constant_values=np.nan)
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _BESIDE + 1)
        ordered, count = np.sort(windows, axis=1), np.isfinite(windows).sum(axis=1)  # what is not known last
        known = np.flatnonzero(count)
        lower, upper = (ordered[known, (count[known] - more) // 2] for more in (1, 0))
        usual[known] = (lower + upper) / 2
    return usual
