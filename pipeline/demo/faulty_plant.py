"""A plant with its faults: which are on now, how far they have come, and what those that creep do to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.demo.faults import Fault
from pipeline.demo.machine import Machine
from pipeline.demo.plant import DAY_S, Plant


class FaultyPlant(Plant):
    """A Plant over `seconds` from the log's start, with `faults` at their times; `rng` draws where chance decides."""

    def __init__(
        self, machine: Machine, *, seconds: float, ambient: Sequence[float], inlet: Sequence[float],
        use: Sequence[float], bin_kg: float, faults: Sequence[Fault], rng: np.random.Generator,
    ) -> None:  # fmt: skip
        """Weather, use and the bin [kg] as for Plant."""
        super().__init__(machine, ambient=ambient, inlet=inlet, use=use, bin_kg=bin_kg)
        self.seconds, self.faults, self.rng = seconds, tuple(faults), rng
        self.leak_kg_s = 0.0
        self.episodes: list[tuple[str, float, float]] = []  # fault kind, from_s, to_s: when it really showed

    def fault(self, kind: str) -> Fault | None:
        """The fault of this kind if it is on now."""
        for fault in self.faults:
            if fault.kind == kind and fault.from_day * DAY_S <= self.t < self.until(fault):
                return fault
        return None

    def until(self, fault: Fault) -> float:
        """When it ends [s]."""
        return self.seconds if fault.to_day is None else fault.to_day * DAY_S

    def grown(self, fault: Fault) -> float:
        """How far a creeping fault has come, 0…1."""
        span = fault["over_days"] * DAY_S or self.until(fault) - fault.from_day * DAY_S
        return min(1.0, (self.t - fault.from_day * DAY_S) / span)

    def due(self, kind: str) -> Fault | None:
        """The fault of this kind, which shows once, if it is on and has not shown yet."""
        fault = self.fault(kind)
        shown = fault is not None and any(
            k == kind and a >= fault.from_day * DAY_S for k, a, _ in self.episodes
        )
        return None if shown else fault

    def strikes(self, fault: Fault) -> bool:
        """Whether chance lets it show this time; draws once."""
        return self.rng.random() < fault["chance"]

    def within(self, fault: Fault) -> bool:
        """Whether it is the part of the day, by hours after the log's start, in which the fault shows."""
        return fault["from_h"] <= self.t / 3600 % 24 < fault["to_h"]

    def trip_fault(self) -> Fault | None:
        """The trip fault whose episode is on now; episodes come every `every_hours`."""
        for kind in ("high-pressure-trips", "low-pressure-trips", "overload-trips"):
            fault = self.fault(kind)
            if fault is not None:
                into = (self.t - fault.from_day * DAY_S) % (fault["every_hours"] * 3600)
                if into < fault["hours"] * 3600:
                    return fault
        return None

    def refresh(self) -> None:
        """Set what creeping faults do to the machine, once a minute."""
        self.clean = self.charge = 1.0
        if (f := self.fault("dirty-condenser")) is not None:
            self.clean = 1 - (1 - f["left"]) * self.grown(f)
        if (f := self.fault("cooling-fails")) is not None and self.within(f):
            self.clean *= f["left"]
        for kind in ("low-charge", "slow-leak"):
            if (f := self.fault(kind)) is not None:
                grown = self.grown(f)
                self.charge = 1 - (1 - f["left"]) * grown
        self.leak_kg_s = 0.0
        if (f := self.fault("water-leak")) is not None:
            inflow = f["part"] if self.m.freeze_end == "level" else f["flood"]
            self.leak_kg_s = inflow * self.m.slab_kg / self.m.usual_freeze_s
