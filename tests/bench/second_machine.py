"""Logs with their truth from a machine simulated apart from `pipeline/demo`: the yardstick of segmentation and findings.

    log = make_log(Case(seed=7, kind="slab22", interval_s=10, channels=("suction", "current")))
    timeline = to_timeline(log)          # straight into the cycles room
    write_csv(log, folder)               # or through the whole job

`log.truth` holds the phases as the public contract names them; `log.expected_codes` sets of finding codes of which at
least one each must be found; `log.healthy` whether no `act` finding is due. Everything is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from pipeline.logs.timeline import Channel, Timeline
from tests.bench import second_probes as probes
from tests.bench.second_physics import Machine
from tests.bench.second_probes import Clip, Meter, Mishaps, Reading
from tests.bench.second_story import EXPECTED_CODES, Plan, tell

DAY_0_NS = int(datetime(2026, 2, 3, 6, 0, tzinfo=UTC).timestamp()) * 1_000_000_000

KINDS: dict[str, Machine] = {
    "cube10": Machine(
        freeze_s=530,
        harvest_s=75,
        lift_bare_k=7,
        lift_grown_k=17,
        water_fill_c=8,
        metal_s=9,
        compressor_a=3.4,
        fan_a=0.4,
        pump_a=0.3,
        valve_a=0.1,
    ),
    "cube17": Machine(
        freeze_s=880,
        harvest_s=110,
        lift_bare_k=8,
        lift_grown_k=28,
        water_fill_c=12,
        metal_s=12,
        compressor_a=5.2,
        superheat_k=6,
    ),
    "slab24": Machine(
        freeze_s=1290,
        harvest_s=130,
        lift_bare_k=8,
        lift_grown_k=36,
        water_fill_c=14,
        metal_s=16,
        compressor_a=7.8,
        fan_a=0.9,
        pump_a=0.8,
        valve_a=0.2,
        hunting_k=0.7,
    ),
    "cube33": Machine(
        freeze_s=1800,
        harvest_s=170,
        lift_bare_k=9,
        lift_grown_k=30,
        water_fill_c=9,
        metal_s=18,
        compressor_a=4.4,
        let_go_c=11,
        gas_c=26,
        hunting_s=110,
    ),
    "slab48": Machine(
        freeze_s=2680,
        harvest_s=200,
        lift_bare_k=8,
        lift_grown_k=40,
        water_fill_c=16,
        metal_s=22,
        compressor_a=10.5,
        fan_a=1.6,
        pump_a=1.1,
        valve_a=0.3,
    ),
    "slab70": Machine(
        freeze_s=3960,
        harvest_s=250,
        lift_bare_k=10,
        lift_grown_k=44,
        water_fill_c=11,
        metal_s=26,
        compressor_a=14.0,
        fan_a=2.2,
        pump_a=1.3,
        valve_a=0.3,
        hunting_k=0.9,
        hunting_s=160,
    ),
}

CHANNEL_SETS: dict[str, tuple[str, ...]] = {
    "evaporator": ("evaporator",),
    "suction": ("suction",),
    "current": ("current",),
    "compressor": ("current_compressor",),
    "evaporator+current": ("evaporator", "current"),
    "suction+compressor": ("suction", "current_compressor"),
    "five": ("suction", "discharge", "condenser_in", "condenser_out", "current"),
}


@dataclass(frozen=True, kw_only=True)
class Case:
    """All that makes one log."""

    seed: int
    kind: str = "slab24"
    water_cooled: bool = False
    steps: bool = True  # False: fan and pump run on through the harvest
    cool_harvest: bool = False  # the harvest hardly warms the line
    changes: dict[str, float] = field(default_factory=dict)  # fields of the kind's Machine that differ
    interval_s: float = 10.0
    current_interval_s: float | None = None  # a second logger with its own interval
    channels: tuple[str, ...] = ("evaporator", "current")
    hours: float = 14.0
    room_c: float = 25.0
    swing_k: float = 3.0
    plan: Plan = field(default_factory=Plan)
    clip: Clip = field(default_factory=Clip)
    meter: Meter = field(default_factory=Meter)
    mishaps: Mishaps = field(default_factory=Mishaps)
    fan_cycles: bool = False
    strata: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class TruePhase:
    """One stretch of the truth; times in int64 nanoseconds UTC."""

    kind: str
    start_ns: int
    end_ns: int


@dataclass(frozen=True, kw_only=True)
class SecondLog:
    """What the loggers wrote, and what was true."""

    case: Case
    machine: Machine
    readings: tuple[Reading, ...]
    truth: tuple[TruePhase, ...]  # touching, over the whole log
    expected_codes: tuple[frozenset[str], ...]

    @property
    def healthy(self) -> bool:
        """No `act` finding is due. (A machine that harvests twice is neither: repeated harvests may well be named.)"""
        return not self.expected_codes and self.case.plan.scenario in (
            "steady",
            "starts-with-harvest",
        )

    @property
    def start_ns(self) -> int:
        return min(int(r.time_ns[0]) for r in self.readings)

    @property
    def end_ns(self) -> int:
        return max(int(r.time_ns[-1]) for r in self.readings)

    @property
    def interval_s(self) -> float:
        """Interval of the finest channel that shows phases [s]."""
        shows = [
            r.interval_s
            for r in self.readings
            if r.role in ("evaporator", "suction", "current", "current_compressor")
        ]
        return min(shows or [r.interval_s for r in self.readings])


def machine_of(case: Case) -> Machine:
    machine = replace(KINDS[case.kind], water_cooled=case.water_cooled, **case.changes)
    if case.water_cooled:
        machine = replace(machine, fan_a=0.0)
    if not case.steps:
        machine = machine.without_steps()
    if case.cool_harvest:
        machine = replace(
            machine,
            line_share=0.1,
            line_follow=0.55,
            let_go_c=3.0,
            gas_c=9.0,
            water_fill_c=1.0,
            superheat_k=2.0,
        )
    return machine


def make_log(case: Case) -> SecondLog:
    """The log of `case`; the same case always gives the same log."""
    rng = np.random.default_rng(case.seed)
    machine = machine_of(case)
    length_s = case.hours * 3600.0
    phase = rng.uniform(0, 2 * np.pi)

    def room(t):
        return case.room_c + case.swing_k * np.sin(2 * np.pi * np.asarray(t) / 86400.0 + phase)

    stretches = tell(machine, case.plan, hours=case.hours, room_c=lambda t: float(room(t)), rng=rng)
    traces = probes.physical(
        machine, stretches, length_s=length_s, room_c=room, rng=rng, fan_cycles=case.fan_cycles
    )
    gaps = [(a * length_s, b * length_s) for a, b in case.mishaps.gaps]
    readings = tuple(_read(case, role, traces, gaps, length_s, rng) for role in case.channels)
    start, end = min(int(r.time_ns[0]) for r in readings), max(int(r.time_ns[-1]) for r in readings)
    spans = [(s.truth, DAY_0_NS + round(s.start_s * 1e9), DAY_0_NS + round(s.end_s * 1e9)) for s in stretches]
    truth = _with_gaps(_merged(spans), _holes(readings, gaps), start, end)
    return SecondLog(case=case, machine=machine, readings=readings, truth=truth, expected_codes=_due(case))


def _due(case: Case) -> tuple[frozenset[str], ...]:
    """Codes that this log carries enough to find: runs of half a minute need a clamp at 15 s or quicker to be seen, starts that
    fail within some seconds one at 5 s; a probe shows neither for certain."""
    quickest_s = {"short-cycling": 15.0, "failed-starts": 5.0}.get(case.plan.scenario)
    clamps = [r for r in case.channels if r.startswith("current")]
    if quickest_s and not (clamps and (case.current_interval_s or case.interval_s) <= quickest_s):
        return ()
    return EXPECTED_CODES.get(case.plan.scenario, ())


def _read(case: Case, role: str, traces, gaps, length_s: float, rng) -> Reading:
    is_current = role.startswith("current")
    interval = case.current_interval_s if is_current and case.current_interval_s else case.interval_s
    logger = np.random.default_rng(
        [case.seed, 1 if is_current and case.current_interval_s else 0]
    )  # a clock a logger
    at = np.arange(logger.uniform(0, interval), length_s, interval)
    at = at + case.mishaps.jitter * interval * logger.uniform(-0.5, 0.5, len(at))
    keep = np.ones(len(at), bool)
    for a, b in gaps:
        keep &= (at < a) | (at > b)
    at = at[keep]
    time = traces["time_s"]
    if is_current:
        values = probes.sample(time, traces[role], at, interval_s=interval, averages=case.meter.averages)
        if case.meter.sag > 0:
            hour = (at / 3600.0).astype(int)
            values = values * (1.0 + case.meter.sag * logger.uniform(-1, 1, hour[-1] + 1)[hour])
        if case.meter.dies_at is not None:
            values[at >= case.meter.dies_at * length_s] = 0.0
        values = np.abs(values + case.meter.noise_a * rng.standard_normal(len(at)))
        step = case.meter.resolution_a
    else:
        clip = case.clip if role in ("evaporator", "suction") else Clip(resolution_k=case.clip.resolution_k)
        trace = probes.read_clip(time, traces[role], traces["ambient"], clip, length_s)
        values = probes.sample(time, trace, at, interval_s=interval, averages=False)
        values = values + clip.noise_k * rng.standard_normal(len(at))
        step = clip.resolution_k
    values = probes.quantised(
        probes.with_mishaps(values, case.mishaps, days=case.hours / 24, current=is_current, rng=rng), step
    )
    if case.mishaps.on_change > 0:
        kept = probes.changes_only(at, values, case.mishaps.on_change * (step or 0.1))
        at, values = at[kept], values[kept]
    time_ns = DAY_0_NS + np.round(at * 1e3).astype(np.int64) * 1_000_000
    return Reading(
        role=role,
        time_ns=time_ns,
        values=values,
        interval_s=float(interval),
        resolution=step,
        unit="A" if is_current else "°C",
    )


def _merged(spans):
    out: list[tuple[str, int, int]] = []
    for kind, a, b in spans:
        if out and out[-1][0] == kind:
            out[-1] = (kind, out[-1][1], b)
        else:
            out.append((kind, a, b))
    return out


def _holes(readings, gaps) -> list[tuple[int, int]]:
    """Gaps as the data show them: from the last reading before to the first one after, over all channels [ns]."""
    holes = []
    every = np.unique(np.concatenate([r.time_ns for r in readings]))
    for a, _ in gaps:
        i = int(np.searchsorted(every, DAY_0_NS + round(a * 1e9)))
        if 0 < i < len(every):
            holes.append((int(every[i - 1]), int(every[i])))
    return holes


def _with_gaps(spans, holes, start_ns: int, end_ns: int) -> tuple[TruePhase, ...]:
    cuts = sorted(holes)
    out = []
    for kind, a, b in spans:
        a, b = max(a, start_ns), min(b, end_ns)
        for x, y in cuts:
            if a < x < b:
                out.append((kind, a, x))
            if x < b and y > a:
                a = max(a, y)
        if a < b:
            out.append((kind, a, b))
    out += [("gap", x, y) for x, y in cuts]
    return tuple(TruePhase(kind=k, start_ns=a, end_ns=b) for k, a, b in sorted(out, key=lambda s: s[1]))


def to_timeline(log: SecondLog) -> Timeline:
    """The log as the reading room would hand it on, without the reading: every reading trusted but NaN."""
    channels = tuple(
        Channel(
            role=r.role,
            label=r.role,
            file="second-machine.csv",
            unit=r.unit,
            unit_read=r.unit,
            time_ns=r.time_ns,
            values=r.values,
            trusted=np.isfinite(r.values),
            interval_s=r.interval_s,
            resolution=r.resolution,
            chosen=True,
            role_by="header",
            role_confidence=1.0,
        )
        for r in log.readings
    )
    return Timeline(
        unit_name=f"second-{log.case.seed}",
        time_zone="UTC",
        start_ns=log.start_ns,
        end_ns=log.end_ns,
        channels=channels,
    )


HEADERS = {
    "evaporator": "Evaporator (°C)",
    "suction": "Suction line (°C)",
    "discharge": "Discharge line (°C)",
    "condenser_in": "Condenser in (°C)",
    "condenser_out": "Condenser out (°C)",
    "ambient": "Room air (°C)",
    "water_in": "Supply water (°C)",
    "current": "Unit current (A)",
    "current_compressor": "Compressor current (A)",
}


def write_csv(log: SecondLog, folder: Path, *, zone: str = "UTC", later_ns: int = 0) -> list[Path]:
    """The log as logger files in `folder`: one file a logger (channels that share their sample times).

    zone: the stamps are wall-clock time of this zone, without a word about the offset, as loggers write them.
    later_ns: added to every moment, to move a log into a night on which the clocks change.
    """
    import pandas as pd

    folder.mkdir(parents=True, exist_ok=True)
    loggers: dict[bytes, list[Reading]] = {}
    for r in log.readings:
        loggers.setdefault(r.time_ns.tobytes(), []).append(r)
    paths = []
    for number, group in enumerate(loggers.values(), start=1):
        moments = pd.DatetimeIndex((group[0].time_ns + later_ns).view("M8[ns]"), tz="UTC").tz_convert(zone)
        times = moments.strftime("%Y-%m-%d %H:%M:%S.%f").str[:-3]
        table = pd.DataFrame({"Time": times})
        for r in group:
            decimals = max(0, int(np.ceil(-np.log10(r.resolution)))) if r.resolution > 0 else 3
            table[HEADERS[r.role]] = pd.Series(r.values).map(
                lambda v, d=decimals: "" if np.isnan(v) else f"{v:.{d}f}"
            )
        paths.append(folder / f"logger-{number}.csv")
        table.to_csv(paths[-1], index=False)
    return paths
