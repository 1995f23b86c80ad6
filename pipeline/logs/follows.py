"""Does a channel still follow the machine? Probes that fell off, traces that stand still, clamps that read nothing.

One idea for all three: over windows that hold a cycle or more, how far does each trace swing, measured against its own
usual swing? A trace that stops while another goes on is the one that is wrong. Where all stop, the machine stopped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.logs.overview import Overview, swing, turns, window_swings
from pipeline.logs.trust import CLAMP_ROLES, CURRENT_ROLES, DYNAMIC_ROLES, Trace

_COLD = frozenset({"evaporator", "suction"})
_LEAST_SWING_K = 5.0  # a trace on the cold side of a cycling machine swings more than this


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Grid points first…last over which a channel does not follow. kind: "loose", "flat", "dead"."""

    key: int
    kind: str
    first: int
    last: int
    confidence: float
    evidence: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class _Activity:
    """One trace's swing over the windows: `share` (w,) of its usual swing; NaN where it has no readings."""

    trace: Trace
    usual: float
    share: np.ndarray
    swings: np.ndarray


def not_following(traces: Sequence[Trace], overview: Overview, limits: Mapping[str, float]) -> list[Stretch]:
    """Every stretch of every channel that does not follow the machine while another channel does."""
    movers = [t for t in traces if t.role in DYNAMIC_ROLES | CLAMP_ROLES]
    if len(movers) == 1 and movers[0].role in _COLD:
        return _came_off_alone(movers[0], overview, limits)
    if len(movers) < 2:
        return []
    length = _window_points(movers, overview, limits)
    starts = None
    active: list[_Activity] = []
    for trace in movers:
        grid = _running_only(trace)
        starts, swings = window_swings(grid, length)
        usual = _usual_swing(swings)
        active.append(
            _Activity(
                trace=trace, usual=usual, share=swings / usual if usual > 0 else swings * 0, swings=swings
            )
        )
    running = _running(active, starts, length)
    found: list[Stretch] = []
    for one in active:
        others = [a for a in active if a is not one and _cycles(a)]
        if not others:
            continue
        going = np.logical_or.reduce([_goes_on(a, starts, length, overview.step_s) for a in others]) & running
        if one.trace.role in CLAMP_ROLES:
            cold = [a for a in others if a.trace.role in _COLD]
            found += _dead(one, cold, starts, length, overview.step_s, limits)
        else:
            found += _still(one, going, starts, length, overview, limits)
            found += _loose(one, others, going, starts, length, limits)
    return found


def _window_points(movers: Sequence[Trace], overview: Overview, limits: Mapping[str, float]) -> int:
    """A window holds two cycles of the trace that cycles fastest, an hour at least and six at most."""
    least = limits["loose_window_min"] * 60 / overview.step_s
    periods = []
    for trace in movers:
        if trace.role in DYNAMIC_ROLES and len(ups := _harvests(trace, overview.step_s)) >= 3:
            periods.append(float(np.median(np.diff(ups))))
    return int(max(min(2.2 * min(periods, default=0.0), 6 * 3600 / overview.step_s), least, 8))


def _running_only(trace: Trace) -> np.ndarray:
    """A clamp's swing between off and on says nothing of freezes and harvests: only what it does while running counts,
    the inrush of a start cut off."""
    if trace.role not in CLAMP_ROLES:
        return trace.grid
    if np.isnan(trace.grid).all():
        return trace.grid
    top = float(np.nanpercentile(trace.grid, 90))
    running = np.where(trace.grid > 0.4 * top, trace.grid, np.nan)
    if np.isnan(running).all():
        return running
    return np.minimum(running, float(np.nanpercentile(running, 97)))


def _usual_swing(swings: np.ndarray) -> float:
    seen = swings[~np.isnan(swings)]
    return float(np.percentile(seen, 70)) if len(seen) else 0.0


def _cycles(activity: _Activity) -> bool:
    """Whether this trace shows the machine's cycles well enough to speak for them."""
    trace = activity.trace
    if trace.role in CLAMP_ROLES:
        running = _running_only(trace)
        seen = running[~np.isnan(running)]
        if len(seen) < 50:
            return False
        noise = 1.4826 * float(np.median(np.abs(np.diff(seen)))) / np.sqrt(2)
        return activity.usual > max(6 * noise, 0.04 * float(np.median(seen)))
    return activity.usual > _LEAST_SWING_K


def _goes_on(activity: _Activity, starts: np.ndarray, length: int, step_s: float) -> np.ndarray:
    """bool (w,): windows in which this trace goes through the machine's cycles. A line that merely warms up or cools down
    after a stop swings too: a temperature must turn twice."""
    share = np.nan_to_num(activity.share) > 0.5
    if activity.trace.role in CLAMP_ROLES:
        return share
    ups = _harvests(activity.trace, step_s)
    turning = np.searchsorted(ups, starts + length) - np.searchsorted(ups, starts)
    return share & (turning >= 2)


def _harvests(trace: Trace, step_s: float) -> np.ndarray:
    """Grid points at which the trace turns up through the middle of its swing within an hour. What it does over the whole
    log is no measure: half of that may be a room in which the machine is off, or the probe."""
    low = trace.swing[0]
    _starts, swings = window_swings(trace.grid, int(3600 / step_s))
    moving = swings[np.nan_to_num(swings) > _LEAST_SWING_K]
    if not len(moving):
        return np.empty(0, int)
    usual = float(np.percentile(moving, 40))
    return turns(trace.grid, low=low + 0.3 * usual, high=low + 0.6 * usual)


def _running(active: Sequence[_Activity], starts: np.ndarray, length: int) -> np.ndarray:
    """bool (w,): windows in which no live clamp shows the compressor off for long."""
    running = np.ones(len(starts), bool)
    for one in active:
        if one.trace.role not in CLAMP_ROLES or one.usual <= 0:
            continue
        grid = one.trace.grid
        top = float(np.nanpercentile(grid, 90))
        off = np.concatenate([[0], np.cumsum(grid < 0.4 * top)])
        ends = np.minimum(starts + length, len(grid))
        running &= (off[ends] - off[starts]) < 0.25 * length
    return running


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """(first, last) of each run of True."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(
        zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True)
    )


def _loose(
    one: _Activity,
    others: list[_Activity],
    going: np.ndarray,
    starts: np.ndarray,
    length: int,
    limits: Mapping[str, float],
) -> list[Stretch]:
    """A probe that fell off: it swings no more while the machine goes on, and it is not at one value."""
    trace = one.trace
    grid = trace.grid
    never = trace.role in _COLD and _never_followed(one, others)
    small = (
        np.ones(len(starts), bool) if never else np.nan_to_num(one.share, nan=1.0) < limits["loose_pct"] / 100
    )
    if not never and not _cycles(one):
        return []
    found = []
    for a, b in _runs(small & going & ~np.isnan(one.swings)):
        first, last = int(starts[a]), int(min(starts[b] + length, len(grid)) - 1)
        inside = grid[first : last + 1]
        inside = inside[~np.isnan(inside)]
        if len(inside) < 5 or float(np.ptp(inside)) == 0.0:
            continue
        outside = np.concatenate([grid[:first], grid[last + 1 :]])
        low, high = trace.swing if never else swing(outside)
        if not never:
            # a slab that never lets go, or a plate that stays cold, is the machine's fault and not the probe's
            if trace.role in _COLD and float(np.median(inside)) < max(low + 0.35 * (high - low), 1.0):
                continue
            if trace.role == "discharge" and float(np.median(inside)) > low:
                continue
            first, last = _edges(trace, grid, first, last, low, high)
        found.append(
            Stretch(
                key=trace.key,
                kind="loose",
                first=first,
                last=last,
                confidence=0.9 if b > a else 0.7,
                evidence={
                    "swing_k": float(np.ptp(inside)),
                    "usual_swing_k": one.usual,
                    "reads_c": float(np.median(inside)),
                },
            )
        )
    return found


def _came_off_alone(trace: Trace, overview: Overview, limits: Mapping[str, float]) -> list[Stretch]:
    """A cold-side probe that comes off with nothing else logged. A plate that is left standing thaws and warms over many
    minutes; a clip that comes off in mid-freeze is at the room's temperature within four."""
    step_s, grid = overview.step_s, trace.grid
    if step_s > 30.0:
        return []
    length = _window_points([trace], overview, limits)
    starts, swings = window_swings(grid, length)
    usual = _usual_swing(swings[np.nan_to_num(swings) > _LEAST_SWING_K])
    if usual < _LEAST_SWING_K:
        return []
    found = []
    for a, b in _runs(np.nan_to_num(swings, nan=np.inf) < limits["loose_pct"] / 100 * usual):
        first, last = int(starts[a]), int(min(starts[b] + length, len(grid)) - 1)
        level = float(np.nanmedian(grid[first : last + 1]))
        cold = np.flatnonzero(grid[: first + 1] < -2.0)
        if (
            b - a < 3 or level < 10.0 or not len(cold) or last < len(grid) - 1
        ):  # a clip doesn't come back by itself
            continue
        left = int(cold[-1])
        there = np.flatnonzero(grid[left:] > 0.85 * level)
        if not len(there) or there[0] * step_s > 240.0:
            continue
        settled = grid[left + int(there[0]) : last + 1]
        if np.nanmin(settled) < 0.7 * level:  # it came back down: a harvest
            continue
        evidence = {
            "swing_k": float(np.nanmax(settled) - np.nanmin(settled)),
            "usual_swing_k": usual,
            "reads_c": level,
        }
        found.append(
            Stretch(key=trace.key, kind="loose", first=left + 1, last=last, confidence=0.6, evidence=evidence)
        )
    return found


def _never_followed(one: _Activity, others: list[_Activity]) -> bool:
    """A cold-side probe that hangs in the room all along, while another cold-side probe freezes and thaws."""
    low, high = one.trace.swing
    cold_other = any(a.trace.role in _COLD and a.trace.swing[0] < -1.0 for a in others)
    return cold_other and low > 6.0 and high - low < 8.0


def _edges(trace: Trace, grid: np.ndarray, first: int, last: int, low: float, high: float) -> tuple[int, int]:
    """From the last reading that still followed to the first that follows again."""
    hot = trace.role == "discharge"
    level = high - 0.35 * (high - low) if hot else low + 0.35 * (high - low)
    with np.errstate(invalid="ignore"):
        follows = grid > level if hot else grid < level
    middle = (first + last) // 2
    before = np.flatnonzero(follows[:middle])
    after = np.flatnonzero(follows[middle:])
    start = int(before[-1]) + 1 if len(before) else 0
    end = middle + int(after[0]) - 1 if len(after) else len(grid) - 1
    return start, end


def _still(
    one: _Activity,
    going: np.ndarray,
    starts: np.ndarray,
    length: int,
    overview: Overview,
    limits: Mapping[str, float],
) -> list[Stretch]:
    """A trace that stands on one value to the last digit while others cycle."""
    grid = one.trace.grid
    same = np.concatenate([[False], np.diff(grid) == 0])
    least = max(limits["flat_min"] * 60 / overview.step_s, 10)
    found = []
    for a, b in _runs(same):
        if b - a < least:
            continue
        windows = (starts < b) & (starts + length > a)
        overlap = np.minimum(starts + length, b) - np.maximum(starts, a)
        if not np.any(going & windows & (overlap > 0.4 * min(length, b - a))):
            continue
        if one.usual <= 0.0 or b - a > 3 * _longest_usual(same, a, b):
            found.append(
                Stretch(
                    key=one.trace.key,
                    kind="flat",
                    first=a - 1,
                    last=b,
                    confidence=0.85,
                    evidence={"reads_c": float(grid[a]), "stood_min": (b - a) * overview.step_s / 60},
                )
            )
    return found


def _longest_usual(same: np.ndarray, a: int, b: int) -> float:
    """How long the trace stands still elsewhere: a coarse logger repeats itself for minutes."""
    rest = same.copy()
    rest[a : b + 1] = False
    lengths = [q - p + 1 for p, q in _runs(rest)]
    return float(np.percentile(lengths, 98)) if lengths else 0.0


def _dead(
    one: _Activity,
    cold: list[_Activity],
    starts: np.ndarray,
    length: int,
    step_s: float,
    limits: Mapping[str, float],
) -> list[Stretch]:
    """A clamp that reads nothing, or one value, while the cold side cycles."""
    if not cold:
        return []
    trace = one.trace
    grid = trace.grid
    seen = grid[~np.isnan(grid)]
    if not len(seen):
        return []
    per_a = (
        1.0 if trace.role in CURRENT_ROLES else 150.0
    )  # W to an A: between 115 V and 230 V, halved for power factor
    top = float(np.percentile(seen, 90))
    floor = limits["clamp_dead_a"] * per_a
    if top > floor:
        floor = max(min(floor, 0.3 * top), limits["clamp_dead_pct"] / 100 * top)
    going = np.logical_or.reduce([_goes_on(a, starts, length, step_s) for a in cold])
    windows = np.lib.stride_tricks.sliding_window_view(grid, min(length, len(grid)))[starts]
    most = np.where(np.isnan(windows), -np.inf, windows).max(axis=1)
    least = np.where(np.isnan(windows), np.inf, windows).min(axis=1)
    nothing = (most < floor) | ((most == least) & np.isfinite(most))
    found = []
    for a, b in _runs(nothing & going & np.isfinite(most)):
        first, last = int(starts[a]), int(min(starts[b] + length, len(grid)) - 1)
        level = float(np.nanmedian(grid[first : last + 1]))
        with np.errstate(invalid="ignore"):
            differs = np.abs(grid - level) > floor if level < floor else grid != level
        middle = (first + last) // 2
        before, after = np.flatnonzero(differs[:middle]), np.flatnonzero(differs[middle:])
        found.append(
            Stretch(
                key=trace.key,
                kind="dead",
                first=int(before[-1]) + 1 if len(before) else 0,
                last=middle + int(after[0]) - 1 if len(after) else len(grid) - 1,
                confidence=0.9 if b > a else 0.7,
                evidence={
                    "reads": level,
                    "cycles_meanwhile": float(_turns_between(cold[0], first, last, step_s)),
                },
            )
        )
    return found


def _turns_between(activity: _Activity, first: int, last: int, step_s: float) -> int:
    ups = _harvests(activity.trace, step_s)
    return int(np.count_nonzero((ups >= first) & (ups <= last)))
