"""Findings against the truth of both simulators: recall, false alarms, healthy unit-weeks, dates, time. Run by hand:

    python -m tests.bench.judgement [--seeds 20] [--weeks 200] [--real] [--only FAULT]

With `--real` the phases come from the real cycles room, else from the simulator's truth. Everything is invented.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.cycles.record import CycleRecord
from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import MACHINES, Machine, Site
from pipeline.demo.probes import Probe
from pipeline.demo.simulator import Simulation, simulate
from pipeline.findings import judge
from pipeline.findings.finding import Finding, Judgement, Severity
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit
from tests.bench.second_grid import FAULTS as SECOND_FAULTS
from tests.bench.second_grid import build_case
from tests.bench.second_machine import CHANNEL_SETS as SECOND_CHANNELS
from tests.bench.second_machine import KINDS as SECOND_KINDS
from tests.bench.second_machine import make_log, to_timeline
from tests.bench.second_story import EXPECTED_CODES as STORY_CODES
from tests.findings.from_truth import record_of, timeline_of

# Faults of the logger are found by the reading room; these are of the machine.
MACHINE_FAULTS = tuple(k for k in KINDS if not k.startswith(("probe", "clamp", "gap")))
INTERVALS_S = (1.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0)
CHANNELS: tuple[tuple[str, ...] | None, ...] = (
    None,
    ("evaporator", "current"),
    ("evaporator", "current", "condenser_in", "condenser_out", "discharge", "water_in"),
    ("suction", "discharge", "current_compressor", "ambient"),
)
CAUSES = {  # fault -> causes of which one must be among the first two of its finding
    "stalled-harvest": ("slab-sticks", "hot-gas-weak"),
    "cold-harvest": ("hot-gas-shut",),
    "slow-harvest": ("hot-gas-weak",),
    "water-leak": ("water-leaks-in",),
    "dirty-condenser": ("condenser-dirty", "condenser-water"),
    "low-charge": ("charge-low",),
    "slow-leak": ("slow-leak", "charge-low"),
    "thin-slabs": ("end-of-freeze-early",),
    "timer-ends-freeze": ("end-of-freeze-sensing",),
    "high-pressure-trips": ("high-pressure-cut",),
    "low-pressure-trips": ("low-pressure-cut",),
    "overload-trips": ("overload-trips",),
    "failed-start": ("start-gear",),
    "warm-water": ("water-warm",),
}
# Faults that are there in full from one cycle to the next; those that come and go are dated by when they first showed.
ABRUPT = {"stalled-harvest", "cold-harvest", "slow-harvest", "water-leak", "low-charge", "thin-slabs", "timer-ends-freeze",
          "warm-water", "high-pressure-trips", "low-pressure-trips", "overload-trips", "failed-start"}  # fmt: skip
NEEDED = {
    "dirty-condenser": ("condenser_in", "condenser_out"),
    "warm-water": ("water_in",),
    "failed-start": ("current",),
    "low-charge": ("evaporator",),
    "slow-leak": ("evaporator",),
}
FAST = {"failed-start": 2.0}  # a failed start lasts seconds


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One log under test."""

    name: str
    fault: str
    timeline: Timeline
    truth: tuple[tuple[int, int, str], ...]
    unit: Unit
    expect: tuple[frozenset[str], ...]  # of each set at least one code must come
    may: frozenset[str]
    from_ns: int | None  # when the fault began, where it is to be dated


def unit_of(machine: Machine, *, named: bool = True) -> Unit:
    return Unit(name="bench", kind=machine.kind if named else "unspecified", cooling=machine.cooling)


def simulated(fault: str | None, seed: int, *, days: float) -> Drawn:
    """A log of the demo's simulator: machine, interval, channels, site and the fault's first day drawn by seed."""
    rng = np.random.default_rng([len(fault or ""), seed, 5])
    machine = MACHINES[list(MACHINES)[seed % len(MACHINES)]]
    interval = FAST.get(fault or "", INTERVALS_S[int(rng.integers(len(INTERVALS_S)))])
    roles = CHANNELS[int(rng.integers(len(CHANNELS)))]
    if roles is not None and fault in NEEDED:
        roles = tuple(dict.fromkeys((*roles, *NEEDED[fault])))
    if fault == "water-leak" and machine.freeze_end != "level":
        machine = MACHINES["slab"]  # where no level ends the freeze, it does not show
    air = float(rng.uniform(8, 38))
    usual = 0.8 * machine.slab_kg * 86400 / (1.25 * machine.usual_freeze_s)
    site = Site(
        ambient_c=air,
        ambient_swing_k=float(rng.uniform(0.5, 6)),
        water_c=float(rng.uniform(12 if fault == "warm-water" else 7, 26)),
        water_swing_k=float(rng.uniform(0.2, 2)),
        use_kg_per_day=usual * float(rng.uniform(0.5, 1.6)),
    )
    from_day = round(float(rng.uniform(0.3, 0.6)) * days, 2)
    faults = [] if fault is None else [Fault(kind=fault, from_day=from_day)]
    probe = Probe(
        lag_s=float(rng.uniform(5, 50)),
        noise=float(rng.uniform(0.05, 0.3)),
        step=float(rng.choice([0.1, 0.5])),
    )
    sim: Simulation = simulate(
        machine, days=days, interval_s=interval, seed=seed, faults=faults, site=site, roles=roles,
        probes={"evaporator": probe},
    )  # fmt: skip
    truth = sim.faults[0] if sim.faults else None
    return Drawn(
        name=f"{machine.name} seed {seed} {interval:g} s {'all' if roles is None else '+'.join(roles)} air {air:.0f}",
        fault=fault or "healthy",
        timeline=timeline_of(sim),
        truth=sim.phases,
        unit=unit_of(machine, named=seed % 3 > 0),
        expect=tuple(frozenset({code}) for code in truth.expect) if truth and _showed(fault, truth) else (),
        may=frozenset() if truth is None else frozenset(truth.may),
        from_ns=None if truth is None else truth.shown_ns[0][0] if truth.shown_ns else truth.start_ns,
    )


def _showed(fault: str, truth) -> bool:
    """Whether the fault had an occasion to show: a compressor that never stops cannot fail to start."""
    return bool(truth.shown_ns) or fault not in (
        "failed-start",
        "stalled-harvest",
        "cold-harvest",
        "slow-harvest",
    )


def second(story: str, seed: int, *, hours: float | None = None) -> Drawn:
    """A log of the second machine."""
    kinds, sets = list(SECOND_KINDS), list(SECOND_CHANNELS)
    log = make_log(
        build_case(
            seed,
            kind=kinds[seed % len(kinds)],
            interval_s=INTERVALS_S[(seed // 2) % len(INTERVALS_S)],
            channels=sets[seed % len(sets)],
            story=story,
            **({} if hours is None else {"hours": hours}),
        )
    )
    return Drawn(
        name=f"second {kinds[seed % len(kinds)]} seed {seed} {log.interval_s:g} s {'+'.join(r.role for r in log.readings)}",
        fault=f"second:{story}",
        timeline=to_timeline(log),
        truth=tuple((p.start_ns, p.end_ns, p.kind) for p in log.truth),
        unit=Unit(name="bench"),
        expect=tuple(log.expected_codes),
        may=frozenset().union(*STORY_CODES.get(story, ()))
        | ({"freeze-long"} if story in ("slow", "timeout") else set()),
        from_ns=None,
    )


def judged(drawn: Drawn, *, real: bool) -> tuple[CycleRecord, Judgement, float]:
    """The record, the judgement of it and the seconds that it took."""
    record = (
        find_cycles(drawn.timeline, drawn.unit)
        if real
        else record_of(drawn.timeline, drawn.truth, drawn.unit)
    )
    began = time.perf_counter()
    return record, judge(drawn.timeline, record, drawn.unit), time.perf_counter() - began


@dataclass
class Row:
    """The count for one fault."""

    logs: int = 0
    found: int = 0
    not_judged: int = 0
    wrong: Counter = None  # codes that are neither expected nor allowed, notes aside
    missed: list = None
    caused: list = None  # whether the cause was among the first two
    off_by: list = None  # cycles between the date that was said and the true one

    def __post_init__(self) -> None:
        self.wrong, self.missed, self.caused, self.off_by = Counter(), [], [], []


def tally(row: Row, drawn: Drawn, record: CycleRecord, judgement: Judgement) -> None:
    codes = {f.code for f in judgement.findings}
    row.logs += 1
    missing = [e for e in drawn.expect if not codes & e]
    if not missing:
        row.found += 1
    else:
        unable = {n.code for n in judgement.not_judged}
        row.not_judged += all(e & unable for e in missing)
        row.missed.append(
            f"{drawn.name}: {sorted('/'.join(sorted(e)) for e in missing)}, found {sorted(codes)}"
        )
    for finding in judgement.findings:
        if drawn.expect and finding.code in drawn.expect[0]:
            _look_at(row, drawn, record, finding)
    allowed = drawn.may | frozenset().union(*drawn.expect)
    for finding in judgement.findings:
        if finding.code not in allowed and finding.severity is not Severity.NOTE:
            row.wrong[finding.code] += 1


def _look_at(row: Row, drawn: Drawn, record: CycleRecord, finding: Finding) -> None:
    """Whether the finding names the cause, and from which cycle it dates it."""
    if drawn.fault in CAUSES:
        first_two = [text.key.split(".")[1] for text in finding.likely_causes[:2]]
        row.caused.append(any(cause in first_two for cause in CAUSES[drawn.fault]))
    if drawn.fault in ABRUPT and len(record.cycles):
        starts = record.cycles["freeze_start_ns"].to_numpy()
        said, true = np.searchsorted(starts, [finding.start_ns, drawn.from_ns], side="right")
        row.off_by.append(int(said - true))


def drawn_faults(seeds: int, only: str | None) -> Iterator[Drawn]:
    for fault in MACHINE_FAULTS:
        for seed in range(seeds) if only in (None, fault) else ():
            yield simulated(fault, seed, days=4)
    for story in SECOND_FAULTS:
        for seed in range(seeds) if only in (None, f"second:{story}") else ():
            yield second(story, seed)


def drawn_healthy(weeks: int) -> Iterator[Drawn]:
    for seed in range(weeks):
        yield simulated(None, 1000 + seed, days=7)
    for seed in range(weeks // 2):
        story = ("none", "day-swing", "idles", "long-idle", "noisy", "wash", "power-cut", "cool-harvest")[
            seed % 8
        ]
        yield second(story, 2000 + seed, hours=168)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--weeks", type=int, default=200)
    parser.add_argument("--real", action="store_true")
    parser.add_argument("--only")
    parser.add_argument("--missed", action="store_true", help="list what was missed")
    options = parser.parse_args()
    rows: dict[str, Row] = {}
    spent: list[float] = []
    for drawn in drawn_faults(options.seeds, options.only):
        record, judgement, seconds = judged(drawn, real=options.real)
        spent.append(seconds)
        tally(rows.setdefault(drawn.fault, Row()), drawn, record, judgement)
    print(
        f"{'fault':24} {'logs':>4} {'found':>5} {'unable':>6} {'cause':>7} {'dated':>7}  found but not expected"
    )
    for fault, row in rows.items():
        cause = f"{sum(row.caused)}/{len(row.caused)}" if row.caused else "-"
        dated = f"{sum(abs(k) <= 3 for k in row.off_by)}/{len(row.off_by)}" if row.off_by else "-"
        print(
            f"{fault:24} {row.logs:4} {row.found:5} {row.not_judged:6} {cause:>7} {dated:>7}  {dict(row.wrong) or ''}"
        )
        for line in row.missed if options.missed else ():
            print("      ", line)
    _healthy(options, spent)
    print(
        f"judge: median {1e3 * np.median(spent):.1f} ms, 95 % within {1e3 * np.quantile(spent, 0.95):.1f} ms"
    )


def _healthy(options: argparse.Namespace, spent: list[float]) -> None:
    acts = watches = weeks = 0
    for drawn in drawn_healthy(0 if options.only else options.weeks):
        _, judgement, seconds = judged(drawn, real=options.real)
        spent.append(seconds)
        weeks += 1
        grave = [f for f in judgement.findings if f.severity is not Severity.NOTE]
        acts += any(f.severity is Severity.ACT for f in grave)
        watches += any(f.severity is Severity.WATCH for f in grave)
        for finding in grave:
            print(f"  healthy {drawn.name}: {finding.severity.value} {finding.code} {dict(finding.evidence)}")
    print(
        f"healthy unit-weeks {weeks}: act in {acts}, watch in {watches} ({100 * watches / max(weeks, 1):.1f} %)"
    )


if __name__ == "__main__":
    main()
