"""The control of a machine: freeze, harvest, rest, and what the faults make of them. It keeps the truth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.demo.faults import Fault
from pipeline.demo.faulty_plant import FaultyPlant
from pipeline.demo.machine import Machine
from pipeline.demo.plant import COLUMNS, COMPRESSOR, DARK, FAN, GAS, HUM, PUMP


@dataclass(frozen=True, kw_only=True)
class Batch:
    """Truth of one freeze and its harvest, times in s after the log's start."""

    freeze_s: float
    harvest_s: float
    end_s: float
    ice_kg: float  # frozen in this freeze
    heat_kj: float  # taken up by the refrigerant in this freeze
    purged_kg: float
    after_idle: bool


@dataclass(frozen=True, kw_only=True)
class MachineRun:
    """What the machine did: rows at the ends of uneven steps, and its truth."""

    columns: dict[str, np.ndarray]  # COLUMNS, float64
    on: np.ndarray  # uint8 bits, in force over the step that ends at t
    phases: list[tuple[float, float, str]]  # start_s, end_s, kind; touching
    starts: list[tuple[float, float]]  # every compressor start: time [s], length of its starting current [s]
    batches: list[Batch]
    episodes: list[tuple[str, float, float]]  # fault kind, from_s, to_s: when it really showed


class Control(FaultyPlant):
    """One run of a machine; `run` gives a MachineRun."""

    def __init__(
        self, machine: Machine, *, seconds: float, ambient: Sequence[float], inlet: Sequence[float],
        use: Sequence[float], faults: Sequence[Fault], rng: np.random.Generator,
    ) -> None:  # fmt: skip
        """Weather and use as for Plant; the run goes on until `seconds` after the log's start."""
        bin_kg = machine.bin_kg * float(rng.uniform(0.45, 0.98))
        super().__init__(
            machine, seconds=seconds, ambient=ambient, inlet=inlet, use=use, bin_kg=bin_kg, faults=faults, rng=rng
        )  # fmt: skip
        self.phases: list[tuple[float, float, str]] = []
        self.starts: list[tuple[float, float]] = []
        self.batches: list[Batch] = []
        self._since = self.t
        self._cold_in_a_row = 0

    def run(self) -> MachineRun:
        """Run to the end and give what was recorded."""
        after_idle = True
        while self.t < self.seconds:
            if (fault := self.fault("dies")) is not None:
                self.dead(fault)
                after_idle = True
            elif (fault := self.fault("no-ice")) is not None:
                self.no_ice(fault, start=after_idle)
                after_idle = True
            elif self.trip_fault() is not None and after_idle:
                self.trip_episode(from_rest=True)
            else:
                after_idle = self.cycle(after_idle)
        rows = np.array(self.rows).reshape(-1, len(COLUMNS))
        return MachineRun(
            columns={name: rows[:, i] for i, name in enumerate(COLUMNS)}, on=np.array(self.on, np.uint8),
            phases=_touching(self.phases, self.seconds), starts=[s for s in self.starts if s[0] >= 0],
            batches=[b for b in self.batches if b.freeze_s >= 0 and b.end_s < self.seconds],
            episodes=self.episodes,
        )  # fmt: skip

    def close(self, kind: str) -> None:
        """The phase that began last ends now; it was of `kind`."""
        if self.t > self._since:
            self.phases.append((self._since, self.t, kind))
        self._since = self.t

    def start(self, *, hum_s: float = 1.0) -> None:
        """The compressor starts; its starting current lasts `hum_s` [s]."""
        self.starts.append((self.t, hum_s))

    def cycle(self, after_idle: bool) -> bool:
        """One freeze and harvest, then an idle if the bin is full. True: the next freeze begins with a start."""
        freeze_at = self.t
        if after_idle:
            self.start()
            self.fill()
        if not self.freeze():
            return True
        self.close("freeze")
        harvest_at, ice, heat = self.t, self.frozen_kg, self.heat_j
        spare_kg = self.water_kg
        rest_s = self.harvest()
        if rest_s:
            self.close("harvest")
            self.rest(rest_s)
            return True
        self.close("harvest")
        self.batches.append(
            Batch(freeze_s=freeze_at, harvest_s=harvest_at, end_s=self.t, ice_kg=ice, heat_kj=heat / 1000,
                  purged_kg=self.m.purge * spare_kg, after_idle=after_idle)
        )  # fmt: skip
        if (washed := self.due("cleaning")) is not None:
            self.episodes.append(("cleaning", self.t, self.t + washed["minutes"] * 60))
            self.wash(washed["minutes"] * 60)
            return True
        if (worked := self.due("visit")) is not None:
            self.episodes.append(("visit", self.t, self.t + worked["minutes"] * 60))
            self.rest(worked["minutes"] * 60, on=DARK)
            self.plate = self.water = self.supply_c + 4.0
            return True
        if self.bin >= self.m.bin_kg:
            self.full_bin()
            return True
        return False

    def freeze(self, *, only_s: float | None = None) -> bool:
        """Freeze until the sensing ends it, or for `only_s`. False: a trip episode cut it off."""
        m = self.m
        begun = self.t  # moved on by interruptions
        self.frozen_kg = self.heat_j = 0.0
        full_kg = self.water_kg
        target_kg = m.slab_kg * float(self.rng.normal(1.0, 0.012))
        end_c = m.end_c + float(self.rng.normal(0.0, 0.15))
        limit_s = m.freeze_limit_s
        part = 1.0
        sensing = True
        if (f := self.fault("timer-ends-freeze")) is not None:
            limit_s = f["timer_s"] or 1.45 * m.usual_freeze_s
            sensing = False
        leak_kg_s = 0.0
        if (f := self.due("weeping-valve")) is not None and only_s is None:
            leak_kg_s = f["part"] * m.slab_kg / m.usual_freeze_s
            self.episodes.append(("weeping-valve", self.t, self.t + 2 * m.usual_freeze_s))
        if (f := self.fault("thin-slabs")) is not None and self.within(f) and self.strikes(f):
            part = f["part"] * float(self.rng.normal(1.0, 0.03))
        trip_at = math.inf
        if (trip := self.fault("trip-in-freeze")) is not None and self.strikes(trip):
            trip_at = float(self.rng.uniform(0.2, 0.8)) * m.usual_freeze_s
        cold_since = trips = None
        refreshed = -math.inf
        while self.t < self.seconds:
            spent = self.t - begun
            if self.t - refreshed >= 60:
                self.refresh()
                refreshed = self.t
                trips = self.trip_fault()
                fan = FAN
                if trips is not None and trips.kind != "high-pressure-trips":
                    return self.tripped()
                if trips is not None:
                    fan = 0  # the fan has stopped; the pressure switch will act
                if self.fault("dies") is not None:
                    self.close("freeze")
                    return False
                if (cut := self.due("power-cut")) is not None:
                    full_kg = self.interrupted(cut, cut["minutes"] * 60, DARK, full_kg)
                    begun += cut["minutes"] * 60
            if trips is not None and self.cond > trips["cut_out_c"]:
                return self.tripped()
            if spent >= trip_at:
                trip_at = math.inf
                off_s = trip["off_s"] * float(self.rng.uniform(0.7, 1.3))
                full_kg = self.interrupted(trip, off_s, 0, full_kg)
                begun += off_s
            if only_s is not None:
                if spent >= only_s:
                    return True
            elif spent >= limit_s or self.ice >= 1.75 * m.slab_kg:  # it touches the thickness stop
                return True
            elif sensing and spent > 60:
                used_kg = full_kg - self.water_kg
                if part < 1 and self.frozen_kg >= part * target_kg:
                    return True
                if m.freeze_end == "level" and used_kg >= target_kg:
                    return True
                if m.freeze_end == "temperature" and self.plate <= end_c:
                    return True
                if m.freeze_end == "timer" and self.plate <= end_c:
                    cold_since = cold_since or self.t
                    if self.t - cold_since >= m.finish_s:
                        return True
            self.step(1.0 if spent < 90 else 3.0, COMPRESSOR | PUMP | fan, inflow=self.leak_kg_s + leak_kg_s)
        return True

    def harvest(self) -> float:
        """Hot gas until the slab is off and the plate warm, or the limit. How long the control then gives up [s]."""
        m = self.m
        begun = self.t
        self.refresh()
        self.water_kg -= m.purge * min(self.water_kg, m.spare_kg)
        self.melted = 0.0
        gas_part, stick = 1.0, float(self.rng.lognormal(0.0, 0.12))
        retry, struck, rest_s = False, "", 0.0
        if (f := self.fault("cold-harvest")) is not None and (self.strikes(f) or 0 < self._cold_in_a_row < 2):
            gas_part, rest_s = 0.0, f["rest_s"]
            self._cold_in_a_row += 1
            struck = "cold-harvest"
        else:
            self._cold_in_a_row = 0
        if (f := self.fault("scale")) is not None:
            stick *= 1 + (f["times"] - 1) * self.grown(f)
        if (f := self.fault("slow-harvest")) is not None and self.strikes(f):
            gas_part = f["hot_gas"]
            struck = "slow-harvest"
        if (f := self.fault("stalled-harvest")) is not None and self.strikes(f):
            gas_part, stick, retry = f["hot_gas"], f["stick"], bool(f["retry"])
            struck = "stalled-harvest"
        release_kg = m.release * stick * max(self.ice, 0.3 * m.slab_kg)
        released = self.ice <= 1e-3
        on = COMPRESSOR | GAS if gas_part else COMPRESSOR
        fan = 0
        while self.t < self.seconds:
            spent = self.t - begun
            if spent >= m.harvest_limit_s:
                break
            if not released and (self.melted >= release_kg or self.ice <= 1e-3):
                self.drop()
                released = True
            if released and self.plate >= m.harvest_end_c and spent >= m.harvest_min_s:
                break
            room = self.full_kg - self.water_kg
            inflow = min(max(room, 0.0), self.full_kg / 70.0)
            head = min(1.3, max(0.2, (self.cond - 22) / 18))  # a cool condenser drives little gas
            gas_w = gas_part * self.charge * m.hot_gas_w * (0.55 + 0.45 * head)
            fan = FAN if self.cond > (46 if fan else 52) else 0
            self.step(1.0, on | fan, gas_w=gas_w, inflow=inflow)
        if struck and begun >= 0:
            self.episodes.append((struck, begun, self.t))
        if self.ice > 1e-3 and retry:
            self.close("harvest")
            self.freeze(only_s=float(self.rng.uniform(180, 300)))
            self.close("freeze")
            self.harvest_again()
        return rest_s if self._cold_in_a_row >= 2 else 0.0

    def harvest_again(self) -> None:
        """The repeated harvest after a stalled one: this time the slab lets go."""
        begun = self.t
        m = self.m
        self.melted = 0.0
        while self.t < self.seconds and self.t - begun < m.harvest_limit_s:
            if self.ice > 0 and self.melted >= 1.5 * m.release * m.slab_kg:
                self.drop()
            if self.ice <= 1e-3 and self.plate >= m.harvest_end_c:
                break
            self.step(1.0, COMPRESSOR | GAS, gas_w=m.hot_gas_w * 0.9)

    def interrupted(self, fault: Fault, seconds: float, on: int, full_kg: float) -> float:
        """The compressor stops in mid-freeze for `seconds` and goes on; the water [kg] that the batch starts from."""
        self.close("freeze")
        self.episodes.append((fault.kind, self.t, self.t + seconds))
        self.rest(seconds, on=on)
        self.start()
        if self.ice > 0:
            return full_kg
        self.fill()
        self.frozen_kg = 0.0
        return self.water_kg

    def rest(self, seconds: float, *, kind: str = "idle", on: int = 0) -> None:
        """Compressor off for `seconds`; what ice is left lets go once the plate is above zero."""
        begun = self.t
        while self.t < min(begun + seconds, self.seconds):
            left = begun + seconds - self.t
            self.step(1.0 if self.t - begun < 60 else min(6.0, max(left, 0.05)), on)
            if self.ice and self.plate > 1.0:
                self.drop()
        if kind:
            self.close(kind)

    def wash(self, seconds: float) -> None:
        """A cleaning: compressor off, warm water over the plate."""
        begun = self.t
        while self.t < min(begun + seconds, self.seconds):
            self.water += (34.0 - self.water) * 0.01
            self.step(3.0, PUMP)
        self.water, self.water_kg = self.supply_c, self.full_kg
        self.close("idle")

    def full_bin(self) -> None:
        """Idle until the bin switch calls for ice again, and the failed starts before it starts."""
        begun = self.t
        while self.t < self.seconds:
            off = self.t - begun
            if off >= self.m.min_off_s and self.bin < self.m.bin_kg - self.m.bin_restart_kg:
                break
            self.step(1.0 if off < 60 else 6.0, 0)
        if (f := self.fault("failed-start")) is not None and self.strikes(f):
            from_s = self.t
            for _ in range(max(1, int(self.rng.poisson(f["attempts"] - 1) + 1))):
                self.start(hum_s=f["hum_s"])
                for _ in range(int(f["hum_s"])):
                    self.step(1.0, HUM)
                self.rest(f["wait_s"] * float(self.rng.uniform(0.8, 1.25)), kind="")
            self.episodes.append(("failed-start", from_s, self.t))
        self.close("idle")

    def dead(self, fault: Fault) -> None:
        """The compressor stands until somebody mends it, or the log ends."""
        from_s = self.t
        while self.t < self.seconds and self.fault("dies") is fault:
            self.step(6.0, FAN if fault["fan"] else 0)
            if self.ice and self.plate > 1.0:
                self.drop()
        self.episodes.append(("dies", from_s, self.t))
        self.close("idle")

    def tripped(self) -> bool:
        """The freeze ends in a trip episode. Always False: no harvest follows."""
        self.close("freeze")
        self.trip_episode(from_rest=False)
        return False

    def trip_episode(self, *, from_rest: bool) -> None:
        """Compressor on and off without making ice until the episode is over; from rest it begins with a start."""
        fault = self.trip_fault()
        from_s = self.t
        running = not from_rest
        while self.t < self.seconds and self.trip_fault() is fault:
            self.ice = 0.0  # the thin sheet slides off
            if not running:
                self.start()
                self.trip_run(fault)
            running = False
            if fault.kind == "high-pressure-trips":
                while self.t < self.seconds and self.cond > fault["cut_in_c"]:
                    self.step(2.0, 0)
            else:
                self.rest(fault["off_s"] * float(self.rng.uniform(0.85, 1.2)), kind="")
        self.ice = 0.0
        self.episodes.append((fault.kind, from_s, self.t))
        self.close("unclear")

    def trip_run(self, fault: Fault) -> None:
        """The compressor runs until its switch opens."""
        if fault.kind == "high-pressure-trips":
            while self.t < self.seconds and self.cond <= fault["cut_out_c"]:
                self.step(1.0, COMPRESSOR | PUMP)
            return
        pump = PUMP if fault.kind == "overload-trips" else 0
        self.effort = 1.35 if fault.kind == "overload-trips" else 1.0  # a tight or badly fed motor draws more
        begun, run_s = self.t, fault["on_s"] * float(self.rng.uniform(0.8, 1.25))
        while self.t < min(begun + run_s, self.seconds):
            self.step(1.0, COMPRESSOR | FAN | pump)
        self.effort = 1.0

    def no_ice(self, fault: Fault, *, start: bool) -> None:
        """The compressor runs on and on, and no ice comes, until somebody stops it and mends it."""
        self.ice = 0.0
        from_s = self.t
        if start:
            self.start()
        gas_open = fault["how"] == "hot-gas-open"
        while self.t < self.seconds and self.fault("no-ice") is fault:
            self.refresh()
            if gas_open:  # the gas that slips by and what is left of cooling meet at about 14 °C (our guess)
                gas_w = 0.02 * self.m.hot_gas_w * (14.0 - self.plate)
                self.step(3.0, COMPRESSOR | GAS | FAN | PUMP, gas_w=gas_w)
            else:
                self.step(3.0, COMPRESSOR | FAN)
        self.episodes.append(("no-ice", from_s, self.t))
        self.close("unclear")
        self.rest(600.0)


def _touching(phases: list[tuple[float, float, str]], seconds: float) -> list[tuple[float, float, str]]:
    """Phases cut to 0…seconds; neighbours of one kind become one, except two freezes or two harvests in a row."""
    out: list[tuple[float, float, str]] = []
    for start, end, kind in phases:
        start, end = max(start, 0.0), min(end, seconds)
        if end <= start:
            continue
        if out and out[-1][2] == kind and kind in ("idle", "unclear"):
            out[-1] = (out[-1][0], end, kind)
        else:
            out.append((start, end, kind))
    return out
