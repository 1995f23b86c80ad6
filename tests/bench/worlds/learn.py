"""Learns the weights by which templates tell the moment of an act, and writes them where the pipeline reads them.

    python -m tests.bench.worlds.learn              # about an hour on two idle cores
    python -m tests.bench.worlds.learn --of alone   # the weights of a clamp alone; the others stay
    python -m tests.bench.worlds.learn --worlds 60 --second 20 --plain 10 --steps 300 --out /tmp/weights.json

A twelfth of the templates that the pipeline makes of worlds of the part "worked", of logs of the second simulator and of plain machines are the examples, and those of the
clamps of these logs alone: their moments are described by `pipeline.cycles.boundary.weighing`, and the weights are sought under which the true moment is likeliest (cross
entropy; Adam, D. P. Kingma and J. Ba, ICLR 2015). Each log counts alike, however many cycles it holds. One log in ten is held back, and
the share of its templates is printed that are placed within the tolerance. Worlds of the part "scored" are never drawn.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections import defaultdict
from collections.abc import Collection, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from unittest.mock import patch

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.cycles.boundary import alone, placing, weighing
from pipeline.errors import UnitError
from pipeline.unit import Unit

HIDDEN = 24
FIRST_WORLD, FIRST_SECOND, FIRST_PLAIN = 200_000, 410_000, 7
GRID_CASES = 93  # of the second simulator's grid at a time
FAR_S = 300.0  # a named act that lies further from any true one is another
THINNED_S = 4.0  # no finer a grid is learned from
EVERY = 12  # templates: neighbours are alike
BATCH, RATE, DECAY = 64, 0.01, 1e-3
TOLD = (3.0, 0.15)  # the truth is told no sharper than so many seconds, or so many intervals


@dataclass(frozen=True, kw_only=True)
class Example:
    """One template with its true moment."""

    log: str
    ending: bool
    offsets: np.ndarray  # (l,) [s]
    lines: tuple[np.ndarray, ...]  # (l, k) each
    current: np.ndarray | None  # (l, k)
    alone: bool  # the current of a log without a line
    true_s: float
    tolerance_s: float
    sharp_s: float


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is known of a log. phases: true (start_s, end_s, kind); unscored: spans (start_s, end_s) that teach nothing."""

    phases: Sequence[tuple[float, float, str]]
    unscored: Sequence[tuple[float, float]]
    tolerance_s: float


def examples_of(name: str, timeline, truth: Truth) -> list[Example]:
    """Every twelfth template of `timeline`, by all of its channels together, or by a clamp alone where it has no line."""
    seen, seen_alone = [], []

    def remembered(traces, act, lines):
        seen.append((traces, act, lines))
        return np.zeros((len(act.at), len(act.offsets))), np.ones(len(act.at), dtype=bool)

    def remembered_alone(trace, laid, named_s, *, ending):
        seen_alone.append((trace, laid, named_s, ending))
        return [[] for _ in laid.near_ns]

    with patch.object(placing, "likelihood", remembered), patch.object(alone, "moments_of", remembered_alone):
        find_cycles(timeline, Unit(name=name))
    found = []
    for traces, act, lines in seen:
        described = [
            weighing.numbers_of(
                template, trace, act.harvest_s, ending=act.ending, kind="line" if i < lines else "current"
            )
            for i, (trace, template) in enumerate(zip(traces, act.laid.templates, strict=True))
        ]
        found += taught(name, truth, act.laid, described, lines, traces, ending=act.ending)
    for trace, laid, named_s, ending in seen_alone[-2:]:
        described = [weighing.numbers_of(laid.templates[0], trace, named_s, ending=ending, kind="alone")]
        found += taught(name, truth, laid, described, 0, [trace], ending=ending)
    return found


def taught(name: str, truth: Truth, laid, described, lines: int, traces, *, ending: bool) -> list[Example]:
    """The examples that events `laid` upon each other make; described: numbers and whether they show anything, of each trace, lines first."""
    true_s = np.array([a for a, _, kind in truth.phases if kind == ("freeze" if ending else "harvest")])
    if len(true_s) == 0:
        return []
    near_s, offsets = laid.near_ns * 1e-9, laid.templates[0].offsets_s
    off = true_s[np.abs(near_s[:, None] - true_s).argmin(axis=1)] - near_s
    off[np.abs(off) > FAR_S] = np.nan
    for a, b in truth.unscored:
        off[(near_s > a - 60) & (near_s < b + 60)] = np.nan
    some = slice(None, None, 2 if offsets[1] - offsets[0] < THINNED_S - 1 else 1)
    found = []
    for w in range(min(EVERY, len(near_s)) // 2, len(near_s), EVERY):
        near = off[laid.like[w]]
        if np.isfinite(near).sum() < max(1, len(near) // 2):
            continue
        told = [n[w][some].astype(np.float32) if shows[w] else None for n, shows in described]
        if all(n is None for n in told):
            continue
        found.append(
            Example(
                log=name,
                ending=ending,
                offsets=offsets[some],
                lines=tuple(n for n in told[:lines] if n is not None),
                current=told[lines] if len(told) > lines else None,
                alone=lines == 0,
                true_s=float(np.nanmedian(near)),
                tolerance_s=truth.tolerance_s,
                sharp_s=max(TOLD[0], TOLD[1] * max(t.interval_s for t in traces)),
            )
        )
    return found


def of_world(seed: int, of: Collection[str]) -> list[Example]:
    """Examples of one world, and of its clamp alone. of: those wanted, as on the command line."""
    from tests.bench.worlds.draw import draw
    from tests.bench.worlds.scorer import tolerance_s
    from tests.bench.worlds.simulate import DAY_0_NS, simulate, timeline
    from tests.bench.worlds.simulate import alone as only

    world, zero = draw(seed, "worked"), DAY_0_NS * 1e-9
    if (
        world.other_interval_s
    ):  # two loggers, put on one clock, but never wholly: such a clamp tells no true moment
        return []
    log = simulate(world)
    truth = Truth(
        phases=[(a + zero, b + zero, kind) for a, b, kind in log.phases],
        unscored=[(a + zero, b + zero) for a, b in log.unscored],
        tolerance_s=tolerance_s(log.interval_s),
    )
    clamps = [r for r in log.world.roles if r.startswith("current")]
    lined = len(log.world.roles) > len(clamps)
    found = []
    if not lined or "lines" in of:
        with suppress(UnitError):  # two loggers that cannot be put together
            found += examples_of(f"world-{seed}", timeline(log), truth)
    if (
        lined and clamps and "alone" in of and not log.world.other_interval_s
    ):  # a clock of its own tells no true moment
        found += examples_of(f"world-{seed}-clamp", timeline(only(log, clamps[0])), truth)
    return found


def of_second(number: int, of: Collection[str]) -> list[Example]:
    """Examples of one log of the second simulator, and of its clamp alone; of: as in `of_world`."""
    from tests.bench.second_grid import grid
    from tests.bench.second_machine import make_log
    from tests.bench.segmentation import read_back

    draw, case = divmod(number, GRID_CASES)
    log = make_log(grid(GRID_CASES, first=FIRST_SECOND + 10_000 * draw)[case])
    if log.interval_s > 30:
        return []
    phases = [(p.start_ns * 1e-9, p.end_ns * 1e-9, str(p.kind)) for p in log.truth]
    truth = Truth(
        phases=phases,
        unscored=[(a, b) for a, b, kind in phases if kind in ("unclear", "gap")],
        tolerance_s=max(20.0, 1.5 * log.interval_s),
    )
    read = read_back(log, Unit(name=f"second-{number}"))
    clamps = [c for c in read.channels if c.role.startswith("current")]
    lined = len(read.channels) > len(clamps)
    found = examples_of(f"second-{number}", read, truth) if not lined or "lines" in of else []
    if lined and clamps and "alone" in of:
        found += examples_of(f"second-{number}-clamp", replace(read, channels=tuple(clamps[:1])), truth)
    return found


def of_plain(number: int) -> list[Example]:
    """A machine of nothing but two exponentials behind one lag, and a step of the current."""
    from tests.cycles.plain_machine import START_NS, cycles, machine

    rng = np.random.default_rng([FIRST_PLAIN, number])
    freeze_min, harvest_min = rng.uniform(10, 35), rng.uniform(1.5, 5)
    interval_s = float(rng.choice([1, 2, 5, 10, 20, 30]))
    log = machine(
        cycles(25, freeze_min=freeze_min, harvest_min=harvest_min),
        roles=("evaporator", "current")[: 1 + int(rng.random() < 0.4)],
        interval_s=interval_s,
        lag_s=float(rng.choice([0.0, 5.0, 15.0, 30.0, 60.0])),
        seed=number,
    )
    truth = Truth(
        phases=[(a + START_NS * 1e-9, b + START_NS * 1e-9, kind) for kind, a, b in log.truth],
        unscored=(),
        tolerance_s=max(20.0, 1.5 * interval_s),
    )
    return examples_of(f"plain-{number}", log.timeline, truth)


class Table:
    """Examples of one act, padded to one length."""

    def __init__(self, examples: Sequence[Example]) -> None:
        n, length = len(examples), max(len(e.offsets) for e in examples)
        widest = max((len(e.lines) for e in examples), default=1) or 1
        line = next((part.shape[1] for e in examples for part in e.lines), 1)
        current = next((e.current.shape[1] for e in examples if e.current is not None), 1)
        self.line = np.zeros((n, widest, length, line), np.float32)
        self.current = np.zeros((n, 1, length, current), np.float32)
        self.has_line, self.has_current = (
            np.zeros((n, widest, 1), np.float32),
            np.zeros((n, 1, 1), np.float32),
        )
        self.mask, self.target = np.full((n, length), -1e9, np.float32), np.zeros((n, length), np.float32)
        self.offsets = np.zeros((n, length))
        count: dict[str, int] = defaultdict(int)
        for e in examples:
            count[e.log] += 1
        self.share = np.array([1 / count[e.log] for e in examples])
        self.share /= self.share.sum()
        self.examples = examples
        for i, e in enumerate(examples):
            k = len(e.offsets)
            self.mask[i, :k], self.offsets[i] = 0.0, np.pad(e.offsets, (0, length - k), mode="edge")
            for j, part in enumerate(e.lines):
                self.line[i, j, :k], self.has_line[i, j] = part, 1.0
            if e.current is not None:
                self.current[i, 0, :k], self.has_current[i] = e.current, 1.0
            away = e.offsets - e.true_s
            sharp = max(e.sharp_s, 0.5 * (e.offsets[1] - e.offsets[0]))
            told = np.exp(-0.5 * (away / sharp) ** 2) + 1e-3 * np.exp(-np.abs(away) / 20.0) + 1e-12
            self.target[i, :k] = told / told.sum()


class Learner:
    """A conditional logit with one hidden layer, of both kinds of channel together."""

    def __init__(self, table: Table, rng: np.random.Generator) -> None:
        self.parts = {}
        for kind, values in (("line", table.line), ("current", table.current)):
            k = values.shape[-1]
            self.parts[kind] = {
                "direct": np.zeros(k),
                "hidden": rng.normal(0, 0.3 / np.sqrt(k), (k, HIDDEN)),
                "bias": np.zeros(HIDDEN),
                "out": rng.normal(0, 0.3, HIDDEN),
            }
        self.parts = {kind: {n: v.astype(np.float32) for n, v in p.items()} for kind, p in self.parts.items()}

    def density(self, table: Table, rows) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """(density (rows, l), hidden values by kind)."""
        total, inner = table.mask[rows].copy(), {}
        for kind, has in (("line", table.has_line), ("current", table.has_current)):
            p, x = self.parts[kind], getattr(table, kind)[rows]
            inner[kind] = np.tanh(x @ p["hidden"] + p["bias"])
            total += ((x @ p["direct"] + inner[kind] @ p["out"]) * has[rows]).sum(axis=1)
        total = np.exp(total - total.max(axis=1, keepdims=True))
        return total / total.sum(axis=1, keepdims=True), inner

    def gradient(self, table: Table, rows) -> dict[str, dict[str, np.ndarray]]:
        density, inner = self.density(table, rows)
        off = (density - table.target[rows])[:, None] / len(rows)
        out = {}
        for kind, has in (("line", table.has_line), ("current", table.has_current)):
            p, x, h = self.parts[kind], getattr(table, kind)[rows], inner[kind]
            d = off * has[rows]
            back = d[..., None] * p["out"] * (1 - h**2)
            out[kind] = {
                "direct": np.einsum("nml,nmlk->k", d, x),
                "out": np.einsum("nml,nmlh->h", d, h),
                "bias": back.sum(axis=(0, 1, 2)),
                "hidden": x.reshape(-1, x.shape[-1]).T @ back.reshape(-1, HIDDEN),
            }
        return out

    def learn(self, table: Table, steps: int, rng: np.random.Generator) -> None:
        mean = {kind: {n: 0 * v for n, v in p.items()} for kind, p in self.parts.items()}
        square = {kind: {n: 0 * v for n, v in p.items()} for kind, p in self.parts.items()}
        for t in range(1, steps + 1):
            rows = rng.choice(len(table.share), BATCH, p=table.share)
            rate = RATE * min(1.0, t / 50) * (0.5 * (1 + np.cos(np.pi * t / steps)) + 0.02)
            for kind, parts in self.gradient(table, rows).items():
                for n, g in parts.items():
                    g = g + DECAY * self.parts[kind][n]
                    mean[kind][n] = 0.9 * mean[kind][n] + 0.1 * g
                    square[kind][n] = 0.99 * square[kind][n] + 0.01 * g * g
                    by = np.sqrt(square[kind][n] / (1 - 0.99**t)) + 1e-8
                    moved = self.parts[kind][n] - rate * mean[kind][n] / (1 - 0.9**t) / by
                    self.parts[kind][n] = moved.astype(np.float32)

    def right(self, table: Table) -> float:
        """Share of the templates whose act is placed within the tolerance; each log counts alike."""
        within = []
        for i, e in enumerate(table.examples):
            share = np.cumsum(self.density(table, [i])[0][0])
            within.append(abs(np.interp(0.5, share, table.offsets[i]) - e.true_s) <= e.tolerance_s)
        return float(np.array(within) @ table.share)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--worlds", type=int, default=2400)
    parser.add_argument("--second", type=int, default=280)
    parser.add_argument("--plain", type=int, default=60)
    parser.add_argument("--steps", type=int, default=5000)
    parser.add_argument("--of", nargs="+", choices=("lines", "alone"), default=("lines", "alone"))
    parser.add_argument("--out", type=Path, default=Path(str(weighing.WEIGHTS)))
    asked = parser.parse_args()
    with ProcessPoolExecutor(2) as pool:
        worlds = range(FIRST_WORLD, FIRST_WORLD + asked.worlds)
        examples = [e for es in pool.map(partial(of_world, of=asked.of), worlds) for e in es]
        examples += [e for es in pool.map(partial(of_second, of=asked.of), range(asked.second)) for e in es]
        examples += [e for es in pool.map(of_plain, range(asked.plain)) for e in es]
    logs = sorted({e.log for e in examples})
    held = set(np.random.default_rng(0).permutation(logs)[: len(logs) // 10])
    kept = json.loads(weighing.WEIGHTS.read_text(encoding="utf-8"))
    table, made_by = kept["weights"], kept["made_by"]
    for act, by in itertools.product(("end", "start"), asked.of):
        some = [e for e in examples if e.ending == (act == "end") and e.alone == (by == "alone")]
        known = Table([e for e in some if e.log not in held])
        learner = Learner(known, np.random.default_rng(1))
        learner.learn(known, asked.steps, np.random.default_rng(2))
        within = [learner.right(known), learner.right(Table([e for e in some if e.log in held]))]
        print(
            f"{act} {by}: {len(known.examples)} templates; within the tolerance {within[0]:.3f}, held back {within[1]:.3f}"
        )
        kinds = ("line", "current") if by == "lines" else ("current",)
        for kind in kinds:
            name = f"{act} {kind if by == 'lines' else by}"
            table[name] = {n: np.round(v.astype(float), 3).tolist() for n, v in learner.parts[kind].items()}
        made_by[by] = (
            f"python -m tests.bench.worlds.learn --of {by} --worlds {asked.worlds} --second {asked.second} --plain {asked.plain} --steps {asked.steps}"
        )
    asked.out.write_text(
        json.dumps({"made_by": made_by, "weights": table}, separators=(",", ":")) + "\n", encoding="utf-8"
    )


if __name__ == "__main__":
    main()
