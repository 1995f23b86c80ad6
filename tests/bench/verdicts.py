"""Verdicts on machines that stop, are repaired, are bad from the first reading or slowly change, and on their healthy twins:

    python -m tests.bench.verdicts [--seeds 20] [--first 0] [--story NAME …] [--missed] [--truth]
    python -m tests.bench.verdicts --healthy 100 [--first 0] [--missed] [--truth]

Each story is made by the demo's simulator with machine, channels, interval, room and water drawn by seed. `named`: one of the codes that
are due came as `act` or `watch`; `wrong`: a code came that must not, or an `act` where none is due. Healthy weeks hold strong innocent change: a day
swing of 15 K, water from 8 to 19 °C, another room, a cleaning, a power cut. Everything is invented.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.cycles.record import CycleRecord
from pipeline.demo.faults import Fault
from pipeline.demo.machine import MACHINES, Machine, Site
from pipeline.demo.probes import Probe
from pipeline.demo.simulator import Simulation, simulate
from pipeline.findings import judge
from pipeline.findings.finding import Judgement, Severity
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit, Visit
from tests.findings.from_truth import record_of, timeline_of

LINE = ("evaporator",)
BOTH = ("evaporator", "current")
CLAMP = ("current",)
MANY = ("evaporator", "current", "condenser_in", "condenser_out", "discharge", "water_in")
INTERVALS_S = (5.0, 10.0, 15.0, 30.0)


@dataclass(frozen=True, kw_only=True)
class Story:
    """What happens, what is logged, and what must be said of it."""

    faults: Callable[[np.random.Generator, float], list[Fault]]  # (generator, days)
    due: frozenset[str]  # one of these at least, as `act` or `watch`; none: nothing is due
    days: float = 3.0
    roles: tuple[tuple[str, ...], ...] = (LINE, BOTH, MANY)
    machines: tuple[str, ...] = ("slab", "slab-large", "cube-small", "cube-large", "cube-undercounter")
    never: frozenset[str] = frozenset()  # codes that must not come as `act` or `watch`
    act: bool = True  # whether an `act` may come
    visit: bool = False  # the last fault's day is named as a visit in unit.toml
    never_well: bool = True


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


STORIES: dict[str, Story] = {
    "stopped-for-good": Story(
        faults=lambda rng, days: [_fault("dies", days - 22 / 24, fan=float(rng.integers(2)))],
        due=frozenset({"ice-stopped"}),
    ),
    "stopped-and-came-back": Story(
        faults=lambda rng, days: [_fault("dies", 1.1, 1.1 + 20 / 24, fan=float(rng.integers(2)))],
        due=frozenset({"ice-stopped"}),
    ),
    "harvests-doubled": Story(
        faults=lambda rng, days: [_fault("scale", 0.5, times=7.0)],
        due=frozenset({"harvest-long", "drift"}),
        days=6.0,
        roles=(LINE, BOTH),
    ),
    "harvests-a-third-longer": Story(
        faults=lambda rng, days: [_fault("scale", 0.2, times=3.4)],
        due=frozenset({"harvest-long", "drift"}),
        days=6.0,
        roles=(LINE, BOTH),
    ),
    "dirty-from-the-start": Story(
        faults=_from_the_start("dirty-condenser", left=0.33),
        due=frozenset({"condenser-hot", "freeze-long"}),
        roles=(MANY,),
        machines=("slab", "slab-large"),
    ),
    "leaks-from-the-start": Story(
        faults=lambda rng, days: [_fault("water-leak", -1.0, part=0.32)],
        due=frozenset({"freeze-long"}),
        machines=("slab",),
    ),
    "low-from-the-start": Story(
        faults=lambda rng, days: [_fault("low-charge", -1.0, over_days=1e-4)],
        due=frozenset({"freeze-long", "weak-freeze"}),
        machines=("slab", "slab-large"),
    ),
    "cleaned-at-a-visit": Story(
        faults=_dirty_then_cleaned,
        due=frozenset(),
        never=frozenset({"freeze-short", "harvest-stalled"}),
        visit=True,
        never_well=False,
        act=False,
    ),
    "cleaned-and-nobody-said-so": Story(
        faults=_dirty_then_cleaned,
        due=frozenset(),
        never=frozenset({"harvest-stalled"}),
        never_well=False,
        act=False,
    ),
    "charged-at-a-visit": Story(
        faults=_low_then_charged,
        due=frozenset(),
        never=frozenset({"freeze-short", "harvest-stalled"}),
        visit=True,
        never_well=False,
    ),
    "trips-in-freeze": Story(
        faults=lambda rng, days: [_fault("trip-in-freeze", 0.3, chance=0.2)], due=frozenset({"freeze-broken"})
    ),
    "trips-on-hot-afternoons": Story(
        faults=lambda rng, days: [
            _fault("trip-in-freeze", day + 8 / 24, day + 12 / 24, chance=1.0) for day in range(int(days))
        ],
        due=frozenset({"freeze-broken"}),
    ),
    "one-long-freeze": Story(
        faults=lambda rng, days: [_fault("weeping-valve", float(rng.uniform(0.3, 0.8)) * days)],
        due=frozenset({"freeze-long"}),
        machines=("slab", "cube-small"),
        act=False,
    ),
    "timer-from-20-h": Story(
        faults=lambda rng, days: [_fault("timer-ends-freeze", 20 / 24)],
        due=frozenset({"freeze-at-timeout"}),
        roles=(CLAMP, BOTH),
        machines=("slab", "cube-small", "cube-large"),
    ),
    "thin-in-the-evenings": Story(
        faults=lambda rng, days: [_fault("thin-slabs", 0.0, part=0.7, from_h=12.0, to_h=17.0)],
        due=frozenset({"freeze-short"}),
    ),
    "cooling-fails-in-the-afternoons": Story(
        faults=lambda rng, days: [_fault("cooling-fails", 0.0, left=0.3, from_h=7.0, to_h=12.0)],
        due=frozenset({"condenser-hot", "freeze-long"}),
        roles=(MANY,),
    ),
    "probe-slips": Story(
        faults=lambda rng, days: [_fault("probe-slips", 0.1)],
        due=frozenset({"probe-loose", "probe-fault"}),
        roles=(BOTH,),
        act=False,
    ),
    "valve-hunts": Story(
        faults=lambda rng, days: [_fault("valve-hunts", 1.0)],
        due=frozenset({"valve-hunting"}),
        roles=(("suction", "current"), ("evaporator", "suction", "current")),
        act=False,
    ),
    "low-voltage": Story(
        faults=lambda rng, days: [_fault("low-voltage", 0.0)],
        due=frozenset({"supply-voltage"}),
        roles=(("evaporator", "current", "voltage"),),
    ),
}


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One log: readings, truth, what is known of the unit."""

    name: str
    timeline: Timeline
    truth: tuple[tuple[int, int, str], ...]
    unit: Unit


def told(story: str, seed: int) -> Drawn:
    """The log of a story, by seed."""
    s = STORIES[story]
    rng = np.random.default_rng([seed, sum(map(ord, story))])
    machine = MACHINES[s.machines[seed % len(s.machines)]]
    faults = s.faults(rng, s.days)
    return _log(
        f"{story} {seed}", machine, faults, s.days, s.roles[seed % len(s.roles)], rng, seed, visit=s.visit
    )


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
    visit: bool = False, swing_k: float | None = None, kinds: bool = True,
) -> Drawn:  # fmt: skip
    interval_s = float(rng.choice(INTERVALS_S))
    usual = 0.8 * machine.slab_kg * 86400 / (1.25 * machine.usual_freeze_s)
    site = Site(
        ambient_c=float(rng.uniform(17, 27)),
        ambient_swing_k=float(rng.uniform(1, 4)) if swing_k is None else swing_k,
        water_c=float(rng.uniform(10, 19)) if swing_k is None else 13.5,
        water_swing_k=float(rng.uniform(0.2, 2)) if swing_k is None else float(rng.choice([0.5, 2.0, 5.5])),
        use_kg_per_day=usual * float(rng.uniform(0.5, 1.6)),
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


def record_by(drawn: Drawn, *, truth: bool) -> CycleRecord:
    return (
        record_of(drawn.timeline, drawn.truth, drawn.unit)
        if truth
        else find_cycles(drawn.timeline, drawn.unit)
    )


@dataclass(kw_only=True)
class Row:
    logs: int = 0
    named: int = 0
    wrong: Counter[str] = field(default_factory=Counter)
    told: list[str] = field(default_factory=list)


def tally(row: Row, story: Story, drawn: Drawn, judgement: Judgement) -> None:
    grave = {f.code: f.severity for f in judgement.findings if f.severity is not Severity.NOTE}
    row.logs += 1
    said = " ".join(f"{f.severity}:{f.code}" for f in judgement.findings)
    named = bool(story.due & set(grave)) or not story.due
    row.named += named
    bad = [c for c in grave if c in story.never]
    if not story.act:
        bad += [f"act:{c}" for c, s in grave.items() if s is Severity.ACT]
    if story.never_well and judgement.verdict.level == "well":
        bad.append("well")
    row.wrong.update(bad)
    if bad or not named:
        row.told.append(f"{'' if named else 'missed '}{bad or ''} ({said or 'nothing'}): {drawn.name}")


def print_stories(names: list[str], seeds: range, *, truth: bool, missed: bool) -> None:
    print(f"{'story':32} {'logs':>4} {'named':>5}  wrong")
    for name in names:
        row = Row()
        for seed in seeds:
            drawn = told(name, seed)
            tally(row, STORIES[name], drawn, judge(drawn.timeline, record_by(drawn, truth=truth), drawn.unit))
        print(
            f"{name:32} {row.logs:4} {row.named:5}  {', '.join(f'{c} {n}' for c, n in row.wrong.most_common())}",
            flush=True,
        )
        for line in row.told if missed else ():
            print("      " + line, flush=True)


def healthy_weeks(seeds: range, *, truth: bool) -> Iterator[tuple[Drawn, Judgement]]:
    for seed in seeds:
        drawn = healthy(seed)
        yield drawn, judge(drawn.timeline, record_by(drawn, truth=truth), drawn.unit)


def print_healthy(seeds: range, *, truth: bool, missed: bool) -> None:
    count: Counter[str] = Counter()
    for drawn, judgement in healthy_weeks(seeds, truth=truth):
        grave = [f for f in judgement.findings if f.severity is not Severity.NOTE]
        count["weeks"] += 1
        for severity in (Severity.ACT, Severity.WATCH):
            count[severity.value] += any(f.severity is severity for f in grave)
        for f in grave if missed else ():
            print(f"      {f.severity} {f.code} {dict(f.evidence)}: {drawn.name}", flush=True)
    print(f"healthy weeks {count['weeks']}, act {count['act']}, watch {count['watch']}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--story", nargs="*", default=[])
    parser.add_argument("--healthy", type=int, metavar="WEEKS")
    parser.add_argument("--truth", action="store_true", help="phases from the simulator")
    parser.add_argument("--missed", action="store_true", help="tell log by log what went wrong")
    options = parser.parse_args()
    if unknown := set(options.story) - set(STORIES):
        parser.error(f"no such story: {', '.join(sorted(unknown))}; there are {', '.join(STORIES)}")
    if options.healthy:
        print_healthy(
            range(options.first, options.first + options.healthy), truth=options.truth, missed=options.missed
        )
    else:
        seeds = range(options.first, options.first + options.seeds)
        print_stories(options.story or list(STORIES), seeds, truth=options.truth, missed=options.missed)


if __name__ == "__main__":
    main()
