"""How long the segmentation takes, measured against `ruptures` in the same run: python -m tests.bench.segmentation_speed

Labels and measures are included in our time. The search of `ruptures` runs once over the same week at full rate, scaled to
unit variance, with pen=20 and min_size=20. Times are of the processor, so that other work on the machine counts little;
only ratios within one run mean anything.
"""

from __future__ import annotations

import argparse
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit
from tests.bench.baselines import signal_of
from tests.bench.second_machine import Case, SecondLog, make_log, to_timeline
from tests.bench.second_probes import Clip
from tests.bench.second_story import Plan

WEEK_H = 168.0
DAY_SAMPLES = 86_400
UNIT = Unit(name="speed")


def busy_week() -> SecondLog:
    """A week at 1 s of evaporator and whole-unit current, cycling throughout."""
    return make_log(
        Case(
            seed=42,
            kind="slab24",
            interval_s=1.0,
            hours=WEEK_H,
            channels=("evaporator", "current"),
            clip=Clip(lag_s=20, noise_k=0.1),
            plan=Plan(),
        )
    )


def flat(timeline: Timeline) -> Timeline:
    """The same clock with the machine off: room temperature and next to no current, both with noise."""
    rng = np.random.default_rng(1)
    channels = tuple(
        replace(
            c,
            values=np.round((22.0 if c.unit == "°C" else 0.1) + 0.05 * rng.standard_normal(len(c.values)), 2),
            trusted=np.ones(len(c.values), bool),
        )
        for c in timeline.channels
    )
    return replace(timeline, channels=channels)


def days(timeline: Timeline, count: int) -> Timeline:
    """`count` days: the week cut, or repeated end to end."""
    channels = []
    for c in timeline.channels:
        n, step = count * DAY_SAMPLES, round(c.interval_s * 1e9)
        channels.append(
            replace(
                c,
                values=np.resize(c.values, n),
                trusted=np.resize(c.trusted, n),
                time_ns=c.time_ns[0] + step * np.arange(n, dtype=np.int64),
            )
        )
    return replace(timeline, channels=tuple(channels), end_ns=int(max(c.time_ns[-1] for c in channels)))


def best_of(runs: int, job: Callable[[], object]) -> float:
    """Least processor time of `runs` runs [s]."""
    times = []
    for _ in range(runs):
        began = time.process_time()
        job()
        times.append(time.process_time() - began)
    return min(times)


def main(argv: list[str] | None = None) -> int:
    import ruptures as rpt

    from pipeline.cycles import find_cycles

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--days", type=int, nargs="+", default=[1, 2, 4, 7, 15, 30, 60])
    args = parser.parse_args(argv)
    log = busy_week()
    week = to_timeline(log)
    _, signal = signal_of(log)
    find_cycles(days(week, 1), UNIT)  # imports done before the clock starts

    ours = best_of(args.runs, lambda: find_cycles(week, UNIT))
    theirs = best_of(
        args.runs, lambda: rpt.KernelCPD(kernel="linear", min_size=20).fit(signal).predict(pen=20)
    )
    print(f"a week at 1 s, two channels ({len(signal):,} samples):")
    print(f"  find_cycles (labels and measures included) {ours:7.3f} s")
    print(
        f"  ruptures KernelCPD, once over the signal   {theirs:7.3f} s   ratio {theirs / ours:.1f} (at least 4)"
    )
    idle = best_of(args.runs, lambda: find_cycles(flat(week), UNIT)) - best_of(args.runs, lambda: flat(week))
    print(
        f"  find_cycles, flat week (machine off)       {idle:7.3f} s   {idle / ours:.2f} of the busy week (at most 1)"
    )

    tracemalloc.start()
    find_cycles(week, UNIT)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    held = sum(c.time_ns.nbytes + c.values.nbytes + c.trusted.nbytes for c in week.channels)
    print(
        f"  peak memory beyond the log {peak / 1e6:.0f} MB, channels {held / 1e6:.0f} MB: {peak / held:.2f} of them (under 4)"
    )

    took = []
    for count in args.days:
        part = days(week, count)
        took.append(best_of(args.runs if count <= 7 else 1, lambda part=part: find_cycles(part, UNIT)))
        print(
            f"  {count:3d} days {took[-1]:8.3f} s   {1e9 * took[-1] / (2 * count * DAY_SAMPLES):6.1f} ns a reading"
        )
    if len(args.days) > 2:
        exponent = np.polyfit(np.log(args.days), np.log(took), 1)[0]
        print(f"  time grows with the length to the power {exponent:.3f} (at most 1.05)")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
