"""Logs of what is no batch machine: thermostats of many duties, weather, rooms. No cycle is there to be found.

    python -m tests.bench.worlds.none [--first 0] [--logs 300] [--jobs 1] [--json FILE] [--worst 20]

Prints, by kind, by channels and by interval: on how many logs whole cycles, harvests, or findings that call for action were made up.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numba import njit

from tests.bench.worlds.probes import follow, stored
from tests.bench.worlds.simulate import DAY_S, LABELS, Reading, timeline_of

KINDS = (
    "fridge",
    "freezer",
    "fridge with a lamp",
    "freezer with electric defrosts",
    "cold room with off-cycle defrosts",
    "air conditioner",
    "heat pump",
    "variable speed",
    "weather",
    "room",
)
CHANNELS = (
    ("evaporator",),
    ("current",),
    ("evaporator", "current"),
    ("suction",),
    ("current_compressor",),
    ("suction", "current"),
)
DEFROSTED_C = 14.0  # where a coil's own thermostat ends the heating; common practice, no source
INTERVALS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)


@dataclass(frozen=True, kw_only=True)
class NoMachine:
    """A log in which nothing freezes in batches."""

    seed: int
    kind: str
    readings: tuple[Reading, ...]
    duty: float  # share of the time that the compressor runs; NaN where there is none

    @property
    def tags(self) -> dict[str, str]:
        i = self.readings[0].interval_s
        return {
            "kind": self.kind,
            "channels": "+".join(r.role for r in self.readings),
            "interval": "1-2 s"
            if i <= 2
            else "5-30 s"
            if i <= 30
            else "1-5 min"
            if i <= 300
            else "10-60 min",
        }


@njit(cache=True)
def thermostat(
    seconds: int,
    room: np.ndarray,
    door: np.ndarray,
    defrost: np.ndarray,
    on_c: float,
    off_c: float,
    wall_s: float,
    pull_k_per_s: float,
    split_k: float,
    coil_s: np.ndarray,
    heater_k_per_s: float,
    reverse: bool,
):
    """(air [°C], coil [°C], compressor 0/1, heater 0/1), a value a second.

    The box warms towards the room with `wall_s`, cools by `pull_k_per_s` as the coil is `split_k` under it; `coil_s`: how fast the coil follows,
    running and at rest. room, door, defrost: a value a minute; door: K a second let in; defrost: 1 while one is due. reverse: it is
    made by the compressor, not by a heater.
    """
    air, coil = np.empty(seconds), np.empty(seconds)
    runs, heats = np.zeros(seconds), np.zeros(seconds)
    a, e = 0.5 * (on_c + off_c), 0.5 * (on_c + off_c)
    on, stopped = False, -600
    for i in range(seconds):
        k = i // 60
        due = defrost[k] > 0.5
        if due or (on and a <= off_c):
            on = False
            stopped = i
        elif not on and a >= on_c and i - stopped > 150:
            on = True
        reach = (a - e) / split_k if split_k > 0 else 0.0
        a += (room[k] - a) / wall_s + door[k] - (pull_k_per_s * max(0.0, reach) if on else 0.0)
        if on:
            e += (a - split_k - e) / coil_s[0]
        elif due and heater_k_per_s > 0 and e < DEFROSTED_C:
            # frost about the coil holds it near 0 °C while it melts
            e += heater_k_per_s * (0.25 if -1.0 < e < 1.5 else 1.0)
        else:
            e += (a - e) / coil_s[1]
        air[i], coil[i] = a, e
        runs[i] = 1.0 if on or (due and reverse) else 0.0
        heats[i] = 1.0 if due and not reverse and heater_k_per_s > 0 else 0.0
    return air, coil, runs, heats


def strata(seed: int) -> tuple[str, tuple[str, ...], float]:
    """(kind, roles, interval [s]) of `seed`."""
    kind = KINDS[seed % len(KINDS)]
    roles = CHANNELS[(seed // len(KINDS) + seed) % len(CHANNELS)]
    if kind == "weather":
        roles = tuple(r for r in roles if not r.startswith("current")) or ("evaporator",)
    return kind, roles, float(INTERVALS_S[(seed // 60 + seed) % len(INTERVALS_S)])


def draw_none(seed: int) -> NoMachine:
    """The log of `seed`: kind, channels and interval by the seed, so that any run of seeds holds all of them."""
    rng = np.random.default_rng([seed, 4242])
    kind, roles, interval = strata(seed)
    days = (
        float(rng.uniform(1.5, 4))
        if interval <= 30
        else float(rng.uniform(3, 10))
        if interval <= 300
        else float(rng.uniform(8, 28))
    )
    line, current, duty = _signals(rng, kind, int(days * DAY_S))
    clamp_noise = 0.004 * float(np.percentile(current, 99)) if len(current) else 0.0
    phase = float(rng.uniform(0, 1)) * interval
    readings = []
    for role in roles:
        clamp = role.startswith("current")
        resolution = (
            float(rng.choice([0.01, 0.02, 0.1])) if clamp else float(rng.choice([0.01, 0.0625, 0.1, 0.5]))
        )
        time_s, values = stored(
            current if clamp else line,
            interval_s=interval,
            phase_s=phase,
            noise=clamp_noise if clamp else float(rng.choice([0.01, 0.05, 0.15])),
            resolution=resolution,
            mean=clamp and rng.random() < 0.3,
            rng=rng,
        )
        readings.append(
            Reading(
                role=role,
                label=LABELS[role],
                logger=1,
                time_s=time_s,
                values=np.maximum(values, 0.0) if clamp else values,
                interval_s=interval,
                resolution=resolution,
            )
        )
    return NoMachine(seed=seed, kind=kind, readings=tuple(readings), duty=duty)


def _signals(rng: np.random.Generator, kind: str, seconds: int) -> tuple[np.ndarray, np.ndarray, float]:
    """(temperature [°C], current [A], duty), a value a second."""
    minutes = seconds // 60 + 1
    day = np.arange(minutes) / 1440
    slow = _slow(rng, minutes)
    if kind == "weather":
        outside = (
            rng.uniform(-8, 22) + rng.uniform(2, 8) * np.sin(2 * np.pi * (day - rng.random())) + 3 * slow
        )
        return _by_second(outside + 0.4 * _slow(rng, minutes, 20), seconds), np.empty(0), float("nan")
    if kind == "room":
        return _room(rng, seconds, day, slow)
    if kind == "variable speed":
        return _variable_speed(rng, seconds, day, slow)
    cold = {"fridge": (1, 6), "fridge with a lamp": (1, 6), "cold room with off-cycle defrosts": (0, 5), "air conditioner": (20, 25), "heat pump": (35, 48)}  # fmt: skip
    set_c = float(rng.uniform(*cold.get(kind, (-24, -16))))
    width = float(rng.uniform(1.0, 6.0))
    swing = float(rng.uniform(0.3, 2.5)) * (2.5 if kind in ("air conditioner", "heat pump") else 1.0)
    warm = {"air conditioner": (27, 35), "heat pump": (60, 75)}.get(kind, (18, 30))
    room = float(rng.uniform(*warm)) + swing * (np.sin(2 * np.pi * (day - rng.random())) + slow)
    duty = float(rng.uniform(0.12, 0.85))
    period_s = 60 * float(np.exp(rng.uniform(np.log(8), np.log(75))))
    rise = width / (period_s * (1 - duty))
    door, defrost = np.zeros(minutes), np.zeros(minutes)
    if kind == "fridge with a lamp" or (kind in ("fridge", "freezer") and rng.random() < 0.4):
        busy = (day % 1 > 0.3) & (day % 1 < 0.92)
        door = np.where(
            busy & (rng.random(minutes) < rng.uniform(0.01, 0.08)), rng.uniform(2, 12) * rise, 0.0
        )
    heater, reverse = 0.0, False
    if kind in ("freezer with electric defrosts", "cold room with off-cycle defrosts"):
        every, long = int(60 * rng.choice([4, 6, 8, 12])), int(rng.uniform(12, 35))
        defrost = (((np.arange(minutes) + int(rng.integers(every))) % every) < long).astype(float)
        heater = float(rng.uniform(0.03, 0.08)) if kind.startswith("freezer") else 0.0
    if kind == "heat pump":  # asks for a defrost when frosted: seldom, and never evenly
        for begin in np.cumsum(rng.uniform(90, 500, 400)).astype(int):
            defrost[begin : begin + int(rng.integers(3, 9))] = 1.0
        heater, reverse = float(rng.uniform(0.05, 0.12)), True
    coil_s = np.array([rng.uniform(60, 240), rng.uniform(150, 900)])
    split = float(rng.uniform(5, 18))
    air, coil, runs, heats = thermostat(
        seconds,
        room,
        door,
        defrost,
        set_c + width / 2,
        set_c - width / 2,
        max(60.0, (room.mean() - set_c) / rise),
        rise / duty * 1.15,
        split,
        coil_s,
        heater,
        reverse,
    )
    if (
        kind == "heat pump"
    ):  # the clip is on the outdoor coil, which is as much colder than outdoors as the house is warmer than its set point
        coil = coil - 45.0 if rng.random() < 0.7 else coil
    line = coil if rng.random() < 0.75 else air
    lag = float(rng.choice([0.0, rng.uniform(5, 90)]))
    one = np.ones(minutes)
    line = follow(line, room, lag * one, 0 * one, rng.uniform(0, 0.15) * one, 0 * one, 0 * one, 0 * one)
    amps = float(np.exp(rng.uniform(np.log(0.6), np.log(10))))
    started = np.flatnonzero(np.diff(runs, prepend=0.0) > 0)
    droop = float(rng.choice([0.0, rng.uniform(0.005, 0.03)]))
    current = runs * amps * (1 + droop * (coil - np.median(coil)).clip(-10, 10))
    current[started] = amps * rng.uniform(2, 6)
    current += heats * amps * rng.uniform(0.6, 2.0)
    lit = np.repeat(door > 0, 60)[:seconds]
    current += lit * amps * rng.uniform(0.05, 0.5) + amps * float(rng.choice([0.0, rng.uniform(0, 0.05)]))
    return line, np.maximum(current, 0.0), float(runs.mean())


def _room(rng, seconds: int, day, slow) -> tuple[np.ndarray, np.ndarray, float]:
    """A heated room with a setback by night: an electric heater on a thermostat."""
    minutes = len(day)
    setback = np.where((day % 1 > 0.25) & (day % 1 < 0.92), 0.0, rng.uniform(0, 4))
    outside = rng.uniform(-5, 12) + 4 * np.sin(2 * np.pi * (day - 0.4)) + 2 * slow
    # a thermostat that heats is one that cools, upside down
    width, period = rng.uniform(0.3, 1.5), 60 * rng.uniform(12, 60)
    rise = width / period * 2
    air, coil, runs, _ = thermostat(
        seconds, -outside + setback, np.zeros(minutes), np.zeros(minutes), -20 + width, -20.0, max(600.0, 20 / rise), 3 * rise, 8.0, np.array([200.0, 500.0]), 0.0, False
    )  # fmt: skip
    return -(air if rng.random() < 0.6 else coil), runs * rng.uniform(2, 10), float(runs.mean())


def _variable_speed(rng, seconds: int, day, slow) -> tuple[np.ndarray, np.ndarray, float]:
    """A compressor that never stops: speed in steps, the coil after it."""
    minutes = len(day)
    speed = (
        0.55 + 0.25 * np.sin(2 * np.pi * (day - rng.random())) + 0.2 * slow + 0.05 * _slow(rng, minutes, 45)
    )
    speed = np.round(np.clip(speed, 0.2, 1.0) * 12) / 12
    coil = rng.uniform(-28, 8) - 10 * speed
    one = np.ones(minutes)
    line = follow(_by_second(coil, seconds), coil, 180 * one, 0 * one, 0 * one, 0 * one, 0 * one, 0 * one)
    return line, _by_second(speed * rng.uniform(1, 12), seconds), 1.0


def _slow(rng: np.random.Generator, minutes: int, over: int = 600) -> np.ndarray:
    """Noise of unit deviation, smooth over `over` minutes."""
    return np.convolve(rng.normal(0, 1, minutes + over), np.ones(over) / np.sqrt(over), "valid")[:minutes]


def _by_second(values: np.ndarray, seconds: int) -> np.ndarray:
    return np.interp(np.arange(seconds) / 60, np.arange(len(values)), values)


@dataclass(frozen=True, kw_only=True)
class Found:
    """What was made up of one log."""

    seed: int
    tags: dict[str, str]
    cycles: int
    harvests: int
    act: tuple[str, ...]
    level: str
    error: str = ""


def outcome_of(seed: int) -> Found:
    """What the pipeline says of one log; an exception is an outcome."""
    from pipeline.cycles import find_cycles
    from pipeline.findings.engine import judge
    from pipeline.unit import Unit

    log = draw_none(seed)
    unit = Unit(name="none")
    try:
        line = timeline_of(log.readings, unit.name)
        record = find_cycles(line, unit)
        judgement = judge(line, record, unit)
    except Exception as problem:  # the bench goes on and names the log
        return Found(
            seed=seed,
            tags=log.tags,
            cycles=0,
            harvests=0,
            act=(),
            level="error",
            error=f"{type(problem).__name__}: {problem}",
        )
    return Found(
        seed=seed,
        tags=log.tags,
        cycles=int(record.cycles["complete"].sum()) if len(record.cycles) else 0,
        harvests=sum(str(p.kind) == "harvest" for p in record.phases),
        act=tuple(f.code for f in judgement.findings if str(f.severity) == "act"),
        level=str(judgement.verdict.level),
    )


def report(found: list[Found], *, worst: int) -> str:
    """The whole printout."""
    groups: dict[str, list[Found]] = defaultdict(list)
    for f in found:
        for tag, value in f.tags.items():
            groups[f"{tag}: {value}"].append(f)
    lines = [
        f"{'':45} {'logs':>5} {'with cycles':>12} {'cycles':>7} {'harvests':>9} {'with act':>9}  act findings, levels"
    ]
    for name, members in [("all", found), *sorted(groups.items())]:
        codes = Counter(code for f in members for code in set(f.act))
        levels = Counter(f.level for f in members)
        said = (
            ", ".join(f"{c} {n}" for c, n in codes.most_common(6))
            + " | "
            + ", ".join(f"{c} {n}" for c, n in levels.most_common())
        )
        lines.append(
            f"{name:45} {len(members):5} {sum(f.cycles > 0 for f in members):12} {sum(f.cycles for f in members):7} "
            f"{sum(f.harvests for f in members):9} {sum(bool(f.act) for f in members):9}  {said}"
        )
    bad = sorted(found, key=lambda f: (-f.cycles, -len(f.act)))[:worst]
    lines += [
        "",
        *(
            f"  {f.seed}: {f.cycles} cycles, act {', '.join(f.act) or 'none'} | {', '.join(f.tags.values())} {f.error}"
            for f in bad
            if f.cycles or f.act or f.error
        ),
    ]
    return "\n".join(lines)


def as_json(found: Iterable[Found]) -> str:
    rows = [
        {
            "seed": f.seed,
            "cycles": f.cycles,
            "harvests": f.harvests,
            "act": f.act,
            "level": f.level,
            "tags": f.tags,
        }
        for f in found
    ]
    return json.dumps(rows, indent=1)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--first", type=int, default=0, metavar="SEED")
    parser.add_argument("--logs", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="FILE")
    parser.add_argument("--worst", type=int, default=20)
    args = parser.parse_args(argv)
    found = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for one in pool.map(outcome_of, range(args.first, args.first + args.logs)):
            found.append(one)
            if sys.stderr.isatty():
                print(f"\r{len(found)} of {args.logs} logs", end="", file=sys.stderr, flush=True)
    if args.json:
        args.json.write_text(as_json(found), encoding="utf-8")
    print(report(found, worst=args.worst))
    return 1 if any(f.cycles or f.act for f in found) else 0


if __name__ == "__main__":
    raise SystemExit(main())
