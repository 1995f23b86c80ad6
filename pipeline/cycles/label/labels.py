"""Which phase each segment is: the cheapest course through freeze, harvest and idle for the whole log at once.

A segment costs each phase what its slopes and levels speak against it; a change of phase costs what the order of phases and the jumps of
the line speak against it. The cheapest course (`course`) is taken; by how much dearer the next
best phase of a segment would have been is its margin.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.label.course import cheapest
from pipeline.cycles.label.moves import Line, line_of
from pipeline.cycles.label.planes import Plane, learned_costs, plane_of
from pipeline.cycles.label.plausible import evenness
from pipeline.cycles.segment.segments import Segments, means, rates
from pipeline.cycles.signal.features import DrawCells, SlopeCells, running_course, unseen, usual_rise
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Costs are in nats (a cost of 3 is odds of 20 to 1); all of them common practice, no source.
CHANGE = np.array(
    [  # to freeze, harvest, idle
        [0.0, 1.0, 4.0],  # from freeze: to stop in mid-freeze is rare
        [1.0, 0.0, 2.5],  # from harvest
        [0.5, 5.0, 0.0],  # from idle: few machines start with a harvest
    ]
)
UNSEEN_STOP = 3.0  # a stop that no clamp can show has to prove itself
BEGIN = np.array([0.0, 1.5, 1.0])
PER_MIN = np.array([0.0, 0.25, 0.03])  # harvests are short
LONGEST = 8.0  # a long rest is no less likely for being long
PER_SAMPLE_OFF = 3.0  # one reading of "off" while running, or the other way round
MOST_OFF = 40.0
CERTAIN_OFF = 120.0  # more than all that lines can say: where the clamp is right, it is right about that
LESSONS = 2  # times the phases are named again by what was learned
KEPT = 0.5  # weight of what holds for every machine beside what this one taught
GAINSAID = 2  # harvests of a cold line within one stop of the clamp that prove the clamp wrong
SURE = 2.0  # a segment teaches when it won by this much [nats]


@dataclass(frozen=True, kw_only=True)
class Labels:
    """The phase of each segment (k,) and by how much it won [nats]."""

    state: np.ndarray
    margin: np.ndarray
    evenness: float  # share of the cycles that are such as batch machines make, 0…1


def draw_costs(draw: DrawCells, segments: Segments, cells: Cells) -> np.ndarray:
    """What running or standing speaks against each phase, shape (k, 3)."""
    costs = np.zeros((len(segments), 3))
    if not np.isfinite(draw.off_below):
        return costs
    known = np.isfinite(draw.level)
    off = means(np.where(known, draw.level < draw.off_below, np.nan), segments)
    off, known_share = np.nan_to_num(off, nan=0.5), means(known.astype(float), segments)
    readings = segments.minutes * 60.0 / draw.trace.interval_s * known_share
    costs[:, FREEZE] = costs[:, HARVEST] = np.minimum(PER_SAMPLE_OFF * readings * off, CERTAIN_OFF)
    costs[:, IDLE] = np.minimum(PER_SAMPLE_OFF * readings * (1 - off), CERTAIN_OFF)
    return costs


def label(
    colds: Sequence[Line],
    draws: Sequence[DrawCells],
    others: Sequence[SlopeCells],
    segments: Segments,
    cells: Cells,
    shown: Callable[[], np.ndarray],
) -> Labels:
    """The cheapest course of phases through all segments, by lines one of which moves.

    First named by what is known of every batch machine, then again by what the first naming taught of this one.
    `others`: channels that know nothing of phases until they were taught. `shown`: what the clamp by itself speaks against each phase in
    each segment, (k, 3) [nats].
    """
    k = len(segments)
    usual = np.minimum(segments.minutes[:, None] * PER_MIN, LONGEST)
    for draw in draws[:1]:
        usual = usual + draw_costs(draw, segments, cells)
    plain = np.repeat(CHANGE[None], k, axis=0)
    blind = np.ones(k, bool) if not draws else unseen(draws[:1], cells)[segments.first]
    plain[blind, :2, IDLE] += UNSEEN_STOP
    plain[segments.opens_span] = np.minimum(CHANGE, 1.0)
    known, at_edges = _all_against(colds, k)
    unread = unseen([line.course for line in colds], cells)[segments.first]
    if draws and unread.any():
        known = known + np.where(unread[:, None], shown(), 0.0)
    planes = [
        *(_line_plane(line, segments) for line in colds),
        *(_line_plane(line_of(running_course(d, cells), segments, cells), segments) for d in draws),
        *(_other_plane(course, segments, cells) for course in others),
    ]
    naming = _Naming(usual=usual, plain=plain, planes=planes, segments=segments, cell_s=cells.step_s)
    state, margin = naming.named(known, at_edges)
    return Labels(state=state, margin=margin, evenness=evenness(state, segments))


def believed(draw: DrawCells, colds: Sequence[Line], segments: Segments) -> DrawCells:
    """`draw` without the stretches in which it reads "off" while a cold line goes on through GAINSAID or more harvests:
    there the clamp is at fault, not the machine."""
    off = np.nan_to_num(draw.level, nan=np.inf) < draw.off_below
    if not off.any():
        return draw
    costs, at_edges = _all_against(colds, len(segments))
    if not costs.any():
        return draw
    usual = np.minimum(segments.minutes[:, None] * PER_MIN, LONGEST)
    state, _, _ = cheapest(usual + costs, CHANGE + at_edges, BEGIN)
    harvest = np.r_[False, (state[1:] == HARVEST) & (state[:-1] == FREEZE)]
    stretch = np.cumsum(np.r_[True, off[1:] != off[:-1]]) - 1
    seen = np.bincount(stretch[segments.first[harvest]], minlength=stretch[-1] + 1)
    wrong = off & (seen[stretch] >= GAINSAID)
    return replace(draw, level=np.where(wrong, np.nan, draw.level)) if wrong.any() else draw


def _all_against(lines: Sequence[Line], k: int) -> tuple[np.ndarray, np.ndarray]:
    """What all lines together speak against each phase (k, 3) and each change (k, 3, 3)."""
    costs, changes = np.zeros((k, 3)), np.zeros((k, 3, 3))
    for line in lines:
        costs += line.costs
        changes += line.changes
    return costs, changes


@dataclass(frozen=True, kw_only=True)
class _Naming:
    """What is needed to name segments, and to name them again by what the first naming taught."""

    usual: np.ndarray
    plain: np.ndarray
    planes: Sequence[Plane]
    segments: Segments
    cell_s: float

    def named(self, known: np.ndarray, at_edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """States and margins of the cheapest course through the segments."""
        state, margin, _ = cheapest(self.usual + known, self.plain + at_edges, BEGIN)
        for _ in range(LESSONS):
            taught = self.usual + KEPT * known + self._taught(state, margin)
            state, margin, _ = cheapest(taught, self.plain + KEPT * at_edges, BEGIN)
        return state, margin

    def _taught(self, state: np.ndarray, margin: np.ndarray) -> np.ndarray:
        first = self.segments.first
        named = np.repeat(np.where(margin > SURE, state, -1), self.segments.stop - first)
        return sum(
            np.minimum(learned_costs(p.bin, named, first - first[0], self.cell_s), MOST_OFF)
            for p in self.planes
        )


def _line_plane(line: Line, segments: Segments) -> Plane:
    """A line on its phase plane, from where freezes end to a usual swing above."""
    scales, course = line.scales, line.course
    height = (course.level - scales.cold) / scales.swing
    return plane_of(course.trace.role, height, line.rate / scales.rise, segments.stop - segments.first)


def _other_plane(course: SlopeCells, segments: Segments, cells: Cells) -> Plane:
    """Another channel on its phase plane, from its own 5th to its 95th percentile."""
    known = course.level[np.isfinite(course.level)]
    if len(known) < 3:
        return Plane(role=course.trace.role, bin=np.full(len(cells), -1))
    low, high = np.quantile(known, (0.05, 0.95))
    height = (course.level - low) / max(high - low, 1e-9)
    slope = rates(course, segments, cells) / max(usual_rise(course), 1e-9)
    return plane_of(course.trace.role, height, slope, segments.stop - segments.first)
