"""From what the second machine does to what its loggers wrote: physical traces, two-node clips, sampling, faults of reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.bench import second_physics as physics
from tests.bench.second_physics import Machine
from tests.bench.second_story import Stretch

STEP_S = 0.5  # grid on which the physical traces are drawn


@dataclass(frozen=True, kw_only=True)
class Clip:
    """How a probe sits and reads. K, s, °C."""

    lag_s: float = 20.0  # of both nodes together
    leak: float = 0.08  # part of the reading that is room air
    noise_k: float = 0.05
    resolution_k: float = 0.1
    drift_k_per_h: float = 0.0
    offset_k: float = 0.0
    moved_at: float | None = None  # part of the log after which it sits elsewhere
    moved_leak: float = 0.5
    moved_offset_k: float = 3.0
    sun_k: float = 0.0  # sun on the clip for some hours of the day
    falls_off_at: float | None = None  # part of the log after which it hangs in the air


@dataclass(frozen=True, kw_only=True)
class Meter:
    """How a current clamp reads. A."""

    noise_a: float = 0.03
    resolution_a: float = 0.1
    averages: bool = False  # mean over the interval instead of the moment
    sag: float = 0.0  # part of the reading by which the mains may be off, another hour another level
    dies_at: float | None = None  # part of the log after which it reads nothing but its zero


@dataclass(frozen=True, kw_only=True)
class Mishaps:
    """What goes wrong with the readings, not with the machine."""

    spikes_per_day: float = 0.0
    dropouts_per_day: float = 0.0
    longest_mishap: int = 4  # samples
    gaps: tuple[tuple[float, float], ...] = ()  # (start, end) as parts of the log, all channels
    jitter: float = 0.0  # of the interval, on each time stamp
    on_change: float = (
        0.0  # readings are kept only when this many steps away from the last one kept, or after 5 min
    )


def physical(
    machine: Machine,
    stretches: Sequence[Stretch],
    *,
    length_s: float,
    room_c: Callable[[np.ndarray], np.ndarray],
    rng: np.random.Generator,
    fan_cycles: bool = False,
) -> dict[str, np.ndarray]:
    """Traces by role on the grid of STEP_S from before the log begins; key "time_s" holds the grid [s]."""
    time = np.arange(np.floor(stretches[0].start_s), length_s + STEP_S, STEP_S)
    room = room_c(time)
    edges = [int(np.searchsorted(time, s.start_s)) for s in stretches] + [len(time)]
    trace = {
        name: np.zeros(len(time))
        for name in (
            "plate",
            "line",
            "saturation",
            "condensing",
            "load",
            "runs",
            "fan",
            "pump",
            "valve",
            "inrush",
        )
    }
    last = {"plate": 10.0, "line": 12.0, "saturation": 5.0, "condensing": float(room[0]) + 10.0}
    hunting = _hunting(len(time), machine, rng)
    for stretch, a, b in zip(stretches, edges[:-1], edges[1:], strict=True):
        b = min(b, len(time))
        if a >= b:
            continue
        since = time[a:b] - stretch.start_s
        curve = stretch.curve
        sat, plate = (np.interp(since, curve.time_s, y) for y in (curve.saturation_c, curve.plate_c))
        locked = stretch.mode == "freeze" and curve.length_s < 8.0
        running = stretch.mode in ("freeze", "harvest") and not locked
        target, metal = _targets(
            machine, stretch.mode, sat, plate, room[a:b], hunting[a:b], since, locked, last["line"]
        )
        load = physics.capacity(machine, sat, last["condensing"]) if running else np.zeros(b - a)
        cond = (
            (39.0 + 3.0 * (load - 1.0) if machine.water_cooled else room[a:b] + machine.split_k * load)
            if running
            else room[a:b]
        )
        if stretch.mode == "harvest":
            cond = cond - 6.0
        target["condensing"] = cond
        taus = {
            "plate": metal,
            "line": 0.6 * metal,
            "saturation": 0.4 * metal,
            "condensing": 60.0 if running else 200.0,
        }
        for name, tau in taus.items():
            trace[name][a:b] = physics.first_order(target[name], tau, STEP_S, last[name])
            last[name] = float(trace[name][b - 1])
        trace["load"][a:b] = load
        trace["runs"][a:b] = float(running)
        harvesting = stretch.mode == "harvest"
        fan_on = running and not machine.water_cooled and not (harvesting and machine.fan_stops_in_harvest)
        trace["fan"][a:b] = float(fan_on)
        pump_on = stretch.mode == "wash" or (running and not (harvesting and machine.pump_stops_in_harvest))
        trace["pump"][a:b] = float(pump_on)
        if harvesting:
            trace["pump"][a:b][since < machine.purge_s] = 1.0
        elif running and stretch.fill:
            trace["pump"][a:b][since < machine.prechill_s] = 0.0
            if machine.antislush_s > 0:
                stop = since - curve.time_s[np.argmax(curve.ice > curve.ice[0])]
                trace["pump"][a:b][(stop >= 0) & (stop < machine.antislush_s)] = 0.0
        trace["valve"][a:b] = float(harvesting)
        if (running or locked) and (a == 0 or not trace["runs"][a - 1]):
            trace["inrush"][a : b if locked else min(a + 1, b)] = machine.inrush_ratio * machine.compressor_a
    if fan_cycles:
        trace["fan"] *= ((time % 190.0) < 120.0) | (trace["runs"] == 0)
    return {"time_s": time, **_roles(machine, trace, time, room, rng)}


def _targets(machine, mode, sat, plate, room, hunting, since, locked, line_c):
    """Quasi-steady targets of plate, line and saturation, and the metal's time constant [s]."""
    if locked or mode in ("off", "wash"):
        line = room + (plate - room) * 0.7
        return {"plate": plate, "line": line, "saturation": plate}, 45.0
    if mode == "freeze":
        flooded = 4.0 * np.exp(-since / 60.0)
        line = sat + machine.superheat_k + hunting - flooded
        return {"plate": plate, "line": line, "saturation": sat}, machine.metal_s
    line = plate + machine.line_share * (machine.gas_c + 12.0 - plate) * np.minimum(since / 15.0, 1.0)
    line = line_c + machine.line_follow * (line - line_c)
    return {"plate": plate, "line": line, "saturation": sat}, 0.6 * machine.metal_s


def _hunting(n: int, machine: Machine, rng: np.random.Generator) -> np.ndarray:
    """AR(2) noise whose poles give a wandering swing of the expansion valve's period [K]."""
    from scipy.signal import lfilter

    radius = np.exp(-STEP_S / (3.0 * machine.hunting_s))
    angle = 2.0 * np.pi * STEP_S / machine.hunting_s
    raw = lfilter([1.0], [1.0, -2.0 * radius * np.cos(angle), radius**2], rng.standard_normal(n))
    return machine.hunting_k * raw / (np.std(raw) + 1e-12)


def _roles(machine: Machine, trace: Mapping[str, np.ndarray], time, room, rng) -> dict[str, np.ndarray]:
    comp = trace["runs"] * physics.compressor_current(machine, trace["saturation"], trace["condensing"])
    volts = 1.0 + 0.012 * np.sin(2 * np.pi * time / 86400.0 + 1.0) + 0.004 * np.sin(2 * np.pi * time / 5400.0)
    comp = np.maximum(comp, trace["inrush"]) * volts
    extras = trace["fan"] * machine.fan_a + trace["pump"] * machine.pump_a + trace["valve"] * machine.valve_a
    moved = trace["runs"] * trace["load"]
    blown = np.where(trace["fan"] > 0, moved * 0.75, moved * 0.15) if not machine.water_cooled else moved
    discharge = np.where(trace["runs"] > 0, trace["condensing"] + 32.0 - 10.0 * trace["valve"], room)
    return {
        "evaporator": trace["plate"],
        "suction": trace["line"],
        "discharge": physics.first_order(discharge, 100.0, STEP_S, float(discharge[0])),
        "condenser_in": room if not machine.water_cooled else np.full(len(time), 18.0),
        "condenser_out": physics.first_order(
            (room if not machine.water_cooled else 18.0) + machine.split_k * blown,
            25.0,
            STEP_S,
            float(room[0]),
        ),
        "ambient": room,
        "water_in": 16.0 + 0.1 * (room - 25.0),
        "current": comp + extras * volts + machine.control_a + machine.other_load_a,
        "current_compressor": comp,
    }


def read_clip(time, pipe, room, clip: Clip, length_s: float) -> np.ndarray:
    """Pipe temperature as a two-node clip follows it, before sampling: body between pipe and air, then the bead [°C]."""
    leak = np.full(len(time), clip.leak)
    offset = np.full(len(time), clip.offset_k)
    if clip.moved_at is not None:
        after = time >= clip.moved_at * length_s
        leak[after], offset[after] = clip.moved_leak, clip.offset_k + clip.moved_offset_k
    if clip.falls_off_at is not None:
        leak[time >= clip.falls_off_at * length_s] = 1.0
    seen = (1.0 - leak) * pipe + leak * room
    body = physics.first_order(seen, 0.7 * clip.lag_s, STEP_S, float(seen[0]))
    bead = physics.first_order(body, 0.3 * clip.lag_s, STEP_S, float(seen[0]))
    sun = clip.sun_k * np.maximum(np.sin(2 * np.pi * time / 86400.0 + 0.3), 0.0)
    return bead + offset + sun + clip.drift_k_per_h * np.maximum(time, 0.0) / 3600.0


def sample(time, trace, at_s: np.ndarray, *, interval_s: float, averages: bool) -> np.ndarray:
    """`trace` at the moments `at_s`, or its mean over the interval that ends there."""
    if not averages:
        return trace[np.clip(np.searchsorted(time, at_s), 0, len(time) - 1)]
    total = np.concatenate([[0.0], np.cumsum(trace)])
    hi = np.clip(np.searchsorted(time, at_s), 1, len(time))
    lo = np.clip(np.searchsorted(time, at_s - interval_s), 0, hi - 1)
    return (total[hi] - total[lo]) / (hi - lo)


def quantised(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(values / step) * step if step > 0 else values


def with_mishaps(values: np.ndarray, mishaps: Mishaps, *, days: float, current: bool, rng) -> np.ndarray:
    """Spikes (a bead that touches, a burst on the cable) and drop-outs (no reading) of one to several samples."""
    out = values.copy()
    for rate, spike in ((mishaps.spikes_per_day, True), (mishaps.dropouts_per_day, False)):
        for _ in range(rng.poisson(rate * days)):
            start = int(rng.integers(0, max(len(out) - mishaps.longest_mishap, 1)))
            size = int(rng.integers(1, mishaps.longest_mishap + 1))
            if spike:
                size = min(size, 3)
                jump = rng.choice([-1.0, 1.0]) * rng.uniform(15.0, 90.0)
                out[start : start + size] = abs(jump) * 0.3 if current else out[start : start + size] + jump
            else:
                out[start : start + size] = np.nan
    return out


def changes_only(
    at_s: np.ndarray, values: np.ndarray, least: float, heartbeat_s: float = 300.0
) -> np.ndarray:
    """Which readings a logger keeps that writes only what changed by `least`, or every `heartbeat_s`. Shape (n,), bool."""
    keep = np.zeros(len(values), bool)
    last, last_s = np.nan, -np.inf
    for i, (moment, value) in enumerate(zip(at_s.tolist(), values.tolist(), strict=True)):
        if not abs(value - last) < least or moment - last_s >= heartbeat_s:
            keep[i], last, last_s = True, value, moment
    return keep


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One channel as logged."""

    role: str
    time_ns: np.ndarray  # int64 (n,)
    values: np.ndarray  # float64 (n,), NaN where nothing was read
    interval_s: float
    resolution: float
    unit: str = field(default="°C")
