"""One world a seed: structure, numbers, channels, loggers, and what changes while it is logged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from types import MappingProxyType

import numpy as np

from tests.bench.worlds.physics import (
    CAPACITY_PER_K,
    DRIVES,
    FREEZE,
    ICE_J_PER_KG_K,
    LATENT_J_PER_KG,
    TRACES,
    WATER_J_PER_KG_K,
    CyclePlan,
    Machine,
    run,
)
from tests.bench.worlds.probes import WET_LAG_S, Clip
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
    machine = _machine(rng, structure, sink, water)
    days = float(rng.uniform(1.5, 5.0))
    interval = float(rng.choice(_INTERVALS_S))
    interval = min(interval, max(1.0, 5.0 * np.floor(_harvest_s(machine, structure) / 12.5)))
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


def _harvest_s(m: Machine, s: Structure) -> float:
    """About how long a harvest takes [s]: to 0 °C, melting, and on to its end."""
    if m.harvest_end == 1:
        return m.harvest_s
    source = m.off_g * m.off_c_least if m.gas == 0 else m.gas_g * m.gas_c
    cold = (m.metal_j_per_k + 0.5 * ICE_J_PER_KG_K * m.ice_kg) * 10 / source
    slow = 1.5 if s.hot_gas == "two valves" else 1.0
    return slow * (cold + m.melt_kg * LATENT_J_PER_KG / source)


def _machine(rng: np.random.Generator, s: Structure, sink_c: float, water_c: float) -> Machine:
    u = lambda a, b: float(rng.uniform(a, b))  # noqa: E731
    two = s.evaporators == "two"
    share = np.array([u(0.42, 0.58), 0.0]) if two else np.array([1.0, 0.0])
    if s.harvest_end == "two flaps" and not two:
        share = np.array([u(0.45, 0.55), 0.0])  # one plate, iced on both sides
    share[1] = 1 - share[0] if share[0] < 1 else 0.0
    freeze_s = 60 * float(np.exp(rng.uniform(np.log(8), np.log(36))))
    ice = float(np.exp(rng.uniform(np.log(0.4), np.log(6))))
    reservoir = ice * u(1.15, 1.7)
    every = ice / reservoir
    fresh = np.array([every, every])
    if s.fresh_water == "every second cycle":
        fresh = np.array([min(1.0, every + u(0.1, 0.3)), every * u(0.45, 0.7)])
    left = u(0.3, 2.0)
    begin_c = left + (water_c - left) * every
    load = (ice * LATENT_J_PER_KG + reservoir * WATER_J_PER_KG_K * begin_c) / freeze_s
    if s.refill == "all along":
        load = (
            ice * (LATENT_J_PER_KG + WATER_J_PER_KG_K * water_c) + reservoir * WATER_J_PER_KG_K * left
        ) / freeze_s
    from_refrigerant, from_water, grown = (
        u(3, 7),
        u(0.8, 2.5),
        float(np.exp(rng.uniform(np.log(6), np.log(18)))),
    )
    middle_te = -(from_refrigerant + 0.55 * grown)
    q0 = load / (1 + CAPACITY_PER_K * (middle_te + 10))
    ua = load / from_refrigerant
    metal = ua * u(15, 45)
    gas = {"none, off cycle": 0, "two valves": 2}.get(s.hot_gas, 1)
    heavy = metal + 0.5 * ICE_J_PER_KG_K * ice
    gas_c = u(24, 42)
    to_zero_s, melt_s = u(20, 70), u(20, 140)
    if s.slab == "loose":
        to_zero_s = u(50, 110)
    if gas == 0:
        to_zero_s, melt_s = u(60, 150), u(50, 160)
    if s.slab == "loose":
        melt_s = u(2, 10)
    power = heavy * 11 / to_zero_s
    if s.hot_gas == "half open":
        power *= u(0.4, 0.65)
    off_c = u(12, 18)
    melt_kg = min(power * melt_s / LATENT_J_PER_KG, 0.35 * ice)
    plateau_k = u(0.4, 2.5) if s.slab != "loose" else u(1.5, 4)
    pipe = np.array([u(0.3, 0.6), u(0.05, 0.35)]) * (0.5 if s.hot_gas == "half open" else 1.0)
    amps = float(np.exp(rng.uniform(np.log(1.5), np.log(14))))
    per_k = u(0.008, 0.024)
    effect, spike, spike_s = 0.0, 0.0, 10.0
    if s.hot_gas_current == "up":
        effect = u(0.07, 0.4)
    elif s.hot_gas_current == "down":
        effect = -u(0.07, 0.35)
    elif s.hot_gas_current == "spike then dip":
        effect, spike, spike_s = -u(0.04, 0.16), u(0.12, 0.4), u(6, 20)
    lift = u(10, 18)
    low, high = sink_c + 0.42 * lift, sink_c + 0.55 * lift
    if s.head_pressure_control == "yes":
        low = sink_c + lift + u(1.0, 2.5)
        high = low + u(1.5, 4.0)
    elif s.fan == "two speeds":
        low, high = sink_c + 0.6 * lift, sink_c + 0.85 * lift
    time_s = max(50.0, (to_zero_s * _longer(gas, s) + melt_s) * u(1.1, 1.3) + u(5, 40))
    machine = Machine(
        share=share,
        ice_kg=ice,
        water_kg=reservoir,
        q0_w=q0,
        ua=ua,
        h=load / from_water,
        ice_k_per_w=grown / load,
        ice_power=u(0.6, 1.1),
        metal_j_per_k=metal,
        nucleation_c=-u(1.2, 3.5) if s.sub_cooling != "none" else u(0.3, 1.5),
        water_left_c=left,
        fresh_share=fresh,
        refill={"in harvest": 0, "as the freeze begins": 1, "all along": 2}[s.refill],
        refill_s=u(20, 70),
        refill_g=ua * u(0.08, 0.3) if s.refill_warms_line == "yes" else 0.0,
        freeze_end={"level": 0, "temperature": 1, "timer": 2}[s.freeze_end],
        freeze_s=freeze_s,
        freeze_end_c=-grown,
        freeze_after_s=u(20, 90) if rng.random() < 0.5 else u(0.1, 0.4) * freeze_s,
        gas=gas,
        gas_g=power / (gas_c + 5),
        gas_c=gas_c,
        gas_pipe=pipe,
        second_valve_s=u(15, 60),
        gas_leak_w=load * u(0.04, 0.12) if s.hot_gas == "leaking" else 0.0,
        off_g=power / (off_c + 5),
        off_c_least=off_c,
        contact_g=power / plateau_k,
        melt_kg=melt_kg,
        piecemeal=int(s.slab == "piecemeal"),
        harvest_end={"temperature": 0, "time": 1}.get(s.harvest_end, 2),
        harvest_end_c=u(4, 12) if gas else min(u(3, 7), 0.5 * off_c),
        harvest_s=time_s,
        harvest_least_s=u(55, 90),
        wash_g=0.1 * power / (gas_c + 5),
        harvest_limit_s=max(400.0, 2.2 * time_s),
        lift_k=lift,
        condenser_s=u(35, 100),
        fan={"always": 0, "pressure switch": 1, "timer": 2, "two speeds": 3}.get(s.fan, 4),
        fan_low_c=low,
        fan_high_c=high,
        fan_back_s=float(rng.choice([0.0, rng.uniform(10, 60)])),
        fan_a=amps * u(0.04, 0.13) if s.fan != "none, water-cooled" else 0.0,
        pump_a=amps * (u(0.03, 0.1) if s.pump_drive == "mains" else u(0.003, 0.01)),
        pump_stop={"at harvest": 0, "early": 1, "late": 2, "never": 3}[s.pump_stop],
        pump_stop_s=u(10, 50),
        pump_start_s=u(10, 50) if s.pump_start == "later" else 0.0,
        valve_a=amps * u(0.008, 0.03) if s.valve_current == "seen" else 0.0,
        board_a=amps * u(0.005, 0.02),
        compressor_a=amps,
        current_per_k=per_k,
        current_per_k_condensing=u(0.004, 0.014),
        gas_effect=effect,
        gas_spike=spike,
        gas_spike_s=spike_s,
        gas_effect_s=u(1.0, 10.0),
        inrush=u(2.0, 5.5),
        rise_to_outlet=u(0.2, 0.9),
        suction_gain=u(0.04, 0.25),
        pipe_s=u(2, 12),
        gas_fade_s=u(2, 12),
        rest_in_freeze=int(s.rest == "at any moment"),
    )
    return _calibrated(machine, sink_c, water_c)


def _calibrated(m: Machine, sink_c: float, water_c: float) -> Machine:
    """The machine with its heat flows scaled so that a freeze to full ice takes `freeze_s`, and its end temperature where that freeze comes to
    be `freeze_after_s` before its end."""
    for _again in range(2):
        plate, length = _one_freeze(m, sink_c, water_c)
        k = length / m.freeze_s
        m = m._replace(
            q0_w=m.q0_w * k,
            ua=m.ua * k,
            h=m.h * k,
            ice_k_per_w=m.ice_k_per_w / k,
            gas_leak_w=m.gas_leak_w * k,
        )
    plate, length = _one_freeze(m, sink_c, water_c)
    return m._replace(freeze_end_c=float(plate[max(0, len(plate) - 1 - int(m.freeze_after_s))]))


def _one_freeze(m: Machine, sink_c: float, water_c: float) -> tuple[np.ndarray, float]:
    """(plate temperature a second, length [s]) of the second freeze to full ice at these temperatures."""
    level = m._replace(freeze_end=0)
    minutes = int(4 * m.freeze_s + 2 * m.harvest_limit_s) // 60 + 60
    drive = np.ones((len(DRIVES), minutes))
    for name, value in {"sink_c": sink_c, "water_c": water_c, "starved": 0.0, "service": 0.0}.items():
        drive[DRIVES.index(name)] = value
    ones, none = np.ones(8), np.zeros(8)
    plan = CyclePlan(
        freeze=ones,
        melt=np.ones((8, 2)),
        flap_s=5 * ones,
        rest_s=none,
        rest_at=none,
        stalled=none > 0,
        repeated_s=none,
    )
    traces, at, what, *_ = run(level, plan, drive, 60 * minutes)
    begins = [i for i in range(1, len(what) - 1) if what[i] == FREEZE]
    a, b = at[begins[0]], at[begins[0] + 1]
    return traces[TRACES.index("plate"), a:b], float(b - a)


def _longer(gas: int, s: Structure) -> float:
    """How much longer the way to 0 °C is than with the whole gas at once."""
    return 1.5 if gas == 2 else 1.8 if s.hot_gas == "half open" else 1.0


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
