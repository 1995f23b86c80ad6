"""From what the machine did to what clips and clamps would have read: lag, contact, noise, steps of the converter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.signal import lfilter

from pipeline.demo.control import MachineRun
from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import Machine
from pipeline.demo.plant import COMPRESSOR, DARK, DAY_S, FAN, GAS, HUM, PUMP


@dataclass(frozen=True, kw_only=True)
class Probe:
    """One sensor of a logger. Temperatures: K; currents: A."""

    lag_s: float = 12.0
    noise: float = 0.08  # standard deviation of a reading
    step: float = 0.1  # quantisation; 0: none
    contact: float = 0.95  # reads contact × pipe + (1 − contact) × room air
    add: float = 0.0  # constant error


PROBES: Mapping[str, Probe] = MappingProxyType(
    {
        "evaporator": Probe(lag_s=12.0),
        "suction": Probe(lag_s=20.0, contact=0.9),
        "discharge": Probe(lag_s=20.0, contact=0.93),
        "condenser_in": Probe(lag_s=40.0, contact=1.0),
        "condenser_out": Probe(lag_s=40.0, contact=0.97),
        "ambient": Probe(lag_s=120.0, contact=1.0),
        "water_in": Probe(lag_s=25.0, contact=0.93),
        "bin": Probe(lag_s=120.0, contact=1.0),
        "current": Probe(lag_s=0.0, noise=0.02, step=0.01, contact=1.0),
        "current_compressor": Probe(lag_s=0.0, noise=0.02, step=0.01, contact=1.0),
        "voltage": Probe(lag_s=0.0, noise=0.4, step=0.1, contact=1.0),
        "power": Probe(lag_s=0.0, noise=4.0, step=1.0, contact=1.0),
    }
)
"""Every channel that can be logged, with a good clip on it."""

ELECTRICAL = ("current", "current_compressor", "voltage", "power")


def lag(values: np.ndarray, tau_s: float) -> np.ndarray:
    """First-order lag of `values` (n,) at 1 s."""
    if tau_s <= 0:
        return values
    a = float(np.exp(-1.0 / tau_s))
    return lfilter([1 - a], [1, -a], values, zi=[a * values[0]])[0]


def lag_by_state(target: np.ndarray, tau_s: np.ndarray) -> np.ndarray:
    """First-order lag of `target` (n,) at 1 s with a time constant `tau_s` (n,) [s] that is piecewise constant."""
    out = np.empty_like(target)
    edges = np.flatnonzero(np.diff(tau_s)) + 1
    last = target[0]
    for start, end in zip(np.r_[0, edges], np.r_[edges, len(target)], strict=True):
        a = float(np.exp(-1.0 / tau_s[start]))
        out[start:end] = lfilter([1 - a], [1, -a], target[start:end], zi=[a * last])[0]
        last = out[end - 1]
    return out


def signals(
    trace: MachineRun, machine: Machine, faults: tuple[Fault, ...], *, seconds: int, room: np.ndarray, inlet: np.ndarray,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:  # fmt: skip
    """True signals at 1 s, role -> (seconds + 1,), as an ideal probe would see them. room, inlet: (seconds + 1,) °C."""
    t = np.arange(seconds + 1.0)
    ends = trace.columns["t"]
    smooth = {
        name: np.interp(t, ends, trace.columns[name]) for name in ("plate", "condenser", "bin", "rejected")
    }
    now = np.minimum(np.searchsorted(ends, t, side="right"), len(ends) - 1)
    on = trace.on[now]
    power = trace.columns["power"][now]
    running, gas, pump = (on & COMPRESSOR) > 0, (on & GAS) > 0, (on & PUMP) > 0
    fan, hum, dark = (on & FAN) > 0, (on & HUM) > 0, (on & DARK) > 0
    plate, cond = smooth["plate"], smooth["condenser"]
    # superheat of a starved evaporator comes and goes over minutes
    starved = lag(_starved_k(faults, t) * (running & ~gas), 240.0)
    out: dict[str, np.ndarray] = {}
    out["evaporator"] = plate + starved
    out["suction"] = lag(np.where(running, plate + 3.0 + 0.3 * starved, 0.5 * (plate + room)) + starved, 15.0)
    for fault in faults:
        if fault.kind == "valve-hunts":
            shown = (_grown(fault, t) > 0) & running & ~gas
            wave = fault["swing_k"] * np.sin(2 * np.pi * t / fault["period_s"] + 1.5 * _slow(rng, seconds))
            out["suction"] = out["suction"] + lag(np.where(shown, wave, 0.0), 8.0)
            out["evaporator"] = out["evaporator"] + 0.5 * lag(np.where(shown, wave, 0.0), 12.0)
    hot = np.where(running, cond + 0.55 * (cond - plate) + 1.3 * starved, room)
    out["discharge"] = lag_by_state(hot, np.where(running, 70.0, 900.0))
    if machine.cooling == "air":
        clean = 1.0 - _clogged(faults, t)
        blown = room + smooth["rejected"] / (machine.air_w_per_k * np.sqrt(clean))
        out["condenser_in"] = room + 0.4 * lag(fan.astype(float), 120.0)
        out["condenser_out"] = lag(np.where(fan, blown + 0.4, room + 0.35 * (cond - room)), 20.0)
    else:
        valve = np.clip((cond - machine.condensing_set_c + 4) / 8, 0.02, 1.0)  # as in Plant.step
        warmed = np.minimum(inlet + smooth["rejected"] / (machine.air_w_per_k * valve), cond - 1)
        out["condenser_in"] = inlet
        out["condenser_out"] = lag_by_state(np.where(running, warmed, room), np.where(running, 20.0, 900.0))
    out["ambient"] = room
    out["water_in"] = lag_by_state(
        np.where(gas, inlet, 0.75 * inlet + 0.25 * room), np.where(gas, 15.0, 900.0)
    )
    out["bin"] = 1.2 + 0.05 * (room - 20) + 5.0 * np.exp(-smooth["bin"] / (0.12 * machine.bin_kg))
    volts = machine.voltage_v * (
        1 + 0.008 * np.sin(2 * np.pi * (t / DAY_S - 0.1)) + 0.004 * _slow(rng, seconds)
    )
    for fault in faults:
        if fault.kind == "low-voltage":
            volts = volts * np.where(_grown(fault, t) > 0, fault["part"], 1.0)
    amps = power / (volts * machine.power_factor) * (1 + 0.006 * _slow(rng, seconds, every_s=15))
    rated = machine.compressor_w / (machine.voltage_v * machine.power_factor)
    amps[hum] = machine.inrush * rated
    begun = np.array([int(np.ceil(at)) for at, hum_s in trace.starts if hum_s <= 1.0], np.int64)
    begun = begun[(begun >= 0) & (begun <= seconds)]
    amps[begun] = (
        rated * machine.inrush * rng.uniform(0.35, 1.0, len(begun))
    )  # the second holds part of the surge
    after = begun[begun < seconds] + 1
    amps[after] *= 1.25
    out["current_compressor"] = amps
    small = machine.fan_a * fan + machine.pump_a * pump + machine.valves_a * gas + machine.standby_a * ~dark
    out["current"] = amps + small
    out["voltage"] = volts * ~dark * (1 - 0.004 * amps / rated)
    surge = hum.copy()
    surge[begun] = True
    out["power"] = volts * (amps * np.where(surge, 0.45, machine.power_factor) + 0.7 * small)
    return out


def read(
    values: np.ndarray,
    at_s: np.ndarray,
    probe: Probe,
    *,
    role: str,
    room: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Readings (m,) of a signal at 1 s (n,), taken at `at_s` seconds after its start."""
    if role in ELECTRICAL:
        taken = values[np.minimum(at_s.astype(np.int64), len(values) - 1)]
        readings = taken + rng.normal(0.0, probe.noise, len(at_s)) * (taken > 0) * np.minimum(
            1.0, 0.3 + np.abs(taken)
        )
        readings = np.maximum(readings + probe.add, 0.0)
    else:
        touched = probe.contact * values + (1 - probe.contact) * room
        readings = np.interp(at_s, np.arange(len(values)), lag(touched, probe.lag_s))
        readings = readings + rng.normal(0.0, probe.noise, len(at_s)) + probe.add
    return np.round(readings / probe.step) * probe.step if probe.step else readings


def _slow(rng: np.random.Generator, seconds: int, *, every_s: int = 600) -> np.ndarray:
    """Slow unit-variance wander (seconds + 1,)."""
    n = seconds // every_s + 3
    knots = lfilter([np.sqrt(1 - 0.8**2)], [1, -0.8], rng.normal(size=n + 20))[20:]
    return np.interp(np.arange(seconds + 1), np.arange(n) * every_s, knots)


def _grown(fault: Fault, t: np.ndarray) -> np.ndarray:
    from_s = fault.from_day * DAY_S
    to_s = t[-1] if fault.to_day is None else fault.to_day * DAY_S
    over_days = fault["over_days"] if "over_days" in KINDS[fault.kind].options else 1e-4
    span = over_days * DAY_S or to_s - from_s
    return np.where((t >= from_s) & (t < to_s + 1), np.clip((t - from_s) / span, 0, 1), 0.0)


def _starved_k(faults: tuple[Fault, ...], t: np.ndarray) -> np.ndarray:
    out = np.zeros_like(t)
    for fault in faults:
        if fault.kind in ("low-charge", "slow-leak"):
            out += fault["starved_k"] * _grown(fault, t)
    return out


def _clogged(faults: tuple[Fault, ...], t: np.ndarray) -> np.ndarray:
    out = np.zeros_like(t)
    for fault in faults:
        if fault.kind == "dirty-condenser":
            out += (1 - fault["left"]) * _grown(fault, t)
    return np.minimum(out, 0.9)
