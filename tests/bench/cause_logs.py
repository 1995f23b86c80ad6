"""Logs of the demo's plant with one cause each, whose author knows it: what goes wrong, how badly, since when, what was logged.

A cause changes the numbers of the machine while it runs (`_MACHINE`), or is one of the simulator's own faults (`_FAULTS`). What the
plant has no equation for (air through a slow fan, the outlet of a starved evaporator) is laid upon the signals afterwards.
Everything is invented.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.demo.control import Control
from pipeline.demo.faults import Fault
from pipeline.demo.machine import MACHINES, FreezeEnd, Machine, Site
from pipeline.demo.plant import COMPRESSOR, DAY_S, GAS, PUMP
from pipeline.demo.probes import Probe, lag_by_state
from pipeline.demo.simulator import Simulation, World, record, run_world
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit
from tests.findings.from_truth import timeline_of

CHANNELS: Mapping[str, tuple[str, ...]] = {
    "line and clamp": ("evaporator", "current"),
    "six channels": ("evaporator", "current", "condenser_in", "condenser_out", "discharge", "water_in"),
    "one probe": ("evaporator",),
}
TO_TUNE = ("slab", "cube-small", "cube-large", "slab-water-cooled")
ONLY_SCORED = ("slab-large", "cube-undercounter", "cube-slow")
"""Machines of logs on which the table may be tuned, and of those that are only ever scored."""
SCORED_FROM = 10_000
"""Seeds from here on are only ever scored."""


def _times(machine: Machine, **factors: float) -> Machine:
    return replace(machine, **{name: getattr(machine, name) * f for name, f in factors.items()})


_MACHINE: Mapping[str, Callable[[Machine, float], Machine]] = {
    "condenser-dirty": lambda m, s: _times(m, condenser_w_per_k=1 - 0.42 * s),
    "condenser-fan": lambda m, s: _times(m, condenser_w_per_k=1 - 0.48 * s),
    "overcharge-or-air": lambda m, s: _times(m, condenser_w_per_k=1 - 0.33 * s),
    "charge-low": lambda m, s: m,
    "metering": lambda m, s: _times(m, capacity_w=1 - 0.26 * s),
    "compressor-worn": lambda m, s: _times(m, capacity_w=1 - 0.24 * s, hot_gas_w=1 - 0.12 * s),
    "hot-gas-weak": lambda m, s: _times(m, hot_gas_w=1 - 0.42 * s),
    "hot-gas-leaks": lambda m, s: m,
    "slab-sticks": lambda m, s: _times(m, release=1 + 4 * s),
    "harvest-end-sensing": lambda m, s: replace(
        m, harvest_end_c=m.harvest_end_c + 11 * s, harvest_min_s=m.harvest_min_s * (1 + s)
    ),
    "end-of-freeze-sensing": lambda m, s: replace(m, slab_kg=m.slab_kg * (1 + 0.32 * s), end_c=m.end_c - 3.5 * s, finish_s=m.finish_s * (1 + 0.5 * s)),
    "end-of-freeze-early": lambda m, s: replace(m, slab_kg=m.slab_kg * (1 - 0.3 * s), end_c=m.end_c + 2.5 * s, finish_s=m.finish_s * (1 - 0.5 * s)),
    "water-spread": lambda m, s: _times(m, area_m2=1 - 0.34 * s, plate_k_per_w=1 / (1 - 0.34 * s), film_w_per_k=1 - 0.3 * s),
    "scale": lambda m, s: _times(m, plate_k_per_w=1 + 0.7 * s, release=1 + 2.2 * s),
    "water-short": lambda m, s: _times(m, slab_kg=1 - 0.33 * s, spare_kg=1 - 0.5 * s),
    "room-hot": lambda m, s: m,
    "room-cold": lambda m, s: m,
    "water-warm": lambda m, s: m,
    "water-leaks-in": lambda m, s: m,
}  # fmt: skip
"""Cause -> what it makes of a machine at a severity."""

_FAULTS: Mapping[str, tuple[tuple[str, Mapping[str, float | str]], ...]] = {
    "hot-gas-shut": (("cold-harvest", {"chance": 0.4}),),
    "start-gear": (("failed-start", {}),),
    "high-pressure-cut": (("high-pressure-trips", {}),),
    "low-pressure-cut": (("low-pressure-trips", {}),),
    "overload-trips": (("overload-trips", {}),),
    "no-water": (("no-ice", {"how": "no-water"}),),
    "hot-gas-stuck-open": (("no-ice", {"how": "hot-gas-open"}),),
}
_BY_TIMER = "end-of-freeze-sensing"
CAUSES = (*_MACHINE, *_FAULTS)
SIMULATED = tuple(_MACHINE)
"""Those that change measures of cycles; the others show as events."""
_ROOM_K = {"room-hot": 11.0, "room-cold": -13.0}
_COURSES = {"condenser-dirty": ("always", "ramp", "ramp", "step"), "scale": ("always", "ramp"), "charge-low": ("always", "step", "ramp"),
            "slab-sticks": ("always", "step", "ramp", "now-and-then"), "hot-gas-weak": ("always", "step", "now-and-then"),
            "end-of-freeze-early": ("always", "step", "now-and-then")}  # fmt: skip
_SAME = ({"charge-low", "slow-leak"}, {"condenser-dirty", "condenser-water"})
"""Names for one thing: a charge that falls within the log is both; on a water-cooled machine the condenser gets too little water."""


def same(truth: str, said: str) -> bool:
    """Whether a cause that was said is the true one."""
    return truth == said or any({truth, said} <= group for group in _SAME)


@dataclass(frozen=True, kw_only=True)
class Told:
    """What is wrong in one log."""

    cause: str
    severity: float
    course: str  # of COURSES of the table
    from_s: float
    seconds: float
    timer: bool = False

    def at(self, t: float, chance: float) -> float:
        """The severity at `t` [s]; `chance`: a number from 0 to 1, new for each cycle."""
        if t < self.from_s:
            return 0.0
        if self.course == "ramp":
            return self.severity * min(1.0, (t - self.from_s) / max(0.8 * (self.seconds - self.from_s), 1.0))
        if self.course == "now-and-then":
            return self.severity if chance < 0.2 else 0.0
        return self.severity


class _Changed(Control):
    """A machine that one cause changes while it runs."""

    def __init__(self, machine: Machine, *, told: Told, site: Site, **rest) -> None:
        super().__init__(machine, **rest)
        self.told, self.sound, self.chance, self.now = told, machine, 1.0, 0.0
        shift = _ROOM_K.get(told.cause, 0.0) * told.severity
        if told.cause == "water-warm":
            shift = 13.0 * told.severity
        if shift:
            at = np.arange(len(self.ambient)) * 10.0 - 3 * 3600
            added = shift * np.array([told.at(t, 0.0) / told.severity for t in at])
            if told.cause == "water-warm":
                self.inlet = list(np.array(self.inlet) + added)
            else:
                self.ambient = list(np.array(self.ambient) + added)

    def freeze(self, *, only_s: float | None = None) -> bool:
        self.chance = float(self.rng.random())
        self.refresh()
        return super().freeze(only_s=only_s)

    def refresh(self) -> None:
        super().refresh()
        told = self.told
        self.now = s = told.at(self.t, self.chance)
        if told.cause in _MACHINE:
            self.m = _MACHINE[told.cause](self.sound, s)
        if told.cause == "charge-low":
            self.charge = 1 - 0.33 * s
        if told.cause in ("compressor-worn", "metering"):
            self.effort = 1 - 0.10 * s
        if told.cause == "water-leaks-in":
            inflow = 0.3 if self.m.freeze_end == "level" else 1.8
            self.leak_kg_s = inflow * s * self.m.slab_kg / self.m.usual_freeze_s
        if told.cause == "water-short":
            self.full_kg = self.m.slab_kg + self.m.spare_kg

    def step(self, dt: float, on: int, *, gas_w: float = 0.0, inflow: float = 0.0) -> None:
        super().step(dt, on, gas_w=gas_w, inflow=inflow)
        if self.told.cause == "hot-gas-leaks" and on & COMPRESSOR and not on & GAS and on & PUMP:
            # in series with the plate: what warms it, cools the water less
            self.plate += dt * 0.16 * self.now * self.m.capacity_w / (self.m.plate_j_per_k + 4000 * self.ice)


_NEED_LEVEL = ("water-leaks-in", "water-short", "water-spread")
"""Causes that the plant knows in machines whose water level ends the freeze alone."""
_DIFFER: Mapping[str, float] = {
    "capacity_w": 0.06, "plate_k_per_w": 0.15, "film_w_per_k": 0.15, "plate_j_per_k": 0.1, "hot_gas_w": 0.12, "contact_w_per_k": 0.15,
    "release": 0.25, "condenser_w_per_k": 0.12, "air_w_per_k": 0.12, "compressor_w": 0.08, "spare_kg": 0.15, "harvest_end_c": 0.15,
}  # fmt: skip
"""By how much machines of one size differ, standard deviation of the natural log: common practice, no source."""
_ENDS: Mapping[FreezeEnd, float] = {"level": 0.5, "temperature": 0.3, "timer": 0.2}
"""What ends the freeze -> share of machines: common practice, no source."""
_TIMED = 0.7  # part of a freeze after which the plate starts the timer


def varied(machine: Machine, seed: int, *, level: bool = False) -> Machine:
    """A machine of this size with numbers of its own, and an end of freeze drawn by seed (`level`: by its water level), set so that a
    batch comes out as designed."""
    rng = np.random.default_rng([seed, 13])
    factors = {name: float(np.exp(sd * rng.standard_normal())) for name, sd in _DIFFER.items()}
    own = replace(_times(machine, **factors), freeze_end="level")
    end = "level" if level else list(_ENDS)[int(rng.choice(len(_ENDS), p=list(_ENDS.values())))]
    if end == "level":
        return own
    for freezes in (6, 24, 96):  # some rest with a full bin at first
        trial = run_world(own, days=freezes * own.usual_freeze_s / DAY_S, seed=seed)
        whole = [p for p in trial.phases[:-1] if p[2] == "freeze"]
        if whole:
            break
    start_ns, end_ns, _ = whole[-1]
    first, last = ((at - trial.start_ns) // 10**9 for at in (start_ns, end_ns))
    plate = trial.signals["evaporator"]
    if end == "temperature":
        return replace(own, freeze_end=end, end_c=float(plate[last]))
    started = int(first + _TIMED * (last - first))
    return replace(own, freeze_end=end, end_c=float(plate[started]), finish_s=float(last - started))


def told_of(cause: str, seed: int, days: float) -> Told:
    """Severity, course and beginning, drawn by seed."""
    rng = np.random.default_rng([seed, 11])
    courses = _COURSES.get(cause, ("always", "step", "step")) if cause in _MACHINE else ("step",)
    course = courses[int(rng.integers(len(courses)))]
    from_s = -3 * 3600.0 if course == "always" else float(rng.uniform(0.25, 0.55)) * days * DAY_S
    return Told(
        cause=cause, severity=float(rng.uniform(0.6, 1.3)), course=course, from_s=from_s, seconds=days * DAY_S,
        timer=bool(rng.random() < 0.5),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class CauseLog:
    """One log with its truth."""

    told: Told
    simulation: Simulation
    timeline: Timeline
    unit: Unit
    name: str


def cause_log(
    cause: str, seed: int, channels: str, *, days: float = 2.5, roles: tuple[str, ...] | None = None,
    told: Told | None = None, machine: str | None = None,
) -> CauseLog:  # fmt: skip
    """The log of a cause by its seed: machine, site, interval, probes, severity, course.

    channels: a key of CHANNELS; roles: in place of its roles; told, machine (a key of MACHINES): in place of those drawn.
    """
    rng = np.random.default_rng([seed, 12])
    names = ONLY_SCORED if seed >= SCORED_FROM else TO_TUNE
    dry = [n for n in names if MACHINES[n].cooling == "air"]
    fitting = dry if cause in ("condenser-fan", "room-hot", "room-cold", "overcharge-or-air") else list(names)
    drawn = MACHINES[fitting[int(rng.integers(len(fitting)))]]
    machine = MACHINES[machine] if machine else varied(drawn, seed, level=cause in _NEED_LEVEL)
    told = told or told_of(cause, seed, days)
    usual = 0.8 * machine.slab_kg * DAY_S / (1.25 * machine.usual_freeze_s)
    site = Site(
        ambient_c=float(rng.uniform(16, 30)), ambient_swing_k=float(rng.uniform(0.5, 4)), water_c=float(rng.uniform(9, 20)),
        water_swing_k=float(rng.uniform(0.2, 1.5)), use_kg_per_day=usual * float(rng.uniform(0.7, 1.5)),
    )  # fmt: skip
    interval = float(rng.choice([2.0, 5.0, 10.0, 15.0, 20.0, 30.0])) if cause != "start-gear" else 2.0
    faults = [
        Fault(kind=kind, from_day=told.from_s / DAY_S, options=dict(options))
        for kind, options in _FAULTS.get(cause, ())
    ]
    if cause == _BY_TIMER and told.timer:
        faults = [Fault(kind="timer-ends-freeze", from_day=told.from_s / DAY_S)]
    world = run_world(
        machine, days=days, seed=seed, faults=faults, site=site,
        control=functools.partial(_Changed, told=told, site=site),
    )  # fmt: skip
    world = _laid_upon(world, told)
    probe = Probe(
        lag_s=float(rng.uniform(6, 45)),
        noise=float(rng.uniform(0.05, 0.25)),
        step=float(rng.choice([0.1, 0.5])),
    )
    sim = record(
        world, interval_s=interval, seed=seed, roles=roles or CHANNELS[channels], probes={"evaporator": probe}
    )
    unit = Unit(
        name="bench", kind=machine.kind if rng.random() < 0.6 else "unspecified", cooling=machine.cooling
    )
    return CauseLog(
        told=told, simulation=sim, timeline=timeline_of(sim, "bench"), unit=unit,
        name=f"{cause} {told.course} {told.severity:.2f} {machine.name} seed {seed} {interval:g} s {channels}",
    )  # fmt: skip


def _laid_upon(world: World, told: Told) -> World:
    """What the plant has no equation for."""
    t = np.arange(len(world.room), dtype=float)
    grown = np.array([told.at(x, 0.0) for x in t[::60]]).repeat(60)[: len(t)]
    signals = dict(world.signals)
    if told.cause in _ROOM_K:
        shift = _ROOM_K[told.cause] * grown
        for role in ("ambient", "condenser_in", "condenser_out"):
            signals[role] = signals[role] + shift
    if told.cause == "water-warm":
        signals["water_in"] = signals["water_in"] + 13.0 * grown
    if told.cause in ("condenser-fan", "condenser-dirty") and world.machine.cooling == "air":
        slower = 1 - (0.45 if told.cause == "condenser-fan" else 0.24) * grown
        rise = signals["condenser_out"] - signals["condenser_in"]
        signals["condenser_out"] = signals["condenser_in"] + rise / slower
    starved = {"metering": 6.0, "charge-low": 6.5}.get(told.cause, 0.0)
    if starved:
        _starve(signals, world, starved * grown)
    return replace(world, signals=signals)


def _starve(signals: dict[str, np.ndarray], world: World, excess_k: np.ndarray) -> None:
    """Warm the evaporator's outlet and what follows it by `excess_k` (seconds + 1,) in freezes; in a harvest the excess shrinks as the
    plate warms, so that both come to 0 °C together."""
    spans = [
        (kind, *((at - world.start_ns) // 10**9 for at in (start_ns, end_ns)))
        for start_ns, end_ns, kind in world.phases
    ]
    freezing = np.zeros(len(excess_k))
    for kind, first, last in spans:
        if kind == "freeze":
            freezing[first:last] = 1.0
    warmer = lag_by_state(excess_k * freezing, np.where(freezing > 0, 240.0, 60.0))
    signals["discharge"] = signals["discharge"] + 1.3 * warmer
    plate, excess = signals["evaporator"], warmer * freezing
    for kind, first, last in spans:
        if kind == "harvest" and first > 0 and plate[first - 1] < 0:
            excess[first:last] = excess[first - 1] * np.clip(plate[first:last] / plate[first - 1], 0.0, 1.0)
    for role in ("evaporator", "suction"):
        signals[role] = signals[role] + excess
