"""A world → its log: readings of every channel, the true phases, and the ways in which the pipeline may be given it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.logs.timeline import Channel, SourceFile, Timeline
from tests.bench.worlds.draw import Change, World
from tests.bench.worlds.machine import CyclePlan
from tests.bench.worlds.physics import DRIVES, HARVEST, TRACES, run
from tests.bench.worlds.probes import follow, stored

DAY_S = 86_400.0
DAY_0_NS = 1_772_409_600_000_000_000  # 2 March 2026, 00:00 UTC: a date of no meaning
NAMES = ("idle", "freeze", "harvest")
LABELS = {
    "evaporator": "Evaporator (°C)",
    "suction": "Suction line (°C)",
    "discharge": "Discharge line (°C)",
    "ambient": "Room air (°C)",
    "water_in": "Supply water (°C)",
    "current": "Unit current (A)",
    "current_compressor": "Compressor current (A)",
}


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One channel as its logger stored it."""

    role: str
    label: str
    logger: int  # 1 or 2
    time_s: np.ndarray  # (n,) since the log's day 0, on the logger's own clock
    values: np.ndarray  # (n,) °C or A
    interval_s: float
    resolution: float


@dataclass(frozen=True, kw_only=True)
class WorldLog:
    """Readings and truth. Phases are on the clock of logger 1: the evaporator's or suction line's, else the clamp's.

    A boundary is the moment at which the control acted: hot gas let in (harvest), shut (freeze), compressor stopped (idle) or started
    (freeze). Where the harvest has no gas it begins when the compressor stops with the ice grown, and ends when it starts again; the stop is not
    called idle.
    """

    world: World
    readings: tuple[Reading, ...]
    phases: tuple[tuple[float, float, str], ...]  # (start_s, end_s, "freeze", "harvest" or "idle"), touching
    unscored: tuple[tuple[float, float], ...]  # spans in which boundaries count neither way
    length_s: float

    @property
    def healthy(self) -> bool:
        return self.world.healthy

    @property
    def tags(self) -> dict[str, str]:
        return self.world.tags

    @property
    def interval_s(self) -> float:
        """Of the evaporator's or suction line's logger, else of the clamp's [s]."""
        return self.readings[0].interval_s


def course(change: Change, day: np.ndarray) -> np.ndarray:
    """0…1: how far `change` has come at each of `day`."""
    if change.shape == "step":
        return (day >= change.from_day).astype(float)
    along = (day - change.from_day) / (change.to_day - change.from_day)
    if change.shape == "comes and goes":
        inside = (along >= 0) & (along < 1)
        return (inside & ((along * change.episodes) % 1.0 < 0.5)).astype(float)
    after = 0.0 if change.shape == "repaired" else 1.0
    return np.where(along > 1, after, np.clip(along, 0, 1))


def drives(
    world: World, day: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(drive table (9, minutes), the clip's extra lag [s] and level [K], an entry a minute)."""
    table = dict.fromkeys(DRIVES, 1.0)
    slow = np.convolve(rng.normal(0, 1, len(day) + 720), np.ones(720) / 720, "valid")[: len(day)]
    wave = np.sin(2 * np.pi * (day - rng.random()))
    table["sink_c"] = world.sink_c + world.swing_k * (wave + 4 * slow)
    table["water_c"] = world.water_c + 0.3 * world.swing_k * np.roll(wave, 180)
    table["starved"] = table["service"] = np.zeros(len(day))
    lag, level = np.zeros(len(day)), np.zeros(len(day))
    for change in world.changes:
        s = course(change, day)
        factor = 1 + (change.size - 1) * s
        if change.subject == "freeze length":
            table["ice"] = table["ice"] * factor
        elif change.subject == "harvest length":
            table["melt"] = table["melt"] * factor
        elif change.subject == "supply water":
            table["water_c"] = table["water_c"] + change.size * s
        elif change.subject == "charge":
            table["starved"] = 0.4 * change.size * s
            table["capacity"] = table["capacity"] * (1 - 0.3 * change.size * s)
        elif change.subject == "condenser":
            table["fouling"] = table["fouling"] * factor
        elif change.subject == "current level":
            table["current"] = table["current"] * factor
        elif change.subject == "lag":
            lag = lag + change.size * s
        else:
            level = level + change.size * s
    if np.isfinite(world.service_day):
        since = (day - world.service_day) * 1440
        table["service"] = ((since >= 0) & (since < world.service_min)).astype(float)
    rows = [np.broadcast_to(np.asarray(table[name], float), day.shape) for name in DRIVES]
    return np.ascontiguousarray(rows), lag, level


def plan_of(world: World, rng: np.random.Generator) -> CyclePlan:
    """What chance decides in each cycle."""
    n = 1200
    a_day = DAY_S / (world.machine.freeze_s + 180)
    rest = rng.random(n) < world.rests_per_day / a_day
    odd = rng.random(n) < world.mishaps_per_day / a_day
    stalled = odd & (world.structure.mishaps == "stalled harvests")
    repeated = odd & (world.structure.mishaps == "repeated harvests")
    return CyclePlan(
        freeze=np.exp(rng.normal(0, world.freeze_scatter, n)),
        melt=np.exp(rng.normal(0, world.melt_scatter, (n, 2))),
        flap_s=rng.uniform(2, 9, n),
        rest_s=np.where(rest, 60 * np.exp(rng.uniform(np.log(8), np.log(240), n)), 0.0),
        rest_at=rng.uniform(0.15, 0.75, n),
        stalled=stalled,
        repeated_s=np.where(repeated, rng.uniform(70, 200, n), 0.0),
    )


@dataclass(frozen=True, kw_only=True)
class Twist:
    """What a story makes of a world beyond what was drawn of it."""

    drive: Callable[[dict[str, np.ndarray], np.ndarray], None] | None = (
        None  # (rows by name, changed in place; the day of each minute)
    )
    plan: Callable[[CyclePlan, float], CyclePlan] | None = (
        None  # (what chance decides; the number of the cycle at the log's start)
    )


def lived(world: World, *, days: float | None = None, twist: Twist | None = None):
    """(traces (9, seconds), switch times [s], phases by number, drive table, extra lag, extra level, ice made a cycle [kg], heat taken and
    given in freezes [J]); `days`: fewer than the world's. The first hours, in which the machine starts from warm, are cut off."""
    rng = np.random.default_rng([world.seed, 77])
    before = int(
        60 * np.ceil((1.3 * world.machine.freeze_s + 900 + rng.uniform(0, world.machine.freeze_s)) / 60)
    )
    length = int((world.days if days is None else days) * DAY_S)
    minutes = (before + length) // 60 + 1
    day = (60 * np.arange(minutes) - before) / DAY_S
    table, lag, level = drives(world, day, rng)
    plan = plan_of(world, rng)
    if twist is not None and twist.drive is not None:
        twist.drive(dict(zip(DRIVES, table, strict=True)), day)
    if twist is not None and twist.plan is not None:
        plan = twist.plan(plan, before / (world.machine.freeze_s + 180))
    traces, at, what, made, taken, given = run(world.machine, plan, table, before + length)
    skip = before // 60
    return (
        traces[:, before:],
        at - before,
        what,
        table[:, skip:],
        lag[skip:],
        level[skip:],
        made,
        taken,
        given,
    )


def clamp_steps(world: World) -> tuple[float, np.ndarray]:
    """(usual current [A], by how much the clamp's load changes at each harvest's (start, end) [A] (harvests, 2)), within the first day."""
    traces, at, what, *_ = lived(world, days=min(1.0, world.days))
    load = traces[
        TRACES.index("compressor_a" if world.roles[0] == "current_compressor" else "unit_a")
    ].astype(float)
    sums = np.concatenate([[0.0], np.cumsum(load)])
    mean = lambda a, b: (sums[b] - sums[a]) / (b - a)  # noqa: E731
    steps = [
        [abs(mean(t + 12, t + 30) - mean(t - 8, t)) for t in (begin, end)]
        for begin, end, kind in zip(at[:-1], at[1:], what[:-1], strict=True)
        if kind == HARVEST and begin > 10 and end < len(load) - 40
    ]
    return float(np.median(load)), np.array(steps).reshape(-1, 2)


def simulate(world: World, *, twist: Twist | None = None) -> WorldLog:
    """The log of `world`: the same each time."""
    traces, at, what, table, extra_lag, extra_level, *_ = lived(world, twist=twist)
    length = traces.shape[1]
    rng = np.random.default_rng([world.seed, 78])
    room = np.ascontiguousarray(table[DRIVES.index("sink_c")])
    by_name = dict(zip(TRACES, traces, strict=True))
    phase_s = float(rng.uniform(0, 1)) * world.interval_s
    other_phase_s = float(rng.uniform(0, 1)) * world.other_interval_s
    readings = []
    for role in world.roles:
        clamp = role.startswith("current")
        second = clamp and world.other_interval_s > 0
        if role in world.clips:
            signal = _clipped(
                world, role, by_name, room, table[DRIVES.index("service")], extra_lag, extra_level
            )
        elif clamp:
            signal = by_name["unit_a" if role == "current" else "compressor_a"]
        elif role == "discharge":
            signal = _plain(by_name["discharge"], room, 20.0)
        else:
            row = table[DRIVES.index("sink_c" if role == "ambient" else "water_c")]
            signal = np.interp(np.arange(length) / 60, np.arange(len(row)), row)
        interval = world.other_interval_s if second else world.interval_s
        time_s, values = stored(
            signal,
            interval_s=interval,
            phase_s=other_phase_s if second else phase_s,
            noise=world.noise_a * world.machine.compressor_a if clamp else world.noise_k,
            resolution=world.resolution_a if clamp else world.resolution_k,
            mean=clamp and world.clamp_mean,
            rng=rng,
        )
        if second:
            time_s = time_s + world.offset_s + world.drift_s_per_day * time_s / DAY_S
        readings.append(
            Reading(
                role=role,
                label=LABELS[role],
                logger=2 if second else 1,
                time_s=time_s,
                values=np.maximum(values, 0.0) if clamp else values,
                interval_s=interval,
                resolution=world.resolution_a if clamp else world.resolution_k,
            )
        )
    unscored = ()
    if np.isfinite(world.service_day):
        begin = world.service_day * DAY_S
        unscored = ((begin - 60, begin + 60 * world.service_min + 120),)
    return WorldLog(
        world=world,
        readings=tuple(readings),
        phases=_phases(at, what, length),
        unscored=unscored,
        length_s=float(length),
    )


def _phases(at: np.ndarray, what: np.ndarray, length: int) -> tuple[tuple[float, float, str], ...]:
    ends = np.append(at[1:], length)
    return tuple(
        (float(max(a, 0)), float(b), NAMES[k])
        for a, b, k in zip(at, ends, what, strict=True)
        if b > max(a, 0)
    )


def _clipped(world: World, role: str, by_name, room, service, extra_lag, extra_level) -> np.ndarray:
    first, then = world.clips[role], world.clips_after[role]
    again = np.cumsum(service) > 0 if np.isfinite(world.service_day) else np.zeros(len(service), bool)
    field = lambda name: np.where(again, getattr(then, name), getattr(first, name)).astype(float)  # noqa: E731
    pipe = by_name[first.place]
    return follow(
        pipe,
        room,
        field("lag_s") + extra_lag,
        field("second_lag_s"),
        field("leak"),
        field("wet_k"),
        field("level_k") + extra_level,
        service,
    )


def _plain(signal: np.ndarray, room: np.ndarray, lag_s: float) -> np.ndarray:
    minutes = np.ones(len(room))
    none = np.zeros(len(room))
    return follow(signal, room, lag_s * minutes, none, 0.05 * minutes, none, none, none)


def alone(log: WorldLog, *roles: str) -> WorldLog:
    """The same log of these channels only; its truth stays on the clock it was on."""
    return replace(log, readings=tuple(r for r in log.readings if r.role in roles))


def _time_ns(reading: Reading) -> np.ndarray:
    return DAY_0_NS + np.round(reading.time_s * 1e3).astype(np.int64) * 1_000_000


def _loggers(readings: Sequence[Reading]) -> list[list[Reading]]:
    numbers = sorted({r.logger for r in readings})
    return [[r for r in readings if r.logger == n] for n in numbers]


def timeline(log: WorldLog) -> Timeline:
    """The log as the pipeline's reading room would hand it on: see `timeline_of`."""
    return timeline_of(log.readings, f"world-{log.world.seed}")


def timeline_of(readings: Sequence[Reading], name: str) -> Timeline:
    """`readings` of the unit `name`. One logger: at once, every reading trusted. Two: through the reading room from after the
    parsing, and their clocks put together as for any unit. Raises UnitError where the reading room does."""
    groups = _loggers(readings)
    if len(groups) > 1:
        from pipeline.cycles import on_one_clock
        from pipeline.logs import assemble
        from pipeline.unit import Unit

        unit = Unit(name=name)
        return on_one_clock(assemble([_table(g) for g in groups], unit), unit)
    channels = tuple(
        Channel(
            role=r.role,
            label=r.label,
            file="logger-1.csv",
            unit=unit_of(r.role),
            unit_read=unit_of(r.role),
            time_ns=_time_ns(r),
            values=r.values,
            trusted=np.isfinite(r.values),
            interval_s=r.interval_s,
            resolution=r.resolution,
            chosen=True,
            role_by="header",
            role_confidence=1.0,
        )
        for r in groups[0]
    )
    return Timeline(
        unit_name=name,
        time_zone="UTC",
        start_ns=int(channels[0].time_ns[0]),
        end_ns=int(channels[0].time_ns[-1]),
        channels=channels,
    )


def unit_of(role: str) -> str:
    return "A" if role.startswith("current") else "°C"


def _table(group: Sequence[Reading]):
    """One logger's readings as the reading room has them after parsing."""
    from pipeline.logs.table import FileTable, LoggedColumn

    name = f"logger-{group[0].logger}.csv"
    time_ns = _time_ns(group[0])
    columns = tuple(
        LoggedColumn(label=r.label, unit=unit_of(r.role), unit_by="header", values=r.values) for r in group
    )
    source = SourceFile(
        name=name,
        rows=len(time_ns),
        start_ns=int(time_ns[0]),
        end_ns=int(time_ns[-1]),
        interval_s=group[0].interval_s,
        dialect={},
    )
    return FileTable(name=name, logger="", time_ns=time_ns, columns=columns, source=source)


def write(log: WorldLog, folder: Path) -> list[Path]:
    """The log as plain CSV files in `folder`, one a logger; the paths. The headers say what each channel is."""
    import pyarrow as pa
    from pyarrow import csv

    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for group in _loggers(log.readings):
        stamps = pa.array(_time_ns(group[0]) // 1_000_000, pa.timestamp("ms")).cast(pa.string())
        columns = {"Time": stamps} | {r.label: pa.array(r.values) for r in group}
        paths.append(folder / f"logger-{group[0].logger}.csv")
        csv.write_csv(pa.table(columns), paths[-1])
    return paths
