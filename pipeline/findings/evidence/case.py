"""What a rule is shown: one log with its record, and the quantities that several rules share, worked out once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.evidence import doubtful
from pipeline.findings.evidence.conditions import Adjusted, adjust
from pipeline.findings.evidence.courses import Course, courses
from pipeline.findings.evidence.refrigerant import Refrigeration, refrigeration
from pipeline.findings.evidence.stalls import Stalls, stalls
from pipeline.findings.evidence.standards import Elsewhere
from pipeline.findings.evidence.stops import Stop, stops
from pipeline.findings.evidence.visits import Worked, visits
from pipeline.findings.thresholds import InForce
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

NS_PER_MIN = 60_000_000_000
NS_PER_H = 3_600_000_000_000
NS_PER_DAY = 86_400_000_000_000

READS = (
    "spread_floor_pct", "rare_pct", "single_sure_pct", "whole_harvest_pct", "ran_long_pct", "repeat_freeze_share",
    "repeat_after_long_share", "repeats_most_pct", "slip_unmoved_pct",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Case:
    """One log under judgement. Arrays have one value a cycle, NaN where it was not seen."""

    timeline: Timeline
    record: CycleRecord
    unit: Unit
    thresholds: InForce
    elsewhere: Elsewhere = field(default_factory=Elsewhere)  # what is known from outside this log

    @property
    def n(self) -> int:
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

    @cached_property
    def number(self) -> np.ndarray:
        values = self._columns.get("cycle")
        return np.arange(1, self.n + 1) if values is None else values.astype(int)

    @cached_property
    def start_ns(self) -> np.ndarray:
        return self._columns["freeze_start_ns"].astype(np.int64)

    @cached_property
    def harvest_ns(self) -> np.ndarray:
        return self._columns["harvest_start_ns"].astype(np.int64)

    @cached_property
    def end_ns(self) -> np.ndarray:
        """When a cycle ended: its harvest's end, else the harvest's start, else the next cycle or the end of the log."""
        end = self._columns["harvest_end_ns"].astype(np.int64)
        end = np.where(end > 0, end, self.harvest_ns)
        following = np.append(self.start_ns[1:], self.timeline.end_ns) if self.n else end
        return np.where(end > 0, end, following)

    @cached_property
    def freeze_min(self) -> np.ndarray:
        return self.column("freeze_min")

    @cached_property
    def harvest_min(self) -> np.ndarray:
        return self.column("harvest_min")

    @cached_property
    def broken(self) -> np.ndarray:
        """Cycles that a trip, a gap or a probe that could not be believed lies in, bool (n,)."""
        return self.flag("broken") | doubtful.under_doubt(self)

    @cached_property
    def usual_freeze_min(self) -> float:
        """The middle of all whole freezes [min], NaN where fewer than three were seen."""
        lengths = self.freeze_min[np.isfinite(self.freeze_min) & ~self.broken]
        return float(np.median(lengths)) if len(lengths) >= 3 else float("nan")

    @cached_property
    def spells(self) -> np.ndarray:
        """Cycles in spells of freezes that are all far too short for ice, bool (n,)."""
        return doubtful.spells(self, self.usual_freeze_min)

    @cached_property
    def misread(self) -> np.ndarray:
        """Freezes that the record is likely to have cut in two, or sewn together, bool (n,)."""
        usual = self.usual_freeze_min
        return (
            doubtful.scraps(self, usual)
            | doubtful.begun_unread(self, usual)
            | self.spells
            | _after(self.spells)  # what is left of the freeze that the spell cut off
            | doubtful.splits(self, usual, self.stalls.doubtful)
            | self.stalls.missed
            | self.stalls.stopped
            | _after(self.stalls.stopped)
        )

    @cached_property
    def sigma_min(self) -> float:
        """How far sampling alone scatters a duration, as a standard deviation [min]."""
        half_width = self.column("uncertainty_min")
        known = half_width[np.isfinite(half_width)]
        return float(np.median(known)) / 1.645 if len(known) else 0.0

    @cached_property
    def repeats(self) -> np.ndarray:
        """Cycles whose freeze is so short that their harvest repeats the one before, bool (n,).

        Shorter still where the harvest before was no longer than usual: then the length alone has to say it.
        """
        none = np.zeros(self.n, bool)
        usual = self.usual_freeze_min
        if not np.isfinite(usual):
            return none
        usual_harvest = self.level("harvest_min", ~self.broken)
        t = self.thresholds
        after_long = np.concatenate(
            [[False], self.harvest_min[:-1] > t["ran_long_pct"] / 100 * usual_harvest]
        )
        share = np.where(after_long, t["repeat_after_long_share"], t["repeat_freeze_share"])
        short = self.freeze_min < share * usual
        real = self.harvest_min > t["whole_harvest_pct"] / 100 * usual_harvest
        short &= real & np.concatenate([[False], real[:-1]]) & ~self.flag("after_idle")
        short &= (
            ~doubtful.beside_unclear(self)
            & ~doubtful.scraps(self, usual)
            & ~self.spells
            & ~_after(self.spells)
        )
        return short if 100 * short.mean() < t["repeats_most_pct"] else none

    @cached_property
    def steady(self) -> np.ndarray:
        """Freezes that may be compared with each other: both ends seen, whole, no pull-down after an idle, and none
        that began with ice left by a stalled harvest, bool (n,)."""
        after_stall = _after(self.stalls.stalled | self.stalls.doubtful | self.repeats)
        whole = np.isfinite(self.freeze_min) & self.flag("complete") & ~self.broken
        alike = ~self.flag("after_idle") & ~self.repeats & ~after_stall
        return whole & alike & ~self.misread & ~self.stalls.doubtful & ~self.stalls.hidden

    @cached_property
    def stalls_aside(self) -> np.ndarray:
        """Every whole freeze but those that repeat a harvest, pull-downs among them, bool (n,)."""
        return np.isfinite(self.freeze_min) & ~self.broken & ~self.misread & ~self.repeats

    @cached_property
    def stalls(self) -> Stalls:
        """Harvests that stalled, by kind."""
        return stalls(self)

    @cached_property
    def stops(self) -> tuple[Stop, ...]:
        """Every stretch in which the compressor stood, in time order."""
        return stops(self)

    @cached_property
    def harvests(self) -> np.ndarray:
        """Harvests whose length may be judged, bool (n,)."""
        if not self.record.harvests_timed:
            return np.zeros(self.n, bool)
        whole = np.isfinite(self.harvest_min) & self.flag("complete")
        return whole & ~self.broken & ~doubtful.beside_unclear(self) & ~self.spells

    @cached_property
    def air_c(self) -> np.ndarray:
        """What the condenser is given, every cycle [°C]: by its own probe, else the room's air; the supply water where the
        machine is water-cooled."""
        inlet = self.column("condenser_in_c")
        other = self.column("ambient_c" if self.unit.cooling == "air" else "water_in_c")
        return np.where(np.isfinite(inlet), inlet, other)

    @cached_property
    def water_c(self) -> np.ndarray:
        """Supply water of every cycle, else what the technician measured [°C]."""
        logged = self.column("water_in_c")
        known = self.unit.measured.water_in_c
        return np.where(np.isfinite(logged), logged, np.nan if known is None else known)

    @cached_property
    def courses(self) -> Mapping[str, Course]:
        """Every measure that changed for good, by its column."""
        return courses(self)

    @cached_property
    def visits(self) -> tuple[Worked, ...]:
        """The visits of unit.toml that lie in the log."""
        return visits(self)

    @cached_property
    def slipping(self) -> Course | None:
        """The line's swing where it shrank for good although freezes and harvests went on as before: the probe reads more and more of the
        room, or came to sit elsewhere."""
        swing, t = self.courses.get("line_swing_k"), self.thresholds
        if swing is None or swing.change.total > 0 or swing.change.kind == "comes-and-goes":
            return None
        late, early = swing.change.late, swing.change.judged & ~swing.change.late
        last = np.flatnonzero(late)[-max(int(late.sum()) // 3, 1) :]  # where it slips, the end tells most
        unmoved = t["slip_unmoved_pct"] / 100
        for name in ("freeze_min", "harvest_min"):
            values = self.column(name)
            moved = np.nanmedian(values[last]) / np.nanmedian(values[early]) if early.any() else 1.0
            if not abs(moved - 1) < unmoved:
                return None
        peak, end = self.column("harvest_peak_c"), self.column("freeze_end_c")
        towards = np.nanmedian(end[last]) - np.nanmedian(end[early]) > abs(
            np.nanmedian(peak[last]) - np.nanmedian(peak[early])
        )
        return swing if towards else None

    @cached_property
    def adjusted(self) -> Adjusted:
        """Freeze lengths of the steady cycles, corrected for air, water and time of day."""
        return adjust(
            freeze_min=np.where(self.steady, self.freeze_min, np.nan),
            air_c=self.air_c,
            water_c=self.water_c,
            hour=self.start_ns / NS_PER_H,
            floor=self.thresholds["spread_floor_pct"] / 100,
            sigma_min=self.sigma_min,
            thresholds=self.thresholds,
        )

    def cold_at(self, at_ns: np.ndarray) -> np.ndarray:
        """The trusted reading of the cold trace at or before each moment [°C], NaN where there is none."""
        cold = self.timeline.get("evaporator", "suction")
        if cold is None or not cold.trusted.any():
            return np.full(len(at_ns), np.nan)
        time_ns, values = cold.time_ns[cold.trusted], cold.values[cold.trusted]
        at = np.searchsorted(time_ns, at_ns, side="right") - 1
        return np.where(at >= 0, values[np.maximum(at, 0)], np.nan)

    @cached_property
    def harvest_rise_k(self) -> np.ndarray:
        """By how much the cold trace warms in the first part of every harvest [K], the same time for all: half of the
        usual harvest, a minute at most."""
        part_min = min(self.level("harvest_min", self.harvests) / 2, 1.0)
        if not np.isfinite(part_min):
            return np.full(self.n, np.nan)
        seen = (self.harvest_ns > 0) & (self.harvest_min >= part_min)
        begun = np.where(seen, self.harvest_ns, 0)
        warmed = self.cold_at(begun + round(part_min * NS_PER_MIN)) - self.cold_at(begun)
        return np.where(seen, warmed, np.nan)

    @cached_property
    def refrigeration(self) -> Refrigeration:
        """Saturation temperatures and what follows from them, where pressures were logged."""
        return refrigeration(
            self.timeline,
            self.unit.nameplate.refrigerant,
            start_ns=self.start_ns,
            harvest_ns=self.harvest_ns,
            air_c=self.air_c,
        )

    def hours(self, *kinds: PhaseKind) -> float:
        """Hours of the log in phases of these kinds."""
        return sum(p.end_ns - p.start_ns for p in self.record.phases if p.kind in kinds) / NS_PER_H

    @cached_property
    def trust(self) -> float:
        """Share of the cold trace's readings that can be believed, 0…1: no conclusion is surer than its readings."""
        cold = self.timeline.get("evaporator", "suction")
        channel = cold or self.timeline.get("current_compressor", "current", "power")
        if channel is None or len(channel.trusted) == 0:
            return 0.5
        return float(np.mean(channel.trusted)) * (0.85 + 0.15 * channel.role_confidence)

    def rare(self, mask: np.ndarray, confidence: float = 1.0) -> bool:
        """Whether so few cycles are meant that they are worth a note, no more; a single one must be certain as well."""
        single = mask.sum() == 1 and confidence < self.thresholds["single_sure_pct"] / 100
        return single or 100 * mask.sum() <= self.thresholds["rare_pct"] * self.n

    def numbers(self, mask: np.ndarray) -> tuple[int, ...]:
        """The numbers of the cycles in `mask`."""
        return tuple(int(k) for k in self.number[mask])

    def level(self, name: str, mask: np.ndarray | None = None) -> float:
        """Median of a measure over the cycles in `mask` (all), NaN where there is none."""
        values = self.column(name) if mask is None else self.column(name)[mask]
        values = values[np.isfinite(values)]
        return float(np.median(values)) if len(values) else float("nan")


def _after(mask: np.ndarray) -> np.ndarray:
    """The cycles that follow those in `mask`, bool (n,)."""
    return np.concatenate([[False], mask[:-1]]) if len(mask) else mask
