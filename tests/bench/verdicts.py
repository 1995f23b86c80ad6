"""Verdicts on machines that stop, are repaired, are bad from the start or slowly change, and on healthy ones:

    python -m tests.bench.verdicts [--of demo second worlds] [--seeds 20] [--first 0] [--story NAME …] [--twins] [--missed] [--truth]
    python -m tests.bench.verdicts [--of demo second worlds] --healthy 100 [--first 0] [--missed] [--truth]

Stories are told in the demo's simulator, in a second one with other equations, and in machines whose structure is drawn at random. `named`: one of
the codes that are due came as `act` or `watch`; `wrong`: a code came that must not, an `act` where none is due, another cause first than is due, or "well". Healthy weeks hold
strong innocent change: a day swing of 15 K, water from 8 to 19 °C, another room, a cleaning, a power cut. Machines that are timed by
design are left out of the worlds': a log alone does not tell them from a failed sensor. Everything is invented.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field, replace
from importlib import import_module

from pipeline.cycles import find_cycles
from pipeline.cycles.record import CycleRecord
from pipeline.findings.engine import judge
from pipeline.findings.finding import Judgement, Severity
from tests.bench.stories import Drawn, Story
from tests.findings.from_truth import record_of

PLACES = ("demo", "second", "worlds")


def record_by(drawn: Drawn, *, truth: bool) -> CycleRecord:
    return (
        record_of(drawn.timeline, drawn.truth, drawn.unit)
        if truth
        else find_cycles(drawn.timeline, drawn.unit)
    )


def judged(drawn: Drawn, *, truth: bool) -> Judgement:
    return judge(drawn.timeline, record_by(drawn, truth=truth), drawn.unit)


@dataclass(kw_only=True)
class Row:
    logs: int = 0
    named: int = 0
    right: int = 0  # named, and nothing wrong
    wrong: Counter[str] = field(default_factory=Counter)
    told: list[str] = field(default_factory=list)


def tally(row: Row, story: Story, drawn: Drawn, judgement: Judgement) -> None:
    grave = {f.code: f.severity for f in judgement.findings if f.severity is not Severity.NOTE}
    said = " ".join(f"{f.severity}:{f.code}" for f in judgement.findings)
    named = bool(story.due & set(grave)) or not story.due
    bad = [c for c in grave if c in story.never]
    if not story.act:
        bad += [f"act:{f.code}" for f in judgement.findings if f.severity is Severity.ACT]
    if story.first:
        likeliest = {f.causes[0].cause for f in judgement.findings if f.code in story.due and f.causes}
        bad += [f"cause:{cause}" for cause in likeliest - story.first]
    if not story.well and judgement.verdict.level == "well":
        bad.append("well")
    bad += [what] if (what := story.holds(drawn, judgement)) else []
    row.logs += 1
    row.named += named
    row.right += named and not bad
    row.wrong.update(bad)
    if bad or not named:
        row.told.append(f"{'' if named else 'missed '}{bad or ''} ({said or 'nothing'}): {drawn.name}")


def print_stories(place: str, names: list[str], seeds: range, *, truth: bool, missed: bool) -> Counter[str]:
    stories: dict[str, Story] = import_module(f"tests.bench.stories_{place}").STORIES
    total: Counter[str] = Counter()
    print(f"{place + ' story':40} {'logs':>4} {'named':>5} {'right':>5}  wrong")
    for name in [n for n in stories if not names or n in names]:
        row = Row()
        for seed in seeds:
            if (drawn := stories[name].made(seed)) is None:
                continue
            tally(row, stories[name], drawn, judged(drawn, truth=truth))
        wrong = ", ".join(f"{c} {n}" for c, n in row.wrong.most_common())
        print(f"{name:40} {row.logs:4} {row.named:5} {row.right:5}  {wrong}", flush=True)
        for line in row.told if missed else ():
            print("      " + line, flush=True)
        total.update(logs=row.logs, named=row.named, right=row.right)
    print(f"{place + ', all':40} {total['logs']:4} {total['named']:5} {total['right']:5}", flush=True)
    return total


def print_twins(place: str, names: list[str], seeds: range, *, truth: bool, missed: bool) -> None:
    """What is said of the healthy twins of the stories."""
    stories: dict[str, Story] = import_module(f"tests.bench.stories_{place}").STORIES
    count: Counter[str] = Counter()
    for name in [n for n in stories if not names or n in names]:
        for seed in seeds:
            if (drawn := stories[name].made(seed, sound=True)) is not None:
                drawn = replace(drawn, name=f"{name} {drawn.name}")
                count.update(graver(drawn, judged(drawn, truth=truth), missed=missed))
    print(f"{place}: healthy twins {count['logs']}, act {count['act']}, watch {count['watch']}", flush=True)


def graver(drawn: Drawn, judgement: Judgement, *, missed: bool) -> dict[str, int]:
    """One log, and whether it got an `act` or a `watch`; each is told where `missed`."""
    grave = [f for f in judgement.findings if f.severity is not Severity.NOTE]
    for f in grave if missed else ():
        print(f"      {f.severity} {f.code} {dict(f.evidence)}: {drawn.name}", flush=True)
    kinds = {f.severity for f in grave}
    return {"logs": 1, "act": int(Severity.ACT in kinds), "watch": int(Severity.WATCH in kinds)}


def print_healthy(place: str, seeds: range, *, truth: bool, missed: bool) -> None:
    healthy = import_module(f"tests.bench.stories_{place}").healthy
    count: Counter[str] = Counter()
    for seed in seeds:
        drawn = healthy(seed)
        count.update(graver(drawn, judged(drawn, truth=truth), missed=missed))
    print(f"{place}: healthy weeks {count['logs']}, act {count['act']}, watch {count['watch']}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--of", nargs="*", default=list(PLACES), choices=PLACES)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--story", nargs="*", default=[])
    parser.add_argument("--healthy", type=int, metavar="WEEKS", help="of each simulator")
    parser.add_argument("--twins", action="store_true", help="the stories' healthy twins instead")
    parser.add_argument("--truth", action="store_true", help="phases from the simulator")
    parser.add_argument("--missed", action="store_true", help="tell log by log what went wrong")
    options = parser.parse_args()
    for place in options.of:
        if options.healthy:
            seeds = range(options.first, options.first + options.healthy)
            print_healthy(place, seeds, truth=options.truth, missed=options.missed)
        else:
            seeds = range(options.first, options.first + options.seeds)
            told = print_twins if options.twins else print_stories
            told(place, options.story, seeds, truth=options.truth, missed=options.missed)


if __name__ == "__main__":
    main()
