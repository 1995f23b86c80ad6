"""The machines that the simulator knows: what a data sheet and a tape measure would say of them.

Powers W, conductances W/K, heat capacities J/K, temperatures °C, masses kg, times s. The figures are our own, picked so
that cycles fall where common practice has them (no source): slab machines freeze for 20–25 min, cube machines for
8–60 min by size, a harvest takes 1–4 min.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

FreezeEnd = Literal["level", "temperature", "timer"]


@dataclass(frozen=True, kw_only=True)
class Machine:
    """One batch ice machine."""

    name: str
    kind: Literal["slab", "cube"]
    cooling: Literal["air", "water"] = "air"
    # freeze
    capacity_w: float  # evaporator at −10 °C with condensation at 40 °C
    slab_kg: float  # ice of a batch as designed
    area_m2: float  # plate wetted by water
    plate_k_per_w: float  # plate and refrigerant side
    film_w_per_k: float  # water film to plate or ice
    plate_j_per_k: float
    freeze_end: FreezeEnd = "level"
    end_c: float = -17.0  # freeze_end "temperature" and "timer"
    finish_s: float = 0.0  # freeze_end "timer": how long it goes on once the plate is at end_c
    freeze_limit_s: float = 3000.0  # a freeze is never longer than this
    # water
    spare_kg: float  # left in the reservoir when a batch is full
    purge: float = 0.3  # part of that which is drained at harvest
    # harvest
    hot_gas_w: float
    contact_w_per_k: float  # plate to slab while it melts loose
    release: float = 0.03  # part of the slab that melts before it lets go
    harvest_end_c: float = 11.0
    harvest_min_s: float = 40.0
    harvest_limit_s: float = 420.0
    # condenser
    condenser_w_per_k: float
    condenser_j_per_k: float
    air_w_per_k: float  # heat capacity rate of the air (or water) through it
    condensing_set_c: float = 40.0  # water-cooled: where the water valve holds it
    # electrical
    compressor_w: float  # at −10/40 °C
    voltage_v: float = 230.0
    power_factor: float = 0.82
    inrush: float = 5.0  # locked rotor current over running current
    fan_a: float = 0.5
    pump_a: float = 0.3
    valves_a: float = 0.2  # hot gas and water valves together, in harvest
    standby_a: float = 0.06
    # bin
    bin_kg: float
    bin_restart_kg: float = 6.0  # melted or taken before it starts again
    min_off_s: float = 300.0

    @property
    def usual_freeze_s(self) -> float:
        """Length of a freeze by heat alone: 430 kJ/kg for 20 °C water, a little lost, at 92 % of `capacity_w`."""
        return self.slab_kg * 430e3 / (0.92 * self.capacity_w)


@dataclass(frozen=True, kw_only=True)
class Site:
    """Where a machine stands: room air, supply water, and how fast the ice is taken."""

    ambient_c: float = 24.0
    ambient_swing_k: float = 3.0  # half of peak to peak over a day, warmest about 16 h
    water_c: float = 18.0
    water_swing_k: float = 1.0
    use_kg_per_day: float = 60.0
    busy: tuple[tuple[float, float, float], ...] = (
        (11.5, 14.0, 2.0),
        (17.5, 23.0, 3.0),
    )  # from h, to h, weight


SLAB = Machine(
    name="slab", kind="slab", capacity_w=882.0, slab_kg=2.0, area_m2=0.221, plate_k_per_w=0.0085, film_w_per_k=420.0,
    plate_j_per_k=5200.0, spare_kg=0.9, hot_gas_w=1420.0, contact_w_per_k=520.0, release=0.035, harvest_end_c=11.0,
    condenser_w_per_k=86.0, condenser_j_per_k=9000.0, air_w_per_k=160.0, compressor_w=616.0, fan_a=0.45, pump_a=0.3,
    bin_kg=70.0,
)  # fmt: skip

SLAB_LARGE = Machine(
    name="slab-large", kind="slab", capacity_w=2436.0, slab_kg=5.4, area_m2=0.615, plate_k_per_w=0.0030,
    film_w_per_k=1200.0, plate_j_per_k=15000.0, spare_kg=2.4, freeze_end="temperature", end_c=-17.5, hot_gas_w=4120.0,
    contact_w_per_k=1500.0, harvest_end_c=9.0, condenser_w_per_k=237.0, condenser_j_per_k=24000.0, air_w_per_k=430.0,
    compressor_w=1650.0, fan_a=1.1, pump_a=0.6, valves_a=0.3, bin_kg=190.0, bin_restart_kg=14.0,
)  # fmt: skip

SLAB_WATER_COOLED = Machine(
    name="slab-water-cooled", kind="slab", cooling="water", capacity_w=1218.0, slab_kg=2.9, area_m2=0.312,
    plate_k_per_w=0.0061, film_w_per_k=600.0, plate_j_per_k=7500.0, spare_kg=1.3, hot_gas_w=2060.0,
    contact_w_per_k=760.0, condenser_w_per_k=105.0, condenser_j_per_k=9000.0, air_w_per_k=150.0, condensing_set_c=39.0,
    compressor_w=814.0, fan_a=0.0, pump_a=0.35, bin_kg=90.0,
)  # fmt: skip

CUBE_SMALL = Machine(
    name="cube-small", kind="cube", capacity_w=383.0, slab_kg=0.42, area_m2=0.070, plate_k_per_w=0.0199,
    film_w_per_k=150.0, plate_j_per_k=1900.0, spare_kg=0.35, freeze_end="level", hot_gas_w=600.0,
    contact_w_per_k=190.0, release=0.045, harvest_end_c=9.0, harvest_min_s=30.0, harvest_limit_s=300.0,
    condenser_w_per_k=40.0, condenser_j_per_k=4200.0, air_w_per_k=75.0, compressor_w=264.0, inrush=5.5, fan_a=0.22,
    pump_a=0.15, valves_a=0.12, bin_kg=14.0, bin_restart_kg=1.5, freeze_limit_s=1800.0,
)  # fmt: skip

CUBE_UNDERCOUNTER = Machine(
    name="cube-undercounter", kind="cube", capacity_w=348.0, slab_kg=1.05, area_m2=0.131, plate_k_per_w=0.0199,
    film_w_per_k=170.0, plate_j_per_k=2600.0, spare_kg=0.6, freeze_end="temperature", end_c=-14.5, hot_gas_w=610.0,
    contact_w_per_k=210.0, release=0.03, harvest_end_c=10.0, condenser_w_per_k=35.0, condenser_j_per_k=4200.0,
    air_w_per_k=70.0, compressor_w=253.0, fan_a=0.2, pump_a=0.15, valves_a=0.12, bin_kg=18.0, bin_restart_kg=2.0,
    freeze_limit_s=5400.0,
)  # fmt: skip

CUBE_LARGE = Machine(
    name="cube-large", kind="cube", capacity_w=1450.0, slab_kg=2.5, area_m2=0.426, plate_k_per_w=0.0049,
    film_w_per_k=700.0, plate_j_per_k=8200.0, spare_kg=1.2, hot_gas_w=2480.0, contact_w_per_k=900.0, release=0.04,
    harvest_end_c=12.0, condenser_w_per_k=148.0, condenser_j_per_k=14000.0, air_w_per_k=280.0, compressor_w=968.0,
    fan_a=0.8, pump_a=0.45, valves_a=0.25, bin_kg=110.0, bin_restart_kg=9.0, freeze_limit_s=2700.0,
)  # fmt: skip

CUBE_SLOW = Machine(
    name="cube-slow", kind="cube", capacity_w=290.0, slab_kg=1.75, area_m2=0.185, plate_k_per_w=0.0247,
    film_w_per_k=170.0, plate_j_per_k=3600.0, spare_kg=0.8, freeze_end="timer", end_c=-9.0, finish_s=1900.0, hot_gas_w=550.0, contact_w_per_k=220.0,
    release=0.03, harvest_end_c=12.0, condenser_w_per_k=29.0, condenser_j_per_k=4600.0, air_w_per_k=60.0,
    compressor_w=209.0, fan_a=0.2, pump_a=0.12, valves_a=0.12, bin_kg=22.0, bin_restart_kg=3.0, freeze_limit_s=6000.0,
)  # fmt: skip

MACHINES: Mapping[str, Machine] = MappingProxyType(
    {
        m.name: m
        for m in (SLAB, SLAB_LARGE, SLAB_WATER_COOLED, CUBE_SMALL, CUBE_UNDERCOUNTER, CUBE_LARGE, CUBE_SLOW)
    }
)
"""Every machine by name, from 10-minute to 70-minute cycles."""
