"""Harvests that a lone clamp shows as one shape that comes again with every cycle.

The whole unit's current falls slowly over a freeze and climbs over a harvest, whatever fans and pumps do meanwhile. Where it
is much higher after a moment than before it, a harvest is near. Laid upon each other there, the cycles show one common shape,
free of what comes and goes at random; its two sharpest breaks are where a harvest begins and ends. Each break is then sought
again in every cycle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.signal import signals
from pipeline.cycles.signal.features import course_of, draw_cells, running_course
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST
from pipeline.cycles.template import breaks, shapes

# Common practice, no source, all of them; "likewise" is in parts of the time named, and at most so long.
STEP_S = 10.0  # bins of the shape; a slower logger's interval
LONGEST, LONGEST_S = 0.4, 900.0  # a harvest, likewise
MOST_CLIMBS = 0.7  # of all that the level climbs: a shape that leaves out more is of something else
ALIKE = 0.5  # part of the current's variance that a shape must explain
ABOUT_S = 40.0  # of a break, both ways, by which it is known again
STRAY, STRAY_S = 0.15, 10.0  # a break lies off by up to this part of a harvest, and besides
SHOWN = 15.0  # nats by which a current's shape speaks for its harvests
ALL_BUT_WHOLE = 0.85  # of the variance that a shape must explain to be believed first


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Harvests by the shape that comes again, (k,) each."""

    first: np.ndarray  # first cell
    stop: np.ndarray  # one past the last cell
    where: np.ndarray  # bool (cells,): where it is asked
    alike: float  # part of the channel's variance that the shape explains

    @property
    def whole(self) -> bool:
        """Is the shape all but the whole course of the channel?"""
        return self.alike > ALL_BUT_WHOLE


def of_draw(trace: Trace, cells: Cells, where: np.ndarray | None = None) -> Repeats | None:
    """Every harvest that the current `trace` shows again and again, or None where nothing repeats. where: (cells,) of bool,
    the cells in which harvests are wanted; None: all."""
    bins = bins_of(trace, cells)
    draw = draw_cells(trace, bins)
    shown = (
        None
        if draw is None
        else _harvests(running_course(draw, bins).level, draw.noise, bins, cells, clamp=trace)
    )
    if shown is None or where is None or where.all():
        return shown
    wanted = where[shown.first]
    return (
        replace(
            shown,
            first=shown.first[wanted],
            stop=shown.stop[wanted],
            where=where,
        )
        if wanted.any()
        else None
    )


def of_line(trace: Trace, cells: Cells) -> Repeats | None:
    """Likewise by a cold line."""
    bins = bins_of(trace, cells)
    course = course_of(trace, bins)
    return _harvests(
        course.level, course.slope_noise * np.sqrt(2) * bins.step_s / 60.0, bins, cells, clamp=None
    )


def as_shown(again: Repeats, segments: Segments) -> np.ndarray:
    """What the shape speaks against each phase in each segment, (k, 3) [nats]; nothing where it is not asked."""
    at = np.searchsorted(again.first, segments.first, side="right") - 1
    inside = (at >= 0) & (segments.first < again.stop[np.maximum(at, 0)])
    says = np.where(again.where[segments.first], SHOWN, 0.0)
    costs = np.zeros((len(segments), 3))
    costs[:, FREEZE] = np.where(inside, says, 0.0)
    costs[:, HARVEST] = np.where(inside, 0.0, says)
    return costs


def bins_of(trace: Trace, cells: Cells) -> Cells:
    """Cells of about STEP_S [s], whole readings of `trace` each, over the spans of the log."""
    step_s = trace.interval_s * max(1, round(STEP_S / trace.interval_s))
    return signals.cells_of_width([trace], step_s, cells.limits)


def _harvests(
    level: np.ndarray, noise: float, bins: Cells, cells: Cells, *, clamp: Trace | None
) -> Repeats | None:
    """clamp: one shows when a harvest begins and ends; None: a line, which shows about where it is."""
    tried = [
        shapes.shape_over(level, max(2, round(w / bins.step_s)), bins.step_s, noise) for w in shapes.BESIDE_S
    ]
    known = [shape for shape in tried if shape is not None]
    if not known:
        return None
    shape = max(known, key=lambda s: s.alike * min(1.0, s.share / MOST_CLIMBS))
    if shape.alike < ALIKE:
        return None
    at = shape.at + shapes.best_shift(level, shape.at, shape.mean, shape.reach, shape.shifts, 0.0)
    longest = int(min(LONGEST * float(np.median(np.diff(at))), LONGEST_S / bins.step_s))
    begin, end = breaks.of_shape(shape.mean, bins.step_s, longest, current=clamp is not None)
    length = end - begin
    stray = STRAY * length + STRAY_S / bins.step_s
    about = max(2, round(ABOUT_S / bins.step_s))
    middle = np.clip(at, 0, len(level) - 1) - shape.reach
    calm = min(shape.reach, 3 * length + 10)
    far, near = 2 * length + 2, length // 2 + 2
    steady = signals.median_of_three(level)  # whether a fan's stop falls upon a reading is chance
    first = shapes.known_again(steady, middle + begin, about, stray, far, near, noise)
    slow = clamp is not None and clamp.role == "current_compressor"  # it holds no fan and no pump
    first = (
        first - calm + breaks.departure(shapes.mean_about(level, first, calm), length, bins.step_s, slow=slow)
    )
    stop = shapes.known_again(level, middle + end, about, stray, near, far, noise)
    if clamp is not None:
        end_shape = shapes.mean_about(level, stop, calm)
        stop = stop + breaks.end_of(end_shape, length, bins.step_s, fans=not slow) - calm
    stop = np.maximum(stop, first + 0.5)
    order = np.argsort(first, kind="stable")
    first, stop = first[order], stop[order]
    apart = first >= np.r_[-np.inf, np.maximum.accumulate(stop)[:-1]]
    first, stop = first[apart], stop[apart]
    begin_ns, end_ns = (
        np.interp(x, np.arange(len(bins)), bins.start_ns).astype(np.int64) for x in (first, stop)
    )
    half_ns = round(0.5e9 * cells.step_s)
    first, stop = (
        np.searchsorted(cells.start_ns, x - half_ns).clip(0, len(cells) - 1) for x in (begin_ns, end_ns)
    )
    return Repeats(
        first=first,
        stop=np.maximum(stop, first + 1).clip(0, len(cells)),
        where=np.ones(len(cells), dtype=bool),
        alike=shape.alike,
    )
