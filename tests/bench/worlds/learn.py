"""Learns the networks that the pipeline asks, and writes their weights where it reads them.

    pip install -e '.[learn]'
    python -m tests.bench.worlds.learn                          # about an hour on two idle cores
    python -m tests.bench.worlds.learn --of phases              # the phases by a clamp alone; first, since acts are laid about what it names
    python -m tests.bench.worlds.learn --of acts --keep FILE    # the moments of acts; the examples are kept, or taken from where they were
    python -m tests.bench.worlds.learn --worlds 60 --steps 300 --out /tmp/weights.npz

Machines to learn from: worlds of the part "worked", logs of the second simulator, machines of nothing but two exponentials, and, for the phases,
what is no batch machine. The truth is what is to be likeliest (cross entropy; AdamW, I. Loshchilov and F. Hutter, ICLR 2019, cited from memory). Each log counts
alike, however many cycles it holds, and is stretched, moved, turned upside down (a current) and made noisier each time it is looked at, so that
the networks learn what harvests have in common and not what these machines are like. One log in ten is held back, and what share of it is
right is printed. Worlds of the part "scored" are never drawn, and no machine of the sample logs' simulator.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from unittest.mock import patch

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.cycles.boundary import placing, weighing
from pipeline.cycles.label import by_clamp
from pipeline.cycles.learned import network
from pipeline.cycles.limits import limits_of
from pipeline.cycles.signal import signals
from pipeline.errors import UnitError
from pipeline.logs.limits import limits_of as reading_limits
from pipeline.unit import Unit

FIRST_WORLD, FIRST_SECOND, FIRST_PLAIN, FIRST_NONE = 200_000, 410_000, 7, 40_000
SECOND_CASES = 93  # of the second simulator's grid at a time
FAR_S = 300.0  # a named act that lies further from any true one is another
MOST = 12  # templates of each act of a log: neighbours are alike
STATES = {"freeze": 0, "harvest": 1, "idle": 2}
WIDTH, ACT_CHANNELS, PHASE_CHANNELS = 5, 16, 24
BATCH, PHASE_BATCH, CROP, BESIDE = 64, 8, 2048, 400
RATE, DECAY = 4e-3, 1e-3
TOLD = (3.0, 0.15)  # the truth is told no sharper than so many seconds, or so many intervals
MOST_LINES = 5
WITHOUT = 0.2  # how often the line is left out, and how often the current
LONG_LOAD_S = 1500.0  # and where there is no harvest
WITH_LOAD, LOAD_S, LOAD_PART = (
    0.4,
    (40.0, 500.0),
    (0.02, 0.25),
)  # how often, for how long, of the running current


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is known of a log. phases: true (start_s, end_s, kind); unscored: spans (start_s, end_s) that teach nothing."""

    phases: Sequence[tuple[float, float, str]]
    unscored: Sequence[tuple[float, float]]
    tolerance_s: float


@dataclass(frozen=True, kw_only=True)
class ActExample:
    """One template of an act, of every channel, with its true moment."""

    log: str
    ending: bool
    offsets: np.ndarray  # (l,) [s]
    values: tuple[np.ndarray, ...]  # (l,) each, lines first
    noise: tuple[float, ...]
    intervals_s: tuple[float, ...]
    kinds: tuple[weighing.Kind, ...]
    harvest_s: float
    true_s: float
    tolerance_s: float


@dataclass(frozen=True, kw_only=True)
class PhaseExample:
    """A stretch of a clamp with its true phases."""

    log: str
    stretch: by_clamp.Stretch
    state: np.ndarray  # int (n,)
    counts: np.ndarray  # bool (n,): it is known, and is to be learned from


def logs_of_world(seed: int) -> list[tuple[str, object, Truth]]:
    """(name, timeline, truth) of one world, and of its clamp alone."""
    from tests.bench.worlds.draw import draw
    from tests.bench.worlds.scorer import tolerance_s
    from tests.bench.worlds.simulate import DAY_0_NS, alone, simulate, timeline

    world, zero = draw(seed, "worked"), DAY_0_NS * 1e-9
    if world.other_interval_s:  # two loggers, put on one clock, but never wholly
        return []
    log = simulate(world)
    truth = Truth(
        phases=[(a + zero, b + zero, kind) for a, b, kind in log.phases],
        unscored=[(a + zero, b + zero) for a, b in log.unscored],
        tolerance_s=tolerance_s(log.interval_s),
    )
    found = [(f"world-{seed}", timeline(log), truth)]
    clamps = [r for r in log.world.roles if r.startswith("current")]
    if clamps and len(clamps) < len(log.world.roles):
        found.append((f"world-{seed}-clamp", timeline(alone(log, clamps[0])), truth))
    return found


def logs_of_second(number: int) -> list[tuple[str, object, Truth]]:
    """Likewise of one log of the second simulator."""
    from tests.bench.second_grid import grid
    from tests.bench.second_machine import make_log
    from tests.bench.segmentation import read_back

    draw, case = divmod(number, SECOND_CASES)
    log = make_log(grid(SECOND_CASES, first=FIRST_SECOND + 10_000 * draw)[case])
    if log.interval_s > 30:
        return []
    spans = [(p.start_ns * 1e-9, p.end_ns * 1e-9, str(p.kind)) for p in log.truth]
    truth = Truth(
        phases=[span for span in spans if span[2] in STATES],
        unscored=[(a, b) for a, b, kind in spans if kind not in STATES],
        tolerance_s=max(20.0, 1.5 * log.interval_s),
    )
    read = read_back(log, Unit(name=f"second-{number}"))
    found = [(f"second-{number}", read, truth)]
    clamps = [c for c in read.channels if c.role.startswith("current")]
    if clamps and len(clamps) < len(read.channels):
        found.append((f"second-{number}-clamp", replace(read, channels=tuple(clamps[:1])), truth))
    return found


def logs_of_plain(number: int) -> list[tuple[str, object, Truth]]:
    """Likewise of a machine of nothing but two exponentials behind one lag, or a step of the current, or both."""
    from tests.cycles.plain_machine import START_NS, cycles, machine

    rng = np.random.default_rng([FIRST_PLAIN, number])
    interval_s = float(rng.choice([1, 2, 5, 10, 20, 30]))
    log = machine(
        cycles(25, freeze_min=rng.uniform(8, 38), harvest_min=rng.uniform(1.2, 6)),
        roles=(("evaporator",), ("evaporator", "current"), ("current",))[number % 3],
        interval_s=interval_s,
        lag_s=float(rng.choice([0.0, 5.0, 15.0, 30.0, 60.0])) if number % 3 < 2 else 0.0,
        seed=number,
    )
    spans = [(a + START_NS * 1e-9, b + START_NS * 1e-9, kind) for kind, a, b in log.truth]
    truth = Truth(phases=spans, unscored=(), tolerance_s=max(20.0, 1.5 * interval_s))
    return [(f"plain-{number}", log.timeline, truth)]


def logs_of_none(seed: int) -> list[tuple[str, object, Truth]]:
    """Likewise of the clamp of what is no batch machine: nothing in it is a harvest."""
    from tests.bench.worlds.none import draw_none
    from tests.bench.worlds.simulate import timeline_of

    clamps = [r for r in draw_none(seed).readings if r.role.startswith("current")]
    if not clamps or clamps[0].interval_s > 60:
        return []
    log = timeline_of(clamps[:1], f"none-{seed}")
    time_ns = log.channels[0].time_ns
    truth = Truth(phases=[(time_ns[0] * 1e-9, time_ns[-1] * 1e-9, "freeze")], unscored=(), tolerance_s=20.0)
    return [(f"none-{seed}", log, truth)]


def acts_of(name: str, timeline, truth: Truth) -> list[ActExample]:
    """Some templates of every act that the pipeline finds in `timeline`."""
    seen = []

    def remembered(traces, act, lines):
        seen.append((traces, act, lines))
        return np.zeros((len(act.at), len(act.offsets))), np.ones(len(act.at), dtype=bool)

    with patch.object(placing, "likelihood", remembered), suppress(UnitError):
        find_cycles(timeline, Unit(name=name))
    found = []
    for traces, act, lines in seen:
        true_s = np.array(
            [a for a, _, kind in truth.phases if kind == ("freeze" if act.ending else "harvest")]
        )
        if len(true_s) == 0:
            continue
        near_s = act.laid.near_ns * 1e-9
        off = true_s[np.abs(near_s[:, None] - true_s).argmin(axis=1)] - near_s
        off[np.abs(off) > FAR_S] = np.nan
        for a, b in truth.unscored:
            off[(near_s > a - 60) & (near_s < b + 60)] = np.nan
        kinds = tuple("line" if i < lines else "current" if lines else "alone" for i in range(len(traces)))
        count = min(MOST, len(near_s))
        for w in np.unique(np.linspace(0, len(near_s) - 1, count + 2)[1:-1].round().astype(int)):
            near = off[act.laid.like[w]]
            if np.isfinite(near).sum() < max(1, len(near) // 2):
                continue
            found.append(
                ActExample(
                    log=name,
                    ending=act.ending,
                    offsets=act.offsets,
                    values=tuple(t.values[w].astype(np.float32) for t in act.laid.templates),
                    noise=tuple(t.noise for t in act.laid.templates),
                    intervals_s=tuple(t.interval_s for t in traces),
                    kinds=kinds,
                    harvest_s=act.harvest_s,
                    true_s=float(np.nanmedian(near)),
                    tolerance_s=truth.tolerance_s,
                )
            )
    return found


def phases_of(name: str, timeline, truth: Truth) -> list[PhaseExample]:
    """What a clamp that is alone in `timeline` shows, with the phases; none where a line is beside it."""
    roles = {c.role for c in timeline.channels}
    if len(roles) > 1 or not min(roles).startswith("current"):
        return []
    limits = reading_limits({})
    traces = signals.traces_of(timeline, limits)
    if not traces:
        return []
    (trace,) = traces.values()
    cells = signals.lay_cells([trace], {**limits, **limits_of({})})
    found = []
    for stretch in by_clamp.stretches(trace, cells):
        at_s = stretch.begin_ns * 1e-9 + by_clamp.STEP_S * (np.arange(len(stretch.off)) + 0.5)
        begin, end = (np.array([p[i] for p in truth.phases]) for i in (0, 1))
        which = np.clip(np.searchsorted(begin, at_s, side="right") - 1, 0, len(begin) - 1)
        state = np.array([STATES[p[2]] for p in truth.phases])[which]
        counts = stretch.known & (at_s >= begin[which]) & (at_s < end[which])
        for a, b in truth.unscored:
            counts &= (at_s < a) | (at_s > b)
        state = np.where(stretch.off, STATES["idle"], state)
        if len(state) > CROP // 2:
            found.append(PhaseExample(log=name, stretch=stretch, state=state, counts=counts))
    return found


def examples(asked, jobs: int, of: Callable) -> list:
    """`of` every log, the logs drawn in `jobs` processes."""
    sources = [
        (logs_of_world, range(FIRST_WORLD, FIRST_WORLD + asked.worlds)),
        (logs_of_second, range(asked.second)),
        (logs_of_plain, range(asked.plain)),
    ]
    if of is phases_of:
        sources.append((logs_of_none, range(FIRST_NONE, FIRST_NONE + asked.none)))
    found = []
    with ProcessPoolExecutor(jobs, mp_context=get_context("forkserver")) as pool:
        for source, numbers in sources:
            for some in pool.map(partial(_of_one, source, of), numbers, chunksize=4):
                found += some
            print(f"{source.__name__}: {len(found)} examples", flush=True)
    return found


def _of_one(source: Callable, of: Callable, number: int) -> list:
    return [example for log in source(number) for example in of(*log)]


def drawn_layers(inputs: int, channels: int, steps: Sequence[int], outputs: int, seed: int) -> list[tuple]:
    """Layers to begin with. steps: between neighbours, layer by layer; outputs: of the last layer."""
    import jax.numpy as jnp

    rng = np.random.default_rng(seed)
    shapes = [(WIDTH, inputs if i == 0 else channels, channels) for i in range(len(steps))]
    shapes.append((1, channels, outputs))
    return [
        (jnp.array(rng.normal(0, 0.7 / np.sqrt(w * k), (w, k, h)), jnp.float32), jnp.zeros(h))
        for w, k, h in shapes
    ]


def said_by(layers, steps: Sequence[int], inputs):
    """As `network.said_by`, with JAX. inputs: (n, l, k)."""
    import jax

    known = None
    for (weights, bias), step in zip(layers[:-1], steps, strict=True):
        come = jax.lax.conv_general_dilated(
            inputs if known is None else known,
            weights,
            (1,),
            "SAME",
            rhs_dilation=(step,),
            dimension_numbers=("NWC", "WIO", "NWC"),
        )
        come = jax.nn.relu(come + bias)
        known = come if known is None else known + come
    weights, bias = layers[-1]
    return known @ weights[0] + bias


def descended(parts: dict, loss: Callable, batches: Iterable[tuple[np.ndarray, ...]], steps: int) -> dict:
    """`parts`, layers by name, after one step down the gradient of `loss(parts, *batch)` a batch."""
    import jax
    import optax

    rate = optax.warmup_cosine_decay_schedule(0.0, RATE, min(100, steps // 2), steps, 1e-5)
    optimiser = optax.chain(optax.clip_by_global_norm(1.0), optax.adamw(rate, weight_decay=DECAY))
    state = optimiser.init(parts)

    @jax.jit
    def step(parts, state, batch):
        cost, slope = jax.value_and_grad(loss)(parts, *batch)
        change, state = optimiser.update(slope, state, parts)
        return optax.apply_updates(parts, change), state, cost

    costs = []
    for i, batch in enumerate(batches, 1):
        parts, state, cost = step(parts, state, batch)
        costs.append(float(cost))
        if i % 1000 == 0 or i == steps:
            print(f"  {i} steps, cost {np.mean(costs[-1000:]):.4f}", flush=True)
    return parts


def seen_of(example: ActExample, rng: np.random.Generator | None) -> tuple[np.ndarray, ...]:
    """(inputs (m, l, k), what lies within the template (l,), which of them (m,) are of lines, and of currents, that show anything, and the
    truth (l,)) of an example; `rng`: it is stretched, moved, turned and made noisier."""
    stretch = 1.0 if rng is None else float(np.exp(rng.normal(0, 0.15)))
    moved_s = 0.0 if rng is None else float(rng.normal(0, 12.0))
    offsets = example.offsets * stretch - moved_s
    inputs, of_line, of_current = [], np.zeros(MOST_LINES), np.zeros(MOST_LINES)
    for i, (values, noise) in enumerate(zip(example.values[:MOST_LINES], example.noise, strict=False)):
        kind = example.kinds[i]
        if rng is not None:
            values = values + rng.normal(0, noise * rng.uniform(0, 1), len(values))
            values = values if kind == "line" or rng.random() < 0.5 else -values
        seen, shows = weighing.described(
            offsets, values[None], noise, example.intervals_s[i] * stretch, example.harvest_s * stretch, kind
        )
        inputs.append(seen[0])
        (of_line if kind == "line" else of_current)[i] = shows[0]
    if rng is not None and of_line.any() and of_current.any():  # each must be right by itself too
        draw = rng.random()
        of_line, of_current = of_line * (draw > WITHOUT), of_current * (draw < 1.0 - WITHOUT)
    inputs += [np.zeros_like(inputs[0])] * (MOST_LINES - len(inputs))
    moments = weighing.MOMENTS_S
    inside = (moments >= offsets[0]) & (moments <= offsets[-1])
    sharp = max(TOLD[0], TOLD[1] * max(example.intervals_s) * stretch)
    away = moments - (example.true_s * stretch - moved_s)
    told = (np.exp(-0.5 * (away / sharp) ** 2) + 1e-3 * np.exp(-np.abs(away) / 20.0) + 1e-12) * inside
    return np.array(inputs), inside, of_line, of_current, told / max(told.sum(), 1e-9)


def learned_acts(found: Sequence[ActExample], asked) -> dict[str, list]:
    """Layers by name of the networks that tell the moments of acts."""
    import jax
    import jax.numpy as jnp

    out, held = {}, held_back({e.log for e in found})

    def likelihood(parts, inputs, inside, of_line, of_current):
        n, m, length, k = inputs.shape
        total = 0.0
        for kind, of in (("line", of_line), ("current", of_current)):
            if kind in parts:
                said = said_by(parts[kind], weighing.STEPS, inputs.reshape(n * m, length, k))
                total += (said.reshape(n, m, length) * of[..., None]).sum(axis=1)
        return jax.nn.log_softmax(jnp.where(inside, total, -1e9), axis=-1)

    def loss(parts, inputs, inside, of_line, of_current, told):
        said = likelihood(parts, inputs, inside, of_line, of_current)
        return -(told * jnp.where(inside, said, 0.0)).sum(axis=-1).mean()

    for act, alone in (("end", False), ("start", False), ("end", True), ("start", True)):
        some = [e for e in found if e.ending == (act == "end") and ("alone" in e.kinds) == alone]
        known = [e for e in some if e.log not in held]
        if not known:
            continue
        rng, share = np.random.default_rng(1), share_of(known)
        inputs = seen_of(known[0], None)[0].shape[-1]
        parts = {
            kind: drawn_layers(inputs, ACT_CHANNELS, weighing.STEPS, 1, seed)
            for seed, kind in enumerate(("current",) if alone else ("line", "current"))
        }

        def batches(known=known, share=share, rng=rng):
            for _ in range(asked.steps):
                rows = rng.choice(len(known), BATCH, p=share)
                yield tuple(
                    np.array(part) for part in zip(*(seen_of(known[i], rng) for i in rows), strict=True)
                )

        parts = descended(parts, loss, batches(), asked.steps)
        said = jax.jit(likelihood)
        print(f"{act}{' alone' if alone else ''}: {len(known)} templates", end="")
        for name, logs in (("known", set()), ("held back", held)):
            rows = [e for e in some if (e.log in logs) == bool(logs)]
            print(f"; {name} within the tolerance {right(said, parts, rows):.3f}", end="")
        print(flush=True)
        for kind, layers in parts.items():
            out[f"{act} {'alone' if alone else kind}"] = layers
    return out


def right(said: Callable, parts: dict, rows: Sequence[ActExample]) -> float:
    """Share of `rows` whose act is placed within the tolerance; each log counts alike."""
    within = []
    for first in range(0, len(rows), 256):
        some = rows[first : first + 256]
        *seen, _ = (np.array(part) for part in zip(*(seen_of(e, None) for e in some), strict=True))
        middle, _ = placing.middle(weighing.MOMENTS_S, np.asarray(said(parts, *seen), float))
        within += [abs(m - e.true_s) <= e.tolerance_s for m, e in zip(middle, some, strict=True)]
    return float(np.array(within) @ share_of(rows))


def cropped(
    example: PhaseExample, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """(inputs (CROP, k), state (CROP,), which count (CROP,)) of a piece of an example, stretched and, now and then, upside down."""
    stretch, size = example.stretch, len(example.state)
    length = min(int(CROP / np.exp(rng.normal(0, 0.28))), size)
    first = int(rng.integers(0, size - length + 1))
    beside = BESIDE if rng.random() < 0.7 else 0  # as within a log, or as at its ends
    begin = max(0, first - beside)
    part = slice(begin, first + length + beside)
    running = stretch.running[part]
    if (
        rng.random() < WITH_LOAD and np.isfinite(running).any()
    ):  # a fan or a heater that comes and goes by itself, in harvests or not
        most_s = LOAD_S[1] if (example.state == STATES["harvest"]).any() else LONG_LOAD_S
        turns = np.cumsum(rng.exponential(rng.uniform(LOAD_S[0], most_s), len(running)) / by_clamp.STEP_S)
        on = np.searchsorted(turns, np.arange(len(running))) % 2 == 1
        on &= (example.state[part] != STATES["harvest"]) | (rng.random() < 0.5)
        running = running + on * np.nanmedian(running) * rng.uniform(*LOAD_PART)
    seen = by_clamp.described(
        replace(stretch, running=running, off=stretch.off[part], known=stretch.known[part]),
        louder=float(np.exp(rng.normal(0, 0.2))) * (-1.0 if rng.random() < 0.3 else 1.0),
    )
    if seen is None:
        return None
    at = np.minimum((np.arange(CROP) * length / CROP).astype(int), length - 1)
    return seen[first - begin + at], example.state[first + at], example.counts[first + at]


def learned_phases(found: Sequence[PhaseExample], asked) -> dict[str, list]:
    """Layers of the network that names phases by a clamp alone, by name."""
    import jax
    import jax.numpy as jnp

    held = held_back({e.log for e in found})
    known = [e for e in found if e.log not in held]
    kind_of = [e.log.split("-")[0] for e in known]
    # Each simulator counts by itself: however many logs there are of it.
    weight = {"world": 0.58, "second": 0.22, "plain": 0.07, "none": 0.13}
    share = np.array([weight[k] for k in kind_of]) / np.array([Counter(kind_of)[k] for k in kind_of])
    share /= share.sum()
    rng = np.random.default_rng(1)

    def loss(parts, inputs, state, counts):
        said = jax.nn.log_softmax(said_by(parts["phases"], by_clamp.STEPS, inputs), axis=-1)
        told = jnp.take_along_axis(said, state[..., None], axis=-1)[..., 0]
        return -(told * counts).sum() / counts.sum()

    def batches():
        for _ in range(2 * asked.steps):
            pieces = []
            while len(pieces) < PHASE_BATCH:
                piece = cropped(known[rng.choice(len(known), p=share)], rng)
                pieces += [piece] if piece is not None else []
            yield tuple(np.array(part) for part in zip(*pieces, strict=True))

    inputs = next(seen for e in known if (seen := by_clamp.described(e.stretch)) is not None).shape[-1]
    parts = {"phases": drawn_layers(inputs, PHASE_CHANNELS, by_clamp.STEPS, 3, 0)}
    parts = descended(parts, loss, batches(), 2 * asked.steps)
    layers = [(np.asarray(w), np.asarray(b)) for w, b in parts["phases"]]
    agree = []
    for e in found:
        seen = by_clamp.described(e.stretch) if e.log in held else None
        if seen is not None and (e.state == STATES["harvest"]).any():
            harvest = (
                network.said_by(layers, by_clamp.STEPS, seen[None])[0].argmax(axis=-1) == STATES["harvest"]
            )
            true, counts = e.state == STATES["harvest"], e.counts
            both = int((harvest & true & counts).sum())
            agree.append(2 * both / max(int((harvest & counts).sum() + (true & counts).sum()), 1))
    print(f"phases: {len(known)} stretches; held back, F1 of the time in harvests {np.mean(agree):.3f}")
    return {"phases alone": parts["phases"]}


def held_back(logs: Iterable[str]) -> set[str]:
    """A tenth of `logs`."""
    ordered = sorted(logs)
    return set(np.random.default_rng(0).permutation(ordered)[: len(ordered) // 10])


def share_of(rows: Sequence[ActExample]) -> np.ndarray:
    """How much each of `rows` counts, so that each log counts alike, (n,)."""
    count = Counter(e.log for e in rows)
    share = np.array([1 / count[e.log] for e in rows])
    return share / share.sum()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--worlds", type=int, default=2400)
    parser.add_argument("--second", type=int, default=280)
    parser.add_argument("--plain", type=int, default=80)
    parser.add_argument("--none", type=int, default=500)
    parser.add_argument("--steps", type=int, default=4000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--of", nargs="+", choices=("phases", "acts"), default=("phases", "acts"))
    parser.add_argument(
        "--keep",
        type=Path,
        help="examples: read from FILE.acts.pickle and FILE.phases.pickle, else written there",
    )
    parser.add_argument("--out", type=Path, default=Path(str(network.WEIGHTS)))
    asked = parser.parse_args()
    for of in asked.of:
        kept = asked.keep and asked.keep.with_suffix(f".{of}.pickle")
        if kept and kept.exists():
            found = pickle.loads(kept.read_bytes())
        else:
            found = examples(asked, asked.jobs, phases_of if of == "phases" else acts_of)
            if kept:
                kept.write_bytes(pickle.dumps(found))
        written((learned_phases if of == "phases" else learned_acts)(found, asked), asked.out)


def written(parts: dict[str, list], out: Path) -> None:
    """Writes the layers `parts`, by name, to `out`; what else stands there stays."""
    stored = {}
    if out.exists():
        with np.load(out) as kept:
            stored = {name: kept[name] for name in kept.files}
    for name, layers in parts.items():
        for i, (weights, bias) in enumerate(layers):
            stored[f"{name}.{i}.w"] = np.asarray(weights, np.float16)
            stored[f"{name}.{i}.b"] = np.asarray(bias, np.float16)
    np.savez_compressed(out, **stored)


if __name__ == "__main__":
    main()
