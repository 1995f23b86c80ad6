"""How well the slab of each cycle is told, on machines whose slabs are known; and the learning of the numbers. Run by hand:

    python -m tests.bench.slabs [--part worked|scored] [--logs 100] [--first 700000] [--real] [--causes 0]
    python -m tests.bench.slabs --learn [--logs 300] [--first 500000]

Machines are those of `worlds`, with a line and a clamp: worked on apart from scored. --real: phases from the real cycles room, else from the simulator.
--causes: so many logs of `cause_logs` as well, faults of the other simulator, machines that are only scored. Each log counts alike. Learning seeks the
weights and spreads that make the true slabs likeliest, and writes `pipeline/findings/slabs.json`; it takes a minute.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from unittest.mock import patch

import numpy as np
from scipy.optimize import minimize

from pipeline.cycles import find_cycles
from pipeline.errors import UnitError
from pipeline.findings import slabs, thresholds
from pipeline.findings.evidence.case import Case
from pipeline.unit import Unit
from tests.bench.cause_logs import CAUSES, SCORED_FROM, cause_log
from tests.bench.worlds import simulate
from tests.bench.worlds.draw import draw
from tests.bench.worlds.physics import HARVEST
from tests.findings.from_truth import record_of

NEAR_NS = 180_000_000_000  # a harvest that begins further from any true one has no slab
LEAST = 8  # cycles of a log that count
COARSEST_S = 30.0
RIGHT = 0.1  # of the usual slab
CHANGED = 0.08  # log of a freeze's length over the usual from which on it is no usual one


@dataclass(frozen=True, kw_only=True)
class Told:
    """One log: changes of the measures (n, 3), the log of each true slab against the usual (n,)."""

    name: str
    x: np.ndarray
    true: np.ndarray


def told_of(name: str, case: Case, begun_ns: np.ndarray, kg: np.ndarray) -> Told | None:
    """A log with its true slabs: harvests begun at `begun_ns` (m,) with `kg` (m,) on the plate. None where it shows too few."""
    if case.n < LEAST or len(begun_ns) < 2:
        return None
    after = np.clip(np.searchsorted(begun_ns, case.harvest_ns), 1, len(begun_ns) - 1)
    nearer = np.abs(begun_ns[after - 1] - case.harvest_ns) < np.abs(begun_ns[after] - case.harvest_ns)
    at = after - nearer
    known = (np.abs(begun_ns[at] - case.harvest_ns) < NEAR_NS) & (kg[at] > 0)
    true = np.log(np.where(known, kg[at], np.nan))
    if not np.isfinite(true[case.steady]).any():
        return None
    x, whole = slabs.changes(case, slabs.MEASURES)
    true = true - np.nanmedian(true[case.steady])
    use = whole & np.isfinite(true)
    return Told(name=name, x=x[use], true=true[use]) if use.sum() >= LEAST else None


def of_worlds(part: str, first: int, logs: int, *, real: bool) -> Iterator[Told]:
    """So many logs of worlds with a line and a clamp."""
    lived, kept = simulate.lived, []

    def remembered(world, **how):
        kept[:] = [lived(world, **how)]
        return kept[0]

    seed = first
    while logs > 0:
        world = draw(seed, part)
        seed += 1
        line = any(r in ("evaporator", "suction") for r in world.roles)
        if not (line and any(r.startswith("current") for r in world.roles)) or world.interval_s > COARSEST_S:
            continue
        logs -= 1
        unit = Unit(name="bench", cooling="water" if world.structure.fan == "none, water-cooled" else "air")
        with patch.object(simulate, "lived", remembered):
            log = simulate.simulate(world)
        try:
            timeline = simulate.timeline(log)
        except UnitError:  # two loggers that cannot be put together
            continue
        zero = simulate.DAY_0_NS
        phases = [(zero + round(a * 1e9), zero + round(b * 1e9), kind) for a, b, kind in log.phases]
        record = find_cycles(timeline, unit) if real else record_of(timeline, phases, unit)
        _, at, what, _, _, _, made, *_ = kept[0]
        begun = zero + at[what == HARVEST].astype(np.int64) * 1_000_000_000
        case = Case(timeline=timeline, record=record, unit=unit, thresholds=thresholds.resolve(unit))
        told = told_of(f"world {world.seed} {world.structure.freeze_end}", case, begun, made[1:])
        if told is not None:
            yield told


def of_causes(logs: int, *, real: bool) -> Iterator[Told]:
    """So many logs with a fault of the demo's plant, machines only scored."""
    for i in range(logs):
        seed = SCORED_FROM + 60_000 + i
        log = cause_log(CAUSES[i % len(CAUSES)], seed, "line and clamp")
        sim = log.simulation
        record = (
            find_cycles(log.timeline, log.unit) if real else record_of(log.timeline, sim.phases, log.unit)
        )
        case = Case(
            timeline=log.timeline, record=record, unit=log.unit, thresholds=thresholds.resolve(log.unit)
        )
        begun = np.array([round((b.end_s - b.harvest_s) * 1e9) + sim.start_ns for b in sim.batches], np.int64)
        told = told_of(log.name, case, begun, np.array([b.ice_kg for b in sim.batches]))
        if told is not None:
            yield told


def learned(logs: list[Told]) -> dict[str, dict]:
    """The numbers of `slabs.json`, by the channels that there are."""
    weight = np.concatenate([np.full(len(t.true), 1 / len(t.true)) for t in logs])
    true = np.concatenate([t.true for t in logs])
    out = {}
    for by, columns in slabs.SETS.items():
        x = np.concatenate([t.x for t in logs])[:, [slabs.MEASURES.index(c) for c in columns]]
        k = len(columns)

        def cost(p: np.ndarray, x=x, k=k) -> float:
            scale = np.sqrt(np.exp(2 * p[k]) + ((x * np.exp(p[k + 1 :])) ** 2).sum(axis=1))
            z = (true - x @ p[:k]) / scale
            each = np.log(scale) + (slabs.DEGREES + 1) / 2 * np.log1p(z**2 / slabs.DEGREES)
            return float(weight @ each)

        begin = np.r_[0.6, np.zeros(k - 1), np.log(0.02), np.full(k, np.log(0.1))]
        p = minimize(cost, begin, method="L-BFGS-B").x
        weights, least, *spreads = p[:k], *(float(np.exp(v)) for v in p[k:])
        out[by] = {
            "weights": {c: round(float(v), 4) for c, v in zip(columns, weights, strict=True)},
            "least": round(least, 4),
            "spreads": {c: round(v, 4) for c, v in zip(columns, spreads, strict=True)},
        }
    return out


def report(name: str, logs: list[Told]) -> str:
    """Share of slabs within the interval and within a tenth; the same of freezes that are no usual ones, and for saying "as usual" of all."""
    lines = [f"{name}: {len(logs)} logs"]
    for by, columns in slabs.SETS.items():
        at = [slabs.MEASURES.index(c) for c in columns]
        rows = []
        for t in logs:
            value, half = slabs.told(t.x[:, at], by)
            off = np.abs(t.true - value)
            rows.append(
                (
                    off < half,
                    off < np.log1p(RIGHT),
                    np.abs(t.x[:, 0]) > CHANGED,
                    half,
                    np.abs(t.true) < np.log1p(RIGHT),
                )
            )
        held, right, plain = (np.mean([r[k].mean() for r in rows]) for k in (0, 1, 4))
        odd = np.concatenate([r[2] for r in rows])
        held_odd, right_odd, plain_odd = (np.concatenate([r[k] for r in rows])[odd].mean() for k in (0, 1, 4))
        half = np.median(np.concatenate([r[3] for r in rows]))
        lines.append(
            f"  {by:15} interval holds {held:.3f}, within 10 % {right:.3f} (all as usual {plain:.3f}); of {odd.sum()} freezes of another length "
            f"{held_odd:.3f}, {right_odd:.3f} ({plain_odd:.3f}); median half-width {100 * half:.1f} %"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--part", choices=("worked", "scored"), default="scored")
    parser.add_argument("--logs", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--real", action="store_true", help="phases from the real cycles room")
    parser.add_argument("--causes", type=int, default=0)
    parser.add_argument("--learn", action="store_true")
    options = parser.parse_args()
    part = "worked" if options.learn else options.part
    first = options.first or (500_000 if part == "worked" else 700_000)
    logs = list(of_worlds(part, first, options.logs, real=options.real))
    if options.learn:
        made_by = f"python -m tests.bench.slabs --learn --logs {options.logs} --first {first}"
        text = json.dumps({"made_by": made_by, "numbers": learned(logs)}, indent=1)
        slabs.NUMBERS.write_text(text + "\n", encoding="utf-8")
        slabs.numbers.cache_clear()
    print(report(f"worlds, {part}", logs))
    if options.causes:
        print(
            report(
                "faults of the other simulator, machines only scored",
                list(of_causes(options.causes, real=options.real)),
            )
        )


if __name__ == "__main__":
    main()
