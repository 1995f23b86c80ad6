"""Findings against the truth of both simulators: recall, causes, dates, false alarms, healthy unit-weeks. Run by hand:

    python -m tests.bench.judgement [--seeds 20] [--first 0] [--fault NAME …] [--missed]
    python -m tests.bench.judgement --healthy 200 [--first 0] [--missed]

The first form makes logs of every fault that the simulators can make, the second healthy unit-weeks. Phases come from the
real cycles room, or with `--truth` from the simulators, which shows what the findings do by themselves. Faults of the
loggers go through files and the reading room. Everything is invented.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.cycles.record import CycleRecord
from pipeline.demo.dialects import LoggerFormat, csv_bytes
from pipeline.demo.faults import KINDS, Fault
from pipeline.demo.machine import MACHINES, Site
from pipeline.demo.probes import Probe
from pipeline.demo.simulator import Simulation, simulate
from pipeline.findings.engine import judge
from pipeline.findings.finding import Judgement, Severity
from pipeline.logs import assemble, read_file
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit
from tests.bench.second_grid import FAULTS as SECOND_FAULTS
from tests.bench.second_grid import build_case
from tests.bench.second_machine import CHANNEL_SETS as SECOND_CHANNELS
from tests.bench.second_machine import HEADERS, make_log, to_timeline, write_csv
from tests.bench.second_machine import KINDS as SECOND_KINDS
from tests.bench.second_story import EXPECTED_CODES as STORY_CODES
from tests.findings.from_truth import record_of, timeline_of

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
    "no-ice": ("no-water", "hot-gas-stuck-open"),
    "probe-loose": ("probe-off-pipe",),
    "probe-open": ("probe-off-pipe",),
    "clamp-off": ("clamp-open",),
    "gap": ("logger-stopped",),
    "second:stalled": ("slab-sticks", "hot-gas-weak"),
    "second:repeated": ("slab-sticks", "hot-gas-weak"),
    "second:never-warm": ("hot-gas-shut", "hot-gas-weak"),
    "second:slow-harvest": ("slab-sticks", "hot-gas-weak"),
    "second:timeout": ("end-of-freeze-sensing",),
    "second:clamp-dies": ("clamp-open",),
    "second:probe-falls-off": ("probe-off-pipe",),
    "second:gaps": ("logger-stopped",),
}
# Faults that are there in full from one cycle to the next; those that come and go are dated by when they first showed.
ABRUPT = {"stalled-harvest", "cold-harvest", "slow-harvest", "water-leak", "low-charge", "thin-slabs", "timer-ends-freeze",
          "warm-water", "high-pressure-trips", "low-pressure-trips", "overload-trips", "failed-start", "no-ice",
          "probe-loose", "clamp-off", "gap"}  # fmt: skip
NEEDED = {
    "dirty-condenser": ("condenser_in", "condenser_out"),
    "warm-water": ("water_in",),
    "failed-start": ("current",),
    "low-charge": ("evaporator",),
    "slow-leak": ("evaporator",),
    "probe-loose": ("evaporator", "current"),
    "probe-open": ("evaporator", "current"),
    "clamp-off": ("evaporator", "current"),
}
FAST = {"failed-start": 2.0}  # a failed start lasts seconds
OF_THE_LOGGER = ("probe", "clamp", "gap")
SECOND_LOGGER = {"clamp-dies": "clamp-dead", "probe-falls-off": "probe-loose", "gaps": "log-gap"}
# Not "long-idle": a day and a half without ice is told, whatever the reason.
SECOND_HEALTHY = (
    "none", "day-swing", "idles", "noisy", "wash", "power-cut", "cool-harvest", "cold-room",
)  # fmt: skip


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
    from_ns: int | None = None  # when the fault began, where it is to be dated


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
    how = {"how": "hot-gas-open" if seed % 2 else "no-water"} if fault == "no-ice" else {}
    faults = [] if fault is None else [Fault(kind=fault, from_day=from_day, options=how)]
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
    expect = [frozenset({code}) for code in truth.expect] if truth and _showed(fault, truth) else []
    if (
        fault == "slow-harvest" and expect and _ran_out(sim)
    ):  # slow enough to run into the limit: that is a stall
        expect = [expect[0] | {"harvest-stalled"}]
    unit = Unit(name="bench", kind=machine.kind if seed % 3 > 0 else "unspecified", cooling=machine.cooling)
    by_file = fault is not None and fault.startswith(OF_THE_LOGGER)
    return Drawn(
        name=f"{machine.name} seed {seed} {interval:g} s {'all' if roles is None else '+'.join(roles)} air {air:.0f}",
        fault=fault or "healthy",
        timeline=through_a_file(sim, unit) if by_file else timeline_of(sim),
        truth=sim.phases,
        unit=unit,
        expect=tuple(expect),
        # Whatever made it so, a harvest that runs into its limit is one.
        may=frozenset()
        if truth is None
        else frozenset(truth.may) | ({"harvest-stalled"} if _ran_out(sim) else set()),
        from_ns=None if truth is None else truth.shown_ns[0][0] if truth.shown_ns else truth.start_ns,
    )


def _ran_out(sim: Simulation) -> bool:
    """Whether a harvest ran into the control's limit."""
    longest = max((b - a for a, b, kind in sim.phases if kind == "harvest"), default=0)
    return longest * 1e-9 > sim.machine.harvest_limit_s - 1


def through_a_file(sim: Simulation, unit: Unit) -> Timeline:
    """The log as the reading room hands it on."""
    labels = {role: HEADERS.get(role, role) for role in sim.channels}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_bytes(csv_bytes(sim, LoggerFormat(labels=labels)))
        return assemble(read_file(path, unit), unit)


def _showed(fault: str, truth) -> bool:
    """Whether the fault had an occasion to show: a compressor that never stops cannot fail to start."""
    seldom = ("failed-start", "stalled-harvest", "cold-harvest", "slow-harvest")
    return bool(truth.shown_ns) or fault not in seldom


def second(story: str, seed: int, *, hours: float | None = None) -> Drawn:
    """A log of the second machine."""
    kinds, sets = list(SECOND_KINDS), list(SECOND_CHANNELS)
    case = build_case(
        seed,
        kind=kinds[seed % len(kinds)],
        interval_s=INTERVALS_S[(seed // 2) % len(INTERVALS_S)],
        channels=sets[seed % len(sets)],
        story=story,
    )
    if hours is not None:
        case = replace(case, hours=hours)
    log, unit = make_log(case), Unit(name="bench", cooling="water" if case.water_cooled else "air")
    truth = tuple((p.start_ns, p.end_ns, p.kind) for p in log.truth)
    expect = tuple(log.expected_codes)
    timeline = to_timeline(log)
    if story in SECOND_LOGGER:
        expect = (frozenset({SECOND_LOGGER[story]}),)
        with tempfile.TemporaryDirectory() as folder:
            tables = [t for path in write_csv(log, Path(folder)) for t in read_file(path, unit)]
            timeline = assemble(tables, unit)
    return Drawn(
        name=f"{case.kind} seed {seed} {log.interval_s:g} s {'+'.join(r.role for r in log.readings)}",
        fault=f"second:{story}",
        timeline=timeline,
        truth=truth,
        unit=unit,
        expect=expect,
        may=frozenset().union(*STORY_CODES.get(story, ()))
        | ({"freeze-long"} if story in ("slow", "timeout") else set())
        # As with the stalls of the other simulator: the harvest is long, and the freeze on what stayed is short.
        | ({"harvest-long", "freeze-short"} if story in ("stalled", "repeated", "never-warm") else set()),
        from_ns=_began(story, truth),
    )


def _began(story: str, truth: tuple[tuple[int, int, str], ...]) -> int | None:
    """When a story of the second machine first showed, by its true phases; None where it is there from the start."""
    if story in ("short-cycling", "failed-starts"):
        return next((a for a, _, kind in truth if kind == "unclear"), None)
    kind, times = {"stalled": ("harvest", 1.8), "repeated": ("harvest", 1.8), "never-warm": ("harvest", 1.8),
                   "slow-harvest": ("harvest", 1.6), "never-ends": ("freeze", 4.0), "one-slow": ("freeze", 1.5)}.get(story, ("", 0.0))  # fmt: skip
    spans = [(a, b) for a, b, k in truth if k == kind]
    usual = float(np.median([b - a for a, b in spans])) if spans else 0.0
    return next((a for a, b in spans if b - a > times * usual), None)


def judged(drawn: Drawn, *, real: bool) -> tuple[CycleRecord, Judgement, float]:
    """The record, the judgement of it and the seconds that it took."""
    record = (
        find_cycles(drawn.timeline, drawn.unit)
        if real
        else record_of(drawn.timeline, drawn.truth, drawn.unit)
    )
    began = time.perf_counter()
    return record, judge(drawn.timeline, record, drawn.unit), time.perf_counter() - began


@dataclass(kw_only=True)
class Row:
    """The count for one fault."""

    logs: int = 0
    due: int = 0  # logs in which it showed
    found: int = 0
    unable: int = 0  # of the others: logs that said what they would need
    caused: list[bool] = field(default_factory=list)  # whether the cause was among the first two
    off_by: list[int] = field(default_factory=list)  # cycles between the date that was said and the true one
    wrong: Counter[str] = field(
        default_factory=Counter
    )  # neither expected nor a true side effect, notes aside
    told: list[str] = field(default_factory=list)  # what went wrong, log by log


def tally(row: Row, drawn: Drawn, record: CycleRecord, judgement: Judgement) -> None:
    codes = {f.code for f in judgement.findings}
    row.logs += 1
    row.due += bool(drawn.expect)
    missing = [e for e in drawn.expect if not codes & e]
    if missing:
        unable = {n.code for n in judgement.not_judged}
        row.unable += all(e & unable for e in missing)
        due = ", ".join("|".join(sorted(e)) for e in missing)
        row.told.append(f"missed {due} ({', '.join(sorted(codes)) or 'nothing found'}): {drawn.name}")
    elif drawn.expect:
        row.found += 1
        _look_at(row, drawn, record, judgement)
    allowed = drawn.may | frozenset().union(*drawn.expect)
    for f in judgement.findings:
        if f.code not in allowed and f.severity is not Severity.NOTE:
            row.wrong[f.code] += 1
            row.told.append(f"not due {f.code} {f.severity} {_short(f.evidence)}: {drawn.name}")


def _explained(drawn: Drawn) -> tuple[str, ...]:
    """The causes of which one must be named; none for a harvest's fault that only a clamp saw, which cannot tell why."""
    blind = drawn.timeline.get("evaporator", "suction") is None
    return () if blind and "harvest-stalled" in drawn.expect[0] else CAUSES[drawn.fault]


def _look_at(row: Row, drawn: Drawn, record: CycleRecord, judgement: Judgement) -> None:
    """Whether the finding names the cause, and from which cycle it dates it."""
    finding = min((f for f in judgement.findings if f.code in drawn.expect[0]), key=lambda f: f.start_ns)
    if drawn.fault in CAUSES and (told := _explained(drawn)):
        first_two = [text.key.split(".")[1] for text in finding.likely_causes[:2]]
        row.caused.append(any(cause in first_two for cause in told))
        if not row.caused[-1]:
            row.told.append(f"cause {first_two} {_short(finding.evidence)}: {drawn.name}")
    dated = drawn.fault in ABRUPT or drawn.fault.startswith("second:")
    if dated and drawn.from_ns is not None and len(record.cycles):
        # in cycles as they truly were: a record that lost some must not make the count smaller
        starts = np.array([a for a, _, kind in drawn.truth if kind == "freeze"])
        said, true = np.searchsorted(starts, [finding.start_ns, drawn.from_ns], side="right")
        row.off_by.append(int(said - true))
        if abs(row.off_by[-1]) > 3:
            row.told.append(f"dated {row.off_by[-1]:+d} cycles {_short(finding.evidence)}: {drawn.name}")


def _short(evidence) -> str:
    return " ".join(f"{k}={v:.4g}" if isinstance(v, float) else f"{k}={v}" for k, v in evidence.items())[:260]


def faults(only: list[str]) -> list[str]:
    every = [
        *KINDS,
        *(f"second:{story}" for story in (*SECOND_FAULTS, *SECOND_LOGGER)),
    ]
    return [f for f in every if not only or f in only]


def drawn_faults(fault: str, seeds: Iterable[int]) -> Iterator[Drawn]:
    for seed in seeds:
        story = fault.removeprefix("second:")
        yield second(story, seed) if story != fault else simulated(fault, seed, days=4)


def drawn_healthy(seeds: Iterable[int]) -> Iterator[Drawn]:
    """Two unit-weeks of the demo's simulator to one of the second machine's."""
    for seed in seeds:
        if seed % 3 < 2:
            yield simulated(None, 1000 + seed, days=7)
        else:
            yield second(SECOND_HEALTHY[seed // 3 % len(SECOND_HEALTHY)], 2000 + seed, hours=168)


def print_faults(options: argparse.Namespace) -> None:
    print(
        f"{'fault':24} {'logs':>4} {'due':>4} {'found':>5} {'unable':>6} {'cause':>7} {'dated':>7}  found but not due"
    )
    total = Row()
    for fault in faults(options.fault):
        row = Row()
        for drawn in drawn_faults(fault, range(options.first, options.first + options.seeds)):
            record, judgement, _ = judged(drawn, real=not options.truth)
            tally(row, drawn, record, judgement)
        _print(fault, row)
        for line in row.told if options.missed else ():
            print("     ", line, flush=True)
        for name in ("logs", "due", "found", "unable"):
            setattr(total, name, getattr(total, name) + getattr(row, name))
        total.caused += row.caused
        total.off_by += row.off_by
        total.wrong += row.wrong
    _print("all", total)


def _print(name: str, row: Row) -> None:
    cause = f"{sum(row.caused)}/{len(row.caused)}" if row.caused else "-"
    dated = f"{sum(abs(k) <= 3 for k in row.off_by)}/{len(row.off_by)}" if row.off_by else "-"
    wrong = ", ".join(f"{code} {n}" for code, n in row.wrong.most_common())
    print(f"{name:24} {row.logs:4} {row.due:4} {row.found:5} {row.unable:6} {cause:>7} {dated:>7}  {wrong}", flush=True)  # fmt: skip


def print_healthy(options: argparse.Namespace) -> None:
    counts: Counter[tuple[str, str]] = Counter()
    spent = []
    for drawn in drawn_healthy(range(options.first, options.first + options.healthy)):
        _, judgement, seconds = judged(drawn, real=not options.truth)
        spent.append(seconds)
        of = "demo" if drawn.fault == "healthy" else "second"
        grave = [f for f in judgement.findings if f.severity is not Severity.NOTE]
        counts[of, "weeks"] += 1
        for severity in (Severity.ACT, Severity.WATCH):
            counts[of, severity.value] += any(f.severity is severity for f in grave)
        for f in grave if options.missed else ():
            print(f"      {f.severity} {f.code} {_short(f.evidence)}: {drawn.fault} {drawn.name}", flush=True)
    print(f"{'healthy unit-weeks':24} {'weeks':>5} {'act':>5} {'watch':>5}")
    for of in ("demo", "second"):
        weeks, act, watch = (counts[of, name] for name in ("weeks", "act", "watch"))
        print(f"{of:24} {weeks:5} {act:5} {watch:5}  ({100 * watch / max(weeks, 1):.1f} %)")
    print(
        f"judge: median {1e3 * np.median(spent):.1f} ms, 95 % within {1e3 * np.quantile(spent, 0.95):.1f} ms"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=20, help="logs a fault")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument(
        "--fault", nargs="*", default=[], help="only these; a second machine's is second:STORY"
    )
    parser.add_argument("--healthy", type=int, metavar="WEEKS", help="healthy unit-weeks instead of faults")
    parser.add_argument("--truth", action="store_true", help="phases from the simulators")
    parser.add_argument("--missed", action="store_true", help="tell log by log what went wrong")
    options = parser.parse_args()
    if unknown := set(options.fault) - set(faults([])):
        parser.error(f"no such fault: {', '.join(sorted(unknown))}; there are {', '.join(faults([]))}")
    if options.healthy is None:
        print_faults(options)
    else:
        print_healthy(options)
    print("load", " ".join(f"{x:.1f}" for x in os.getloadavg()))


if __name__ == "__main__":
    main()
