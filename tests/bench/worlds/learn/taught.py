"""What the networks are taught with: logs whose truth is known, and the examples that are taken from them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from unittest.mock import patch

import numpy as np

from pipeline.cycles import find_cycles
from pipeline.cycles.boundary import placing, weighing
from pipeline.cycles.label import shown
from pipeline.cycles.limits import limits_of
from pipeline.cycles.signal import signals
from pipeline.cycles.signal.features import COLD_ROLES, DRAW_ROLES, OTHER_ROLES
from pipeline.errors import UnitError
from pipeline.logs.limits import limits_of as reading_limits
from pipeline.unit import Unit

FIRST_WORLD, FIRST_SECOND, FIRST_PLAIN, FIRST_NONE = 200_000, 410_000, 7, 40_000
SECOND_CASES = 93  # of the second simulator's grid at a time
FAR_S = 300.0  # a named act that lies further from any true one is another
MOST = 12  # templates of each act of a log: neighbours are alike
LEAST_STEPS = 512  # of a stretch whose phases are learned
STATES = {"freeze": 0, "harvest": 1, "idle": 2}
ROLES = (*COLD_ROLES, *DRAW_ROLES, *OTHER_ROLES)


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
    """A stretch of a log with its true phases."""

    log: str
    stretch: shown.Stretch
    state: np.ndarray  # int (n,); -1: it is not known, or not to be learned from


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
    """Likewise of what is no batch machine: nothing in it is a harvest."""
    from tests.bench.worlds.none import draw_none
    from tests.bench.worlds.simulate import timeline_of

    readings = draw_none(seed).readings
    if min(r.interval_s for r in readings) > 120:
        return []
    log = timeline_of(readings, f"none-{seed}")
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
    """What the channels of `timeline` show, with the phases."""
    if name.endswith("-clamp"):  # its channel is among the log's
        return []
    limits = reading_limits({})
    traces = signals.traces_of(timeline, limits)
    traces = [traces[role] for role in ROLES if role in traces]
    if not traces:
        return []
    cells = signals.lay_cells(traces, {**limits, **limits_of({})})
    found = []
    for stretch in shown.stretches(traces, cells):
        length = len(stretch.courses[0].values) if stretch.courses else 0
        if length < LEAST_STEPS:
            continue
        at_s = stretch.begin_ns * 1e-9 + shown.STEP_S * (np.arange(length) + 0.5)
        begin, end = (np.array([p[i] for p in truth.phases]) for i in (0, 1))
        which = np.clip(np.searchsorted(begin, at_s, side="right") - 1, 0, len(begin) - 1)
        state = np.array([STATES[p[2]] for p in truth.phases])[which]
        counts = (at_s >= begin[which]) & (at_s < end[which])
        for a, b in truth.unscored:
            counts &= (at_s < a) | (at_s > b)
        off = np.any([c.off for c in stretch.courses], axis=0)
        state = np.where(off & (state == STATES["freeze"]), STATES["idle"], state)
        state = np.where(counts, state, -1)
        small = [replace(c, values=c.values.astype(np.float32)) for c in stretch.courses]
        found.append(
            PhaseExample(
                log=name, stretch=replace(stretch, courses=tuple(small)), state=state.astype(np.int8)
            )
        )
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
