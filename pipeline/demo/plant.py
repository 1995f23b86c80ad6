"""The lumped model: plate with its ice, reservoir water, condenser, bin.

Balances in SI units, stepped by seconds; plate and condenser implicitly, so that a long step stays stable:

- plate:      C dT/dt = g (T_ref − T) − Q_e(T, T_c) + losses, with g through film or ice (conduction, h/(k A))
- ice:        L dm/dt = heat through the ice − heat that the water film still brings
- water:      m c dT/dt = −heat given to plate or ice + heat of what flows in + gain from the room
- condenser:  C dT/dt = Q_e + P − UA (T_c − T_in), in harvest P − hot gas heat
- capacity Q_e and power P are linear in evaporating and condensing temperature around −10/40 °C.

Latent heat 333.55 kJ/kg, ice 917 kg/m³, c of water 4.19 and of ice 2.1 kJ/(kg K): CRC Handbook, from memory.
Conductivity of ice 2.2 W/(m K): common handbook value, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.demo.machine import Machine

FUSION_J_PER_KG = 333.55e3
WATER_J_PER_KG_K = 4190.0
ICE_J_PER_KG_K = 2100.0
ICE_KG_PER_M3 = 917.0
ICE_W_PER_M_K = 2.2

DAY_S = 86400
BURN_IN_S = 3 * 3600  # run before the log begins, so that it begins in the middle of things

# bits that say what is on in a step
COMPRESSOR, GAS, PUMP, FAN = 1, 2, 4, 8
HUM, DARK = 16, 32  # the compressor draws starting current and does not turn; no mains

COLUMNS = ("t", "plate", "water", "condenser", "ice", "power", "bin", "rejected")


class Plant:
    """The state of a machine, and `step`, which moves it on. Times in s after the log's start."""

    def __init__(
        self,
        machine: Machine,
        *,
        ambient: Sequence[float],
        inlet: Sequence[float],
        use: Sequence[float],
        bin_kg: float,
    ) -> None:
        """ambient, inlet [°C] and use [kg/s] are given for every 10 s from −BURN_IN_S on."""
        self.m = machine
        self.ambient, self.inlet, self.use = list(ambient), list(inlet), list(use)
        self.t = -float(BURN_IN_S)
        self.plate = self.ambient[0] - 4
        self.water = self.inlet[0]
        self.water_kg = self.full_kg = machine.slab_kg + machine.spare_kg
        self.cond = self.ambient[0]
        self.bin = bin_kg
        self.ice = 0.0
        self.power = 0.0
        # counters that the control sets back
        self.melted = self.frozen_kg = self.heat_j = 0.0
        # what faults do to the machine
        self.charge = self.clean = self.effort = 1.0  # parts of refrigerant and condenser left; shaft power
        self.rows: list[float] = []
        self.on: list[int] = []

    @property
    def supply_c(self) -> float:
        """Supply water now."""
        return self.inlet[int((self.t + BURN_IN_S) * 0.1)]

    def fill(self) -> None:
        """Top the reservoir up with supply water."""
        if self.water_kg < self.full_kg:
            self.water += (self.supply_c - self.water) * (self.full_kg - self.water_kg) / self.full_kg
            self.water_kg = self.full_kg

    def drop(self) -> None:
        """What ice there is falls into the bin."""
        self.bin += self.ice
        self.ice = 0.0

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
            head = 1 - 0.009 * (cond - 40)
            scale = self.charge * m.capacity_w * (head if head > 0.2 else 0.2)
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
                if grown > self.water_kg:
                    grown = self.water_kg
                if grown > 0:
                    self.frozen_kg += grown
                elif grown < -ice:
                    grown = -ice
                ice += grown
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
        taken = cap0 + cap1 * new
        if taken < 0:
            taken = 0.0
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
            self.water_kg = min(self.water_kg + add, self.full_kg)  # the rest overflows
        self.water, self.ice = water, ice
        # condenser
        if running:
            lift = 1 + 0.010 * (cond - 40) + 0.013 * ((new if new < 12.0 else 12.0) + 10)
            part = (0.55 + 0.45 * self.charge) * lift
            self.power = self.effort * m.compressor_w * (part if part > 0.25 else 0.25)
            source = self.power + taken - heat_w
        else:
            self.power = source = 0.0
        if air:
            ua = m.condenser_w_per_k * (self.clean if on & FAN else 0.13)
        else:  # a valve lets in as much water as holds the pressure
            open_part = min(1.0, max(0.02, (cond - m.condensing_set_c + 4) / 8)) if on & FAN else 0.05
            ua = m.condenser_w_per_k * self.clean * open_part
        k = dt / m.condenser_j_per_k
        new_cond = (cond + k * (source + ua * inlet)) / (1 + k * ua)
        self.cond = new_cond
        self.bin -= self.use[index] * dt
        if self.bin < 0:
            self.bin = 0.0
        self.t += dt
        self.rows.extend((self.t, new, water, new_cond, ice, self.power, self.bin, ua * (new_cond - inlet)))
        self.on.append(on)
