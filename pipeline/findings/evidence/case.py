"""What a rule is shown: one log with its record, the masks over its cycles in their order, and what several rules share, worked out once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from pipeline.findings.evidence.courses import Course, courses
from pipeline.findings.evidence.elsewhere import Elsewhere
from pipeline.findings.evidence.refrigerant import Refrigeration, refrigeration
from pipeline.findings.evidence.stops import Stop, stops, usual_draw
from pipeline.findings.evidence.swing import Swing, swing
from pipeline.findings.evidence.visits import Worked, visits
from pipeline.findings.masks import doubtful
from pipeline.findings.masks.columns import NS_PER_DAY, NS_PER_H, NS_PER_MIN, Columns
from pipeline.findings.masks.stalls import Stalls, stalls
from pipeline.findings.masks.steady import misread, steady
from pipeline.findings.methods.conditions import Adjusted, adjust

__all__ = ["NS_PER_DAY", "NS_PER_H", "NS_PER_MIN", "Case"]


@dataclass(frozen=True, kw_only=True)
class Case(Columns):
    """One log under judgement. Arrays have one value a cycle (n,), NaN where it was not seen; masks are bool (n,)."""

    elsewhere: Elsewhere = field(default_factory=Elsewhere)  # what is known from outside this log

    @cached_property
    def broken(self) -> np.ndarray:
        """Cycles that a trip, a gap or a probe that cannot be trusted lies in, bool (n,)."""
        return doubtful.broken(self)

    @cached_property
    def usual_freeze_min(self) -> float:
        """The middle of all whole freezes [min], NaN where fewer than three were seen."""
        return doubtful.usual_freeze(self, self.broken)

    @cached_property
    def spells(self) -> np.ndarray:
        """Cycles in runs of freezes that are all far too short for ice, bool (n,)."""
        return doubtful.runs_of_short_freezes(self, self.usual_freeze_min)

    @cached_property
    def repeats(self) -> np.ndarray:
        """Cycles whose freeze is so short that their harvest repeats the one before, bool (n,)."""
        return doubtful.repeats(self, self.usual_freeze_min, self.broken, self.spells)

    @cached_property
    def harvests(self) -> np.ndarray:
        """Harvests whose length may be judged, bool (n,)."""
        return doubtful.harvests(self, self.broken, self.spells)

    @cached_property
    def stalls(self) -> Stalls:
        """Harvests that stalled, by kind."""
        return stalls(
            self,
            usual_freeze_min=self.usual_freeze_min,
            broken=self.broken,
            repeats=self.repeats,
            harvests=self.harvests,
        )

    @cached_property
    def misread(self) -> np.ndarray:
        """Freezes that the record is likely to have cut in two, or sewn together, bool (n,)."""
        return misread(self, usual_freeze_min=self.usual_freeze_min, spells=self.spells, stalls=self.stalls)

    @cached_property
    def steady(self) -> np.ndarray:
        """Freezes that may be compared with each other, bool (n,)."""
        return steady(
            self, broken=self.broken, repeats=self.repeats, misread=self.misread, stalls=self.stalls
        )

    @cached_property
    def stalls_aside(self) -> np.ndarray:
        """Every whole freeze but those that repeat a harvest, pull-downs among them, bool (n,)."""
        return np.isfinite(self.freeze_min) & ~self.broken & ~self.misread & ~self.repeats

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

    @cached_property
    def stops(self) -> tuple[Stop, ...]:
        """Every stretch in which the compressor stood, in time order."""
        return stops(self, usual_freeze_min=self.usual_freeze_min, broken=self.broken)

    @cached_property
    def usual_draw(self) -> float:
        """What the clamp usually reads in freezes [A or W], NaN where that is unknown."""
        return usual_draw(self)

    @cached_property
    def courses(self) -> Mapping[str, Course]:
        """Every measure that changed for good, by its column."""
        finished = self.harvests & ~self.repeats & ~self.stalls.stalled
        waves_k = np.full(self.n, np.nan) if self.swing is None else self.swing.swing_k
        return courses(self, steady=self.steady, finished=finished, adjusted=self.adjusted, waves_k=waves_k)

    @cached_property
    def swing(self) -> Swing | None:
        """How far the line swings to and fro in each freeze; None where none was logged fast enough."""
        return swing(self, self.steady)

    @cached_property
    def visits(self) -> tuple[Worked, ...]:
        """The visits of unit.toml that lie in the log."""
        return visits(self, self.courses)

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
    def harvest_rise_k(self) -> np.ndarray:
        """By how much the cold trace warms in the first part of every harvest [K] (n,), the same time for all: half of the
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
