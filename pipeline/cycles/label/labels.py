"""Which phase each segment is: the cheapest course through freeze, harvest and idle for the whole log at once.

A segment costs each phase what the channels together speak against it (`shown`), and what a clamp shows of the compressor; a change of phase
costs what its rarity speaks against it. The cheapest course (`course`) is taken; by how much dearer the next best phase of a segment would have
been is its margin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.label import shown
from pipeline.cycles.label.course import cheapest
from pipeline.cycles.segment.segments import Segments, means
from pipeline.cycles.signal.features import DrawCells
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Costs are in nats (a cost of 3 is odds of 20 to 1); all of them common practice, no source.
CHANGE = np.array(
    [  # to freeze, harvest, idle
        [0.0, 1.0, 4.0],  # from freeze: to stop in mid-freeze is rare
        [1.0, 0.0, 2.5],  # from harvest
        [0.5, 5.0, 0.0],  # from idle: few machines start with a harvest
    ]
)
BEGIN = np.array([0.0, 1.5, 1.0])
NEVER = 1e6  # more than all that channels can say: where the clamp is right, it is right about that
GAINSAID = 2  # harvests of a line within one stop of the clamp that prove the clamp wrong
DEAD_MIN = 40.0  # no shorter stop holds so many


@dataclass(frozen=True, kw_only=True)
class Labels:
    """The phase of each segment (k,) and by how much it won [nats]."""

    state: np.ndarray
    margin: np.ndarray
    standing: bool  # a clamp shows the compressor standing in harvests


def label(nats: np.ndarray, draws: Sequence[DrawCells], segments: Segments) -> Labels:
    """The cheapest course of phases through all segments. nats: (cells, 3), what the channels speak against each (`shown.says`).

    A machine's compressor runs through its harvests, or it stands in them: whichever makes the cheaper course."""
    costs = np.add.reduceat(nats, segments.first, axis=0)
    changes = np.repeat(CHANGE[None], len(segments), axis=0)
    changes[segments.opens_span] = np.minimum(CHANGE, 1.0)
    either = [costs + draw_costs(draw, segments, standing=way) for draw in draws[:1] for way in (False, True)]
    courses = [cheapest(each, changes, BEGIN) for each in either or [costs]]
    standing = courses[-1][2] < courses[0][2]
    state, margin, _ = courses[-1 if standing else 0]
    return Labels(state=state, margin=margin, standing=bool(standing))


def draw_costs(draw: DrawCells, segments: Segments, *, standing: bool) -> np.ndarray:
    """What running or standing speaks against each phase, shape (k, 3): in a freeze it runs, at rest it stands. standing: it does so in harvests
    too, else it runs."""
    costs = np.zeros((len(segments), 3))
    if not np.isfinite(draw.off_below):
        return costs
    off = means(np.where(np.isfinite(draw.level), draw.level < draw.off_below, np.nan), segments)
    stands, runs = np.where(off > 0.5, NEVER, 0.0), np.where(off < 0.5, NEVER, 0.0)
    costs[:, FREEZE], costs[:, HARVEST], costs[:, IDLE] = stands, runs if standing else stands, runs
    return costs


def believed(draw: DrawCells, lines: Sequence[Trace], cells: Cells) -> DrawCells:
    """`draw` without the stretches in which it reads "off" while a cold line goes on through GAINSAID or more harvests: there the clamp is at
    fault, not the machine."""
    off = np.nan_to_num(draw.level, nan=np.inf) < draw.off_below
    stretch = np.cumsum(np.r_[True, off[1:] != off[:-1]]) - 1
    long = off & (np.bincount(stretch) * cells.step_s > 60.0 * DEAD_MIN)[stretch]
    if not lines or not long.any():
        return draw
    state = np.argmin(shown.says(lines, cells).nats, axis=1)
    harvest = np.r_[False, (state[1:] == HARVEST) & (state[:-1] == FREEZE)]
    seen = np.bincount(stretch[harvest], minlength=stretch[-1] + 1)
    wrong = long & (seen[stretch] >= GAINSAID)
    if not wrong.any():
        return draw
    trace = draw.trace
    told = ~wrong[np.searchsorted(cells.start_ns, trace.time_ns, side="right") - 1]
    trace = replace(trace, time_ns=trace.time_ns[told], values=trace.values[told])
    return replace(draw, trace=trace, level=np.where(wrong, np.nan, draw.level))
