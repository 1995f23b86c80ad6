"""How a cold line moves from segment to segment, and what that speaks against each phase and each change of phase.

A current that follows the suction pressure moves like one. Costs are in nats, as in `labels`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.segment.segments import Segments, jumps, means, rates
from pipeline.cycles.signal.features import SlopeCells, usual_rise
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source.
LEAST_DOUBT = 0.012  # parts of a swing by which any course may stray
AGAINST_SLOPE = 14.0  # a full swing of the line the wrong way


@dataclass(frozen=True, kw_only=True)
class Scales:
    """How a cold line usually moves in this log."""

    rise: float  # slope of a usual rise [K/min]
    fall: float  # slope of a usual fall [K/min], positive
    swing: float  # from the coldest of a freeze to the warmest of a harvest [K]
    cold: np.ndarray  # (cells,): where freezes end, there and then [°C]
    clear: bool  # the swing stands well out of the noise


@dataclass(frozen=True, kw_only=True)
class Line:
    """A cold line, or what may move like one, over the segments."""

    course: SlopeCells
    rate: np.ndarray  # (k,): slope within each segment [K/min], NaN where it is not known
    jump: np.ndarray  # (k,): change of level at its start [K]
    scales: Scales
    costs: np.ndarray  # (k, 3): what it speaks against each phase …
    changes: np.ndarray  # (k, 3, 3): … and against each change of phase; both 0 where it is not clear


def line_of(course: SlopeCells, segments: Segments, cells: Cells) -> Line:
    """How `course` moves over the segments, and what that speaks against where it stands clear of the noise."""
    rate, jump = rates(course, segments, cells), jumps(course, segments)
    scales = _scales(course, rate, jump, segments, cells)
    k = len(segments)
    line = Line(
        course=course,
        rate=rate,
        jump=jump,
        scales=scales,
        costs=np.zeros((k, 3)),
        changes=np.zeros((k, 3, 3)),
    )
    if not scales.clear:
        return line
    costs, changes = cold_costs(line, segments, cells)
    return replace(line, costs=costs, changes=changes)


def _scales(
    course: SlopeCells, rate: np.ndarray, jump: np.ndarray, segments: Segments, cells: Cells
) -> Scales:
    """The usual rise, fall and swing, from the legs of the line (runs of moves that go the same way); a segment makes
    two moves: the jump at its start and the slope within it."""
    per_cell = cells.step_s / 60.0
    grain = max(course.slope_noise * np.sqrt(2) * per_cell, 1e-9)  # noise of one cell
    rate = np.nan_to_num(rate)
    count = segments.stop - segments.first
    move = np.column_stack([jump, rate * (count - 1) * per_cell]).ravel()
    speed = np.column_stack([move[::2] / per_cell, rate]).ravel()
    climb = np.where(move > 1.5 * grain, move, 0.0)
    # Squares: a dozen harvests must outweigh a thousand small wobbles.
    rise = weighted_median(speed, climb**2, default=np.nan)
    rise = usual_rise(course) if np.isnan(rise) else rise
    fall = weighted_median(-speed, np.where(move < -1.5 * grain, move, 0.0) ** 2, default=rise)
    opens = np.zeros(len(move), dtype=bool)
    opens[::2] = segments.opens_span
    climbs_on = climb > 0
    leg = np.cumsum(np.r_[True, climbs_on[1:] != climbs_on[:-1]] | opens) - 1
    climbs = np.bincount(leg, climb)
    swing = weighted_median(climbs, climbs**2, default=1.0)
    heads = np.flatnonzero(np.diff(leg, prepend=-1))[climbs > 0.4 * swing]
    # The cell before the climb is the nearest to the coldest point.
    at = segments.first[heads // 2]
    low = np.where(
        np.isfinite(course.level[np.maximum(at - 1, 0)]),
        course.level[np.maximum(at - 1, 0)],
        course.level[at],
    )
    keep = np.isfinite(low)
    at, low = at[keep], low[keep]
    if len(low) == 0:
        known = course.level[np.isfinite(course.level)]
        level = np.full(len(cells), float(np.quantile(known, 0.05)) if len(known) else 0.0)
    else:
        level = np.interp(np.arange(len(cells)), at, _running_median(low, 9))
    return Scales(
        rise=max(rise, 1e-6),
        fall=max(fall, 1e-6),
        swing=max(swing, 1e-6),
        cold=level,
        clear=swing > 6 * grain,
    )


def weighted_median(values: np.ndarray, weights: np.ndarray, *, default: float) -> float:
    """The value of `values` (n,) at which half of the `weights` (n,) lies below; `default` where no weight is above 0."""
    keep = weights > 0
    if not keep.any():
        return default
    values, weights = values[keep], weights[keep]
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def _running_median(values: np.ndarray, width: int) -> np.ndarray:
    """Median of the `width` values about each; near the ends of the first or the last `width`."""
    width = min(width, len(values))
    medians = np.median(np.lib.stride_tricks.sliding_window_view(values, width), axis=1)
    return medians[np.clip(np.arange(len(values)) - width // 2, 0, len(medians) - 1)]


def cold_costs(line: Line, segments: Segments, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """What a cold line speaks against each phase in each segment, (k, 3), and against each change of phase at its
    start, (k, 3, 3)."""
    course, scales, rate = line.course, line.scales, np.nan_to_num(line.rate)
    minutes = segments.minutes
    within = (segments.stop - segments.first - 1) * (cells.step_s / 60.0)
    height = np.nan_to_num((means(course.level - scales.cold, segments)) / scales.swing, nan=0.5)
    up = np.maximum(rate * within / scales.swing, 0.0)
    down = np.maximum(-rate * within / scales.swing, 0.0)
    steep_up, steep_down = rate / scales.rise, -rate / scales.fall
    flat = (np.abs(steep_up) < 0.12) & (steep_down < 0.12)
    count = segments.stop - segments.first
    grain = course.slope_noise * np.sqrt(2) * (cells.step_s / 60.0) / scales.swing  # noise of one cell
    n = np.maximum(count, 2).astype(np.float64)
    doubt = np.maximum(grain * np.sqrt(12.0 * (n - 1) / (n * (n + 1))), LEAST_DOUBT)  # of a fitted rise
    costs = np.zeros((len(segments), 3))
    costs[:, FREEZE] = against(up, 1.3 * doubt) + np.where(
        (height > 0.5) & (down < 1.5 * doubt), 1.0 * minutes, 0.0
    )
    costs[:, HARVEST] = (
        against(down, doubt)
        + np.where((height < 0.2) & flat, 0.4 * minutes, 0.0)
        + np.where((height > 0.8) & (steep_up < 0.1), 0.3 * minutes, 0.0)
    )
    costs[:, IDLE] = (
        np.where(steep_down > 0.15, AGAINST_SLOPE, 4.0) * down
        + np.where(steep_up > 0.35, 5.0, 0.0) * up
        + np.where((height < 0.3) & (steep_up < 0.1), 0.5 * minutes, 0.0)
    )
    np.minimum(costs, 40.0, out=costs)
    costs[~np.isfinite(means(course.level, segments))] = 0.0
    step = line.jump / scales.swing
    rose, fell = np.minimum(np.maximum(step, 0.0), 2.0), np.minimum(np.maximum(-step, 0.0), 2.0)
    jitter = max(1.5 * grain, LEAST_DOUBT)
    changes = np.zeros((len(segments), 3, 3))
    # A freeze does not climb, and once it is cold it does not drop at a stroke either.
    cold_before = np.r_[False, height[:-1] < 0.35]
    changes[:, FREEZE, FREEZE] = against(rose + np.where(cold_before, fell, 0.0), jitter)
    changes[:, HARVEST, HARVEST] = against(fell, jitter)
    changes[:, HARVEST, FREEZE] = against(rose, jitter)
    changes[:, FREEZE, HARVEST] = against(fell, jitter)
    changes[:, IDLE, FREEZE] = against(rose, jitter)
    changes[:, IDLE, HARVEST] = against(fell, jitter)
    changes[:, :, IDLE] = 4.0 * (fell + rose)[:, None]
    return costs, changes


def against(change: np.ndarray, doubt) -> np.ndarray:
    """What a change (k,) (in swings, ≥ 0) speaks against a phase that does not make it: by its square where noise could have
    made it, in proportion where it is beyond doubt [nats] (k,). doubt: standard deviation of the change, one or (k,)."""
    return np.minimum(AGAINST_SLOPE * change, 0.5 * (change / doubt) ** 2)
