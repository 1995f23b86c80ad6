"""The segmentation on logs of the second machine, stratum by stratum, next to methods without knowledge of ice machines.

    python -m tests.bench.segmentation [--logs 248] [--first 0] [--quick] [--trusted] [--jobs 1] [--worst 20] [--stratum channels=current] [--one SEED]

Prints for each stratum: boundary F1 at max(20 s, 1.5 intervals), median error, cycle-count error, label agreement, share of
time with a wrong label, calibration of the stated 90 % uncertainty, harvests made up in healthy logs (no true one is near);
and the F1 of the others.
The searches of `ruptures` place no labels: theirs is the F1 of bare change points, which is the easier task.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from pipeline.unit import Unit
from tests.bench import baselines
from tests.bench.findings import read_back
from tests.bench.second_grid import COARSE_S, build_case, case_at, grid
from tests.bench.second_machine import Case, make_log, to_timeline
from tests.scoring import BOUNDARY_TYPES, Score, f1_of, score, untyped_f1

RIVALS = ("Pelt", "KernelCPD", "Window")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One log's scores."""

    case: Case
    interval_s: float
    healthy: bool
    ours: Score
    threshold: Score
    rivals: dict[str, tuple[int, int, int]]
    seconds: float
    error: str = ""


def run_case(case: Case, *, rivals: bool = True, trusted: bool = False) -> Outcome:
    """Scores of one case; an exception of the room under test is an outcome, scored as nothing found.

    trusted: hand the readings on as they are. Otherwise the log is written as logger files and read back, as in a user's folder, so
    that the interval and the resolution are the reader's, and what it distrusts is left out.
    """
    from pipeline.cycles import find_cycles

    log = make_log(case)
    unit = Unit(name=f"second-{case.seed}")
    timeline = to_timeline(log) if trusted else read_back(log, unit)
    began = time.perf_counter()
    error = ""
    try:
        found = find_cycles(timeline, unit).phases
    except Exception as problem:  # the benchmark must go on and name the log
        error = f"{type(problem).__name__}: {problem}"
        found = [baselines.PlainPhase(kind="unclear", start_ns=log.start_ns, end_ns=log.end_ns)]
    seconds = time.perf_counter() - began
    others = {}
    if rivals:
        others = {
            name: untyped_f1(log.truth, points, interval_s=log.interval_s, until_ns=until)
            for name, (points, until) in baselines.ruptures_points(log).items()
        }
    return Outcome(
        case=case,
        interval_s=log.interval_s,
        healthy=log.healthy,
        ours=score(log.truth, found, interval_s=log.interval_s),
        threshold=score(log.truth, baselines.threshold_phases(log), interval_s=log.interval_s),
        rivals=others,
        seconds=seconds,
        error=error,
    )


def _f1(scores: Iterable[Score]) -> float:
    counts = np.array([(s.hits, s.false, s.missed) for s in scores]).sum(axis=0)
    return f1_of(*(int(c) for c in counts))


def row(name: str, outcomes: list[Outcome]) -> list[str]:
    ours = [o.ours for o in outcomes]
    errors = np.concatenate([s.errors_s for s in ours])
    parts = np.concatenate([s.errors_s / o.interval_s for s, o in zip(ours, outcomes, strict=True)])
    stated = sum(s.stated for s in ours)
    cells = [
        name,
        str(len(outcomes)),
        f"{_f1(ours):.3f}",
        f"{np.median(np.abs(errors)):.1f}" if len(errors) else "–",
        f"{np.median(np.abs(parts)):.2f}" if len(parts) else "–",
        f"{np.mean([abs(s.cycles_found - s.cycles_true) for s in ours]):.2f}",
        f"{100 * np.mean([s.agree for s in ours]):.1f}",
        f"{100 * np.mean([s.wrong for s in ours]):.1f}",
        f"{np.mean([s.covering for s in ours]):.3f}",
        f"{100 * sum(s.inside for s in ours) / stated:.0f}" if stated else "–",
        str(sum(o.ours.made_up for o in outcomes if o.healthy)),
        f"{_f1(o.threshold for o in outcomes):.3f}",
    ]
    for rival in RIVALS:
        counts = [o.rivals[rival] for o in outcomes if rival in o.rivals]
        cells.append(f"{f1_of(*np.array(counts).sum(axis=0)):.3f}" if counts else "–")
    return cells


HEAD = [
    "stratum",
    "logs",
    "F1",
    "|err| s",
    "/intvl",
    "cyc err",
    "agree %",
    "wrong %",
    "cover",
    "calib %",
    "made up",
    "thresh",
    *RIVALS,
]


def table(rows: list[list[str]]) -> str:
    widths = [max(len(r[i]) for r in [HEAD, *rows]) for i in range(len(HEAD))]
    return "\n".join(
        "  ".join(
            c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(r, widths, strict=True))
        )
        for r in [HEAD, *rows]
    )


def by_boundary(outcomes: list[Outcome]) -> str:
    """Each type of boundary, over all logs and by channel set: counts, and whether it is found early or late."""
    lines = [
        "boundary           channels              F1    hits false missed   error s (quartiles, found minus true)"
    ]
    sets = ["all", *dict.fromkeys(o.case.strata["channels"] for o in outcomes)]
    for kind in BOUNDARY_TYPES:
        for channels in sets:
            members = [o.ours for o in outcomes if channels in ("all", o.case.strata["channels"])]
            counts = np.array([s.by_type[kind] for s in members]).sum(axis=0)
            errors = np.concatenate([s.wide_errors_s[kind] for s in members])
            spread = (
                " ".join(f"{q:+7.1f}" for q in np.percentile(errors, [25, 50, 75])) if len(errors) else "–"
            )
            lines.append(
                f"{kind:17}  {channels:20} {f1_of(*counts):.3f} {counts[0]:6d} {counts[1]:5d} {counts[2]:6d}   {spread}"
            )
    return "\n".join(lines)


def confusion(outcomes: list[Outcome]) -> str:
    """Hours of each true label by what they were called."""
    labels = ("freeze", "harvest", "idle", "unclear", "gap")
    lines = ["hours, true by found  " + "".join(f"{label:>10}" for label in labels)]
    for true in labels:
        cells = [sum(o.ours.hours.get((true, seen), 0.0) for o in outcomes) for seen in labels]
        lines.append(f"{true:22}" + "".join(f"{h:10.1f}" for h in cells))
    return "\n".join(lines)


def report(outcomes: list[Outcome], *, worst: int) -> str:
    """The whole printout."""
    rows = [
        row("all", outcomes),
        row("interval ≤ 30 s", [o for o in outcomes if o.interval_s <= 30] or outcomes),
    ]
    groups: dict[tuple[str, str], list[Outcome]] = defaultdict(list)
    for o in outcomes:
        for factor, level in o.case.strata.items():
            groups[factor, level].append(o)
    for (factor, level), members in sorted(
        groups.items(), key=lambda g: (g[0][0], _number(g[0][1]), g[0][1])
    ):
        rows.append(row(f"{factor}: {level}", members))
    fine = [
        (level, _f1(o.ours for o in few))
        for level, m in groups.items()
        if (few := [o for o in m if o.interval_s <= 30])
    ]
    lines = [table(rows), ""]
    lines += [by_boundary(outcomes), "", confusion(outcomes)]
    lines.append("")
    lines += [
        "weakest strata, interval ≤ 30 s: "
        + ", ".join(f"{f}: {lv} {v:.3f}" for (f, lv), v in sorted(fine, key=lambda x: x[1])[:10]),
        "",
    ]
    bad = sorted(outcomes, key=lambda o: -(o.ours.false + o.ours.missed))[:worst]
    lines.append("logs that lose most boundaries (seed = index in the grid):")
    for o in bad:
        s = o.ours
        if s.f1 >= 1.0 and not o.error:
            continue
        where = " ".join(f"{v}" for v in o.case.strata.values())
        lines.append(
            f"  {o.case.seed}: F1 {s.f1:.3f} ({s.hits}/{s.false}/{s.missed} hit/false/missed), agree {s.agree:.3f} | {where} lag {o.case.clip.lag_s:.0f} s {o.error}"
        )
        lines += [f"      {d}" for d in s.details[:3]]
    seconds = np.array([o.seconds for o in outcomes])
    lines += [
        "",
        f"find_cycles: median {1e3 * np.median(seconds):.0f} ms a log, slowest {1e3 * seconds.max():.0f} ms; errors in {sum(bool(o.error) for o in outcomes)} logs",
    ]
    return "\n".join(lines)


def _number(level: str) -> float:
    head = level.split()[0].split("-")[0]
    try:
        return float(head)
    except ValueError:
        return 0.0


def coarse_check(logs: int = 8) -> str:
    """What is said of 300 s logs: none may time harvests."""
    from pipeline.cycles import find_cycles

    lines = [f"{COARSE_S:g} s logs (must not time harvests):"]
    for i in range(logs):
        kind = ("cube10", "cube17", "slab24", "cube33", "slab48", "slab70")[i % 6]
        channels = ("evaporator", "evaporator+current", "current", "suction")[i % 4]
        timeline = to_timeline(
            make_log(build_case(9000 + i, kind=kind, interval_s=COARSE_S, channels=channels, story="none"))
        )
        record = find_cycles(timeline, Unit(name="coarse"))
        timed = int(record.cycles["harvest_min"].notna().sum()) if len(record.cycles) else 0
        lines.append(
            f"  {kind} {channels}: harvests_timed={record.harvests_timed}, cycles with a harvest length: {timed}"
        )
    return "\n".join(lines)


def side_by_side(case: Case) -> str:
    """Every true and found phase of one log in order of time, with what the score objects to."""
    from pipeline.cycles import find_cycles

    log = make_log(case)
    unit = Unit(name="one")
    record = find_cycles(read_back(log, unit), unit)
    lines = [
        " ".join(case.strata.values())
        + f" | {case.hours:.1f} h, clip {case.clip}, meter {case.meter}, plan {case.plan}",
        f"lag estimated {dict(record.lag_s)}, harvests timed {record.harvests_timed}, pattern {record.pattern}",
    ]
    events = [(p.start_ns, 0, f"true   {p.kind}") for p in log.truth]
    events += [
        (
            p.start_ns,
            1,
            f"    found  {p.kind} ±{p.start_uncertainty_s:.0f} s {p.confidence:.2f} {p.why}",
        )
        for p in record.phases
    ]
    lines += [f"{(at - log.start_ns) / 3.6e12:9.4f} h  {text}" for at, _, text in sorted(events)]
    return "\n".join([*lines, *score(log.truth, record.phases, interval_s=log.interval_s).details])


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--logs", type=int, help="248; 62 with --quick")
    parser.add_argument(
        "--first", type=int, default=0, help="index of the first case: other logs of the same grid"
    )
    parser.add_argument(
        "--quick", action="store_true", help="without the searches of ruptures, which take most of the time"
    )
    parser.add_argument(
        "--trusted", action="store_true", help="hand the readings on without files and the reading room"
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--worst", type=int, default=25)
    parser.add_argument("--stratum", default="", help="only cases of this stratum, such as channels=current")
    parser.add_argument(
        "--one", type=int, metavar="SEED", help="one log: the true phases beside the found ones"
    )
    args = parser.parse_args(argv)
    if args.one is not None:
        print(side_by_side(case_at(args.one)))
        return 0
    cases = grid(args.logs or (62 if args.quick else 248), first=args.first)
    if args.stratum:
        factor, level = args.stratum.split("=")
        cases = [c for c in cases if c.strata[factor] == level]
    outcomes = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for number, outcome in enumerate(
            pool.map(partial(run_case, rivals=not args.quick, trusted=args.trusted), cases), start=1
        ):
            outcomes.append(outcome)
            if sys.stderr.isatty():
                print(f"\r{number} of {len(cases)} logs", end="", file=sys.stderr, flush=True)
    print(report(outcomes, worst=args.worst))
    print()
    print(coarse_check())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
