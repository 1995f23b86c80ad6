"""The lumped model: plate with its ice, reservoir water, condenser, bin; and the control that switches them.

Balances, all explicit in seconds, SI units:

- plate:      C dT/dt = g (T_ref − T) − Q_e(T, T_c) + losses, with g through film or ice (conduction, h/(k A))
- ice:        L dm/dt = heat through the ice − heat that the water film still brings
- water:      m c dT/dt = −heat given to plate or ice + heat of what flows in + gain from the room
- condenser:  C dT/dt = Q_e + P − UA (T_c − T_in), in harvest P − hot gas heat
- capacity Q_e and power P are linear in evaporating and condensing temperature around −10/40 °C.

Latent heat 333.55 kJ/kg, ice 917 kg/m³, c of water 4.19 and of ice 2.1 kJ/(kg K): CRC Handbook, from memory.
Conductivity of ice 2.2 W/(m K): common handbook value, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.demo.faults import Fault
from pipeline.demo.machine import Machine, Site

FUSION_J_PER_KG = 333.55e3
WATER_J_PER_KG_K = 4190.0
ICE_J_PER_KG_K = 2100.0
ICE_KG_PER_M3 = 917.0
ICE_W_PER_M_K = 2.2

DAY_S = 86400
BURN_IN_S = 3 * 3600  # run before the log begins, so that it begins in the middle of things

COMPRESSOR, GAS, PUMP, FAN, HUM = 1, 2, 4, 8, 16  # bits of `Trace.on`

COLUMNS = ("t", "plate", "water", "condenser", "ice", "power", "bin", "film", "rejected")


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
class Trace:
    """What the machine did: rows at the ends of uneven steps, and its truth."""

    columns: dict[str, np.ndarray]  # COLUMNS, float64
    on: np.ndarray  # uint8 bits, in force over the step that ends at t
    phases: list[tuple[float, float, str]]  # start_s, end_s, kind; touching
    starts: list[
        tuple[float, float]
    ]  # time [s] of every compressor start, length of its starting current [s]
    batches: list[Batch]
    episodes: list[tuple[str, float, float]]  # fault kind, from_s, to_s: when it really showed


class Plant:
    """One run of a machine; `run` gives its Trace."""

    def __init__(
        self, machine: Machine, site: Site, *, seconds: float, ambient: Sequence[float], inlet: Sequence[float],
        use: Sequence[float], faults: Sequence[Fault], rng: np.random.Generator,
    ) -> None:  # fmt: skip
        """ambient, inlet [°C] and use [kg/s] are given for every 10 s from −BURN_IN_S on."""
        self.m, self.site, self.rng = machine, site, rng
        self.seconds = seconds
        self.ambient, self.inlet, self.use = list(ambient), list(inlet), list(use)
        self.faults = tuple(faults)
        self.t = -float(BURN_IN_S)
        self.plate = self.ambient[0] - 4
        self.water = self.inlet[0]
        self.water_kg = machine.slab_kg + machine.spare_kg
        self.cond = self.ambient[0]
        self.ice = 0.0
        self.melted = 0.0
        self.bin = machine.bin_kg * float(rng.uniform(0.45, 0.98))
        self.power = 0.0
        self.heat_j = 0.0
        self.frozen_kg = 0.0
        self.leak_kg_s = 0.0
        self.charge = 1.0
        self.clean = 1.0
        self.effort = 1.0  # shaft power over that of a healthy compressor
        self.rows: list[float] = []
        self.on: list[int] = []
        self.phases: list[tuple[float, float, str]] = []
        self.starts: list[tuple[float, float]] = []
        self.batches: list[Batch] = []
        self.episodes: list[tuple[str, float, float]] = []
        self._since = self.t
        self._cold_in_a_row = 0

    # ---- faults ----

    def fault(self, kind: str) -> Fault | None:
        """The fault of this kind if it is on now."""
        for fault in self.faults:
            if fault.kind == kind and fault.from_day * DAY_S <= self.t < self.until(fault):
                return fault
        return None

    def until(self, fault: Fault) -> float:
        return self.seconds if fault.to_day is None else fault.to_day * DAY_S

    def grown(self, fault: Fault) -> float:
        """How far a creeping fault has come, 0…1."""
        span = fault["over_days"] * DAY_S or self.until(fault) - fault.from_day * DAY_S
        return min(1.0, (self.t - fault.from_day * DAY_S) / span)

    def strikes(self, fault: Fault) -> bool:
        return self.rng.random() < fault["chance"]

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
        for kind in ("low-charge", "slow-leak"):
            if (f := self.fault(kind)) is not None:
                grown = self.grown(f)
                self.charge = 1 - (1 - f["left"]) * grown
        self.leak_kg_s = 0.0
        if (f := self.fault("water-leak")) is not None:
            self.leak_kg_s = f["part"] * self.m.slab_kg / self.m.usual_freeze_s

    # ---- physics ----

    def step(self, dt: float, on: int, *, gas_w: float = 0.0, inflow: float = 0.0) -> None:
        """Go on by dt [s] with the actuators of the bits `on`; inflow [kg/s] of supply water."""
        m = self.m
        index = int((self.t + BURN_IN_S) * 0.1)
        room, supply = self.ambient[index], self.inlet[index]
        plate, cond, water, ice = self.plate, self.cond, self.water, self.ice
        air = m.cooling == "air"
        inlet = room if air else supply
        running = on & COMPRESSOR
        gas = on & GAS
        cap0 = cap1 = 0.0
        if running and not gas:
            scale = self.charge * m.capacity_w * max(0.2, 1 - 0.009 * (cond - 40))
            cap0, cap1 = scale * 1.3, scale * 0.03  # 1 + 0.03 (T + 10)
            if plate > 8:  # the suction pressure is limited at start
                cap0, cap1 = scale * 1.54, 0.0
        # heat between plate and water or ice
        film_w = 0.0
        ref, g = 0.0, 0.0
        if on & PUMP and self.water_kg > 0.02:
            if ice > 1e-4 or water - (water - plate) / (m.plate_k_per_w * m.film_w_per_k + 1) < 0:
                g = 1 / (m.plate_k_per_w + ice / (ICE_KG_PER_M3 * m.area_m2**2 * ICE_W_PER_M_K))
                film_w = m.film_w_per_k * water
                grown = dt * (-plate * g - film_w) / FUSION_J_PER_KG
                grown = max(-ice, min(grown, self.water_kg))
                ice += grown
                self.frozen_kg += max(grown, 0.0)
                self.water_kg -= grown
            else:
                ref, g = water, 1 / (m.plate_k_per_w + 1 / m.film_w_per_k)
                film_w = g * (water - plate)
        elif ice > 0 and plate > 0:  # melting loose
            g = m.contact_w_per_k
            melt = min(ice, dt * g * plate / FUSION_J_PER_KG)
            self.melted += melt
            self.water_kg += melt
            ice -= melt
        heat_w = gas_w if gas else 0.0
        loss = 1.5 if running else 2.0 + 0.0008 * m.plate_j_per_k
        capacity = m.plate_j_per_k + (0.5 * ice * ICE_J_PER_KG_K if plate < 0 else 0.0)
        around = room if running else 0.55 * room + 1.0
        k = dt / capacity
        new = (plate + k * (g * ref + loss * around - cap0 + heat_w)) / (1 + k * (g + loss + cap1))
        taken = max(0.0, cap0 + cap1 * new) if cap0 else 0.0
        self.heat_j += taken * dt
        self.plate = new
        # water
        if self.water_kg > 0.02:
            water -= (
                dt * (film_w - 0.0012 * m.capacity_w * (room - water)) / (self.water_kg * WATER_J_PER_KG_K)
            )
            if water < -0.02:
                water = -0.02
        add = inflow * dt
        if add > 0:
            water = (water * self.water_kg + supply * add) / (self.water_kg + add)
            self.water_kg += add
        self.water, self.ice = water, ice
        # condenser
        if running:
            self.power = (
                self.effort
                * m.compressor_w
                * max(
                    0.25,
                    (0.55 + 0.45 * self.charge) * (1 + 0.010 * (cond - 40) + 0.013 * (min(new, 12.0) + 10)),
                )
            )
            source = self.power + taken - heat_w
        else:
            self.power = source = 0.0
        if air:
            ua = m.condenser_w_per_k * (self.clean if on & FAN else 0.13)
        else:  # a valve lets in as much water as holds the pressure
            ua = m.condenser_w_per_k * self.clean * min(1.0, max(0.02, (cond - m.condensing_set_c + 4) / 8))
        k = dt / m.condenser_j_per_k
        new_cond = (cond + k * (source + ua * inlet)) / (1 + k * ua)
        self.cond = new_cond
        self.bin = max(0.0, self.bin - self.use[index] * dt)
        self.t += dt
        self.rows.extend(
            (self.t, new, water, new_cond, ice, self.power, self.bin, film_w, ua * (new_cond - inlet))
        )
        self.on.append(on)

    # ---- control ----

    def run(self) -> Trace:
        """Run to the end and give the Trace."""
        after_idle = True
        while self.t < self.seconds:
            if (fault := self.fault("no-ice")) is not None:
                self.no_ice(fault)
                after_idle = True
            elif self.trip_fault() is not None and after_idle:
                self.trip_episode()
            else:
                after_idle = self.cycle(after_idle)
        self.close("end")
        rows = np.array(self.rows).reshape(-1, len(COLUMNS))
        return Trace(
            columns={name: rows[:, i] for i, name in enumerate(COLUMNS)}, on=np.array(self.on, np.uint8),
            phases=_touching(self.phases, self.seconds), starts=[s for s in self.starts if s[0] >= 0],
            batches=[b for b in self.batches if b.freeze_s >= 0 and b.end_s < self.seconds],
            episodes=self.episodes,
        )  # fmt: skip

    def close(self, kind: str) -> None:
        """The phase that began last ends now; it was of `kind`."""
        if self.t > self._since and kind != "end":
            self.phases.append((self._since, self.t, kind))
        self._since = self.t

    def start(self, *, hum_s: float = 1.0) -> None:
        self.starts.append((self.t, hum_s))

    def fill(self) -> None:
        """Top the reservoir up with supply water."""
        full = self.m.slab_kg + self.m.spare_kg
        if self.water_kg < full:
            supply = self.inlet[int((self.t + BURN_IN_S) * 0.1)]
            self.water += (supply - self.water) * (full - self.water_kg) / full
            self.water_kg = full

    def cycle(self, after_idle: bool) -> bool:
        """One freeze and harvest, then an idle if the bin is full. True: the next freeze begins with a start."""
        freeze_at = self.t
        if after_idle:
            self.start()
            self.fill()
        outcome = self.freeze()
        if outcome != "done":
            return True
        self.close("freeze")
        harvest_at, ice, heat = self.t, self.frozen_kg, self.heat_j
        spare_kg = self.water_kg
        if self.harvest(freeze_at):
            self.close("harvest")
            self.rest(float(self.fault("cold-harvest")["rest_s"]))
            return True
        self.close("harvest")
        self.batches.append(
            Batch(freeze_s=freeze_at, harvest_s=harvest_at, end_s=self.t, ice_kg=ice, heat_kj=heat / 1000,
                  purged_kg=self.m.purge * spare_kg, after_idle=after_idle)
        )  # fmt: skip
        for kind, minutes_idle in (("power-cut", self.rest), ("cleaning", self.wash)):
            fault = self.fault(kind)
            if fault is not None and not any(
                e[0] == kind and e[1] >= fault.from_day * DAY_S for e in self.episodes
            ):
                self.episodes.append((kind, self.t, self.t + fault["minutes"] * 60))
                minutes_idle(fault["minutes"] * 60)
                return True
        if self.bin >= self.m.bin_kg:
            self.full_bin()
            return True
        return False

    def freeze(self, *, only_s: float | None = None) -> str:
        """Freeze until the sensing ends it, or for `only_s`. "done", or "tripped" where a trip episode cut it off."""
        m = self.m
        begun = self.t
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
        if (f := self.fault("thin-slabs")) is not None and self.strikes(f):
            part = f["part"] * float(self.rng.normal(1.0, 0.03))
        trip_at = math.inf
        if (f := self.fault("trip-in-freeze")) is not None and self.strikes(f):
            trip_at = float(self.rng.uniform(0.2, 0.8)) * m.usual_freeze_s
        cold_since = None
        refreshed = -math.inf
        fan = FAN
        while self.t < self.seconds:
            spent = self.t - begun
            if self.t - refreshed >= 60:
                self.refresh()
                refreshed = self.t
                trip = self.trip_fault()
                if trip is not None:
                    if trip.kind != "high-pressure-trips":
                        return self.tripped("freeze")
                    fan = 0  # the fan has stopped; the pressure switch will act
            if not fan and self.cond > trip["cut_out_c"]:
                return self.tripped("freeze")
            if spent >= trip_at:
                trip_at = math.inf
                self.close("freeze")
                self.episodes.append(("trip-in-freeze", self.t, self.t + f["off_s"]))
                self.rest(f["off_s"] * float(self.rng.uniform(0.7, 1.3)))
                self.start()
            if only_s is not None:
                if spent >= only_s:
                    return "done"
            elif spent >= limit_s or self.ice >= 1.75 * m.slab_kg:  # it touches the thickness stop
                return "done"
            elif sensing and spent > 60:
                used_kg = full_kg - self.water_kg
                if part < 1 and self.frozen_kg >= part * target_kg:
                    return "done"
                if m.freeze_end == "level" and used_kg >= target_kg:
                    return "done"
                if m.freeze_end == "temperature" and self.plate <= end_c:
                    return "done"
                if m.freeze_end == "timer" and self.plate <= end_c:
                    cold_since = cold_since or self.t
                    if self.t - cold_since >= m.finish_s:
                        return "done"
            self.step(1.0 if spent < 90 else 3.0, COMPRESSOR | PUMP | fan, inflow=self.leak_kg_s)
        return "done"

    def harvest(self, freeze_at: float) -> bool:
        """Hot gas until the slab is off and the plate warm, or the limit. True: the control gives up and rests."""
        m = self.m
        begun = self.t
        self.refresh()
        self.water_kg -= m.purge * min(self.water_kg, m.spare_kg)
        self.melted = 0.0
        gas_part, stick = 1.0, float(self.rng.lognormal(0.0, 0.12))
        retry, struck = False, ""
        if (f := self.fault("cold-harvest")) is not None and (self.strikes(f) or 0 < self._cold_in_a_row < 2):
            gas_part = 0.0
            self._cold_in_a_row += 1
            struck = "cold-harvest"
        else:
            self._cold_in_a_row = 0
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
                self.bin += self.ice
                self.ice = 0.0
                released = True
            if released and self.plate >= m.harvest_end_c and spent >= m.harvest_min_s:
                break
            room = m.slab_kg + m.spare_kg - self.water_kg
            inflow = min(max(room, 0.0), (m.slab_kg + m.spare_kg) / 70.0)
            gas_w = (
                gas_part
                * self.charge
                * m.hot_gas_w
                * (0.55 + 0.45 * min(1.3, max(0.2, (self.cond - 22) / 18)))
            )
            fan = FAN if self.cond > (46 if fan else 52) else 0
            self.step(1.0, on | fan, gas_w=gas_w, inflow=inflow)
        if struck and begun >= 0:
            self.episodes.append((struck, begun, self.t))
        if self.ice > 1e-3 and retry:
            self.close("harvest")
            self.freeze(only_s=float(self.rng.uniform(180, 300)))
            self.close("freeze")
            self.harvest_again()
        return gas_part == 0.0 and self._cold_in_a_row >= 2

    def harvest_again(self) -> None:
        """The repeated harvest after a stalled one: this time the slab lets go."""
        begun = self.t
        m = self.m
        self.melted = 0.0
        while self.t < self.seconds and self.t - begun < m.harvest_limit_s:
            if self.ice > 0 and self.melted >= 1.5 * m.release * m.slab_kg:
                self.bin += self.ice
                self.ice = 0.0
            if self.ice <= 1e-3 and self.plate >= m.harvest_end_c:
                break
            self.step(1.0, COMPRESSOR | GAS, gas_w=m.hot_gas_w * 0.9)

    def rest(self, seconds: float, *, kind: str = "idle", pump: int = 0) -> None:
        """Compressor off for `seconds`; what ice is left lets go once the plate is above zero."""
        begun = self.t
        while self.t < min(begun + seconds, self.seconds):
            left = begun + seconds - self.t
            self.step(1.0 if self.t - begun < 60 else min(6.0, max(left, 0.05)), pump)
            if self.ice and self.plate > 1.0 and not pump:
                self.bin += self.ice
                self.ice = 0.0
        if kind:
            self.close(kind)

    def wash(self, seconds: float) -> None:
        """A cleaning: compressor off, warm water over the plate."""
        begun = self.t
        while self.t < min(begun + seconds, self.seconds):
            self.water += (34.0 - self.water) * 0.01
            self.step(3.0, PUMP)
        self.water = self.inlet[int((min(self.t, self.seconds) + BURN_IN_S) * 0.1)]
        self.water_kg = self.m.slab_kg + self.m.spare_kg
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

    def tripped(self, before: str) -> str:
        self.close(before)
        self.trip_episode()
        return "tripped"

    def trip_episode(self) -> None:
        """Compressor on and off without making ice until the episode is over."""
        fault = self.trip_fault()
        from_s = self.t
        first = True
        while self.t < self.seconds and self.trip_fault() is fault:
            self.ice = 0.0  # the thin sheet slides off
            if not first:
                self.start()
                self.trip_run(fault)
            first = False
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

    def no_ice(self, fault: Fault) -> None:
        """The compressor runs on and on, and no ice comes."""
        self.close("freeze")
        self.ice = 0.0
        from_s = self.t
        self.start()
        gas_open = fault["how"] == "hot-gas-open"
        while self.t < self.seconds and self.fault("no-ice") is fault:
            self.refresh()
            if gas_open:  # most of the gas goes round by the open valve
                self.step(3.0, COMPRESSOR | GAS | FAN | PUMP, gas_w=0.35 * self.m.hot_gas_w)
            else:
                self.step(3.0, COMPRESSOR | FAN)
        self.episodes.append(("no-ice", from_s, self.t))
        self.close("unclear")


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
