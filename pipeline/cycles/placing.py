"""Each boundary placed by its neighbours: relative times by laying cycles upon each other, the absolute moment once per window."""

from __future__ import annotations

from collections.abc import Sequence

import os
import numpy as np

from pipeline.cycles import acts, superpose
from pipeline.cycles.boundaries import Placed, crossings
from pipeline.cycles.features import Course, DrawCells
from pipeline.cycles.runs import Runs
from pipeline.cycles.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

WINDOW_S = 240.0
UF = float(os.environ.get('UF', 0.65))


def place(runs: Runs, colds: Sequence[Course], draws: Sequence[DrawCells], cells: Cells) -> Placed:
    k = len(runs.state)
    start_ns = cells.start_ns[runs.first].copy()
    unc = np.full(k, cells.step_s)
    by_draw, by_cold = np.zeros(k, bool), np.zeros(k, bool)
    before = np.r_[-1, runs.state[:-1]]
    inner = ~runs.opens_span
    if draws:
        for on in (True, False):
            at = np.flatnonzero(inner & ((before == IDLE) if on else (runs.state == IDLE)) & (before != runs.state))
            if len(at):
                found, bracket = crossings(draws[0], start_ns[at], on, cells)
                shown = np.isfinite(bracket)
                start_ns[at[shown]] = found[shown]
                unc[at[shown]] = 0.45 * bracket[shown] + 0.5
                by_draw[at[shown]] = True
    lines = [c.trace for c in colds]
    currents = [d.trace for d in draws[:1]]
    traces = [*lines, *currents]
    dt = float(np.clip(min(t.interval_s for t in traces) / 2, 2.0, 10.0))
    length = np.r_[np.diff(cells.start_ns[runs.first]) * 1e-9, 300.0]
    for ending in (False, True):
        if ending:
            at = np.flatnonzero(inner & (before == HARVEST) & (runs.state == FREEZE))
        else:
            at = np.flatnonzero(inner & (before == FREEZE) & (runs.state == HARVEST))
        if len(at) == 0:
            continue
        harvest_s = float(np.median(length[at - 1] if ending else length[at]))
        freeze_s = float(np.median(length[at] if ending else length[at - 1]))
        near = _rough(runs, colds[0], cells, at, ending) if lines else start_ns[at]
        ahead, behind = (0.8 * harvest_s, 0.5 * freeze_s) if ending else (0.5 * freeze_s, 0.8 * harvest_s)
        span = (-min(WINDOW_S, max(ahead, 60)), min(WINDOW_S, max(behind, 60)))
        offsets = np.arange(round(span[0] / dt), round(span[1] / dt) + 1) * dt
        reach = float(np.clip(0.4 * harvest_s, 30, 60))
        shift, sd = superpose.aligned(traces, near, offsets, reach)
        near = near + np.round(shift * 1e9).astype(np.int64)
        n_win = len(superpose.windows_of(len(at)))
        likely, heard_draw, heard_cold = np.zeros((n_win, len(offsets))), np.zeros(n_win, bool), np.zeros(n_win, bool)
        for trace in traces:
            temp = superpose.template_of(superpose.readings_about(trace, near, offsets), offsets, trace.noise)
            for w in range(n_win):
                if trace in currents:
                    more = acts.by_steps(offsets, temp.values[w], trace.interval_s, temp.noise[w], -0.5 * harvest_s if ending else -60.0, not lines)
                else:
                    by = acts.end_by_line if ending else acts.start_by_line
                    more = by(offsets, temp.values[w], temp.noise[w], trace.interval_s)
                    heard_cold[w] |= more is not None
                if more is not None:
                    likely[w] += more
        joint = np.array([likely[max(0, w - 1) : w + 2].mean(axis=0) for w in range(n_win)])
        weight = np.exp(joint - joint.max(axis=1, keepdims=True))
        share = np.cumsum(weight, axis=1) / weight.sum(axis=1, keepdims=True)
        quantile = lambda q: np.array([np.interp(q, s, offsets + 0.5 * dt) for s in share])
        moment = quantile(0.5)
        wide = 0.5 * (quantile(0.95) - quantile(0.05))
        each = np.interp(np.arange(len(at)), superpose.windows_of(len(at)), moment)
        start_ns[at] = near + np.round(each * 1e9).astype(np.int64)
        unc[at] = UF * np.hypot(1.645 * sd, np.interp(np.arange(len(at)), superpose.windows_of(len(at)), wide))
        by_draw[at] = (wide < 2.5 + 0.3 * min([t.interval_s for t in currents], default=0))[superpose.window_of_each(len(at))] & bool(currents)
        by_cold[at] = bool(lines)
    return Placed(start_ns=start_ns, uncertainty_s=unc, by_draw=by_draw, by_cold=by_cold, lag_s={c.trace.role: float("nan") for c in colds})


LOW_PART = 0.08
END_PART = float(os.environ.get('EP', 0.05))
TOP_CELLS_S = 150.0


def _rough(runs: Runs, line: Course, cells: Cells, at: np.ndarray, ending: bool) -> np.ndarray:
    """About when each harvest began, or ended, by the line alone: where it last was near its low before its top, and that top [ns]."""
    level = line.level
    out = cells.start_ns[runs.first[at]].copy()
    half = round(0.5e9 * cells.step_s)
    more = round(TOP_CELLS_S / cells.step_s)
    for n, i in enumerate(at):
        h = i - 1 if ending else i
        first, stop = int(runs.first[h]), int(runs.stop[h])
        last = min(stop + min(more, (int(runs.stop[h + 1]) - stop) // 3 if h + 1 < len(runs.stop) and not runs.opens_span[h + 1] else 0), len(level))
        part = level[first:last]
        if len(part) < 2 or not np.isfinite(part).any():
            continue
        top = first + int(np.nanargmax(part))
        if ending:
            low = np.nanmin(level[first : top + 1])
            near_top = level[first : top + 1] >= level[top] - END_PART * (level[top] - low)
            out[n] = cells.start_ns[first + int(np.argmax(near_top))] + half
            continue
        begin = first - (first - int(runs.first[h - 1])) // 4 if h > 0 and not runs.opens_span[h] else first
        seg = level[begin : top + 1]
        if not np.isfinite(seg).any():
            continue
        low = np.nanmin(seg)
        under = np.flatnonzero(seg <= low + LOW_PART * (level[top] - low))
        out[n] = cells.start_ns[begin + int(under[-1])] + half
    return out

