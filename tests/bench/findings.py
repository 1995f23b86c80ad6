"""What is found in logs of the second machine, against what is wrong with it:

    python -m tests.bench.findings [--logs 124] [--first 0] [--files] [--jobs 1] [--story stalled]

For faulty logs: whether one of the codes that must be found was found. For healthy ones: every finding that calls for action
(a false alarm), and how often each code comes up at all. With --files each log is written as logger files and read back,
without it the cycles room gets the timeline as it was made.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit
from tests.bench.second_grid import grid
from tests.bench.second_machine import Case, Log, make_log, to_timeline, write_csv

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


def read_back(log: Log, unit: Unit) -> Timeline:
    """The log through logger files and the reading room."""
    from pipeline.logs import assemble, read_file

    with tempfile.TemporaryDirectory() as folder:
        tables = [table for path in write_csv(log, Path(folder)) for table in read_file(path, unit)]
        return assemble(tables, unit)


def run_case(case: Case, *, files: bool = False) -> Outcome:
    from pipeline.cycles import find_cycles
    from pipeline.findings import judge

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


def report(outcomes: list[Outcome]) -> str:
    """The printout: false alarms, missed faults, and the codes by story."""
    lines = []
    alarms = [
        o
        for o in outcomes
        if o.healthy
        and any(
            s == "act"
            for c, s, _ in o.codes
            if not (c in NOT_FAULTS and o.case.strata["story"] in SENSOR_STORIES)
        )
    ]
    healthy = [o for o in outcomes if o.healthy]
    lines.append(
        f"healthy logs: {len(healthy)}, with a finding to act on: {len(alarms)}, with any fault named: {sum(any(c not in NOT_FAULTS for c, *_ in o.codes) for o in healthy)}"
    )
    for o in alarms:
        lines.append(f"  {_who(o)}")
        lines += [f"      {c} {s}: {e[:150]}" for c, s, e in o.codes if s == "act"]
    faulty = [o for o in outcomes if o.due]
    missed = [o for o in faulty if not all(wanted & {c for c, *_ in o.codes} for wanted in o.due)]
    lines.append(f"faulty logs: {len(faulty)}, fault not named: {len(missed)}")
    for o in missed:
        lines.append(
            f"  {_who(o)}: due {' / '.join('|'.join(sorted(w)) for w in o.due)}, found {sorted({c for c, *_ in o.codes}) or 'nothing'}"
        )
    stories: dict[str, list[Outcome]] = defaultdict(list)
    for o in outcomes:
        stories[o.case.strata["story"]].append(o)
    lines.append("codes by story (act/watch/note):")
    for story, members in sorted(stories.items()):
        counts = Counter((c, s) for o in members for c, s in {(c, s) for c, s, _ in o.codes})
        names = sorted({c for c, _ in counts})
        shown = ", ".join(
            f"{c} " + "/".join(str(counts[c, s]) for s in ("act", "watch", "note")) for c in names
        )
        lines.append(f"  {story:20} {len(members):3} logs  {shown}")
    lines += [f"error in {_who(o)}: {o.error}" for o in outcomes if o.error]
    return "\n".join(lines)


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
    args = parser.parse_args(argv)
    cases = [c for c in grid(args.logs, first=args.first) if args.story in ("", c.strata["story"])]
    with ProcessPoolExecutor(args.jobs) as pool:
        print(report(list(pool.map(partial(run_case, files=args.files), cases))))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
