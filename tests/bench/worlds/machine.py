"""What a machine is made of, and what chance decides in each of its cycles: plain numbers, as the compiled loop takes them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np


class Machine(NamedTuple):
    """Numbers of one machine. Heat flows in W, conductances in W/K, times in s; arrays have an entry a plate."""

    share: np.ndarray  # of ice, heat and metal; 0.0 for the second plate where there is one
    ice_kg: float
    water_kg: float
    q0_w: float
    ua: float  # plate to refrigerant, all plates
    h: float  # water to plate or ice
    ice_k_per_w: float  # resistance of the full ice
    ice_power: float  # R ~ (m / full) ** power
    metal_j_per_k: float
    nucleation_c: float  # water temperature at which the first ice forms
    water_left_c: float  # of what stays in the reservoir
    fresh_share: np.ndarray  # of the reservoir that is fresh, in even and odd cycles
    refill: int  # 0 in harvest, 1 as the freeze begins, 2 all along
    refill_s: float
    refill_g: float  # water over the plate while it fills; 0.0: it never wets the line
    freeze_end: int  # 0 level, 1 temperature, 2 timer
    freeze_s: float  # the timer; the longest freeze is 2.2 times this
    freeze_end_c: float  # of the plate
    freeze_after_s: float  # from that temperature to the end
    gas: int  # 0 none, 1 one valve, 2 two valves
    gas_g: float
    gas_c: float
    gas_pipe: np.ndarray  # share of the gas's temperature at inlet and outlet
    second_valve_s: float
    gas_leak_w: float  # through the shut valve
    off_g: float  # warm water behind the plate, or a heater, in a harvest without gas
    off_c_least: float
    heater_a: float
    contact_g: float  # plate to melting ice
    melt_kg: float  # that lets the slab go
    piecemeal: int
    wash_g: float  # circulating water over the plate in harvest, while the pump runs
    harvest_end: int  # 0 temperature, 1 time, 2 flap
    harvest_end_c: float
    harvest_s: float
    harvest_least_s: float
    harvest_limit_s: float
    lift_k: float
    condenser_s: float
    fan: int  # 0 always, 1 pressure, 2 timer, 3 two speeds, 4 none
    fan_low_c: float
    fan_high_c: float
    fan_back_s: float
    fan_a: float
    pump_a: float
    pump_stop: int  # 0 at harvest, 1 early, 2 late, 3 never
    pump_stop_s: float
    pump_start_s: float
    valve_a: float
    board_a: float
    compressor_a: float
    current_per_k: float
    current_per_k_condensing: float
    gas_effect: float
    gas_spike: float
    gas_spike_s: float
    gas_effect_s: float
    inrush: float
    rise_to_outlet: float  # how far the outlet has come from Te to the plate
    suction_gain: float  # from the outlet to the room
    pipe_s: float
    gas_fade_s: float
    rest_in_freeze: int


class CyclePlan(NamedTuple):
    """What chance decides, an entry a cycle."""

    freeze: np.ndarray  # factor
    melt: np.ndarray  # factor, (cycles, 2)
    flap_s: np.ndarray
    rest_s: np.ndarray  # 0.0: none
    rest_at: np.ndarray  # 0…1 of the usual freeze
    stalled: np.ndarray  # bool
    repeated_s: np.ndarray  # the freeze before a second harvest; 0.0: none
