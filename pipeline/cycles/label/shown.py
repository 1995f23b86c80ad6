"""What the channels of a log show of its phases, together, told by a network that learned it.

What a harvest does to a current or to a line, which way, and how fast, is the machine's own; that it comes again and again, is short, and warms
the evaporator, is not. The network sees how every channel moves about each ten seconds of the log, over an hour and more on either side, and says
how likely a freeze, a harvest and a rest are there. A channel that is not logged says nothing; of a clamp that is alone a second network is asked too,
which saw nothing else, and what they say is averaged.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.ndimage import uniform_filter1d

from pipeline.cycles.learned import network
from pipeline.cycles.signal import signals
from pipeline.cycles.signal.features import COLD_ROLES, OTHER_ROLES, course_of, draw_cells, running_course
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import HARVEST

Kind = Literal["line", "current", "other"]

# What the network was taught with: where one changes it is learned anew. Common practice, no source.
STEP_S = 10.0  # of the grid on which it looks
STEPS = (1, 2, 4, 8, 16, 32, 64, 128, 64, 16)  # between neighbours, layer by layer, in steps of that grid
AROUND = 361  # steps: the level about each moment is the mean over them
LEAST_NOISES = 2.0  # what a channel spreads there, in noises, at least …
LEAST_K, LEAST_PART = 0.3, 0.004  # … and in kelvin (a line), or in parts of that level (all others)
FEW = 20  # steps with a reading: fewer tell nothing
AT_ONCE = 16384  # steps that are worked on at once, and …
BESIDE = 2 * sum(STEPS)  # … those on either side that they look at

PER_STEP = 0.5  # neighbouring moments say much the same: what each says counts for so much
MOST_NATS = 4.0  # that one says


@dataclass(frozen=True, kw_only=True)
class Course:
    """A channel in a time without a gap, every STEP_S."""

    role: str
    kind: Kind
    values: np.ndarray  # (n,): a current only while the compressor runs; NaN where it is not known [°C, A, W]
    off: np.ndarray  # bool (n,): a clamp shows the compressor standing
    known: np.ndarray  # bool (n,): it was read
    noise: float  # of one cell
    interval_s: float


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """All channels in a time without a gap."""

    begin_ns: int
    courses: tuple[Course, ...]


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What the channels show of the phases."""

    nats: np.ndarray  # (cells, 3): what they speak against each phase in every cell
    sure: float  # of all that may be harvest, so much is harvest for sure, 0…1; 1 of none


def says(traces: Sequence[Trace], cells: Cells) -> Shown:
    """What `traces` show of the phases of a log."""
    out, known = np.zeros((len(cells), 3)), []
    for stretch in stretches(traces, cells):
        said = said_of(stretch)
        if said is None:
            continue
        known.append(said)
        nats = PER_STEP * np.minimum(said.max(axis=1, keepdims=True) - said, MOST_NATS)
        total = np.concatenate([np.zeros((1, 3)), np.cumsum(nats, axis=0)])
        edge_s = STEP_S * np.arange(len(total))
        end_ns = stretch.begin_ns + round(1e9 * edge_s[-1])
        first, stop = np.searchsorted(cells.start_ns, [stretch.begin_ns, end_ns])
        since_s = (cells.start_ns[first:stop] - stretch.begin_ns) * 1e-9
        for state in range(3):
            upto = np.interp([since_s, since_s + cells.step_s], edge_s, total[:, state])
            out[first:stop, state] = np.diff(upto, axis=0)[0]
    return Shown(nats=out, sure=_sure(np.concatenate(known)) if known else 1.0)


def _sure(said: np.ndarray) -> float:
    """See `Shown.sure`; said: (n, 3), see `said_of`."""
    share = np.exp(said - said.max(axis=1, keepdims=True))
    harvest = share[:, HARVEST] / share.sum(axis=1)
    named = said.argmax(axis=1) == HARVEST
    if not named.any():
        return 1.0
    return float(harvest[named].sum() / (named.sum() + harvest[~named].sum()))


def kind_of(role: str) -> Kind:
    """What a channel of this role is to the network."""
    return "line" if role in COLD_ROLES else "other" if role in OTHER_ROLES else "current"


def stretches(traces: Sequence[Trace], cells: Cells) -> Iterator[Stretch]:
    """The spans of the log, as `traces` show them. cells: laid over all of them."""
    if not traces:
        return
    found = [_binned(trace, cells) for trace in traces]
    for first, stop in zip(cells.span_first, cells.span_stop, strict=True):
        begin_ns = int(cells.start_ns[first])
        seconds = (cells.start_ns[stop - 1] - begin_ns) * 1e-9 + cells.step_s
        grid_ns = begin_ns + np.round(1e9 * STEP_S * (np.arange(max(1, int(seconds / STEP_S))) + 0.5)).astype(
            np.int64
        )
        yield Stretch(begin_ns=begin_ns, courses=tuple(b.on(grid_ns) for b in found if b is not None))


@dataclass(frozen=True, kw_only=True)
class _Binned:
    """A channel in cells of its own, as near to STEP_S as its readings allow."""

    trace: Trace
    bins: Cells
    level: np.ndarray
    running: np.ndarray
    off: np.ndarray
    noise: float

    def on(self, grid_ns: np.ndarray) -> Course:
        """The channel at `grid_ns` (n,)."""
        bins = self.bins
        at = np.clip(np.searchsorted(bins.start_ns, grid_ns, side="right") - 1, 0, len(bins) - 1)
        since_ns = grid_ns - bins.start_ns[at]
        there = (since_ns >= 0) & (since_ns < round(1.5e9 * bins.step_s))
        values = np.where(there, self.running[at], np.nan)
        known = np.isfinite(self.running)
        if bins.step_s > 1.5 * STEP_S and known.any():  # drawn straight between the readings
            middle_ns = bins.start_ns[known] + round(0.5e9 * bins.step_s)
            drawn = np.interp(grid_ns, middle_ns, self.running[known])
            values = np.where(np.isfinite(values), drawn, np.nan)
        return Course(
            role=self.trace.role,
            kind=kind_of(self.trace.role),
            values=values,
            off=there & self.off[at],
            known=there & np.isfinite(self.level[at]),
            noise=self.noise,
            interval_s=self.trace.interval_s,
        )


def _binned(trace: Trace, cells: Cells) -> _Binned | None:
    """None where a clamp never shows a running machine."""
    width_s = trace.interval_s * max(1, round(STEP_S / trace.interval_s))
    bins = signals.cells_of_width([trace], width_s, cells.limits)
    if kind_of(trace.role) != "current":
        course = course_of(trace, bins)
        off = np.zeros(len(bins), bool)
        return _Binned(
            trace=trace, bins=bins, level=course.level, running=course.level, off=off, noise=course.noise
        )
    draw = draw_cells(trace, bins)
    if draw is None:
        return None
    running = running_course(draw, bins).level
    off = draw.level < draw.off_below
    return _Binned(trace=trace, bins=bins, level=draw.level, running=running, off=off, noise=draw.noise)


def said_of(stretch: Stretch) -> np.ndarray | None:
    """How likely each phase is every STEP_S, (n, 3) [nats, but for a sum]; None where nothing tells."""
    seen = [(c.kind, described(c)) for c in stretch.courses]
    seen = [(kind, inputs) for kind, inputs in seen if inputs is not None]
    if not seen:
        return None
    weights = np.concatenate([network.layers_of(f"phases {kind}")[0][0] for kind, _ in seen], axis=1)
    (_, bias), *others = network.layers_of("phases")
    inputs = np.concatenate([inputs for _, inputs in seen], axis=1)
    said = _said([(weights, bias), *others], inputs)
    if [kind for kind, _ in seen] == ["current"]:  # what one takes for sure, the other doubts
        said = 0.5 * (said + _said(network.layers_of("phases alone"), inputs))
    return said


def described(course: Course, louder: float = 1.0) -> np.ndarray | None:
    """What the network sees of a channel (n, k); None where too little is read. louder: by how much more it shall move; the network learns by
    that, also by what goes the other way."""
    read = np.isfinite(course.values)
    if read.sum() < FEW:
        return None
    values = np.where(read, course.values, 0.0)
    share = np.maximum(_about(read.astype(float)), 1e-3)
    level = _about(values) / share
    spread = np.sqrt(np.maximum(_about(np.where(read, (values - level) ** 2, 0.0)) / share, 0.0))
    line = course.kind == "line"
    least = LEAST_K if line else LEAST_PART * np.abs(level)
    spread = np.maximum(spread, np.maximum(np.maximum(LEAST_NOISES * course.noise, least), 1e-9))
    away = louder * np.where(read, values - level, 0.0)
    apart = np.clip(away / spread, -20.0, 20.0)
    moves = np.zeros(len(apart))
    moves[1:] = np.where(read[1:] & read[:-1], np.diff(apart), 0.0)
    each = np.ones(len(apart))
    seen = [np.tanh(apart / 2.0), np.tanh(2.0 * moves), np.tanh(10.0 * moves)]
    if line:
        seen += [np.tanh(away / 10.0), np.tanh(values / 15.0), np.tanh(spread / 10.0)]
    else:
        seen += [np.tanh(5.0 * away / np.maximum(np.abs(level), 1e-6))]
    seen += [course.off, ~course.known, each]
    seen += [each * (course.role == role) for role in FLAGS[course.kind]]
    seen += [
        np.clip(np.log(course.noise / spread + 1e-3) / 4.0 + 1.0, -1.0, 1.0),
        each * np.log(max(course.interval_s, 1.0) / 10.0) / 2.0,
    ]
    seen = np.stack(seen, axis=-1).astype(np.float32)
    seen[_about(course.known.astype(float)) < 1e-3] = 0.0  # as of a channel that is not there
    return seen


FLAGS: dict[Kind, tuple[str, ...]] = {
    "line": ("suction",),
    "current": ("current_compressor",),
    "other": OTHER_ROLES,
}


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
