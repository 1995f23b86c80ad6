"""Each boundary by its neighbours: relative times by laying cycles upon each other, the absolute moment by what those alike share.

Stops and starts of the compressor come from the clamp's own readings where there is one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.boundary import weighing
from pipeline.cycles.boundary.boundaries import Placed, crossings
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import DrawCells, LevelCells
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.cycles.template import superpose

# Common practice, no source, all of them.
# about an act, what is laid upon each other reaches so far on either side …
WINDOW_S, LEAST_WINDOW_S = 240.0, 60.0
HARVEST_PART, FREEZE_PART = 0.8, 0.5  # … and no further than these parts of a harvest and of a freeze
LOW_PART, TOP_PART = 0.08, 0.05  # of a rise: as low as before it, and as high as its top
UNLIKE = 0.6  # part of the usual length by which a harvest is unlike most
STATED = 0.9  # of the width that the likelihoods give: so the stated 90 % hold on simulated machines that were not learned from
DOUBT = 0.2  # how likely it is that what one of several channels says is wrong
UNKNOWN_S = 45.0  # where no template shows anything the act is where it was named, give or take that
LEAST_ENDED = 4  # harvests that tell how long one lasts that a stop ends


@dataclass(frozen=True, kw_only=True)
class Act:
    """Boundaries of one kind that are laid upon each other."""

    at: np.ndarray  # int (n,): which of the runs begin with them
    ending: bool  # of harvests; else their starts
    usual: bool  # these harvests last as long as most
    harvest_s: float
    offsets: np.ndarray  # (l,) [s]
    laid: superpose.Laid


def place(
    runs: Runs,
    colds: Sequence[LevelCells],
    draws: Sequence[DrawCells],
    cells: Cells,
    *,
    standing: bool = False,
) -> Placed:
    """The start of every run, by all lines `colds` and the first clamp of `draws` together. `standing`: it
    shows the compressor standing in harvests."""
    k = len(runs.first)
    placed = Placed(
        start_ns=cells.start_ns[runs.first].copy(),
        uncertainty_s=np.full(k, (1 if colds else 2) * cells.step_s),
        by_draw=np.zeros(k, dtype=bool),
    )
    if draws:
        _place_stops(placed, runs, draws[0], cells, (HARVEST, IDLE) if standing else (IDLE,))
    if standing:
        return placed
    _place_acts(placed, runs, colds, draws, cells)
    return placed


def _kinds(runs: Runs) -> tuple[np.ndarray, np.ndarray]:
    """(the state before each run, whether a run lies next to it in time), (k,) each."""
    return np.r_[-1, runs.state[:-1]], ~runs.opens_span


def _place_stops(placed: Placed, runs: Runs, draw: DrawCells, cells: Cells, standing: Sequence[int]) -> None:
    """Sets where the compressor stops and starts, by the readings between which the clamp shows it; standing: the states in which it does."""
    before, inner = _kinds(runs)
    stands, stood = np.isin(runs.state, standing), np.isin(before, standing)
    for on in (True, False):
        at = np.flatnonzero(inner & (stood & ~stands if on else stands & ~stood))
        found_ns, bracket_s = crossings(draw, placed.start_ns[at], on, cells)
        shown = np.isfinite(bracket_s)
        at = at[shown]
        placed.start_ns[at], placed.uncertainty_s[at] = found_ns[shown], 0.5 + 0.45 * bracket_s[shown]
        placed.by_draw[at] = True


def _place_acts(
    placed: Placed, runs: Runs, colds: Sequence[LevelCells], draws: Sequence[DrawCells], cells: Cells
) -> None:
    """Sets where harvests begin and end."""
    traces = [*(c.trace for c in colds), *(d.trace for d in draws[:1])]
    for act in acts(traces, runs, colds[0] if colds else None, cells, placed.start_ns):
        likely, by_draw = likelihood(traces, act, len(colds))
        moment_s, wide_s = middle(act.offsets, likely)
        placed.start_ns[act.at] = act.laid.near_ns + np.round(moment_s * 1e9).astype(np.int64)
        placed.uncertainty_s[act.at] = STATED * np.hypot(1.645 * act.laid.apart_s, wide_s)
        sharp = wide_s < 2.5 + 0.3 * traces[-1].interval_s
        placed.by_draw[act.at] = by_draw & (sharp if colds else True)
    if not draws:
        _as_long_as_others(runs, placed.start_ns)


def acts(
    traces: Sequence[Trace], runs: Runs, line: LevelCells | None, cells: Cells, named_ns: np.ndarray
) -> Iterator[Act]:
    """The starts of harvests, then their ends, about where `line` shows them, if there is one, those alike laid upon each other by all
    `traces`. named_ns: (k,), where each of `runs` begins as far as is known."""
    before, inner = _kinds(runs)
    for was, becomes in ((FREEZE, HARVEST), (HARVEST, FREEZE)):
        at = np.flatnonzero(inner & (before == was) & (runs.state == becomes))
        if len(at) == 0:
            continue
        # Harvests much longer or shorter than most have a shape of their own.
        length = (runs.stop - runs.first)[at - 1 if was == HARVEST else at]
        like = np.abs(length / np.median(length) - 1.0) <= UNLIKE
        for some, usual in ((at[like], True), (at[~like], False)):
            if len(some) == 0:
                continue
            rough = line is not None and (becomes == HARVEST or usual)
            near_ns = _rough(runs, line, cells, some) if rough else named_ns[some]
            yield _act(traces, runs, cells, some, near_ns, usual=usual)


def _act(
    traces: Sequence[Trace], runs: Runs, cells: Cells, at: np.ndarray, near_ns: np.ndarray, *, usual: bool
) -> Act:
    """The boundaries `at` (n,), all of one kind and about at `near_ns`, laid upon each other."""
    length_s = (runs.stop - runs.first) * cells.step_s
    ending = bool(runs.state[at[0]] == FREEZE)
    harvest_s = float(np.median(length_s[at - 1] if ending else length_s[at]))
    freeze_s = float(np.median(length_s[at] if ending else length_s[at - 1]))
    parts = (HARVEST_PART * harvest_s, FREEZE_PART * freeze_s)
    back_s, ahead_s = np.clip(parts if ending else parts[::-1], LEAST_WINDOW_S, WINDOW_S)
    laid = superpose.acts_laid(traces, near_ns, back_s, ahead_s, harvest_s)
    return Act(
        at=at,
        ending=ending,
        usual=usual,
        harvest_s=harvest_s,
        offsets=laid.templates[0].offsets_s,
        laid=laid,
    )


def likelihood(traces: Sequence[Trace], act: Act, lines: int) -> tuple[np.ndarray, np.ndarray]:
    """Log likelihood (n, l) of the moment of each of the act's boundaries, and whose (n,) the current shows anything of; the first
    `lines` of `traces` are lines."""
    shape = (len(act.laid.templates[0].values), len(act.offsets))
    likely, known, by_current = np.zeros(shape), np.zeros(shape[0], bool), np.zeros(shape[0], bool)
    for i, (trace, template) in enumerate(zip(traces, act.laid.templates, strict=True)):
        kind: weighing.Kind = "line" if i < lines else "current" if lines else "alone"
        said, shows = weighing.said_of(template, trace, act.harvest_s, ending=act.ending, kind=kind)
        if len(traces) > 1:  # where one is wrong, any moment is as likely: the others tell
            said -= np.logaddexp.reduce(said, axis=1, keepdims=True)
            said = np.logaddexp(said, np.log(DOUBT / said.shape[1]))
        likely[shows] += said[shows]
        known |= shows
        by_current |= shows & (kind != "line")
    likely[~known] = -0.5 * (act.offsets / UNKNOWN_S) ** 2
    return likely, by_current


def middle(offsets: np.ndarray, likely: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median of each event's posterior and half of its 90 % interval [s], (n,) each. likely: (n, l)."""
    share = np.cumsum(np.exp(likely - likely.max(axis=1, keepdims=True)), axis=1)
    share /= share[:, -1:]
    half = 0.5 * (offsets[1] - offsets[0])
    early, middle, late = (
        np.array([np.interp(q, s, offsets + half) for s in share]) for q in (0.05, 0.5, 0.95)
    )
    return middle, 0.5 * (late - early)


def _rough(runs: Runs, line: LevelCells, cells: Cells, at: np.ndarray) -> np.ndarray:
    """About when the harvests that begin, or end, with the boundaries `at` (k,) did so, by the line alone: where it last was near
    its low before the top, and where it first comes near that [ns]."""
    known = np.isfinite(line.level)
    level, low_level = np.where(known, line.level, -np.inf), np.where(known, line.level, np.inf)
    out = cells.start_ns[runs.first[at]].copy()
    half = round(0.5e9 * cells.step_s)
    for n, i in enumerate(at.tolist()):
        ends = runs.state[i] == FREEZE
        h = i - 1 if ends else i
        first, stop = int(runs.first[h]), int(runs.stop[h])
        part = level[first:stop]
        if len(part) < 2:
            continue
        top = first + int(np.argmax(part))
        # What was named may reach back into the freeze, and the freeze into the harvest.
        apart = ends or runs.opens_span[h] or h == 0
        begin = first if apart else first - (first - int(runs.first[h - 1])) // 4
        climb = low_level[begin : top + 1]
        low = climb.min()
        rise = level[top] - low
        if not np.isfinite(rise):
            continue
        if ends:
            near = begin + int(np.argmax(level[begin:stop] >= level[top] - TOP_PART * rise))
        else:
            near = begin + int(np.flatnonzero(climb <= low + LOW_PART * rise)[-1])
        out[n] = cells.start_ns[near] + half
    return out


def _as_long_as_others(runs: Runs, start_ns: np.ndarray) -> None:
    """Sets the ends of harvests that a stop follows, which a line hardly shows: they last as long as the others do."""
    before = np.r_[-1, runs.state[:-1]]
    ended = np.flatnonzero(~runs.opens_span & (before == HARVEST))
    others, stops = ended[runs.state[ended] == FREEZE], ended[runs.state[ended] == IDLE]
    if len(others) >= LEAST_ENDED:
        usual_ns = np.int64(np.median(start_ns[others] - start_ns[others - 1]))
        start_ns[stops] = start_ns[stops - 1] + usual_ns
