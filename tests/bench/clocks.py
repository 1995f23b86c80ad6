"""How well the clocks of two loggers are put together, on worlds with a line on one and a clamp on the other.

    python -m tests.bench.clocks [--part scored] [--first 0] [--worlds 100] [--jobs 2] [--json FILE]

The error is taken in the middle of the log, where a drift that was not seen does not show.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import numpy as np

from tests.bench.worlds.draw import draw
from tests.bench.worlds.simulate import DAY_S, simulate, timeline

WITHIN_S = (5.0, 10.0, 20.0, 40.0)


@dataclass(frozen=True, kw_only=True)
class Clock:
    """How far the clamp's clock of one world is ahead of the line's [s], and what was said of it."""

    seed: int
    true_s: float
    said_s: float
    stated_s: float  # half-width of the 90 % interval; what is let be without a word counts as it stands
    interval_s: float  # of the slower logger


def clock_of(seed: int, part: str | None) -> Clock | None:
    """None where one logger wrote the world's log, or none of them a line."""
    world = draw(seed, part)
    if not world.other_interval_s or not {"evaporator", "suction"} & set(world.roles):
        return None
    log = simulate(world)
    said = next((d for d in timeline(log).doubts if d.code == "clock-offset"), None)
    return Clock(
        seed=seed,
        true_s=world.offset_s + world.drift_s_per_day * log.length_s / DAY_S / 2,
        said_s=said.evidence["offset_s"] if said else 0.0,
        stated_s=said.evidence["uncertainty_s"] if said else 10.0,
        interval_s=max(world.interval_s, world.other_interval_s),
    )


def report(clocks: Sequence[Clock]) -> str:
    """The printout."""
    off = np.abs([c.said_s - c.true_s for c in clocks])
    asked = np.maximum(5.0, 0.1 * np.array([c.interval_s for c in clocks]))
    lines = [f"{len(clocks)} worlds with a line and a clamp on two loggers"]
    lines += [f"within {w:.0f} s: {(off <= w).mean():.2f}" for w in WITHIN_S]
    lines.append(f"within 5 s or a tenth of the interval: {(off <= asked).mean():.2f}")
    lines.append(f"the stated 90 % hold: {(off <= [c.stated_s for c in clocks]).mean():.2f}")
    far = sorted(clocks, key=lambda c: -abs(c.said_s - c.true_s))[:5]
    lines += [f"  {c.seed}: true {c.true_s:+.0f} s, said {c.said_s:+.0f} ± {c.stated_s:.0f} s" for c in far]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", choices=("worked", "scored"), default="scored")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--worlds", type=int, default=100)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.worlds)
    with ProcessPoolExecutor(asked.jobs) as pool:
        clocks = [c for c in pool.map(partial(clock_of, part=asked.part), seeds) if c is not None]
    print(report(clocks))
    if asked.json:
        asked.json.write_text(json.dumps([asdict(c) for c in clocks]), encoding="utf-8")


if __name__ == "__main__":
    main()
