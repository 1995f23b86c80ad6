"""Whether the causes hold what they say: right cause first, reliability, Brier score, the worth of the next channel. Run by hand:

    python -m tests.bench.causes [--part tune|scored] [--logs 200] [--first 0] [--truth] [--channels NAME …] [--cause NAME …]
                                 [--confusion] [--missed] [--clip] [--sheet] [--silent] [--jobs 1] [--json FILE]
    python -m tests.bench.causes --cells [--cause NAME …]

Logs are those of `cause_logs`. Kept apart: the table of causes was tuned on seeds under 10,000 and four machines; seeds from 10,000 on, with
three other machines, are only ever scored. Phases come from the real cycles room, or with --truth from the simulator. The cause
asked about is that of the worst finding of the machine; a log without one counts as silent, and is left out of the shares.
--silent looks, by the sound twin of each silent log, whether there was anything to be seen: a change within the log, or a level that is uncommon for
such machines. --sheet gives each unit a service sheet that says what its sound twin does. --clip adds to each log the channel that `next_clip` names, from the same run of the machine, and scores both.
Measured against: the base rates (each cause as often as it is in the logs), which no log needs to be read for.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.findings import thresholds
from pipeline.findings.advice.causes import CAUSES as TABLE
from pipeline.findings.advice.causes import SOMETHING_ELSE
from pipeline.findings.advice.pattern import read
from pipeline.findings.engine import judge
from pipeline.findings.evidence.case import Case
from pipeline.findings.finding import Judgement, Severity
from tests.bench.cause_logs import CAUSES, CHANNELS, SCORED_FROM, SIMULATED, CauseLog, Told, cause_log, same
from tests.bench.cause_twins import PLAIN, same_readings, sheet_of, to_be_seen, twin_of
from tests.findings.from_truth import record_of

BINS = np.linspace(0, 1, 11)
ROLES_OF = {
    "discharge": ("discharge",),
    "evaporator": ("evaporator",),
    "condenser_out": ("condenser_in", "condenser_out"),
    "water_in": ("water_in",),
    "ambient": ("ambient",),
    "hot-gas-line": ("evaporator",),
}
"""Next channel -> roles of the simulator that are added; pressures have none."""


@dataclass(frozen=True, kw_only=True)
class Scored:
    """One log's outcome. `odds`: cause -> probability, of the worst finding of the machine; {} where there was none."""

    cause: str
    course: str
    channels: str
    name: str
    odds: dict[str, float]
    codes: tuple[str, ...]
    clip: str = ""
    promised: tuple[float, float] = (float("nan"), float("nan"))
    then: dict[str, float] | None = None
    error: str = ""
    seen: str = ""  # of a silent log: what there was to be seen, by its twin

    @property
    def order(self) -> list[str]:
        return [k for k in sorted(self.odds, key=lambda k: -self.odds[k]) if k != SOMETHING_ELSE]

    def right(self, first: int, odds: dict[str, float] | None = None) -> bool:
        order = (
            self.order
            if odds is None
            else [k for k in sorted(odds, key=lambda k: -odds[k]) if k != SOMETHING_ELSE]
        )
        return any(same(self.cause, k) for k in order[:first])


def worst_of_the_machine(judgement: Judgement) -> dict[str, float]:
    """The odds of the worst finding that is no fault of the loggers."""
    of_logger = {code for c in TABLE.values() for code in c.logger}
    found = [f for f in judgement.findings if f.code not in of_logger]
    grave = [f for f in found if f.severity is not Severity.NOTE] or found
    return {o.cause: o.probability for o in grave[0].causes} if grave else {}


def score(
    task: tuple[str, int, str], *, truth: bool, clip: bool, sheet: bool = False, silent: bool = False
) -> Scored:
    cause, seed, channels = task
    log = cause_log(cause, seed, channels)
    twin = twin_of(cause, seed, channels) if sheet or silent else log
    if sheet:
        log = replace(log, unit=log.unit.model_copy(update={"expected": sheet_of(twin)}))
        twin = replace(twin, unit=log.unit)
    base = {"cause": cause, "course": log.told.course, "channels": channels, "name": log.name}
    try:
        judgement = judged(log, truth=truth)
        then = None
        wanted = judgement.next_clip
        if clip and wanted is not None and wanted.channel in ROLES_OF:
            roles = tuple(dict.fromkeys((*CHANNELS[channels], *ROLES_OF[wanted.channel])))
            then = worst_of_the_machine(judged(cause_log(cause, seed, channels, roles=roles), truth=truth))
    except Exception as problem:  # the bench goes on and names the log
        return Scored(**base, odds={}, codes=(), error=f"{type(problem).__name__}: {problem}")
    odds = worst_of_the_machine(judgement)
    return Scored(
        **base, odds=odds, seen=what_was_there(log, twin) if silent and not odds else "", codes=tuple(f.code for f in judgement.findings), then=then,
        clip=wanted.channel if wanted else "", promised=(wanted.first_right, wanted.first_right_then) if wanted else (float("nan"),) * 2,
    )  # fmt: skip


def what_was_there(log: CauseLog, twin: CauseLog) -> str:
    """What a silent log held: "nothing" (the cause never came), "a change" within it, "a level" that is uncommon, or "less than the spread"."""
    if same_readings(log, twin):
        return "nothing"
    plain = [v for v, away in to_be_seen(log, twin).items() if away >= PLAIN]
    if log.told.course != "always" and "later" in plain:
        return "a change"
    return "a level" if "level" in plain else "less than the spread"


def judged(log: CauseLog, *, truth: bool) -> Judgement:
    phases = log.simulation.phases
    record = record_of(log.timeline, phases, log.unit) if truth else find_cycles(log.timeline, log.unit)
    return judge(log.timeline, record, log.unit)


def brier(rows: list[Scored], odds_of) -> float:
    """Mean over logs of the summed squared errors over all causes (G. W. Brier 1950); names for one thing count as one."""
    total = 0.0
    for r in rows:
        odds = odds_of(r)
        hit = sum(p for k, p in odds.items() if k != SOMETHING_ELSE and same(r.cause, k))
        total += (1 - hit) ** 2 + sum(
            p**2 for k, p in odds.items() if not (k != SOMETHING_ELSE and same(r.cause, k))
        )
    return total / max(len(rows), 1)


def reliability(rows: list[Scored]) -> list[tuple[float, int, float, float]]:
    """For each tenth of the scale: (its lower edge, causes said, mean said, share true)."""
    said, true = [], []
    for r in rows:
        hit = sum(p for k, p in r.odds.items() if k != SOMETHING_ELSE and same(r.cause, k))
        said += [hit] if hit else []
        true += [True] if hit else []
        others = [p for k, p in r.odds.items() if k != SOMETHING_ELSE and not same(r.cause, k)]
        said += others
        true += [False] * len(others)
    p, t = np.array(said), np.array(true)
    out = []
    for low, high in itertools.pairwise(BINS):
        here = (p >= low) & ((p < high) | (high == 1))
        if here.any():
            out.append((round(float(low), 1), int(here.sum()), float(p[here].mean()), float(t[here].mean())))
    return out


def table(rows: list[Scored]) -> str:
    lines = [f"{'':34} {'logs':>5} {'silent':>6} {'first':>6} {'two':>6} {'Brier':>6} {'base':>6}"]
    groups: dict[str, list[Scored]] = {"all": rows}
    for r in rows:
        groups.setdefault(r.channels, []).append(r)
    for by in ("course", "cause"):
        for r in sorted(rows, key=lambda r: getattr(r, by)):
            groups.setdefault(f"{by} {getattr(r, by)}", []).append(r)
    counts = Counter(r.cause for r in rows)
    rates = {k: n / len(rows) for k, n in counts.items()}
    for name, group in groups.items():
        spoke = [r for r in group if r.odds]
        n = max(len(spoke), 1)
        first, two = (sum(r.right(k) for r in spoke) / n for k in (1, 2))
        lines.append(
            f"{name:34} {len(group):5} {len(group) - len(spoke):6} {first:6.2f} {two:6.2f} {brier(spoke, lambda r: r.odds):6.3f} {brier(spoke, lambda r: rates):6.3f}"
        )
    return "\n".join(lines)


def confusion(rows: list[Scored]) -> str:
    """True cause -> what was said first, most frequent first."""
    said: dict[str, Counter[str]] = defaultdict(Counter)
    for r in rows:
        first = r.order[0] if r.order else "(silent)"
        said[r.cause][r.cause if same(r.cause, first) else first] += 1
    return "\n".join(
        f"{k:24} {', '.join(f'{a} {n}' for a, n in v.most_common(6))}" for k, v in sorted(said.items())
    )


def clips(rows: list[Scored]) -> str:
    lines = [f"{'next channel':20} {'logs':>5} {'first':>6} {'then':>6} {'promised':>8}"]
    groups: dict[str, list[Scored]] = defaultdict(list)
    for r in rows:
        if r.then:
            groups["all"].append(r)
            groups[r.clip].append(r)
    for name, group in groups.items():
        now, then = np.mean([r.right(1) for r in group]), np.mean([r.right(1, r.then) for r in group])
        gain = np.mean([r.promised[1] - r.promised[0] for r in group])
        lines.append(f"{name:20} {len(group):5} {now:6.2f} {then:6.2f} {now + gain:8.2f}")
    return "\n".join(lines)


def cells(
    cause: str, seed: int, *, days: float = 2.0, machine: str = "slab"
) -> dict[str, tuple[float, float]]:
    """What a cause at severity 1, there from mid-log on, does to each measure: (value, standard deviation), by the simulator's phases."""
    told = Told(cause=cause, severity=1.0, course="step", from_s=0.45 * days * 86400, seconds=days * 86400)
    log = cause_log(cause, seed, "six channels", days=days, told=told, machine=machine)
    record = record_of(log.timeline, log.simulation.phases, log.unit)
    case = Case(timeline=log.timeline, record=record, unit=log.unit, thresholds=thresholds.resolve(log.unit))
    return dict(read(case, [], of_the_logger=frozenset()).later)


def against_the_table(causes: list[str], seed: int) -> str:
    """Cause by cause: measured beside the table's size, marked where the sign is another although both are plain."""
    lines = []
    for cause in causes:
        seen = cells(cause, seed, machine="slab")
        row = []
        for m, (size, sd) in TABLE[cause].effects.items():
            if m in seen:
                value, error = seen[m]
                wrong = value * size < 0 and abs(value) > 2 * error and abs(size) > sd
                row.append(f"{m} {value:+.1f} ({size:+g}){' WRONG' if wrong else ''}")
        lines.append(f"{cause:24} {', '.join(row)}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", choices=("tune", "scored"), default="tune")
    parser.add_argument("--logs", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--truth", action="store_true", help="phases from the simulator")
    parser.add_argument("--channels", nargs="*", default=["line and clamp", "six channels"])
    parser.add_argument("--cause", nargs="*", default=[])
    parser.add_argument("--confusion", action="store_true")
    parser.add_argument(
        "--missed", action="store_true", help="tell log by log what was said first in place of the cause"
    )
    parser.add_argument("--clip", action="store_true")
    parser.add_argument(
        "--sheet", action="store_true", help="each unit has a service sheet, by its sound twin"
    )
    parser.add_argument(
        "--silent", action="store_true", help="what there was to be seen in silent logs, by their twins"
    )
    parser.add_argument(
        "--cells", action="store_true", help="the table's sizes beside what the simulator shows, instead"
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", default="")
    options = parser.parse_args()
    causes = [c for c in CAUSES if not options.cause or c in options.cause]
    if options.cells:
        print(against_the_table([c for c in causes if c in SIMULATED], options.first))
        return
    first = options.first + (SCORED_FROM if options.part == "scored" else 0)
    tasks = [
        (causes[i % len(causes)], first + i, options.channels[i // len(causes) % len(options.channels)])
        for i in range(options.logs)
    ]
    run = partial(score, truth=options.truth, clip=options.clip, sheet=options.sheet, silent=options.silent)
    if options.jobs > 1:
        with ProcessPoolExecutor(options.jobs) as pool:
            rows = list(pool.map(run, tasks))
    else:
        rows = [run(t) for t in tasks]
    for r in rows:
        if r.error:
            print(f"error {r.name}: {r.error}", file=sys.stderr)
    print(table(rows))
    print("\nreliability: causes said with a probability of …, mean said, share true")
    for low, n, said, true in reliability([r for r in rows if r.odds]):
        print(f"  {low:.1f}+ {n:6} {said:6.2f} {true:6.2f}")
    if options.confusion:
        print("\n" + confusion(rows))
    if options.silent:
        told = Counter((r.course, r.seen) for r in rows if not r.odds)
        print("\nsilent logs, by course and by what there was to be seen")
        for (course, seen), n in sorted(told.items()):
            print(f"  {course:14} {seen:22} {n:4}")
    if options.clip:
        print("\n" + clips(rows))
    for r in rows if options.missed else ():
        if not r.right(1):
            top = ", ".join(f"{k} {r.odds[k]:.2f}" for k in r.order[:3]) or "silent"
            print(f"  {r.name}: {top} ({', '.join(r.codes)})")
    if options.json:
        with open(options.json, "w", encoding="utf-8") as file:
            json.dump([asdict(r) for r in rows], file)
    print("load", " ".join(f"{x:.1f}" for x in os.getloadavg()))


if __name__ == "__main__":
    main()
