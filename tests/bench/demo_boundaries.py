"""Boundaries found in logs of the demo's simulator against its truth, by stratum. Run by hand:

    python -m tests.bench.demo_boundaries [--logs 120] [--first 0] [--worst 15]

Machines, faults, sites, clips, intervals and channel sets are drawn by the log's number.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.probes import Probe
from pipeline.demo.simulator import Simulation, simulate
from pipeline.unit import Unit
from tests.findings.from_truth import timeline_of
from tests.scoring import Score, f1_of, score

CHANNELS = (
    ("evaporator", "current"),
    ("evaporator",),
    ("suction", "current_compressor"),
    ("suction", "discharge", "current", "ambient"),
    ("suction",),
    ("current",),
    ("current_compressor",),
)
INTERVALS_S = (1, 5, 10, 15, 20, 30, 60)
MACHINE_FAULTS = tuple(k for k in KINDS if not k.startswith(("probe", "clamp", "gap")))


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One log with what was drawn for it."""

    number: int
    strata: dict[str, str]
    interval_s: int
    sim: Simulation


def draw(number: int) -> Drawn:
    """The log of this number."""
    rng = np.random.default_rng([number, 77])
    machine = list(MACHINES.values())[number % len(MACHINES)]
    channels = CHANNELS[number // len(MACHINES) % len(CHANNELS)]
    interval_s = int(rng.choice(INTERVALS_S))
    kind = str(rng.choice(["", *MACHINE_FAULTS])) if number % 2 else ""
    lag_s, contact = float(rng.uniform(5, 45)), float(rng.uniform(0.6, 1.0))
    noise, step = float(rng.choice([0.05, 0.15, 0.3])), float(rng.choice([0.1, 0.1, 0.5]))
    clip = Probe(lag_s=lag_s, contact=contact, noise=noise, step=step)
    clamp = Probe(
        lag_s=0, contact=1, noise=float(rng.choice([0.02, 0.05])), step=float(rng.choice([0.01, 0.1]))
    )
    site = Site(
        ambient_c=float(rng.uniform(16, 36)), ambient_swing_k=float(rng.uniform(0.5, 5)), water_c=float(rng.uniform(8, 26)),
        use_kg_per_day=machine.slab_kg * 86400 / machine.usual_freeze_s * float(rng.uniform(0.3, 1.1)),
    )  # fmt: skip
    sim = simulate(
        machine, days=float(rng.uniform(1.5, 3.0)), interval_s=interval_s, seed=number, site=site, roles=channels,
        faults=[Fault(kind=kind, from_day=float(rng.uniform(0.3, 1.2)))] if kind else [],
        probes={"evaporator": clip, "suction": clip, "current": clamp, "current_compressor": clamp},
    )  # fmt: skip
    strata = {
        "machine": machine.name,
        "channels": "+".join(channels),
        "interval": f"{interval_s} s",
        "fault": kind or "healthy",
        "lag": f"{15 * int(lag_s // 15)}+ s",
        "clip": f"noise {noise}, step {step}",
    }
    return Drawn(number=number, strata=strata, interval_s=interval_s, sim=sim)


@dataclass(frozen=True)
class Truth:
    kind: str
    start_ns: int
    end_ns: int


def judge_one(log: Drawn) -> Score:
    found = find_cycles(timeline_of(log.sim), Unit(name="demo")).phases
    return score([Truth(k, a, b) for a, b, k in log.sim.phases], found, interval_s=log.interval_s)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--logs", type=int, default=120)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--worst", type=int, default=15)
    parser.add_argument("--one", type=int, help="the whole account of one log")
    args = parser.parse_args()
    if args.one is not None:
        log = draw(args.one)
        result = judge_one(log)
        print(log.strata, f"F1 {result.f1:.4f}", result.by_type)
        print("\n".join(result.details[:60]))
        return
    by = defaultdict(list)
    all_scores = []
    for number in range(args.first, args.first + args.logs):
        log = draw(number)
        result = judge_one(log)
        all_scores.append((result, log))
        for name, value in log.strata.items():
            by[name, value].append((result, log))
    by["all", ""] = all_scores
    for (name, value), group in sorted(by.items(), key=lambda g: g[0]):
        scores = [s for s, _ in group]
        total = [sum(x) for x in zip(*((s.hits, s.false, s.missed) for s in scores), strict=True)]
        late = {
            kind: np.median(np.concatenate([s.wide_errors_s[kind] for s in scores]))
            for kind in scores[0].wide_errors_s
        }
        share = sum(s.inside for s in scores) / max(1, sum(s.stated for s in scores))
        ratio = np.median(
            np.concatenate(
                [np.abs(s.errors_s) / log.interval_s for s, log in group if len(s.errors_s)] or [[np.nan]]
            )
        )
        print(
            f"{name:9}{value:42} {len(scores):4} logs  F1 {f1_of(*total):.4f}  error {ratio:5.2f} intervals  inside {share:4.0%}  late "
            + "  ".join(f"{kind.replace('compressor ', '')} {value:+.0f}" for kind, value in late.items())
        )
    print("worst:")
    for result, log in sorted(all_scores, key=lambda g: g[0].f1)[: args.worst]:
        print(
            f"  {log.number:4} F1 {result.f1:.3f} agree {result.agree:.3f} {result.by_type} {', '.join(log.strata.values())}"
        )


if __name__ == "__main__":
    main()
