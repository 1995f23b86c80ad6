"""Which phase each segment is: the cheapest course through freeze, harvest and idle for the whole log at once.

A segment costs each phase what its slopes, levels and currents speak against it; a change of phase costs what the order
of phases and the steps of the current speak against it. The cheapest course (`course`) is taken; by how much dearer the next
best phase of a segment would have been is its margin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.label.course import cheapest
from pipeline.cycles.label.moves import Line, cold_costs, line_of, weighted_median
from pipeline.cycles.label.planes import Plane, learned_costs, plane_of
from pipeline.cycles.label.plausible import evenness, rank_of
from pipeline.cycles.segment.segments import Segments, means, rates
from pipeline.cycles.signal.features import DrawCells, SlopeCells, calmed, running_course, unseen, usual_rise
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.cycles.template.repeats import Repeats, as_shown

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
STEP_CAP = 6.0
TRIAL = 1200  # segments on which rival readings of a long log are compared
LESSONS = 2  # times the phases are named again by what was learned
KEPT = 0.5  # weight of what holds for every machine beside what this one taught
# A running current that moves like a cold line (it follows the suction pressure) is believed first, and so is one shape
# that is all but the whole course.
LIKE_A_LINE = 0.2
GAINSAID = 2  # harvests of a cold line within one stop of the clamp that prove the clamp wrong
UNEVEN = 0.5  # share of the cycles that are a batch machine's: a line that shows fewer is not believed …
EVEN = 0.85  # … beside a current that shows more
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


def steps_of(draw: DrawCells, segments: Segments, cells: Cells) -> np.ndarray:
    """Step of the level at the start of each segment, near it on both sides; NaN where it is not known or the
    compressor stands on either side. Shape (k,)."""
    level = draw.level
    skip = 0 if draw.trace.interval_s >= cells.step_s * 0.99 else 1
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(level))])
    count = np.concatenate([[0.0], np.cumsum(np.isfinite(level))])

    def near(first, stop):
        with np.errstate(invalid="ignore", divide="ignore"):
            return (total[stop] - total[first]) / (count[stop] - count[first])

    first, stop = segments.first, segments.stop
    reach = 3
    after = near(
        np.minimum(first + skip, stop - 1), np.minimum(np.maximum(first + skip + reach, first + 1), stop)
    )
    before = near(
        np.maximum(stop - skip - reach, first), np.maximum(np.maximum(stop - skip, first + 1), first + 1)
    )
    step = np.full(len(segments), np.nan)
    step[1:] = after[1:] - before[:-1]
    step[segments.opens_span] = np.nan
    if np.isfinite(draw.off_below):
        standing = (after < draw.off_below) | (np.r_[np.nan, before[:-1]] < draw.off_below)
        step[standing] = np.nan
    return step


def change_costs(
    draw: DrawCells | None, steps: np.ndarray | None, heights: tuple[float, float], polarity: int, k: int
) -> np.ndarray:
    """Cost of going from each phase to each phase at the start of each segment, shape (k, 3, 3).

    heights: how far the current usually steps down and up; the two differ, since it drifts over a freeze and over a
    harvest. polarity: +1 where it steps up when the harvest begins, −1 where it steps down, 0 where it does neither.
    """
    costs = np.repeat(CHANGE[None], k, axis=0)
    if draw is None or steps is None or polarity == 0:
        return costs
    down, up = heights
    seen = np.nan_to_num(steps)
    known = np.isfinite(steps)
    width = np.maximum(0.35 * np.where(seen > 0, up, down), 3 * draw.noise)

    def misfit(expected):
        return np.where(known, np.minimum(0.5 * ((seen - expected) / width) ** 2, STEP_CAP), 0.0)

    stay = misfit(0.0)
    costs[:, FREEZE, FREEZE] += stay
    costs[:, HARVEST, HARVEST] += stay
    costs[:, FREEZE, HARVEST] += misfit(up if polarity > 0 else -down)
    costs[:, HARVEST, FREEZE] += misfit(-down if polarity > 0 else up)
    return costs


def usual_steps(draw: DrawCells, steps: np.ndarray) -> tuple[float, float]:
    """Heights [A or W] of the steps down and up that stand out of `steps` (k,), weighed by their height; 0.0 where none does."""
    known = steps[np.isfinite(steps)]
    least = max(4 * draw.noise, 0.02 * draw.running)
    down, up = -known[known < -least], known[known > least]
    return weighted_median(down, down, default=0.0), weighted_median(up, up, default=0.0)


def label(
    colds: Sequence[Line],
    draws: Sequence[DrawCells],
    others: Sequence[SlopeCells],
    segments: Segments,
    cells: Cells,
    again: Repeats | None = None,
) -> Labels:
    """The cheapest course of phases through all segments.

    First named by what is known of every batch machine, then again by what the first naming taught of this one.
    `others`: channels that know nothing of phases until they were taught. `again`: harvests that a clamp
    shows again and again where no line is read.
    """
    k = len(segments)
    usual = np.minimum(segments.minutes[:, None] * PER_MIN, LONGEST)
    for draw in draws[:1]:
        usual = usual + draw_costs(draw, segments, cells)
    draw = draws[0] if draws else None
    running = [running_course(d, cells) for d in draws]
    steps = steps_of(draw, segments, cells) if draw is not None else None
    plain = change_costs(None, None, (0.0, 0.0), 0, k)
    blind = np.ones(k, bool) if draw is None else unseen([draw], cells)[segments.first]
    plain[blind, :2, IDLE] += UNSEEN_STOP
    plain[segments.opens_span] = np.minimum(CHANGE, 1.0)
    firsts = []  # (what is known of segments and of changes, how readily it is believed, what it was read off)
    by_cold, by_jump = _all_against(colds, k)
    if again is not None and by_cold.any():
        by_cold += as_shown(again, segments)
    like_a_line = []
    currents = [line_of(course, segments, cells) for course in running]
    if currents and currents[0].scales.clear:
        backwards = cold_costs(currents[0], segments, cells, back=True)
        like_a_line = [(currents[0].costs, currents[0].changes), backwards]
    if by_cold.any():
        firsts.append((by_cold, by_jump, 0.0, running[0] if running else None))
    elif draw is not None:
        firsts += [(*first, LIKE_A_LINE, running[0]) for first in like_a_line]
        calm = line_of(calmed(running[0], cells), segments, cells)
        if calm.scales.clear:
            firsts.append((calm.costs, calm.changes, 0.0, calm.course))
        if again is not None:
            trust = LIKE_A_LINE if again.whole else 0.0
            firsts.append((as_shown(again, segments), np.zeros((k, 3, 3)), trust, running[0]))
        heights = usual_steps(draw, steps)
        if min(heights) > 0:
            for polarity in (1, -1):
                changes = change_costs(draw, steps, heights, polarity, k) - CHANGE
                changes[segments.opens_span] = 0.0
                firsts.append((np.zeros((k, 3)), changes, 0.0, running[0]))
    planes = [
        *(_line_plane(line, segments) for line in (*colds, *currents)),
        *(_other_plane(course, segments, cells) for course in others),
    ]
    naming = _Naming(usual=usual, plain=plain, planes=planes, segments=segments, cell_s=cells.step_s)
    trial = _sample(k)
    best, best_rank = (by_cold, by_jump), None
    if len(firsts) == 1:
        best = firsts[0][:2]
    else:
        for known, at_edges, trust, course in firsts:
            state, _, cost = naming.named(known, at_edges, trial)
            rank = (
                rank_of(state, trial, course, segments, cells, lone=not by_cold.any()) * (1.0 + trust),
                -cost,
            )
            if best_rank is None or rank > best_rank:
                best, best_rank = (known, at_edges), rank
    whole = slice(0, k)
    state, margin, cost = naming.named(*best, whole)
    if by_cold.any() and like_a_line and evenness(state, segments) < UNEVEN:
        # A valve that hunts makes a line climb ten times a freeze; the current knows better, if it shows even cycles.
        alone = max(
            (naming.named(*reading, whole) for reading in like_a_line), key=lambda n: evenness(n[0], segments)
        )
        if evenness(alone[0], segments) > EVEN:
            state, margin, cost = alone
    return Labels(
        state=state,
        margin=margin,
        evenness=evenness(state, segments, lone=not by_cold.any()),
    )


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
    state, _, _ = cheapest(
        usual + costs, change_costs(None, None, (0.0, 0.0), 0, len(segments)) + at_edges, BEGIN
    )
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


def _sample(k: int) -> slice:
    """Segments on which rival readings of a log are compared: all of a short log, the middle of a long one."""
    return slice(max(0, (k - TRIAL) // 2), min(k, (k + TRIAL) // 2))


@dataclass(frozen=True, kw_only=True)
class _Naming:
    """What is needed to name segments, and to name them again by what the first naming taught."""

    usual: np.ndarray
    plain: np.ndarray
    planes: Sequence[Plane]
    segments: Segments
    cell_s: float

    def named(
        self, known: np.ndarray, at_edges: np.ndarray, part: slice
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """States, margins and the cost of the cheapest course through `part` of the segments."""
        usual, plain, known, at_edges = self.usual[part], self.plain[part], known[part], at_edges[part]
        state, margin, cost = cheapest(usual + known, plain + at_edges, BEGIN)
        for _ in range(LESSONS):
            taught = usual + KEPT * known + self._taught(state, margin, part)
            state, margin, cost = cheapest(taught, plain + KEPT * at_edges, BEGIN)
        return state, margin, cost

    def _taught(self, state: np.ndarray, margin: np.ndarray, part: slice) -> np.ndarray:
        first, stop = self.segments.first[part], self.segments.stop[part]
        cells = slice(first[0], stop[-1])
        named = np.repeat(np.where(margin > SURE, state, -1), stop - first)
        return sum(
            np.minimum(learned_costs(p.bin[cells], named, first - first[0], self.cell_s), MOST_OFF)
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
