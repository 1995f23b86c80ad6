"""Twelve machines alike, in rooms and with water of their own: is the one that is slow from its first reading found beside its sisters, and no healthy one?

    python -m tests.bench.sisters [--of demo second worlds] [--groups 10] [--first 0] [--slow 15] [--air unknown]

Each group is judged twice, as a run does: every unit by itself, then beside the others' figures (`fleet/sisters`). One group of a seed is healthy,
in another one unit's freezes are `slow` percent longer than they would be. Phases come from the real cycles room. Everything is invented.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.cycles.record import CycleRecord
from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.probes import Probe
from pipeline.demo.simulator import Simulation
from pipeline.demo.simulator import simulate as simulate_demo
from pipeline.findings.engine import judge
from pipeline.findings.evidence.elsewhere import Elsewhere, Known
from pipeline.findings.finding import Severity
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit
from tests.bench import stories_worlds
from tests.bench.second_machine import CHANNEL_SETS, KINDS, Case, make_log, to_timeline
from tests.bench.second_probes import Clip
from tests.bench.second_story import SCENARIOS, Plan
from tests.bench.worlds.draw import Change
from tests.bench.worlds.simulate import simulate, timeline
from tests.findings.from_truth import timeline_of

ALIKE = 12
_DAYS = 2.0
_SLOW_SECOND = "sisters: slow"

Make = Callable[
    [int, np.random.Generator, float], Timeline
]  # (seed of the group, chance of the unit, times as slow) -> its log


def _demo(seed: int, rng: np.random.Generator, times: float) -> Timeline:
    machine = MACHINES[("slab", "slab-large", "cube-small", "cube-large")[seed % 4]]
    site = Site(
        ambient_c=float(rng.uniform(18, 29)), ambient_swing_k=float(rng.uniform(1, 3)), water_c=float(rng.uniform(12, 18)),
        water_swing_k=0.5, use_kg_per_day=1e4,
    )  # fmt: skip
    clip = Probe(lag_s=float(rng.uniform(5, 30)), noise=float(rng.uniform(0.05, 0.2)))
    chance = int(rng.integers(1 << 30))

    def logged(weaker: float, days: float) -> Simulation:
        return simulate_demo(
            replace(machine, capacity_w=machine.capacity_w / weaker), days=days, interval_s=10.0, seed=chance, site=site,
            roles=("evaporator", "current", "ambient", "water_in"), probes={"evaporator": clip},
        )  # fmt: skip

    weaker, usual = 1.0, _freeze_ns(logged(1.0, 0.4)) if times > 1 else 0.0
    for _ in range(3 if times > 1 else 0):  # what a weaker compressor makes of a freeze is not in proportion
        weaker *= (times * usual / _freeze_ns(logged(weaker, 0.4))) ** 0.7
    return timeline_of(logged(weaker, _DAYS))


def _freeze_ns(sim: Simulation) -> float:
    return float(np.median([b - a for a, b, kind in sim.phases[1:-1] if kind == "freeze"]))


def _second(seed: int, rng: np.random.Generator, times: float) -> Timeline:
    SCENARIOS[_SLOW_SECOND] = lambda teller, number, after_off: teller.cycle(slow=times, after_off=after_off)
    case = Case(
        seed=int(rng.integers(1 << 30)), kind=list(KINDS)[seed % len(KINDS)], water_cooled=False, steps=True, interval_s=10.0,
        channels=CHANNEL_SETS["five"], hours=24 * _DAYS, room_c=float(rng.uniform(19, 29)), swing_k=float(rng.uniform(1, 3)),
        clip=Clip(lag_s=float(rng.uniform(5, 30)), noise_k=float(rng.uniform(0.03, 0.15))), plan=Plan(scenario=_SLOW_SECOND),
    )  # fmt: skip
    return to_timeline(make_log(case))


def _world(seed: int, rng: np.random.Generator, times: float) -> Timeline:
    worlds = (stories_worlds.healthy_world(seed, k, ("many",), _DAYS) for k in range(60))
    fit = next(
        w for w in worlds if w.structure.freeze_end == "level" and w.structure.fan != "none, water-cooled"
    )
    slow = Change(subject="freeze length", size=times, shape="step", from_day=-9.0, to_day=_DAYS)
    world = replace(
        fit, seed=int(rng.integers(1 << 30)), interval_s=10.0, changes=(slow,), sink_c=float(rng.uniform(18, 29)),
        water_c=float(rng.uniform(12, 18)), swing_k=float(rng.uniform(1, 3)),
    )  # fmt: skip
    return timeline(simulate(world))


MAKERS: dict[str, Make] = {"demo": _demo, "second": _second, "worlds": _world}


@dataclass(frozen=True, kw_only=True)
class _Unit:
    """One machine with its log, and what a report of it would hand on to its sisters."""

    log: Timeline
    record: CycleRecord
    known: Known

    def told(self, sisters: Iterable[_Unit]) -> bool:
        """Whether it is told that it is slow beside its sisters."""
        others = Elsewhere(sisters=tuple(s.known for s in sisters if s is not self))
        found = judge(self.log, self.record, Unit(name=self.known.name, model="alike"), others).findings
        return any(
            f.evidence.get("judged_against") == "sister machines" and f.severity is not Severity.NOTE
            for f in found
        )


def _unit(make: Make, seed: int, k: int, times: float, *, air: bool) -> _Unit:
    log = make(seed, np.random.default_rng([seed, k, 83]), times)
    if not air:
        log = replace(
            log, channels=tuple(c for c in log.channels if c.role not in ("ambient", "condenser_in"))
        )
    unit = Unit(name=f"unit-{k}", model="alike")
    record = find_cycles(log, unit)
    alone = judge(log, record, unit)
    whole = record.cycles[record.cycles["complete"]]
    figures = {name: float(whole[name].median()) for name in ("freeze_min", "harvest_min")}
    return _Unit(
        log=log,
        record=record,
        known=Known(name=unit.name, air_c=alone.air_c, water_c=alone.water_c, **figures),
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--of", nargs="*", default=list(MAKERS), choices=MAKERS)
    parser.add_argument("--groups", type=int, default=10)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--slow", type=float, default=15.0, metavar="PCT")
    parser.add_argument("--air", default="logged", choices=("logged", "unknown"))
    options = parser.parse_args()
    for place in options.of:
        count: Counter[str] = Counter()
        for seed in range(options.first, options.first + options.groups):
            make, air, k = MAKERS[place], options.air == "logged", seed % ALIKE
            healthy = [_unit(make, seed, i, 1.0, air=air) for i in range(ALIKE)]
            slow = _unit(make, seed, k, 1 + options.slow / 100, air=air)
            with_slow = [*healthy[:k], slow, *healthy[k + 1 :]]
            found = slow.told(with_slow)
            beside = sum(u.told(with_slow) for u in with_slow if u is not slow)
            none = sum(u.told(healthy) for u in healthy)
            count.update(
                {
                    "groups": 1,
                    "found": found,
                    "healthy told beside a slow one": beside,
                    "told where all are healthy": none,
                }
            )
            times = slow.known.freeze_min / healthy[k].known.freeze_min
            print(
                f"  {place} {seed}: unit-{k} {100 * (times - 1):.1f} % slower, {'found' if found else 'missed'}; {beside}, {none}",
                flush=True,
            )
        print(f"{place}: {dict(count)}", flush=True)


if __name__ == "__main__":
    main()
