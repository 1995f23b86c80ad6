"""How far each trace swings, window by window, and whether the machine goes through its cycles meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.logs.coarse_grid import Overview, turns, window_swings
from pipeline.logs.trust.sample_checks import CLAMP_ROLES, DYNAMIC_ROLES, CheckedChannel

COLD_ROLES = frozenset({"evaporator", "suction"})
LEAST_SWING_K = 5.0
"""A trace on the cold side of a cycling machine swings more than this. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class GridWindows:
    """Windows of `length` grid points that begin at `starts` (w,)."""

    starts: np.ndarray
    length: int
    points: int  # of the grid
    step_s: float
    running: np.ndarray  # bool (w,): no live clamp shows the compressor off for long

    def span(self, first: int, last: int) -> tuple[int, int]:
        """Grid points from the beginning of window `first` to the end of window `last`."""
        return int(self.starts[first]), int(min(self.starts[last] + self.length, self.points)) - 1


@dataclass(frozen=True, kw_only=True)
class Activity:
    """One trace over the windows."""

    trace: CheckedChannel
    swings: np.ndarray  # (w,): max − min; NaN where it has no readings
    usual: float  # its usual swing
    harvests: np.ndarray  # grid points at which it turns up through the middle of its swing; () for a clamp
    cycles: bool  # it shows the machine's cycles well enough to speak for them
    goes_on: np.ndarray  # bool (w,): the machine cycles here, by this trace

    @property
    def share(self) -> np.ndarray:
        """(w,): swing as a share of the usual one."""
        return self.swings / self.usual if self.usual > 0 else self.swings * 0.0


def activities(
    movers: Sequence[CheckedChannel], overview: Overview, *, least_min: float
) -> tuple[GridWindows, list[Activity]]:
    """Every trace of `movers` (cold side, discharge, clamps) over windows that hold two cycles, `least_min` at least."""
    step_s, points = overview.step_s, len(overview.grid_ns)
    harvests = [harvests_of(t, step_s) if t.role in DYNAMIC_ROLES else np.empty(0, int) for t in movers]
    periods = [float(np.median(np.diff(ups))) for ups in harvests if len(ups) >= 3]
    # two cycles of the trace that cycles fastest, six hours at most
    length = int(max(min(2.2 * min(periods, default=0.0), 6 * 3600 / step_s), least_min * 60 / step_s, 8))
    starts = np.empty(0, int)
    made, running = [], None
    for trace, ups in zip(movers, harvests, strict=True):
        clamp = trace.role in CLAMP_ROLES
        grid = _while_running(trace) if clamp else trace.grid
        starts, swings = window_swings(grid, length)
        usual = usual_swing(swings)
        goes_on = np.nan_to_num(swings) > 0.5 * usual
        if not clamp:  # a line that merely warms up or cools down after a stop swings too: it must turn twice
            turning = np.searchsorted(ups, starts + length) - np.searchsorted(ups, starts)
            goes_on &= turning >= 2
        if running is None:
            running = np.ones(len(starts), bool)
        if clamp and usual > 0:
            running &= _mostly_on(trace, starts, length)
        cycles = _clamp_cycles(grid, usual) if clamp else usual > LEAST_SWING_K
        made.append(
            Activity(trace=trace, swings=swings, usual=usual, harvests=ups, cycles=cycles, goes_on=goes_on)
        )
    return GridWindows(starts=starts, length=length, points=points, step_s=step_s, running=running), made


def harvests_of(trace: CheckedChannel, step_s: float) -> np.ndarray:
    """Grid points (h,) at which the trace turns up through the middle of its swing within an hour. What it does over the whole
    log is no measure: half of that may be a room in which the machine is off, or the probe."""
    _starts, swings = window_swings(trace.grid, int(3600 / step_s))
    moving = swings[np.nan_to_num(swings) > LEAST_SWING_K]
    if not len(moving):
        return np.empty(0, int)
    usual = float(np.percentile(moving, 40))
    # a cold line starts from its lowest at every harvest, a discharge line falls from its highest
    base = trace.swing[0] if trace.role in COLD_ROLES else trace.swing[1] - usual
    return turns(trace.grid, low=base + 0.3 * usual, high=base + 0.6 * usual)


def usual_swing(swings: np.ndarray) -> float:
    """The usual one of the wide swings (w,): for much of a log the machine may rest, or the probe hang in the room."""
    seen = swings[~np.isnan(swings)]
    return float(np.median(seen[seen >= 0.5 * np.percentile(seen, 95)])) if len(seen) else 0.0


def _while_running(trace: CheckedChannel) -> np.ndarray:
    """A clamp's swing between off and on says nothing of freezes and harvests: only what it does while running counts,
    the inrush of a start cut off."""
    running = np.where(trace.grid > 0.4 * trace.running_level, trace.grid, np.nan)
    seen = running[~np.isnan(running)]
    return np.minimum(running, float(np.percentile(seen, 97))) if len(seen) else running


def _clamp_cycles(running: np.ndarray, usual: float) -> bool:
    seen = running[~np.isnan(running)]
    if len(seen) < 50:
        return False
    noise = 1.4826 * float(np.median(np.abs(np.diff(seen)))) / np.sqrt(2)
    return usual > max(6 * noise, 0.04 * float(np.median(seen)))


def _mostly_on(trace: CheckedChannel, starts: np.ndarray, length: int) -> np.ndarray:
    off = np.concatenate([[0], np.cumsum(trace.grid < 0.4 * trace.running_level)])
    ends = np.minimum(starts + length, len(trace.grid))
    return (off[ends] - off[starts]) < 0.25 * length
