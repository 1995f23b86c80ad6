"""The segmentation on random worlds, by channel set, course of change, interval and structure.

    python -m tests.bench.worlds [--part worked|scored] [--first 0] [--logs 100] [--files] [--jobs 1] [--json FILE] [--worst 20]
                                 [--each-channel] [--one SEED]

F1 is the mean over logs, at max(20 s, 1.5 intervals); `loose` at max(90 s, three tolerances). `holds`: share of freeze and harvest lengths of
complete cycles whose error is within the stated uncertainty (stated: 90 %). `made up`: harvests found in healthy logs where no true one is near.
--files writes each log as CSV files and reads them back. --each-channel scores logs with line and clamp with both and with each alone.
Figures of the part "scored" are only looked at as totals: its worst logs are listed only on
demand, and whoever opens one has worked on that structure.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from tests.bench.worlds.draw import World, draw
from tests.bench.worlds.scorer import SCORED, Counts, Score, Span, score
from tests.bench.worlds.simulate import DAY_0_NS, WorldLog, alone, simulate, timeline, write

Finder = Callable[[WorldLog], tuple[list[Span], list[tuple[float, float, float, float, float]]]]
"""A method: the phases it finds in a log [s], and of each complete cycle what `score` wants to know."""

WORSE_BY = 0.02


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One world's scores."""

    seed: int
    tags: dict[str, str]
    healthy: bool
    score: Score
    seconds: float
    error: str = ""
    each: dict[str, float] = field(default_factory=dict)  # "line", "clamp" -> F1 alone


def read_files(log: WorldLog):
    """The `Timeline` of the log by way of CSV files. Raises what the reading room raises."""
    from pipeline.cycles import on_one_clock
    from pipeline.logs import assemble, read_file
    from pipeline.unit import Unit

    unit = Unit(name=f"world-{log.world.seed}")
    with tempfile.TemporaryDirectory() as folder:
        tables = [t for path in write(log, Path(folder)) for t in read_file(path, unit)]
    return on_one_clock(assemble(tables, unit), unit)


def by_pipeline(log: WorldLog, *, files: bool = False):
    """What `find_cycles` finds: see `Finder`."""
    from pipeline.cycles import find_cycles
    from pipeline.unit import Unit

    record = find_cycles(read_files(log) if files else timeline(log), Unit(name=f"world-{log.world.seed}"))
    seconds = lambda ns: (ns - DAY_0_NS) / 1e9  # noqa: E731
    phases = [(seconds(p.start_ns), seconds(p.end_ns), str(p.kind)) for p in record.phases]
    c = record.cycles
    whole = c[c["complete"]] if len(c) else c
    cycles = [
        (seconds(f), 60 * fm, seconds(h), 60 * hm, 60 * u)
        for f, fm, h, hm, u in zip(
            whole.get("freeze_start_ns", ()),
            whole.get("freeze_min", ()),
            whole.get("harvest_start_ns", ()),
            whole.get("harvest_min", ()),
            whole.get("uncertainty_min", ()),
            strict=True,
        )
    ]
    return phases, cycles


def by_truth(log: WorldLog):
    """The truth itself, as a method: what any score must be perfect for."""
    pairs = zip(log.phases[1:-2], log.phases[2:-1], strict=True)
    cycles = [
        (f[0], f[1] - f[0], h[0], h[1] - h[0], 1.0) for f, h in pairs if (f[2], h[2]) == ("freeze", "harvest")
    ]
    return list(log.phases), cycles


def judged(log: WorldLog, finder: Finder) -> Score:
    """The score of what `finder` finds in `log`; what it raises, it raises."""
    phases, cycles = finder(log)
    return score(
        log.phases,
        phases,
        interval_s=log.interval_s,
        length_s=log.length_s,
        unscored=log.unscored,
        cycles=cycles,
    )


def outcome_of(seed: int, *, part: str | None, finder: Finder = by_pipeline, each: bool = False) -> Outcome:
    """One world's outcome; an exception of the method is an outcome, scored as nothing found."""
    log = simulate(draw(seed, part))
    began = time.perf_counter()
    error, parts = "", {}
    try:
        result = judged(log, finder)
    except Exception as problem:  # the bench goes on and names the log
        error = f"{type(problem).__name__}: {problem}"
        result = judged(log, lambda _log: ([], []))
    seconds = time.perf_counter() - began
    if each and both(log.world):
        line = [r for r in log.world.roles if not r.startswith("current")]
        for name, roles in (("line", line), ("clamp", [r for r in log.world.roles if r not in line])):
            try:
                parts[name] = judged(alone(log, *roles), finder).f1
            except Exception as problem:
                error = f"{name} alone: {type(problem).__name__}: {problem}"
                parts[name] = 0.0
    return Outcome(
        seed=seed,
        tags=log.tags,
        healthy=log.healthy,
        score=result,
        seconds=seconds,
        error=error,
        each=parts,
    )


def both(world: World) -> bool:
    """Whether a line and a clamp were logged by one clock, so that one may be held against the other."""
    clamps = [r for r in world.roles if r.startswith("current")]
    return bool(clamps) and len(clamps) < len(world.roles) and not world.other_interval_s


HEAD = ("", "logs", "F1", "freeze", "harvest", "loose", "pooled", "holds %", "made up")


def row(name: str, outcomes: Iterable[Outcome]) -> tuple[str, ...]:
    """One line of the table."""
    group = list(outcomes)
    mean = lambda values: f"{np.mean(list(values)):.3f}"  # noqa: E731
    kinds = [mean(o.score.strict[k].f1 for o in group) for k in SCORED]
    pooled = sum((o.score.counts for o in group), Counts()).f1
    lengths, held = sum(o.score.lengths for o in group), sum(o.score.held for o in group)
    return (
        name,
        str(len(group)),
        mean(o.score.f1 for o in group),
        *kinds,
        mean(o.score.loose.f1 for o in group),
        f"{pooled:.3f}",
        f"{100 * held / lengths:.0f}" if lengths else "–",
        str(sum(o.score.made_up for o in group if o.healthy)),
    )


def table(rows: Iterable[tuple[str, ...]]) -> str:
    every = [HEAD, *rows]
    widths = [max(len(r[i]) for r in every) for i in range(len(HEAD))]
    return "\n".join(
        "  ".join(
            c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(r, widths, strict=True))
        )
        for r in every
    )


FIRST_TAGS = ("channels", "course", "interval", "loggers")


def report(outcomes: list[Outcome], *, worst: int) -> str:
    """The whole printout."""
    rows = [row("all", outcomes)]
    names = [*FIRST_TAGS, *(t for t in outcomes[0].tags if t not in FIRST_TAGS)]
    for name in names:
        groups: dict[str, list[Outcome]] = defaultdict(list)
        for o in outcomes:
            for level in o.tags[name].split(", ") if name == "changing" else [o.tags[name]]:
                groups[level].append(o)
        rows += [row(f"{name}: {level}", members) for level, members in sorted(groups.items())]
    lines = [table(rows), ""]
    if worst:
        lines.append(f"worst {worst} (seed: F1, loose; median error of freeze and harvest starts):")
    for o in sorted(outcomes, key=lambda o: o.score.f1)[:worst]:
        errors = " ".join(f"{np.median(e):+.0f}" if len(e) else "–" for e in o.score.errors_s.values())
        where = ", ".join(f"{o.tags[t]}" for t in FIRST_TAGS)
        kind = "; ".join(
            f"{t} {v}" for t, v in o.tags.items() if t not in FIRST_TAGS and v not in ("no", "none")
        )
        lines.append(
            f"  {o.seed}: {o.score.f1:.3f}, {o.score.loose.f1:.3f}; {errors} s | {where} | {kind} {o.error}"
        )
    lengths = [o.score.held / o.score.lengths for o in outcomes if o.score.lengths >= 10]
    if lengths:
        lines += [
            "",
            f"stated 90 %: in the worst log {min(lengths):.0%}, under 70 % in {sum(x < 0.7 for x in lengths)} logs",
        ]
    seconds = np.array([o.seconds for o in outcomes])
    lines.append(
        f"{np.median(seconds):.2f} s a log (median), {seconds.max():.1f} at most; errors in {sum(bool(o.error) for o in outcomes)}"
    )
    if any(o.each for o in outcomes):
        lines += ["", each_channel(outcomes)]
    return "\n".join(lines)


def each_channel(outcomes: Iterable[Outcome]) -> str:
    """On how many logs line and clamp together do worse than one of them alone."""
    group = [o for o in outcomes if o.each]
    worse = [o for o in group if o.score.f1 < max(o.each.values()) - WORSE_BY]
    mean = lambda values: f"{np.mean(list(values)):.3f}"  # noqa: E731
    lines = [
        f"line and clamp on one clock, {len(group)} logs: both {mean(o.score.f1 for o in group)}, line alone {mean(o.each['line'] for o in group)}, "
        f"clamp alone {mean(o.each['clamp'] for o in group)}; both worse by over {WORSE_BY} F1 on {len(worse)} ({len(worse) / len(group):.0%})"
    ]
    for o in sorted(worse, key=lambda o: o.score.f1 - max(o.each.values())):
        lines.append(
            f"  {o.seed}: both {o.score.f1:.3f}, line {o.each['line']:.3f}, clamp {o.each['clamp']:.3f}"
        )
    return "\n".join(lines)


def as_json(outcomes: Iterable[Outcome]) -> str:
    """Every outcome, for other programs."""
    return json.dumps(
        [
            {
                "seed": o.seed,
                "f1": o.score.f1,
                "f1_freeze": o.score.strict["freeze"].f1,
                "f1_harvest": o.score.strict["harvest"].f1,
                "loose": o.score.loose.f1,
                "lengths": o.score.lengths,
                "held": o.score.held,
                "made_up": o.score.made_up,
                "healthy": o.healthy,
                "error": o.error,
                "each": o.each,
                "tags": o.tags,
            }
            for o in outcomes
        ],
        indent=1,
    )


def side_by_side(seed: int, part: str | None) -> str:
    """Every true and found phase of one log, in order of time."""
    log = simulate(draw(seed, part))
    found, _cycles = by_pipeline(log)
    events = [(a, f"true   {k}") for a, _b, k in log.phases] + [(a, f"    found  {k}") for a, _b, k in found]
    lines = [str(log.tags), f"clips {dict(log.world.clips)}, {log.world.changes}"]
    return "\n".join([*lines, *(f"{at:10.1f} s  {text}" for at, text in sorted(events))])


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--part", choices=["worked", "scored"], help="structures to be worked on, or only ever scored"
    )
    parser.add_argument("--first", type=int, default=0, metavar="SEED")
    parser.add_argument("--logs", type=int, default=100)
    parser.add_argument("--files", action="store_true", help="through CSV files and the reading room")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="FILE")
    parser.add_argument("--worst", type=int, help="20; none of the structures only ever scored")
    parser.add_argument("--each-channel", action="store_true")
    parser.add_argument("--one", type=int, metavar="SEED", help="true and found phases of one log")
    args = parser.parse_args(argv)
    if args.one is not None:
        print(side_by_side(args.one, args.part))
        return 0
    work = partial(
        outcome_of, part=args.part, finder=partial(by_pipeline, files=args.files), each=args.each_channel
    )
    outcomes = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for outcome in pool.map(work, range(args.first, args.first + args.logs)):
            outcomes.append(outcome)
            if sys.stderr.isatty():
                print(f"\r{len(outcomes)} of {args.logs} logs", end="", file=sys.stderr, flush=True)
    if args.json:
        args.json.write_text(as_json(outcomes), encoding="utf-8")
    worst = args.worst if args.worst is not None else 0 if args.part == "scored" else 20
    print(report(outcomes, worst=worst))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
