"""The phases that a clamp alone shows, named by a network that learned it.

What a harvest does to a current, and which way, is the machine's own; that it comes again and again, is short, and that little happens in a
freeze, is not. The network sees how the running current moves about each ten seconds of the log, over an hour and more on either side, and says
how likely a freeze and a harvest are there. The cheapest course of phases through that is taken.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from pipeline.cycles.label.course import cheapest
from pipeline.cycles.label.labels import BEGIN, CHANGE, Labels, draw_costs
from pipeline.cycles.label.plausible import evenness
from pipeline.cycles.learned import network
from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.signal import signals
from pipeline.cycles.signal.features import DrawCells, draw_cells, running_course
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# What the network was taught with: where one changes it is learned anew. Common practice, no source.
STEP_S = 10.0  # of the grid on which it looks
STEPS = (1, 2, 4, 8, 16, 32, 64, 128, 64, 16)  # between neighbours, layer by layer, in steps of that grid
AROUND = 361  # steps: the level about each moment is the mean over them
LEAST_NOISES, LEAST_PART = 2.0, 0.004  # what it spreads there, in noises and in parts of that level, at least
SLOWEST_S = (
    90.0  # a logger that was learned from; slower ones show a harvest by a reading or two, as they show a fan
)
FEW = 20  # steps with a running compressor: fewer tell nothing
AT_ONCE = 16384  # steps that are worked on at once, and …
BESIDE = 2 * sum(STEPS)  # … those on either side that they look at

PER_STEP = 0.5  # neighbouring moments say much the same: what each says counts for so much
MOST_NATS = 4.0  # that one says


def named_by_clamp(draw: DrawCells, cells: Cells) -> tuple[Segments, Labels]:
    """The phases of `cells` by a clamp alone: stretches of which each is one, and what each is."""
    nats = says(draw, cells)
    kind = np.where(draw.level < draw.off_below, IDLE, np.where(nats > 0, HARVEST, FREEZE))
    opens = np.zeros(len(cells), bool)
    opens[cells.span_first] = True
    first = np.flatnonzero(np.r_[True, kind[1:] != kind[:-1]] | opens)
    stop = np.append(first[1:], len(cells))
    found = Segments(
        first=first, stop=stop, minutes=(stop - first) * (cells.step_s / 60.0), opens_span=opens[first]
    )
    changes = np.repeat(CHANGE[None], len(found), axis=0)
    changes[found.opens_span] = np.minimum(CHANGE, 1.0)
    state, margin, _ = cheapest(draw_costs(draw, found, cells) + against(nats, found), changes, BEGIN)
    return found, Labels(state=state, margin=margin, evenness=evenness(state, found, lone=True))


def against(nats: np.ndarray, segments: Segments) -> np.ndarray:
    """What `nats` (cells,), see `says`, speak against each phase in each segment, (k, 3) [nats]."""
    total = np.add.reduceat(nats, segments.first)
    return np.column_stack([np.maximum(total, 0.0), np.maximum(-total, 0.0), np.zeros(len(total))])


def says(draw: DrawCells, cells: Cells) -> np.ndarray:
    """By how much what the clamp shows in every cell is likelier in a harvest than in a freeze, (cells,) [nats]."""
    out = np.zeros(len(cells))
    layers = network.layers_of("phases alone")
    for stretch in stretches(draw.trace, cells):
        inputs = described(stretch)
        if inputs is None:
            continue
        said = _said(layers, inputs)
        nats = PER_STEP * np.clip(said[:, HARVEST] - said[:, FREEZE], -MOST_NATS, MOST_NATS)
        total, edge_s = np.r_[0.0, np.cumsum(nats)], STEP_S * np.arange(len(nats) + 1)
        end_ns = stretch.begin_ns + round(1e9 * edge_s[-1])
        first, stop = np.searchsorted(cells.start_ns, [stretch.begin_ns, end_ns])
        since_s = (cells.start_ns[first:stop] - stretch.begin_ns) * 1e-9
        out[first:stop] = np.diff(np.interp([since_s, since_s + cells.step_s], edge_s, total), axis=0)[0]
    return out


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """What a clamp shows of a time without a gap, every STEP_S."""

    begin_ns: int
    running: np.ndarray  # (n,): the current while the compressor runs, NaN where it stands [A or W]
    off: np.ndarray  # bool (n,): it stands
    known: np.ndarray  # bool (n,): it was read
    noise: float  # of one reading of a cell [A or W]
    interval_s: float
    compressor: bool  # the clamp is on the compressor alone


def stretches(trace: Trace, cells: Cells) -> Iterator[Stretch]:
    """The spans of the log, as `trace` shows them; none where it never shows a running machine, or is read too seldom."""
    if trace.interval_s > SLOWEST_S:
        return
    width_s = trace.interval_s * max(1, round(STEP_S / trace.interval_s))
    bins = signals.cells_of_width([trace], width_s, cells.limits)
    draw = draw_cells(trace, bins)
    if draw is None:
        return
    running = running_course(draw, bins).level
    for first, stop in zip(bins.span_first, bins.span_stop, strict=True):
        begin_ns = int(bins.start_ns[first])
        since_s = (bins.start_ns[first:stop] - begin_ns) * 1e-9
        grid_s = STEP_S * (np.arange(max(1, int((since_s[-1] + bins.step_s) / STEP_S))) + 0.5)
        at = np.clip(np.searchsorted(since_s, grid_s, side="right") - 1, 0, stop - first - 1)
        course = running[first:stop]
        known = np.isfinite(course)
        if bins.step_s > 1.5 * STEP_S and known.any():  # drawn straight between the readings
            drawn = np.interp(grid_s, since_s[known] + 0.5 * bins.step_s, course[known])
            course = np.where(known[at], drawn, np.nan)
        else:
            course = course[at]
        level = draw.level[first:stop][at]
        yield Stretch(
            begin_ns=begin_ns,
            running=course,
            off=level < draw.off_below,
            known=np.isfinite(level),
            noise=draw.noise,
            interval_s=trace.interval_s,
            compressor=trace.role == "current_compressor",
        )


def described(stretch: Stretch, louder: float = 1.0) -> np.ndarray | None:
    """What the network sees of a stretch (n, k); None where too little runs. louder: by how much more the current shall move; it learns by
    that, also by what goes the other way."""
    runs = np.isfinite(stretch.running)
    if runs.sum() < FEW:
        return None
    running = np.where(runs, stretch.running, 0.0)
    share = np.maximum(_about(runs.astype(float)), 1e-3)
    level = np.maximum(_about(running) / share, 1e-6)
    spread = np.sqrt(np.maximum(_about(np.where(runs, (running - level) ** 2, 0.0)) / share, 0.0))
    spread = np.maximum(spread, np.maximum(LEAST_NOISES * stretch.noise, LEAST_PART * level))
    away = louder * np.where(runs, running - level, 0.0)
    apart = np.clip(away / spread, -20.0, 20.0)
    moves = np.zeros(len(apart))
    moves[1:] = np.where(runs[1:] & runs[:-1], np.diff(apart), 0.0)
    each = np.ones(len(apart))
    seen = [np.tanh(apart / 2.0), np.tanh(2.0 * moves), np.tanh(10.0 * moves), np.tanh(5.0 * away / level)]
    seen += [stretch.off, ~stretch.known, each * stretch.compressor]
    seen += [
        np.clip(np.log(stretch.noise / spread + 1e-3) / 4.0 + 1.0, -1.0, 1.0),
        each * np.log(max(stretch.interval_s, 1.0) / 10.0) / 2.0,
    ]
    return np.stack(seen, axis=-1).astype(np.float32)


def _about(values: np.ndarray) -> np.ndarray:
    return uniform_filter1d(values, AROUND, mode="nearest")


def _said(layers: network.Layers, inputs: np.ndarray) -> np.ndarray:
    """What the network says of `inputs` (n, k), piece by piece, (n, 3)."""
    parts = []
    for first in range(0, len(inputs), AT_ONCE):
        begin = max(0, first - BESIDE)
        said = network.said_by(layers, STEPS, inputs[None, begin : first + AT_ONCE + BESIDE])[0]
        parts.append(said[first - begin : first - begin + AT_ONCE])
    return np.concatenate(parts)
