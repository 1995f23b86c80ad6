"""The stories of the verdict bench in the demo's simulator, and its healthy weeks: machine, channels, interval, room and water drawn by seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial

import numpy as np

from pipeline.demo.faults import Fault
from pipeline.demo.machine import MACHINES, Machine, Site
from pipeline.demo.probes import Probe
from pipeline.demo.simulator import Simulation, simulate
from pipeline.unit import Unit, Visit
from tests.bench.stories import HIGH_PRESSURE, Drawn, Story
from tests.bench.stories_logger import stories
from tests.findings.from_truth import timeline_of

LINE = ("evaporator",)
BOTH = ("evaporator", "current")
CLAMP = ("current",)
MANY = ("evaporator", "current", "condenser_in", "condenser_out", "discharge", "water_in")
INTERVALS_S = (5.0, 10.0, 15.0, 30.0)


@dataclass(frozen=True, kw_only=True)
class _Story:
    """What happens, what is logged, and what must be said of it."""

    faults: Callable[[np.random.Generator, float], list[Fault]]  # (generator, days)
    due: frozenset[str]  # one of these at least, as `act` or `watch`; none: nothing is due
    days: float = 3.0
    roles: tuple[tuple[str, ...], ...] = (LINE, BOTH, MANY)
    machines: tuple[str, ...] = ("slab", "slab-large", "cube-small", "cube-large", "cube-undercounter")
    never: frozenset[str] = frozenset()  # codes that must not come as `act` or `watch`
    first: frozenset[str] = frozenset()  # causes of which one must be the likeliest
    act: bool = True  # whether an `act` may come
    visit: bool = False  # the last fault's day is named as a visit in unit.toml
    never_well: bool = True
    room_c: float | None = None  # None: as drawn
    change: Callable[[np.random.Generator, Drawn], Drawn] | None = None  # of the readings


def _fault(kind: str, day: float, to_day: float | None = None, **options) -> Fault:
    return Fault(kind=kind, from_day=round(day, 3), to_day=to_day, options=options)


def _from_the_start(kind: str, **options) -> Callable:
    return lambda rng, days: [_fault(kind, 0.0, over_days=1e-4, **options)]


def _dirty_then_cleaned(rng: np.random.Generator, days: float) -> list[Fault]:
    day = float(rng.uniform(0.4, 0.6)) * days
    return [_fault("dirty-condenser", -1.0, day, left=0.38, over_days=1e-4), _fault("visit", day)]


def _low_then_charged(rng: np.random.Generator, days: float) -> list[Fault]:
    day = float(rng.uniform(0.4, 0.6)) * days
    return [_fault("low-charge", -1.0, day, over_days=1e-4), _fault("visit", day)]


def _with(drawn: Drawn, role: str, change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Drawn:
    """`drawn` with a channel's values (n,) at its times [ns UTC] changed."""
    channels = tuple(
        replace(c, values=change(c.time_ns, c.values.copy())) if c.role == role else c
        for c in drawn.timeline.channels
    )
    return replace(drawn, timeline=replace(drawn.timeline, channels=channels))


def _bin_light(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """A light of some tenths of an ampere, for 8 to 40 s, while the unit rests."""
    idles = [(a, b) for a, b, kind in drawn.truth if kind == "idle"]
    on = [
        (t, t + rng.uniform(8, 40) * 1e9) for a, b in idles for t in rng.uniform(a, b, int((b - a) / 400e9))
    ]

    def lit(time_ns: np.ndarray, values: np.ndarray) -> np.ndarray:
        for a, b in on:
            values[slice(*np.searchsorted(time_ns, (a, b)))] += 0.22
        return values

    return _with(drawn, "current", lit)


def _clipped_anew(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """From the visit on the line reads nearer to the room, and a little off."""
    at = np.datetime64(drawn.unit.visits[0].on).astype("M8[ns]").astype(np.int64)
    stops = [a for a, _, kind in drawn.truth if kind == "idle" and a >= at]
    touch, off_k = float(rng.uniform(0.75, 0.95)), float(rng.uniform(-2, 2))

    def anew(time_ns: np.ndarray, values: np.ndarray) -> np.ndarray:
        return np.where(time_ns < min(stops), values, touch * values + (1 - touch) * 22 + off_k)

    return _with(drawn, "evaporator", anew)


_STORIES: dict[str, _Story] = {
    "stopped-for-good": _Story(
        faults=lambda rng, days: [_fault("dies", days - 22 / 24, fan=float(rng.integers(2)))],
        due=frozenset({"ice-stopped"}),
    ),
    "stopped-and-came-back": _Story(
        faults=lambda rng, days: [_fault("dies", 1.1, 1.1 + 20 / 24, fan=float(rng.integers(2)))],
        due=frozenset({"ice-stopped"}),
    ),
    "harvests-doubled": _Story(
        faults=lambda rng, days: [_fault("scale", 0.5, times=7.0)],
        due=frozenset({"harvest-long", "drift"}),
        days=6.0,
        roles=(LINE, BOTH),
    ),
    "harvests-a-third-longer": _Story(
        faults=lambda rng, days: [_fault("scale", 0.2, times=3.4)],
        due=frozenset({"harvest-long", "drift"}),
        days=6.0,
        roles=(LINE, BOTH),
    ),
    "dirty-from-the-start": _Story(
        faults=_from_the_start("dirty-condenser", left=0.33),
        due=frozenset({"condenser-hot", "freeze-long"}),
        roles=(MANY,),
        machines=("slab", "slab-large"),
    ),
    "leaks-from-the-start": _Story(
        faults=lambda rng, days: [_fault("water-leak", -1.0, part=0.32)],
        due=frozenset({"freeze-long"}),
        machines=("slab",),
    ),
    "low-from-the-start": _Story(
        faults=lambda rng, days: [_fault("low-charge", -1.0, over_days=1e-4)],
        due=frozenset({"freeze-long", "weak-freeze"}),
        machines=("slab", "slab-large"),
    ),
    "cleaned-at-a-visit": _Story(
        faults=_dirty_then_cleaned,
        due=frozenset(),
        never=frozenset({"freeze-short", "harvest-stalled"}),
        visit=True,
        never_well=False,
        act=False,
    ),
    "cleaned-and-nobody-said-so": _Story(
        faults=_dirty_then_cleaned,
        due=frozenset(),
        never=frozenset({"harvest-stalled"}),
        never_well=False,
        act=False,
    ),
    "charged-at-a-visit": _Story(
        faults=_low_then_charged,
        due=frozenset(),
        never=frozenset({"freeze-short", "harvest-stalled"}),
        visit=True,
        never_well=False,
    ),
    "trips-in-freeze": _Story(
        faults=lambda rng, days: [_fault("trip-in-freeze", 0.3, chance=0.2)],
        due=frozenset({"freeze-broken"}),
        first=HIGH_PRESSURE,
    ),
    "trips-on-hot-afternoons": _Story(
        faults=lambda rng, days: [
            _fault("trip-in-freeze", day + 8 / 24, day + 12 / 24, chance=1.0) for day in range(int(days))
        ],
        due=frozenset({"freeze-broken"}),
        first=HIGH_PRESSURE,
    ),
    "one-long-freeze": _Story(
        faults=lambda rng, days: [_fault("weeping-valve", float(rng.uniform(0.3, 0.8)) * days)],
        due=frozenset({"freeze-long"}),
        machines=("slab", "cube-small"),
        act=False,
    ),
    "clipped-anew-at-a-visit": _Story(
        faults=lambda rng, days: [_fault("visit", float(rng.uniform(0.4, 0.6)) * days)],
        due=frozenset(),
        never=frozenset({"weak-freeze", "harvest-stalled", "freeze-short"}),
        roles=(BOTH,),
        visit=True,
        never_well=False,
        act=False,
        change=_clipped_anew,
    ),
    "trips-that-a-line-shows": _Story(
        faults=lambda rng, days: [_fault("trip-in-freeze", 0.3, chance=0.2)],
        due=frozenset({"freeze-broken", "short-cycling"}),
        roles=(LINE,),
        never=frozenset({"harvest-stalled"}),
    ),
    "one-in-four-missed": _Story(
        faults=lambda rng, days: [_fault("weeping-valve", float(day)) for day in rng.uniform(0, days, int(days * 10))],
        due=frozenset({"freeze-long"}),
        never=frozenset({"harvest-stalled"}),
        machines=("slab", "cube-small"),
    ),
    "timed-by-design": _Story(
        faults=lambda rng, days: [_fault("timer-ends-freeze", -1.0)],
        due=frozenset({"freeze-at-timeout"}),
        machines=("slab", "cube-small", "cube-large"),
        act=False,
    ),
    "bin-light": _Story(
        faults=lambda rng, days: [],
        due=frozenset(),
        never=frozenset({"short-cycling", "failed-start", "freeze-broken"}),
        roles=(CLAMP, BOTH),
        act=False,
        never_well=False,
        change=_bin_light,
    ),
    "timer-from-20-h": _Story(
        faults=lambda rng, days: [_fault("timer-ends-freeze", 20 / 24)],
        due=frozenset({"freeze-at-timeout"}),
        roles=(CLAMP, BOTH),
        machines=("slab", "cube-small", "cube-large"),
    ),
    "a-quarter-shorter": _Story(
        faults=lambda rng, days: [_fault("thin-slabs", 0.5 * days, part=0.72)],
        due=frozenset({"freeze-short", "drift"}),
        never=frozenset({"freeze-long"}),
        days=5.0,
        roles=(MANY,),
    ),
    "thin-in-the-evenings": _Story(
        faults=lambda rng, days: [_fault("thin-slabs", 0.0, part=0.7, from_h=12.0, to_h=17.0)],
        due=frozenset({"freeze-short"}),
    ),
    "cooling-fails-in-the-afternoons": _Story(
        faults=lambda rng, days: [_fault("cooling-fails", 0.0, left=0.3, from_h=7.0, to_h=12.0)],
        due=frozenset({"condenser-hot", "freeze-long"}),
        roles=(MANY,),
    ),
    "probe-slips": _Story(
        faults=lambda rng, days: [_fault("probe-slips", 0.1)],
        due=frozenset({"probe-loose", "probe-fault"}),
        roles=(BOTH,),
        act=False,
    ),
    "valve-hunts": _Story(
        faults=lambda rng, days: [_fault("valve-hunts", 1.0)],
        due=frozenset({"valve-hunting"}),
        roles=(("suction", "current"), ("evaporator", "suction", "current")),
        act=False,
    ),
    "no-ice-dry": _Story(
        faults=lambda rng, days: [_fault("no-ice", 1.0, how="no-water")],
        due=frozenset({"no-ice"}),
        first=frozenset({"no-water", "control-stuck"}),
    ),
    "no-ice-gas-open": _Story(
        faults=lambda rng, days: [_fault("no-ice", 1.0, how="hot-gas-open")],
        due=frozenset({"no-ice"}),
        roles=(BOTH, MANY),
        first=frozenset({"hot-gas-stuck-open"}),
    ),
    "trips-on-high-pressure": _Story(
        faults=lambda rng, days: [_fault("high-pressure-trips", 0.3)],
        due=frozenset({"short-cycling"}),
        roles=(BOTH, MANY),
        first=HIGH_PRESSURE,
    ),
    "cold-room": _Story(
        faults=lambda rng, days: [], due=frozenset({"room-temperature"}), roles=(MANY,), room_c=5.0
    ),
    "hot-room": _Story(
        faults=lambda rng, days: [], due=frozenset({"room-temperature"}), roles=(MANY,), room_c=39.5
    ),
    "low-voltage": _Story(
        faults=lambda rng, days: [_fault("low-voltage", 0.0)],
        due=frozenset({"supply-voltage"}),
        roles=(("evaporator", "current", "voltage"),),
    ),
}  # fmt: skip


def _told(story: str, seed: int, *, sound: bool = False) -> Drawn:
    """The log of a story, by seed."""
    s = _STORIES[story]
    rng = np.random.default_rng([seed, sum(map(ord, story))])
    machine = MACHINES[s.machines[seed % len(s.machines)]]
    faults = s.faults(rng, s.days)
    drawn = _log(
        f"{story} {seed}",
        machine,
        [] if sound else faults,
        s.days,
        s.roles[seed % len(s.roles)],
        rng,
        seed,
        visit=s.visit and not sound,
        room_c=None if sound else s.room_c,
    )
    return drawn if sound or s.change is None else s.change(rng, drawn)


def _sound(seed: int, *, days: float = 3.0, use: tuple[float, float] = (0.5, 1.6)) -> Drawn:
    """A line and a clamp on a machine in order. use: of what it makes, from least to most."""
    rng = np.random.default_rng([seed, 98])
    machine = MACHINES[list(MACHINES)[seed % len(MACHINES)]]
    return _log(f"sound {seed}", machine, [], days, BOTH, rng, seed, use=use)


STORIES: dict[str, Story] = {
    name: Story(
        made=partial(_told, name), due=s.due, never=s.never, first=s.first, act=s.act, well=not s.never_well
    )
    for name, s in _STORIES.items()
} | dict(stories(_sound, partial(_sound, days=6.0, use=(0.4, 0.7))))


def healthy(seed: int, *, days: float = 7.0) -> Drawn:
    """A healthy unit-week with strong innocent change."""
    rng = np.random.default_rng([seed, 99])
    machine = MACHINES[list(MACHINES)[seed % len(MACHINES)]]
    faults = []
    if rng.random() < 0.4:
        faults.append(
            _fault("moved", float(rng.uniform(0.2, 0.8)) * days, plus_k=float(rng.choice([-7, -4, 4, 7])))
        )
    if rng.random() < 0.3:
        faults.append(
            _fault("cleaning", float(rng.uniform(0.1, 0.9)) * days, minutes=float(rng.uniform(20, 90)))
        )
    if rng.random() < 0.4:
        faults.append(
            _fault("power-cut", float(rng.uniform(0.1, 0.9)) * days, minutes=float(rng.uniform(10, 170)))
        )
    if rng.random() < 0.3:
        faults.append(
            _fault("warm-water", float(rng.uniform(0.2, 0.8)) * days, plus_k=float(rng.uniform(-6, 8)))
        )
    roles = (LINE, BOTH, CLAMP, MANY, ("suction", "discharge", "current_compressor", "ambient"))
    swing = float(rng.choice([2.0, 5.0, 7.5]))
    return _log(
        f"healthy {seed} {'+'.join(f.kind for f in faults)}",
        machine, faults, days, roles[int(rng.integers(len(roles)))], rng, seed, swing_k=swing, kinds=seed % 2 == 0,
    )  # fmt: skip


def _log(
    name: str, machine: Machine, faults: list[Fault], days: float, roles: tuple[str, ...], rng, seed: int, *,
    visit: bool = False, swing_k: float | None = None, kinds: bool = True, room_c: float | None = None, use: tuple[float, float] = (0.5, 1.6),
) -> Drawn:  # fmt: skip
    interval_s = float(rng.choice(INTERVALS_S))
    usual = 0.8 * machine.slab_kg * 86400 / (1.25 * machine.usual_freeze_s)
    site = Site(
        ambient_c=float(rng.uniform(17, 27)) if room_c is None else room_c,
        ambient_swing_k=(float(rng.uniform(1, 4)) if room_c is None else 1.0) if swing_k is None else swing_k,
        water_c=float(rng.uniform(10, 19)) if swing_k is None else 13.5,
        water_swing_k=float(rng.uniform(0.2, 2)) if swing_k is None else float(rng.choice([0.5, 2.0, 5.5])),
        use_kg_per_day=usual * float(rng.uniform(*use)),
    )
    clip = Probe(lag_s=float(rng.uniform(5, 40)), noise=float(rng.uniform(0.05, 0.2)))
    sim: Simulation = simulate(
        machine,
        days=days,
        interval_s=interval_s,
        seed=seed,
        faults=faults,
        site=site,
        roles=roles,
        probes={"evaporator": clip},
    )
    unit = Unit(
        name="bench",
        kind=machine.kind if kinds else "unspecified",
        cooling=machine.cooling,
        nameplate={"voltage_v": machine.voltage_v},
    )
    if visit:
        at = sim.faults[-1].shown_ns[0][0] if sim.faults[-1].shown_ns else sim.faults[-1].start_ns
        unit = unit.model_copy(
            update={"visits": (Visit(on=datetime.fromtimestamp(at / 1e9, UTC).date(), what="mended"),)}
        )
    return Drawn(
        name=f"{name} {machine.name} {interval_s:g} s {'+'.join(roles)}",
        timeline=timeline_of(sim), truth=sim.phases, unit=unit,
    )  # fmt: skip
