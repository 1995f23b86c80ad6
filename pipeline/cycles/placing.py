"""Each boundary by its neighbours: relative times by laying cycles upon each other, the absolute moment once a window.

Stops and starts of the compressor come from the clamp's own readings where there is one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

import os
from pipeline.cycles import acts, superpose, lagged
from pipeline.cycles.runs import habits_of
MODE = os.environ.get("MODE", "mix")
from pipeline.cycles.boundaries import Placed, crossings
from pipeline.cycles.features import Course, DrawCells
from pipeline.cycles.runs import Runs
from pipeline.cycles.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source, all of them.
WINDOW_S, LEAST_WINDOW_S = (
    240.0,
    60.0,
)  # about an act, what is laid upon each other reaches so far on either side …
HARVEST_PART, FREEZE_PART = 0.8, 0.5  # … and no further than these parts of a harvest and of a freeze
REACH_PART, REACH_S = 0.4, (30.0, 60.0)  # of a harvest, and between these, a named moment may be off
GRID_S = (2.0, 10.0)  # the grid is half of the quickest interval, between these
LOW_PART, TOP_PART = 0.08, 0.05  # of a rise: as low as before it, and as high as its top
TOP_LATE_S = 150.0  # a line may be warmest so long after a harvest was named to end
LEFT = 0.4  # of the length that a harvest was named with, at least
UNLIKE = 0.6  # part of the usual length by which a harvest is unlike most
LONGER_S = 45.0  # at its top than others: a harvest unlike its neighbours
STATED = 0.65  # of the width that the likelihoods give: so the stated 90 % hold on worlds that were worked on
LEAST_ENDED = 4  # harvests that tell how long one lasts that a stop ends


def place(runs: Runs, colds: Sequence[Course], draws: Sequence[DrawCells], cells: Cells) -> Placed:
    """The start of every run, by all lines `colds` and the clamp `draws` together."""
    start_ns = cells.start_ns[runs.first].copy()
    off_s = np.full(len(start_ns), cells.step_s)
    by_draw, by_cold = np.zeros((2, len(start_ns)), dtype=bool)
    before = np.r_[-1, runs.state[:-1]]
    inner = ~runs.opens_span
    if draws:
        for on in (True, False):
            stood = (before == IDLE) if on else (runs.state == IDLE)
            at = np.flatnonzero(inner & stood & (before != runs.state))
            found_ns, bracket_s = crossings(draws[0], start_ns[at], on, cells)
            shown = np.isfinite(bracket_s)
            start_ns[at[shown]], off_s[at[shown]] = found_ns[shown], 0.5 + 0.45 * bracket_s[shown]
            by_draw[at[shown]] = True
    traces = [*(c.trace for c in colds), *(d.trace for d in draws[:1])]
    work = []
    for was, becomes in ((FREEZE, HARVEST), (HARVEST, FREEZE)):
        at = np.flatnonzero(inner & (before == was) & (runs.state == becomes))
        if len(at) == 0:
            continue
        # Harvests much longer or shorter than most have a shape of their own.
        length = (runs.stop - runs.first)[at - 1 if was == HARVEST else at]
        like = np.abs(length / np.median(length) - 1.0) <= UNLIKE
        for kind in (like, ~like):
            if not kind.any():
                continue
            some = at[kind]
            rough = bool(colds) and (becomes == HARVEST or kind is like)
            near_ns = _rough(runs, colds[0], cells, some) if rough else start_ns[some]
            work.append((some, _laid(traces, len(colds), runs, cells, some, near_ns)))
        by_cold[at] = bool(colds)
    _ask_lines(work, colds, runs, cells)
    for some, laid in work:
        start_ns[some], off_s[some], sharp = _placed(traces, len(colds), cells, laid)
        by_draw[some] = sharp & bool(draws)
    # Where little is left of a harvest, its neighbours do not tell when it was: it is where it was named.
    named_ns = cells.start_ns[runs.first]
    at = np.flatnonzero((runs.state[:-1] == HARVEST) & ~runs.opens_span[1:])
    lost = at[start_ns[at + 1] - start_ns[at] < LEFT * (named_ns[at + 1] - named_ns[at])]
    for edge in (lost[inner[lost]], lost + 1):
        start_ns[edge], off_s[edge] = named_ns[edge], 2 * cells.step_s
    if not draws:
        _as_long_as_others(runs, start_ns)
    return Placed(start_ns=start_ns, uncertainty_s=off_s, by_draw=by_draw, by_cold=by_cold, lag_s={})


def _ask_lines(work, colds, runs, cells):
    for c, cold in enumerate(colds):
        habits = habits_of(cold, runs, cells, apart=True)
        said = lagged.likelihoods(
            [
                lagged.Act(template=laid["templates"][c], ending=laid["ending"], before_s=laid["harvest_s"] if laid["ending"] else laid["freeze_s"], after_s=laid["freeze_s"] if laid["ending"] else laid["harvest_s"])
                for _, laid in work
            ],
            habits, cold.trace.interval_s, cells.step_s,
        )
        for (_, laid), says in zip(work, said, strict=True):
            laid["turns"].append(says)


def _laid(traces, lines, runs, cells, at, near_ns):
    length_s = (runs.stop - runs.first) * cells.step_s
    ending = bool(runs.state[at[0]] == FREEZE)
    harvest_s = float(np.median(length_s[at - 1] if ending else length_s[at]))
    freeze_s = float(np.median(length_s[at] if ending else length_s[at - 1]))
    parts = (HARVEST_PART * harvest_s, FREEZE_PART * freeze_s)
    back_s, ahead_s = np.clip(parts if ending else parts[::-1], LEAST_WINDOW_S, WINDOW_S)
    step = float(np.clip(min(t.interval_s for t in traces) / 2, *GRID_S))
    offsets = np.arange(-round(back_s / step), round(ahead_s / step) + 1) * step
    shift_s, apart_s = superpose.aligned(
        traces, near_ns, offsets, float(np.clip(REACH_PART * harvest_s, *REACH_S))
    )
    near_ns = near_ns + np.round(shift_s * 1e9).astype(np.int64)
    templates = [superpose.template_of(superpose.readings_about(t, near_ns, offsets), offsets, t.noise) for t in traces]
    return dict(templates=templates, offsets=offsets, near_ns=near_ns, apart_s=apart_s, ending=ending, harvest_s=harvest_s, freeze_s=freeze_s, turns=[], n=len(at), step=step)


def _placed(traces, lines, cells, laid):
    """Moments of the boundaries of one kind [ns] (k,), half of their 90 % interval [s], and which of them stand out as
    sharply as a current shows them. The first `lines` of `traces` are lines, the others currents."""
    offsets, near_ns, apart_s, ending, harvest_s, step = (laid[k] for k in ("offsets", "near_ns", "apart_s", "ending", "harvest_s", "step"))
    at = np.arange(laid["n"])
    likely = np.zeros((len(superpose.windows_of(len(at))), len(offsets)))
    for i, trace in enumerate(traces):
        template = laid["templates"][i]
        told = laid["turns"][i] if i < lines else None
        for w, (course, noise) in enumerate(zip(template.values, template.noise, strict=True)):
            if i >= lines:
                earliest_s = -0.5 * harvest_s if ending else -60.0
                says = acts.by_current(
                    offsets, course, noise, trace.interval_s, earliest_s=earliest_s, lone=lines == 0
                )
            else:
                by = acts.end_by_line if ending else acts.start_by_line
                says = by(offsets, course, noise, trace.interval_s) if MODE in ("", "mix") or (MODE == "end" and not ending) else None
                if told is not None and (MODE in ("turns", "mix") or (MODE == "end" and ending)):
                    density = lambda x: np.exp(np.maximum(x - x.max(), -30)) / np.exp(np.maximum(x - x.max(), -30)).sum()
                    turn = np.log(density(told[w]) + 1e-4 / len(offsets))
                    says = turn if says is None else np.log(0.5 * density(says) + 0.5 * density(turn))
            if says is not None:
                likely[w] += says
    # Neighbouring windows are asked together.
    likely = np.array([likely[max(0, w - 1) : w + 2].mean(axis=0) for w in range(len(likely))])
    share = np.cumsum(np.exp(likely - likely.max(axis=1, keepdims=True)), axis=1)
    share /= share[:, -1:]
    early, middle, late = (
        np.array([np.interp(q, s, offsets + 0.5 * step) for s in share]) for q in (0.05, 0.5, 0.95)
    )
    each = np.arange(len(at))
    windows = superpose.windows_of(len(at))
    moment_s = np.interp(each, windows, middle)
    wide_s = np.interp(each, windows, 0.5 * (late - early))
    sharp = wide_s < 2.5 + 0.3 * traces[-1].interval_s
    at_ns = near_ns + np.round(moment_s * 1e9).astype(np.int64)
    return at_ns, STATED * np.hypot(1.645 * apart_s, wide_s), sharp


def _rough(runs: Runs, line: Course, cells: Cells, at: np.ndarray) -> np.ndarray:
    """About when the harvests that begin, or end, with the boundaries `at` (k,) did so, by the line alone: where it last was near
    its low before the top, and where it first comes near that [ns]."""
    level = line.level
    out = cells.start_ns[runs.first[at]].copy()
    high_s = np.zeros(len(at))  # how long the line stays near its top
    half, later = round(0.5e9 * cells.step_s), round(TOP_LATE_S / cells.step_s)
    for n, i in enumerate(at.tolist()):
        ends = runs.state[i] == FREEZE
        h = i - 1 if ends else i
        first, stop = int(runs.first[h]), int(runs.stop[h])
        follows = h + 1 < len(runs.stop) and not runs.opens_span[h + 1]
        more = min(later, (int(runs.stop[h + 1]) - stop) // 3) if follows else 0
        part = level[first : stop + more]
        if len(part) < 2 or not np.isfinite(part).any():
            continue
        top = first + int(np.nanargmax(part))
        # What was named may reach back into the freeze, and the freeze into the harvest.
        apart = ends or runs.opens_span[h] or h == 0
        begin = first if apart else first - (first - int(runs.first[h - 1])) // 4
        climb = level[begin : top + 1]
        if not np.isfinite(climb).any():
            continue
        low = np.nanmin(climb)
        rise = level[top] - low
        if ends:
            high = np.flatnonzero(level[begin : stop + more] >= level[top] - TOP_PART * rise)
            out[n] = cells.start_ns[begin + int(high[0])] + half
            high_s[n] = (high[-1] - high[0]) * cells.step_s
        else:
            out[n] = cells.start_ns[begin + int(np.flatnonzero(climb <= low + LOW_PART * rise)[-1])] + half
    # A line that stays at its top for far longer than others do, as when ice melts off, ends its harvest so much later.
    longer_s = high_s - np.median(high_s) if len(at) else high_s
    return out + np.where(longer_s > LONGER_S, np.round(longer_s * 1e9), 0.0).astype(np.int64)


def _as_long_as_others(runs: Runs, start_ns: np.ndarray) -> None:
    """Sets the ends of harvests that a stop follows, which a line hardly shows: they last as long as the others do."""
    before = np.r_[-1, runs.state[:-1]]
    ended = np.flatnonzero(~runs.opens_span & (before == HARVEST))
    others, stops = ended[runs.state[ended] == FREEZE], ended[runs.state[ended] == IDLE]
    if len(others) >= LEAST_ENDED:
        usual_ns = np.int64(np.median(start_ns[others] - start_ns[others - 1]))
        start_ns[stops] = np.minimum(start_ns[stops], start_ns[stops - 1] + usual_ns)
