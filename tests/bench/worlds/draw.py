"""One world a seed: structure, numbers, channels, loggers, and what changes while it is logged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from types import MappingProxyType

import numpy as np

from tests.bench.worlds.machine import Machine
from tests.bench.worlds.probes import WET_LAG_S, Clip
from tests.bench.worlds.sizing import harvest_s, machine_of
from tests.bench.worlds.structure import Part, Structure, drawn, split

CHANNEL_SETS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "evaporator+current": ("evaporator", "current"),
        "evaporator": ("evaporator",),
        "current": ("current",),
        "suction+compressor": ("suction", "current_compressor"),
        "many": ("evaporator", "suction", "discharge", "ambient", "water_in", "current"),
        "suction": ("suction",),
        "compressor": ("current_compressor",),
        "evaporator+compressor": ("evaporator", "current_compressor"),
        "suction+current": ("suction", "current"),
    }
)
"""Name -> roles. A world's seed decides, so that any run of seeds holds all of them."""

COURSES = ("none", "step", "ramp", "comes and goes", "repaired", "two at once")
SUBJECTS = (
    "freeze length",
    "harvest length",
    "supply water",
    "charge",
    "condenser",
    "level",
    "lag",
    "current level",
)
"""What may change. `level` and `lag` are the clip's; the machine knows nothing of them."""
_INTERVALS_S = (1, 1, 2, 2, 5, 5, 10, 10, 10, 15, 20, 30, 30, 60)
_OFFSETS_S = (0.0, 0.0, 20.0, 50.0, 90.0, -35.0, -90.0, 3600.0, -3600.0)


@dataclass(frozen=True, kw_only=True)
class Change:
    """One thing that changes. `size`: a factor, or K, or s, at full course."""

    subject: str
    size: float
    shape: str  # "step", "ramp", "comes and goes" or "repaired"
    from_day: float
    to_day: float
    episodes: int = 0


@dataclass(frozen=True, kw_only=True)
class World:
    """All that is drawn. `simulate` makes the same log of it each time."""

    seed: int
    part: Part
    structure: Structure
    machine: Machine
    channels: str  # a key of CHANNEL_SETS
    days: float
    interval_s: float  # of the logger of the evaporator or suction line, else the only one
    other_interval_s: float  # of the second logger; 0.0: all in one
    offset_s: float  # the second logger's clock minus the first's at the beginning
    drift_s_per_day: float
    clips: Mapping[str, Clip]  # role -> clip
    clips_after: Mapping[str, Clip]  # after a repair in mid-log; the same where there is none
    changes: tuple[Change, ...]
    service_day: float  # when the repair begins; NaN: none
    service_min: float
    sink_c: float
    water_c: float
    swing_k: float
    freeze_scatter: float
    melt_scatter: float
    rests_per_day: float
    mishaps_per_day: float
    noise_k: float
    noise_a: float  # relative to the running current
    resolution_k: float
    resolution_a: float
    clamp_mean: bool  # the clamp's logger stores means over its interval

    @property
    def roles(self) -> tuple[str, ...]:
        return CHANNEL_SETS[self.channels]

    @property
    def healthy(self) -> bool:
        """Nothing is wrong and nothing changes."""
        s = self.structure
        return s.course == "none" and s.mishaps == "none" and s.hot_gas not in ("half open", "leaking")

    @property
    def tags(self) -> dict[str, str]:
        i = self.interval_s
        clocks = "one logger"
        if self.other_interval_s:
            far = abs(self.offset_s)
            clocks = (
                "two, same clock"
                if far < 1
                else "two, an hour apart"
                if far > 1000
                else "two, under 90 s apart"
            )
            clocks += ", drifting" if self.drift_s_per_day else ""
        return asdict(self.structure) | {
            "channels": self.channels,
            "interval": "1-2 s" if i <= 2 else "5-10 s" if i <= 10 else "15-30 s" if i <= 30 else "60 s",
            "loggers": clocks,
            "changing": ", ".join(c.subject for c in self.changes) or "nothing",
        }


def draw(seed: int, part: Part | None = None) -> World:
    """The world of `seed`; `part`: of the structures to be worked on, or of those only ever scored."""
    for attempt in range(2000):
        rng = np.random.default_rng([seed, attempt])
        world = _drawn(rng, seed)
        if (part is None or world.part == part) and fair(world):
            return world
    raise RuntimeError(f"seed {seed}: no world of part {part}")


def _drawn(rng: np.random.Generator, seed: int) -> World:
    channels = list(CHANNEL_SETS)[seed % len(CHANNEL_SETS)]
    structure = drawn(rng, course=COURSES[(seed // len(CHANNEL_SETS) + seed) % len(COURSES)])
    roles = CHANNEL_SETS[channels]
    if not _line(roles) and structure.hot_gas_current == "nothing":
        structure = replace(structure, hot_gas_current=str(rng.choice(["up", "down"])))
    sink, water = float(rng.uniform(16, 34)), float(rng.uniform(8, 24))
    machine = machine_of(rng, structure, sink, water)
    days = float(rng.uniform(1.5, 5.0))
    interval = float(rng.choice(_INTERVALS_S))
    interval = min(interval, max(1.0, 5.0 * np.floor(harvest_s(machine, structure) / 12.5)))
    two = _line(roles) and any(r.startswith("current") for r in roles) and rng.random() < 0.45
    offset = float(rng.choice(_OFFSETS_S)) + float(rng.uniform(-3, 3)) if two else 0.0
    clips = {r: _clip(rng, structure, r) for r in ("evaporator", "suction") if r in roles}
    changes, service_day = _changes(rng, structure, roles, days)
    after = clips
    if structure.course == "repaired":
        after = {r: _clip(rng, structure, r) for r in clips}
    room = structure.day_swing == "yes"
    lone = not _line(roles)
    return World(
        seed=seed,
        part=split(structure),
        structure=structure,
        machine=machine,
        channels=channels,
        days=days,
        interval_s=interval,
        other_interval_s=float(min(rng.choice(_INTERVALS_S), max(interval, 10.0))) if two else 0.0,
        offset_s=offset,
        drift_s_per_day=float(rng.choice([0.0, 0.0, 2.0, -4.0, 8.0])) if two else 0.0,
        clips=MappingProxyType(clips),
        clips_after=MappingProxyType(after),
        changes=changes,
        service_day=service_day,
        service_min=float(rng.uniform(10, 40)),
        sink_c=sink,
        water_c=water,
        swing_k=float(rng.uniform(1.5, 6)) if room else float(rng.uniform(0, 0.5)),
        freeze_scatter=float(rng.choice([0.003, 0.01, 0.02, 0.04])),
        melt_scatter=float(rng.choice([0.02, 0.06, 0.12])),
        rests_per_day={"none": 0.0}.get(structure.rest, float(rng.choice([0.7, 2.0, 5.0]))),
        mishaps_per_day={"none": 0.0}.get(structure.mishaps, float(rng.uniform(0.7, 3.0))),
        noise_k=float(rng.choice([0.01, 0.03, 0.08, 0.2])),
        noise_a=float(rng.choice([0.001, 0.003, 0.006] if lone else [0.001, 0.003, 0.01])),
        resolution_k=float(rng.choice([0.01, 0.0625, 0.1, 0.1, 0.5])),
        resolution_a=float(rng.choice([0.001, 0.01, 0.01, 0.1 if machine.compressor_a > 5 else 0.02])),
        clamp_mean=bool(rng.random() < 0.3),
    )


def _line(roles: tuple[str, ...]) -> bool:
    return "evaporator" in roles or "suction" in roles


def _clip(rng: np.random.Generator, s: Structure, role: str) -> Clip:
    lags = {"none": 0, "one": 1, "two": 2}[s.clip_lags]
    lag = float(rng.choice([rng.uniform(4, 25), rng.uniform(10, 90)])) if lags else 0.0
    return Clip(
        place="suction" if role == "suction" else s.clip_at,
        lag_s=lag,
        second_lag_s=float(rng.uniform(3, 30)) if lags == 2 else 0.0,
        leak=float(rng.uniform(0.0, 0.15)),
        wet_k=float(rng.uniform(60, 300)) / max(lag, WET_LAG_S) if s.clip_wet == "yes" else 0.0,
        level_k=float(rng.normal(0, 0.5)),
    )


def _changes(
    rng: np.random.Generator, s: Structure, roles: tuple[str, ...], days: float
) -> tuple[tuple[Change, ...], float]:
    """(what changes, the day of a repair or NaN)."""
    if s.course == "none":
        return (), float("nan")
    subjects = [x for x in SUBJECTS if _line(roles) or x not in ("level", "lag")]
    if not any(r.startswith("current") for r in roles):
        subjects.remove("current level")
    chosen = rng.choice(subjects, 2 if s.course == "two at once" else 1, replace=False)
    service = float(rng.uniform(0.4, 0.65)) * days if s.course == "repaired" else float("nan")
    made = []
    for subject in chosen:
        shape = str(rng.choice(["step", "ramp"])) if s.course == "two at once" else s.course
        begin = (
            float(rng.uniform(0.25, 0.65)) * days if shape == "step" else float(rng.uniform(0.05, 0.3)) * days
        )
        end = service if shape == "repaired" else days
        size = {
            "freeze length": rng.choice([rng.uniform(0.65, 0.8), rng.uniform(1.25, 1.8)]),
            "harvest length": rng.uniform(1.3, 2.2),
            "supply water": rng.uniform(6, 14),
            "charge": rng.uniform(0.3, 0.9),
            "condenser": rng.uniform(1.5, 2.2),
            "level": rng.choice([-1, 1]) * rng.uniform(1.5, 5),
            "lag": rng.uniform(15, 60),
            "current level": rng.choice([rng.uniform(0.8, 0.9), rng.uniform(1.1, 1.25)]),
        }[str(subject)]
        made.append(
            Change(
                subject=str(subject),
                size=float(size),
                shape=shape,
                from_day=begin,
                to_day=end,
                episodes=int(rng.integers(2, 5)) if shape == "comes and goes" else 0,
            )
        )
    return tuple(made), service


def fair(world: World) -> bool:
    """Whether something in the given channels shows both acts of the control.

    A clip on cold metal always does. A lone clamp does where its load changes by 4 % of its running level, by six times its noise and by twice
    its resolution from the 8 s before to the 30 s after the hot gas comes, and when it is shut, in most cycles of the first day.
    """
    if _line(world.roles):
        return True
    from tests.bench.worlds.simulate import clamp_steps  # which simulates worlds, so it comes after them

    level, steps = clamp_steps(world)
    if not len(steps):
        return False
    least = max(0.04 * level, 6 * world.noise_a * level, 2 * world.resolution_a)
    return bool((np.median(steps, axis=0) >= least).all())
