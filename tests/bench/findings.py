"""What is found in logs of the second machine, against what is wrong with it:

    python -m tests.bench.findings [--logs 124] [--first 0] [--files] [--jobs 1] [--story stalled] [--missed]

For faulty logs: whether one of the codes that must be found was found. For healthy ones: how many logs call for action, or for a
look, without reason. With --files each log is written as logger files and read back, without it the cycles room gets the
timeline as it was made.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit
from tests.bench.second_grid import grid
from tests.bench.second_machine import Case, SecondLog, make_log, to_timeline, write_csv

NOT_FAULTS = frozenset({"log-gap", "log-coarse", "clock-offset", "probe-fault", "probe-loose", "clamp-dead"})
SENSOR_STORIES = frozenset({"clamp-dies", "probe-falls-off", "spikes", "drop-outs", "bursts", "clip-moved"})


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """The findings of one log."""

    case: Case
    healthy: bool
    due: tuple[frozenset[str], ...]
    codes: tuple[tuple[str, str, str], ...]  # code, severity, evidence
    level: str
    error: str = ""


def read_back(log: SecondLog, unit: Unit) -> Timeline:
    """The log through logger files and the reading room."""
    from pipeline.logs import assemble, read_file

    with tempfile.TemporaryDirectory() as folder:
        tables = [table for path in write_csv(log, Path(folder)) for table in read_file(path, unit)]
        return assemble(tables, unit)


def run_case(case: Case, *, files: bool = False) -> Outcome:
    from pipeline.cycles import find_cycles
    from pipeline.findings.engine import judge

    log = make_log(case)
    unit = Unit(name=f"second-{case.seed}", cooling="water" if case.water_cooled else "air")
    try:
        timeline = read_back(log, unit) if files else to_timeline(log)
        judgement = judge(timeline, find_cycles(timeline, unit), unit)
    except Exception as problem:  # the benchmark must go on and name the log
        return Outcome(
            case=case,
            healthy=log.healthy,
            due=log.expected_codes,
            codes=(),
            level="error",
            error=f"{type(problem).__name__}: {problem}",
        )
    codes = tuple(
        (f.code, str(f.severity), ", ".join(f"{k}={_short(v)}" for k, v in f.evidence.items()))
        for f in judgement.findings
    )
    return Outcome(
        case=case, healthy=log.healthy, due=log.expected_codes, codes=codes, level=judgement.verdict.level
    )


def _short(value) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)[:60]


def report(outcomes: list[Outcome], *, tell: bool) -> str:
    """A row a story: logs, how many of the due faults were named, logs that call for action or for a look although nothing
    is wrong with the machine, codes. `tell`: log by log what was missed and what was a false alarm."""
    stories: dict[str, list[Outcome]] = defaultdict(list)
    for o in outcomes:
        stories[o.case.strata["story"]].append(o)
    lines = [f"{'story':20} {'logs':>4} {'due':>4} {'named':>5} {'act':>4} {'watch':>5}  codes (logs)"]
    every = [*sorted(stories.items()), ("all", outcomes)]
    for story, members in every:
        due = [o for o in members if o.due]
        named = [o for o in due if not _missed(o)]
        act, watch = (sum(bool(_alarms(o, severity)) for o in members) for severity in ("act", "watch"))
        codes = Counter(code for o in members for code in {c for c, *_ in o.codes})
        shown = ", ".join(f"{code} {n}" for code, n in codes.most_common(8)) if story != "all" else ""
        lines.append(f"{story:20} {len(members):4} {len(due):4} {len(named):5} {act:4} {watch:5}  {shown}")
        for o in members if tell and story != "all" else ():
            if _missed(o):
                due_codes = ", ".join("|".join(sorted(w)) for w in _missed(o))
                lines.append(f"      missed {due_codes} ({', '.join(sorted({c for c, *_ in o.codes})) or 'nothing found'}): {_who(o)}")  # fmt: skip
            lines += [f"      {c} {s}: {e[:150]}: {_who(o)}" for c, s, e in _alarms(o, "act")]
    lines += [f"error in {_who(o)}: {o.error}" for o in outcomes if o.error]
    return "\n".join(lines)


def _missed(o: Outcome) -> list[frozenset[str]]:
    return [wanted for wanted in o.due if not wanted & {c for c, *_ in o.codes}]


def _alarms(o: Outcome, severity: str) -> list[tuple[str, str, str]]:
    """The findings of this severity on a machine with which nothing is wrong; what is wrong with its logger may be said."""
    sensor = o.case.strata["story"] in SENSOR_STORIES
    return [x for x in o.codes if o.healthy and x[1] == severity and not (sensor and x[0] in NOT_FAULTS)]


def _who(o: Outcome) -> str:
    return f"{o.case.seed} ({' '.join(o.case.strata.values())})"


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--logs", type=int, default=124)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--files", action="store_true", help="through logger files and the reading room")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--story", default="")
    parser.add_argument("--missed", action="store_true", help="tell log by log what went wrong")
    args = parser.parse_args(argv)
    cases = [c for c in grid(args.logs, first=args.first) if args.story in ("", c.strata["story"])]
    with ProcessPoolExecutor(args.jobs) as pool:
        print(report(list(pool.map(partial(run_case, files=args.files), cases)), tell=args.missed))
    print("load", " ".join(f"{x:.1f}" for x in os.getloadavg()))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
