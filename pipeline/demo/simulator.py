"""`simulate` runs an invented machine for some days and returns what loggers would have read, with the truth beside it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.demo.control import Batch, Control
from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import Machine, Site
from pipeline.demo.plant import BURN_IN_S, DAY_S
from pipeline.demo.probes import PROBES, Probe, read, signals

NS = 1_000_000_000


@dataclass(frozen=True, kw_only=True)
class FaultTruth:
    """A fault that was on: what a report ought to say (`expect`), and what it may say as well (`may`)."""

    kind: str
    expect: tuple[str, ...]
    may: tuple[str, ...]
    start_ns: int
    end_ns: int
    shown_ns: tuple[tuple[int, int], ...]  # each time that it really showed, where it comes and goes


@dataclass(frozen=True, kw_only=True)
class Simulation:
    """One machine over some days. All arrays of one logger have one length."""

    machine: Machine
    tz: str
    time_ns: np.ndarray  # int64 (n,), UTC
    channels: Mapping[str, np.ndarray]  # role -> float64 (n,); °C, A, V, W; NaN: no reading
    phases: tuple[
        tuple[int, int, str], ...
    ]  # start_ns, end_ns, "freeze" | "harvest" | "idle" | "unclear"; touching
    faults: tuple[FaultTruth, ...]
    batches: tuple[Batch, ...]
    starts_ns: tuple[int, ...]  # every try of the compressor to start
    start_ns: int
    end_ns: int


@dataclass(frozen=True, kw_only=True)
class World:
    """What a machine did over some days, at 1 s, before any logger looked at it. `record` looks."""

    machine: Machine
    tz: str
    start_ns: int
    seconds: int
    room: np.ndarray  # (seconds + 1,) °C
    signals: Mapping[str, np.ndarray]  # role -> (seconds + 1,)
    faults: tuple[Fault, ...]
    truth: tuple[FaultTruth, ...]
    phases: tuple[tuple[int, int, str], ...]
    batches: tuple[Batch, ...]
    starts_ns: tuple[int, ...]


def simulate(
    machine: Machine,
    *,
    days: float,
    interval_s: float = 10.0,
    seed: int = 0,
    faults: Sequence[Fault] = (),
    start: datetime | str = "2026-03-02T06:00:00",
    tz: str = "UTC",
    site: Site | None = None,
    probes: Mapping[str, Probe] | None = None,
    roles: Collection[str] | None = None,
) -> Simulation:
    """A machine's log of `days` days at `interval_s`, with its truth; the same seed gives the same log.

    start: local wall time in `tz` where it has no offset of its own. probes: by role, over the good clips of `PROBES`.
    roles: the channels wanted (None: all).
    """
    world = run_world(machine, days=days, seed=seed, faults=faults, start=start, tz=tz, site=site)
    return record(world, interval_s=interval_s, seed=seed, probes=probes, roles=roles)


def run_world(
    machine: Machine, *, days: float, seed: int = 0, faults: Sequence[Fault] = (),
    start: datetime | str = "2026-03-02T06:00:00", tz: str = "UTC", site: Site | None = None,
    control: Callable[..., Control] = Control,
) -> World:  # fmt: skip
    """Run the machine; `record` may then look at it through several loggers. `control`: makes the machine's control, for one that
    is to behave in a way of its own."""
    site = site or Site(use_kg_per_day=0.8 * machine.slab_kg * DAY_S / (1.25 * machine.usual_freeze_s))
    begin = datetime.fromisoformat(start) if isinstance(start, str) else start
    if begin.tzinfo is None:
        begin = begin.replace(tzinfo=ZoneInfo(tz))
    start_ns = int(begin.timestamp()) * NS
    local_h = begin.hour + begin.minute / 60
    seconds = round(days * DAY_S)
    rng = np.random.default_rng([seed, 1])
    t = np.arange(-BURN_IN_S, seconds + 7200, 10.0)
    room = _room(site, t, local_h, rng)
    inlet = _inlet(site, t, local_h, rng)
    for fault in faults:
        to_s = seconds if fault.to_day is None else fault.to_day * DAY_S
        on = (t >= fault.from_day * DAY_S) & (t < to_s)
        if fault.kind == "warm-water":
            inlet = inlet + fault["plus_k"] * on
        elif fault.kind == "moved":
            room = room + fault["plus_k"] * on
    use = _use(site, t, local_h, rng)
    running = control(
        machine,
        seconds=seconds,
        ambient=room.tolist(),
        inlet=inlet.tolist(),
        use=use.tolist(),
        faults=faults,
        rng=rng,
    )
    trace = running.run()
    grid = np.arange(seconds + 1.0)
    room, inlet = np.interp(grid, t, room), np.interp(grid, t, inlet)
    mains = np.random.default_rng([seed, 4])  # its own, so that a fault later on changes nothing before
    ideal = signals(trace, machine, tuple(faults), seconds=seconds, room=room, inlet=inlet, rng=mains)

    def ns(at_s: float) -> int:
        return start_ns + round(at_s * NS)

    truth = []
    for fault in faults:
        shown = tuple(
            (ns(a), ns(min(b, seconds)))
            for kind, a, b in trace.episodes
            if kind == fault.kind and 0 <= a < seconds
        )
        to_s = seconds if fault.to_day is None else fault.to_day * DAY_S
        truth.append(
            FaultTruth(kind=fault.kind, expect=KINDS[fault.kind].expect, may=KINDS[fault.kind].may,
                       start_ns=ns(fault.from_day * DAY_S), end_ns=ns(to_s), shown_ns=shown)
        )  # fmt: skip
    return World(
        machine=machine, tz=tz, start_ns=start_ns, seconds=seconds, room=room, signals=ideal, faults=tuple(faults),
        truth=tuple(truth), phases=tuple((ns(a), ns(b), kind) for a, b, kind in trace.phases),
        batches=tuple(trace.batches), starts_ns=tuple(ns(at) for at, _ in trace.starts),
    )  # fmt: skip


def record(
    world: World, *, interval_s: float, seed: int = 0, probes: Mapping[str, Probe] | None = None,
    roles: Collection[str] | None = None, clock_ahead_s: float = 0.0, clock_gains_s_per_day: float = 0.0,
    from_s: float | None = None,
) -> Simulation:  # fmt: skip
    """What one logger writes of the world. Its clock may be ahead, and gain; the truth stays on the true clock."""
    rng = np.random.default_rng([seed, 2])
    first = float(rng.uniform(0, min(interval_s, 1.0))) if from_s is None else from_s
    at_s = np.arange(first, world.seconds, interval_s)
    keep = np.ones(len(at_s), bool)
    for fault in world.faults:
        if fault.kind == "gap":
            from_gap = fault.from_day * DAY_S
            keep &= (at_s < from_gap) | (at_s >= from_gap + fault["minutes"] * 60)
    at_s = at_s[keep]
    chosen = {**PROBES, **(probes or {})}
    channels = {}
    for role in world.signals if roles is None else roles:
        # a generator a channel, so that leaving one out does not change the others
        own = np.random.default_rng([seed, 3, list(PROBES).index(role)])
        values = _with_probe_faults(world, role)
        readings = read(values, at_s, chosen[role], role=role, room=world.room, rng=own)
        channels[role] = _with_reading_faults(world, role, at_s, readings, rng=own)
    clock = at_s * (1 + clock_gains_s_per_day / DAY_S) + clock_ahead_s
    return Simulation(
        machine=world.machine, tz=world.tz, time_ns=world.start_ns + np.round(clock * 1000).astype(np.int64) * 1_000_000,
        channels=channels, phases=world.phases, faults=world.truth, batches=world.batches, starts_ns=world.starts_ns,
        start_ns=world.start_ns, end_ns=world.start_ns + world.seconds * NS,
    )  # fmt: skip


def _with_probe_faults(world: World, role: str) -> np.ndarray:
    """The signal that reaches the probe: a clip that fell off hangs in the air."""
    values = world.signals[role]
    for fault in world.faults:
        if fault.kind == "probe-loose" and fault["role"] == role:
            a = int(fault.from_day * DAY_S)
            b = len(values) if fault.to_day is None else int(fault.to_day * DAY_S)
            values = values.copy()
            values[a:b] = fault["touch"] * values[a:b] + (1 - fault["touch"]) * world.room[a:b]
        elif fault.kind == "probe-slips" and fault["role"] == role:
            a = int(fault.from_day * DAY_S)
            b = len(values) if fault.to_day is None else int(fault.to_day * DAY_S)
            touch = 1 + (fault["touch"] - 1) * np.clip((np.arange(len(values)) - a) / max(b - a, 1), 0, 1)
            values = touch * values + (1 - touch) * world.room
    return values


def _with_reading_faults(
    world: World, role: str, at_s: np.ndarray, readings: np.ndarray, *, rng: np.random.Generator
) -> np.ndarray:
    """Readings as the logger writes them: open circuit, dead clamp."""
    for fault in world.faults:
        to_s = world.seconds if fault.to_day is None else fault.to_day * DAY_S
        from_s = fault.from_day * DAY_S
        if fault.kind == "probe-open" and fault["role"] == role:
            readings = readings.copy()
            for _ in range(int(fault["bursts"])):  # the break opens now and then before it stays open
                a = float(rng.uniform(max(0.0, from_s - DAY_S), from_s))
                readings[(at_s >= a) & (at_s < a + float(rng.uniform(30, 900)))] = fault["reads"]
            readings[(at_s >= from_s) & (at_s < to_s)] = fault["reads"]
        elif fault.kind == "clamp-off" and fault["role"] == role:
            readings = np.where((at_s >= from_s) & (at_s < to_s), 0.0, readings)
    return readings


def _room(site: Site, t: np.ndarray, local_h: float, rng: np.random.Generator) -> np.ndarray:
    """Room air (n,) °C: a day swing that peaks at 16 h, slow weather, and what a busy kitchen adds."""
    hour = (local_h + t / 3600) % 24
    day = site.ambient_swing_k * np.cos(2 * np.pi * (hour - 16) / 24)
    knots = np.arange(t[0], t[-1] + 3600, 1800.0)
    weather = np.cumsum(rng.normal(0, 0.12, len(knots)))
    weather -= np.linspace(weather[0], weather[-1], len(knots))  # it comes back: no trend of its own
    fast = rng.normal(0, 0.25, len(knots))
    return site.ambient_c + day + np.interp(t, knots, weather + fast)


def _inlet(site: Site, t: np.ndarray, local_h: float, rng: np.random.Generator) -> np.ndarray:
    hour = (local_h + t / 3600) % 24
    knots = np.arange(t[0], t[-1] + 3600, 3600.0)
    wander = np.interp(t, knots, rng.normal(0, 0.25, len(knots)))
    return site.water_c + site.water_swing_k * np.cos(2 * np.pi * (hour - 17) / 24) + wander


def _use(site: Site, t: np.ndarray, local_h: float, rng: np.random.Generator) -> np.ndarray:
    """Ice taken (n,) kg/s: the site's daily amount by its busy hours, in scoops."""
    hour = (local_h + t / 3600) % 24
    weight = np.full(len(t), 0.35)
    for from_h, to_h, times in site.busy:
        weight[(hour >= from_h) & (hour < to_h)] = times
    share = weight / weight.mean()
    scoops = rng.random(len(t)) < 0.02  # every 500 s on average
    size = rng.lognormal(0.0, 0.5, len(t)) / np.exp(0.125)
    return site.use_kg_per_day / DAY_S * share * (0.2 + 0.8 * scoops * size / 0.02)
