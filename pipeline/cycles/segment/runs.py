"""Stretches of one phase, the boundaries between them by kind, and how a course bends within them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.signal.features import Course
from pipeline.cycles.signal.signals import Cells, sampled
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

WIDE = 3  # cells
USUAL = 0.75  # of the freezes, the shorter ones, last as they should, or are cut short; common practice, no source


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Stretches of one phase. `opens_span`: no reading just before."""

    state: np.ndarray  # int64 (k,)
    first: np.ndarray  # int64 (k,): first cell
    stop: np.ndarray  # int64 (k,)
    margin: np.ndarray  # float (k,) [nats]
    opens_span: np.ndarray  # bool (k,)


def rejoined(runs: Runs) -> Runs:
    """`runs` with neighbours of one phase within a span made one."""
    head = np.flatnonzero(np.r_[True, runs.state[1:] != runs.state[:-1]] | runs.opens_span)
    return Runs(
        state=runs.state[head],
        first=runs.first[head],
        stop=runs.stop[np.append(head[1:], len(runs.state)) - 1],
        margin=np.maximum.reduceat(runs.margin, head),
        opens_span=runs.opens_span[head],
    )


@dataclass(frozen=True, kw_only=True)
class Group:
    """Boundaries of one kind: which runs begin with them, and which way a cold line turns."""

    at: np.ndarray
    near_ns: np.ndarray
    before: int
    after: int
    sign: float
    before_s: float  # time that most have before them until the last boundary
    after_s: float


KINDS = (  # from, to, the way a cold line turns
    (FREEZE, HARVEST, 1.0),
    (HARVEST, FREEZE, -1.0),
    (HARVEST, IDLE, -1.0),
    (FREEZE, IDLE, 1.0),
    (IDLE, FREEZE, -1.0),
    (IDLE, HARVEST, 1.0),
)


def groups_of(runs: Runs, near_ns: np.ndarray, cells: Cells) -> list[Group]:
    before = np.r_[-1, runs.state[:-1]]
    length_s = (runs.stop - runs.first) * cells.step_s
    groups = []
    for a, b, sign in KINDS:
        at = np.flatnonzero(~runs.opens_span & (before == a) & (runs.state == b))
        if len(at):
            groups.append(
                Group(
                    at=at,
                    near_ns=near_ns[at],
                    before=a,
                    after=b,
                    sign=sign,
                    before_s=float(np.quantile(length_s[at - 1], 0.2)),
                    after_s=float(np.quantile(length_s[at], 0.2)),
                )
            )
    return groups


@dataclass(frozen=True, kw_only=True)
class Habits:
    """How a course usually moves. `swing` is nan where too little of it is known."""

    swing: float  # between its 2nd and its 98th percentile [unit]
    slope: float  # the 90th percentile of how steeply it moves [unit/s]
    bending: np.ndarray  # (3,), see `bendings`


def habits_of(course: Course, runs: Runs, cells: Cells, *, apart: bool) -> Habits:
    bending = bendings(course, runs, cells, apart=apart)
    heard = np.isfinite(course.level) & _heard(runs)
    if heard.sum() < 3:
        return Habits(swing=np.nan, slope=np.nan, bending=bending)
    low, high = np.quantile(sampled(course.level[heard]), (0.02, 0.98))
    slope = float(np.nanquantile(np.abs(sampled(course.slope[heard])), 0.9)) / 60.0
    return Habits(swing=float(high - low) or 1.0, slope=max(slope, 1e-6), bending=bending)


def _heard(runs: Runs) -> np.ndarray:
    """Cells that tell how a course usually moves, (cells,) of bool: of a freeze that lasts much longer than others only its ends
    do. One that never ends must not speak for all."""
    length = runs.stop - runs.first
    freezes = length[runs.state == FREEZE]
    most = int(np.quantile(freezes, USUAL)) if len(freezes) else np.inf  # cells from either end
    since = np.arange(int(length.sum())) - np.repeat(np.cumsum(length) - length, length)
    until = np.repeat(length, length) - since
    return (np.minimum(since, until) < most) | (np.repeat(runs.state, length) != FREEZE)


def bendings(course: Course, runs: Runs, cells: Cells, *, apart: bool) -> np.ndarray:
    """Intensity of the slow bending of the course within freeze, harvest and idle [unit²/s³], (3,): from second
    differences over one cell, whose variance is 2/3 × intensity × Δ³ and the noise. apart: the two are told apart by
    second differences over WIDE cells (of a slow probe; a current bends too sharply for that)."""
    level = np.where(_heard(runs), course.level, np.nan)
    state = np.repeat(runs.state, runs.stop - runs.first)
    noise = (course.slope_noise * np.sqrt(2) * cells.step_s / 60.0) ** 2 * 6
    unit = 2 / 3 * cells.step_s**3
    out = np.full(3, 1e-12)

    def spreads(h):
        bend = np.abs(level[2 * h :] - 2 * level[h:-h] + level[: -2 * h])
        whole = (state[2 * h :] == state[h:-h]) & (state[: -2 * h] == state[h:-h]) & np.isfinite(bend)
        bend, within = bend[whole], state[h:-h][whole]
        for s in range(3):
            inside = bend[within == s]
            # The quieter half: a phase bends most at its ends, and there the turn is what is sought.
            yield float(np.quantile(sampled(inside), 0.25) / 0.3186) ** 2 if len(inside) >= 5 else np.nan

    for s, (near, wide) in enumerate(zip(spreads(1), spreads(WIDE) if apart else (np.nan,) * 3, strict=True)):
        if np.isfinite(near):
            found = max(near - noise, 0.02 * near) / unit
            if np.isfinite(wide):
                found = max(min(found, (wide - near) / unit / (WIDE**3 - 1)), 0.02 * found)
            out[s] = max(found, 1e-12)
    return out
