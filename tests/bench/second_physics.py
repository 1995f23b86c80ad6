"""The second machine's physics, by phase-plane quadrature: no time stepping, no lumped tanks.

A freeze is the Stefan problem in its quasi-steady form: heat is conducted through the slab grown so far to a refrigerant
whose saturation temperature is where the compressor's capacity map meets the conduction. Time is found by integrating
over the heat removed (dt = dE / q(E)), then inverted by interpolation. A harvest is a bare plate warmed to 0 °C, a film
at the interface melted, and the plate warmed on until the control lets go. Everything is invented; capacity and current
slopes are of the size common in the trade (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

SENSIBLE_PER_K = 4.19 / 334.0  # heat of 1 K of water in parts of the heat of fusion


@dataclass(frozen=True, kw_only=True)
class Machine:
    """One invented batch machine. Temperatures °C, differences K, currents A, times s unless named otherwise."""

    freeze_s: float  # freeze at 40 °C condensing and water_fill_c
    harvest_s: float  # harvest at 40 °C condensing
    water_cooled: bool = False
    lift_bare_k: float = 8.0  # water to refrigerant at full capacity, bare plate
    lift_grown_k: float = 24.0  # the same through the full slab
    capacity_per_k: float = 0.035  # of capacity, per K of saturation temperature
    capacity_per_k_condensing: float = 0.010
    water_fill_c: float = 10.0  # reservoir after the refill
    water_ratio: float = 1.5  # water in circulation to ice made
    superheat_k: float = 5.0
    hunting_k: float = 0.4  # amplitude of the expansion valve's hunting
    hunting_s: float = 70.0  # its period
    metal_s: float = 15.0  # time constant of the evaporator's metal
    gas_c: float = 22.0  # what hot gas would warm the bare plate to
    let_go_c: float = 8.0  # plate temperature that ends a harvest
    line_share: float = 0.35  # of the way from plate to hot gas that the suction line goes in harvest
    line_follow: float = 1.0  # 0.4: the suction line goes only 40 % of that way
    split_k: float = 14.0  # condensing over air (or leaving water) at full capacity
    compressor_a: float = 6.0  # at -10 °C / 40 °C
    current_per_k: float = 0.012
    current_per_k_condensing: float = 0.011
    fan_a: float = 0.7
    pump_a: float = 0.5
    valve_a: float = 0.15
    control_a: float = 0.08
    fan_stops_in_harvest: bool = True
    pump_stops_in_harvest: bool = True
    prechill_s: float = 0.0  # the pump starts this long after the freeze does
    purge_s: float = 0.0  # the pump runs this long into the harvest, to dump the rest of the water
    antislush_s: float = 0.0  # the pump stops this long when the water reaches 0 °C
    other_load_a: float = 0.0  # what else hangs on the clamped circuit, all the time
    inrush_ratio: float = 4.5
    off_metal_s: float = 1500.0  # how slowly the evaporator drifts to the room when off

    def without_steps(self) -> Machine:
        """The same machine with fan and pump running through the harvest."""
        return replace(self, fan_stops_in_harvest=False, pump_stops_in_harvest=False, valve_a=0.0)


def capacity(machine: Machine, saturation_c, condensing_c):
    """Capacity in parts of the reference (-10 °C / 40 °C), from the linear map."""
    return (
        1.0
        + machine.capacity_per_k * (saturation_c + 10.0)
        - machine.capacity_per_k_condensing * (condensing_c - 40.0)
    )


def saturation(machine: Machine, warm_side_c, resistance_k, condensing_c):
    """Saturation temperature where conduction over `resistance_k` (K at reference capacity) meets the map [°C]."""
    free = 1.0 + 10.0 * machine.capacity_per_k - machine.capacity_per_k_condensing * (condensing_c - 40.0)
    return (warm_side_c - resistance_k * free) / (1.0 + resistance_k * machine.capacity_per_k)


@dataclass(frozen=True, kw_only=True)
class Curve:
    """Quasi-steady course of one stretch over the seconds since it began."""

    time_s: np.ndarray
    saturation_c: np.ndarray
    plate_c: np.ndarray
    ice: np.ndarray  # slab grown, in parts of the full slab

    @property
    def length_s(self) -> float:
        return float(self.time_s[-1])


def _reference_scale(machine: Machine) -> float:
    return machine.freeze_s / _relative(machine, 40.0, machine.water_fill_c, 0.0, 1.0)[0][-1]


def _relative(machine: Machine, condensing_c: float, water_c: float, ice_0: float, ice_1: float):
    water = np.linspace(max(water_c, 0.0), 0.0, 60)
    sensible = saturation(machine, water, machine.lift_bare_k, condensing_c)
    ice = np.linspace(ice_0, max(ice_1, ice_0 + 1e-3), 240)
    lift = machine.lift_bare_k + (machine.lift_grown_k - machine.lift_bare_k) * ice
    latent = saturation(machine, 0.0, lift, condensing_c)
    heat = np.concatenate([SENSIBLE_PER_K * machine.water_ratio * (water[0] - water), np.zeros_like(ice)])
    heat[len(water) :] = heat[len(water) - 1] + ice - ice_0
    sat = np.concatenate([sensible, latent])
    rate = np.maximum(capacity(machine, sat, condensing_c), 0.05)
    time = np.concatenate([[0.0], np.cumsum(np.diff(heat) * 0.5 * (1 / rate[1:] + 1 / rate[:-1]))])
    bare = np.concatenate([0.45 * water, np.zeros_like(ice)])
    plate = sat + (bare - sat) * 0.3
    return time, sat, plate, np.concatenate([np.full(len(water), ice_0), ice])


def freeze(
    machine: Machine,
    *,
    condensing_c: float,
    water_c: float | None = None,
    ice_0: float = 0.0,
    ice_1: float = 1.0,
    slow: float = 1.0,
) -> Curve:
    """Course of a freeze from `ice_0` to `ice_1` of the slab; `slow` stretches it (lost capacity)."""
    water_c = machine.water_fill_c if water_c is None else water_c
    time, sat, plate, ice = _relative(machine, condensing_c, water_c, ice_0, ice_1)
    return Curve(time_s=time * _reference_scale(machine) * slow, saturation_c=sat, plate_c=plate, ice=ice)


def cut(curve: Curve, length_s: float) -> Curve:
    """The first `length_s` of a course; held at its last value where it is shorter (with a slow further fall)."""
    if length_s <= curve.length_s:
        time = np.linspace(0.0, length_s, 300)
        return Curve(
            time_s=time,
            saturation_c=np.interp(time, curve.time_s, curve.saturation_c),
            plate_c=np.interp(time, curve.time_s, curve.plate_c),
            ice=np.interp(time, curve.time_s, curve.ice),
        )
    more = np.linspace(0.0, length_s - curve.length_s, 100)[1:]
    fall = 3.0 * (1.0 - np.exp(-more / 2400.0))
    return Curve(
        time_s=np.concatenate([curve.time_s, curve.length_s + more]),
        saturation_c=np.concatenate([curve.saturation_c, curve.saturation_c[-1] - fall]),
        plate_c=np.concatenate([curve.plate_c, curve.plate_c[-1] - fall]),
        ice=np.concatenate([curve.ice, np.full(len(more), curve.ice[-1])]),
    )


def harvest(
    machine: Machine,
    *,
    from_c: float,
    condensing_c: float,
    film: float = 1.0,
    limit_s: float | None = None,
    lets_go: bool = True,
    reaches_c: float | None = None,
) -> Curve:
    """Course of a harvest: warming to 0 °C, melting `film`, warming until let_go_c; or held to `limit_s`.

    lets_go: False keeps the slab on the plate, which then hovers a little above 0 °C until `limit_s`.
    reaches_c: hot gas too weak to warm the plate past this temperature (below 0 °C); also ends at `limit_s`.
    """
    gas = 1.0 + 0.012 * (condensing_c - 40.0)  # hotter gas in a hotter room
    part = machine.harvest_s / max(gas, 0.4)
    rise_s = 0.17 * part * (-min(from_c, -1.0) / 16.0) ** 0.7
    film_s = 0.38 * part * film
    n = 120
    if from_c > 0.0:  # a bare warm plate after a stop: nothing to melt, so the gas only warms it further
        tau = 0.45 * machine.harvest_s / -np.log(1.0 - machine.let_go_c / machine.gas_c)
        time = np.linspace(0.0, 0.5 * part, n)
        plate = from_c + (max(machine.gas_c, from_c + 3.0) - from_c) * (1.0 - np.exp(-time / tau))
    elif reaches_c is not None:
        time = np.linspace(0.0, limit_s, 2 * n)
        plate = from_c + (reaches_c - from_c) * (1.0 - np.exp(-time / (2.5 * rise_s)))
    elif not lets_go:
        time = np.linspace(0.0, limit_s, 2 * n)
        plate = np.where(
            time < rise_s, from_c * (1.0 - time / rise_s), 1.6 * (1.0 - np.exp(-(time - rise_s) / 150.0))
        )
    else:
        tau = 0.45 * machine.harvest_s / -np.log(1.0 - machine.let_go_c / machine.gas_c)
        warm_s = 0.45 * part
        if limit_s is not None:
            warm_s = max(limit_s - rise_s - film_s, 5.0)
        after = np.linspace(0.0, warm_s, n)
        time = np.concatenate(
            [
                np.linspace(0.0, rise_s, n)[:-1],
                np.linspace(rise_s, rise_s + film_s, n)[:-1],
                rise_s + film_s + after,
            ]
        )
        plate = np.concatenate(
            [
                np.linspace(from_c, 0.0, n)[:-1],
                np.linspace(0.0, 0.7, n)[:-1],
                0.7 + (machine.gas_c - 0.7) * (1.0 - np.exp(-after / tau)),
            ]
        )
    return Curve(time_s=time, saturation_c=plate + 2.0, plate_c=plate, ice=np.zeros_like(time))


def off(machine: Machine, *, length_s: float, from_c: float, room_c: float, ice: float) -> Curve:
    """Course of an evaporator left alone: to 0 °C, held there while what ice there is melts, then on to the room."""
    time = np.concatenate(
        [np.linspace(0.0, min(900.0, length_s), 200), np.linspace(min(900.0, length_s), length_s, 200)[1:]]
    )
    tau = machine.off_metal_s
    if from_c >= 0.0:
        plate = room_c + (from_c - room_c) * np.exp(-time / tau)
        return Curve(time_s=time, saturation_c=plate, plate_c=plate, ice=np.zeros_like(time))
    melt_s = 60.0 + ice * 30.0 * tau * 334.0 / (4.19 * 40.0) / max(room_c, 5.0)
    plate = np.where(
        time < melt_s,
        from_c * np.exp(-time / 80.0),
        room_c + (0.0 - room_c) * np.exp(-(time - melt_s) / tau),
    )
    left = np.clip(1.0 - time / melt_s, 0.0, 1.0) * ice
    return Curve(time_s=time, saturation_c=plate, plate_c=plate, ice=left)


def compressor_current(machine: Machine, saturation_c, condensing_c):
    """Running current of the compressor, from a linear map of both saturation temperatures [A]."""
    return machine.compressor_a * (
        1.0
        + machine.current_per_k * (saturation_c + 10.0)
        + machine.current_per_k_condensing * (condensing_c - 40.0)
    )


def first_order(target: np.ndarray, tau_s: float, dt_s: float, start: float) -> np.ndarray:
    """`target` through a first-order lag, from `start`."""
    from scipy.signal import lfilter

    keep = float(np.exp(-dt_s / max(tau_s, 1e-6)))
    out, _ = lfilter([1.0 - keep], [1.0, -keep], target, zi=[keep * start])
    return out
