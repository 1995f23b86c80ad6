"""Learns the networks that the pipeline asks, and writes their weights where it reads them.

    pip install -e '.[learn]'
    python -m tests.bench.worlds.learn                          # about an hour on two idle cores
    python -m tests.bench.worlds.learn --of phases              # the phases; first, since acts are laid about what is named
    python -m tests.bench.worlds.learn --of acts --keep FILE    # the moments of acts; the examples are kept, or taken from where they were
    python -m tests.bench.worlds.learn --worlds 60 --steps 300 --out /tmp/weights.npz

Machines to learn from (`taught`): worlds of the part "worked", logs of the second simulator, machines of nothing but two exponentials, and, for
the phases, what is no batch machine. The truth is what is to be likeliest (cross entropy; AdamW, I. Loshchilov and F. Hutter, ICLR 2019, cited from memory). Each log counts
alike, however many cycles it holds, and is another each time it is looked at (`varied`: stretched, moved, noisier, a channel left out, a current upside
down, other things on the clamp, a slower or a looser clip, trips, a hand), so that the networks learn what harvests have in common and not what these
machines are like. One log in ten is held back, and what share of it is
right is printed. Worlds of the part "scored" are never drawn, and no machine of the sample logs' simulator.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from pipeline.cycles.boundary import placing, weighing
from pipeline.cycles.label import shown
from pipeline.cycles.learned import network
from tests.bench.worlds.learn.taught import STATES, ActExample, PhaseExample, acts_of, examples, phases_of
from tests.bench.worlds.learn.varied import INPUTS, LONE, SLOTS, cropped, seen_of

# How much each simulator counts, however many logs there are of it.
WEIGHT = {"world": 0.55, "second": 0.2, "plain": 0.07, "none": 0.18}
WIDTH, ACT_CHANNELS, PHASE_CHANNELS = 5, 16, 24
BATCH, PHASE_BATCH = 64, 8
RATE, GO_ON_RATE, DECAY = 4e-3, 1.5e-3, 1e-3


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


def descended(
    parts: dict, loss: Callable, batches: Iterable[tuple[np.ndarray, ...]], steps: int, rate: float = RATE
) -> dict:
    """`parts`, layers by name, after one step down the gradient of `loss(parts, *batch)` a batch, at most by `rate`."""
    import jax
    import optax

    falling = optax.warmup_cosine_decay_schedule(0.0, rate, min(100, steps // 2), steps, 1e-5)
    optimiser = optax.chain(optax.clip_by_global_norm(1.0), optax.adamw(falling, weight_decay=DECAY))
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


def learned_phases(
    found: Sequence[PhaseExample], asked, slots: Mapping[shown.Kind, int] = SLOTS
) -> dict[str, list]:
    """Layers of the network that names phases by such channels, by name."""
    import jax
    import jax.numpy as jnp

    held = held_back({e.log for e in found})
    known = [e for e in found if e.log not in held]
    kind_of = [e.log.split("-")[0] for e in known]
    share = np.array([WEIGHT[k] for k in kind_of]) / np.array([Counter(kind_of)[k] for k in kind_of])
    share /= share.sum()
    rng = np.random.default_rng(2 if asked.go_on else 1)

    def said(parts, inputs):
        weights = jnp.concatenate(
            [parts[f"phases {kind}"] for kind, count in slots.items() for _ in range(count)], axis=1
        )
        (_, bias), *others = parts["phases"]
        return jax.nn.log_softmax(said_by([(weights, bias), *others], shown.STEPS, inputs), axis=-1)

    def loss(parts, inputs, state, none):
        told = said(parts, inputs)
        right = jnp.take_along_axis(told, jnp.maximum(state, 0)[..., None].astype(int), axis=-1)[..., 0]
        no_harvest = jnp.log1p(-jnp.exp(jnp.minimum(told[..., STATES["harvest"]], -1e-4)))
        right = jnp.where(none[:, None], no_harvest, right)
        counts = state >= 0
        return -(right * counts).sum() / counts.sum()

    def batches():
        for _ in range(2 * asked.steps):
            pieces = []
            while len(pieces) < PHASE_BATCH:
                e = known[rng.choice(len(known), p=share)]
                piece = cropped(e, slots, rng)
                pieces += [(*piece, e.log.startswith("none"))] if piece is not None else []
            yield tuple(np.array(part) for part in zip(*pieces, strict=True))

    layers = drawn_layers(sum(INPUTS[k] * n for k, n in slots.items()), PHASE_CHANNELS, shown.STEPS, 3, 0)
    parts, at = {"phases": [(jnp.zeros((WIDTH, 0, PHASE_CHANNELS)), layers[0][1]), *layers[1:]]}, 0
    for kind in slots:
        parts[f"phases {kind}"] = layers[0][0][:, at : at + INPUTS[kind]]
        at += INPUTS[kind]
    if asked.go_on:
        parts = {name: [(jnp.array(w), jnp.array(b)) for w, b in network.layers_of(name)] for name in parts}
        parts |= {f"phases {kind}": parts[f"phases {kind}"][0][0] for kind in slots}
    parts = descended(parts, loss, batches(), 2 * asked.steps, GO_ON_RATE if asked.go_on else RATE)
    out = {f"phases {kind}": [(parts[f"phases {kind}"], np.zeros(PHASE_CHANNELS))] for kind in slots}
    out["phases"] = parts["phases"]
    agree = {}
    for e in found:
        if e.log not in held or not (e.state == STATES["harvest"]).any():
            continue
        told = said_of_courses(out, [c for c in e.stretch.courses if c.kind in slots])
        if told is None:
            continue
        harvest, true, counts = (
            told.argmax(axis=-1) == STATES["harvest"],
            e.state == STATES["harvest"],
            e.state >= 0,
        )
        both = int((harvest & true & counts).sum())
        kinds = "+".join(sorted({c.kind for c in e.stretch.courses}))
        agree.setdefault(kinds, []).append(
            2 * both / max(int((harvest & counts).sum() + (true & counts).sum()), 1)
        )
    print(
        f"phases: {len(known)} stretches; held back, F1 of the time in harvests",
        {k: (len(v), round(float(np.mean(v)), 3)) for k, v in agree.items()},
    )
    return out


def alone(parts: dict[str, list]) -> dict[str, list]:
    """The network of a clamp that is alone, its entry and the rest made one."""
    (_, bias), *others = parts["phases"]
    return {"phases alone": [(parts["phases current"][0][0], bias), *others]}


def said_of_courses(out, courses):
    seen = [(c.kind, shown.described(c)) for c in courses]
    seen = [(k, x) for k, x in seen if x is not None]
    if not seen:
        return None
    weights = np.concatenate([np.asarray(out[f"phases {k}"][0][0]) for k, _ in seen], axis=1)
    layers = [
        (weights, np.asarray(out["phases"][0][1])),
        *((np.asarray(w), np.asarray(b)) for w, b in out["phases"][1:]),
    ]
    return network.said_by(layers, shown.STEPS, np.concatenate([x for _, x in seen], axis=1)[None])[0]


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
    parser.add_argument("--go-on", action="store_true", help="phases: from the weights that are stored")
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
        if of == "phases":
            written(alone(learned_phases(found, asked, LONE)), asked.out)


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
