"""Does a channel still follow the machine? Probes that fell off, traces that stand still, clamps that read nothing.

One idea for all three: over windows that hold a cycle or more, how far does each trace swing, measured against its own
usual swing? A trace that stops while another goes on is the one that is wrong. Where all stop, the machine stopped.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.logs.coarse_grid import Overview, swing
from pipeline.logs.trust.cycling import (
    COLD_ROLES,
    LEAST_SWING_K,
    Activity,
    GridWindows,
    activities,
    usual_swing,
)
from pipeline.logs.trust.sample_checks import CLAMP_ROLES, CURRENT_ROLES, DYNAMIC_ROLES, CheckedChannel


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Grid points first…last over which a channel does not follow. kind: "loose", "flat", "dead"."""

    key: int
    kind: str
    first: int
    last: int
    confidence: float
    evidence: Mapping[str, float]


def not_following(
    traces: Sequence[CheckedChannel], overview: Overview, limits: Mapping[str, float]
) -> list[Stretch]:
    """Every stretch of every channel that does not follow the machine while another channel does."""
    movers = [t for t in traces if t.role in DYNAMIC_ROLES | CLAMP_ROLES]
    if len(movers) == 1 and movers[0].role in COLD_ROLES:
        return _came_off_alone(movers[0], overview, limits)
    if len(movers) < 2:
        return []
    windows, active = activities(movers, overview, least_min=limits["loose_window_min"])
    found: list[Stretch] = []
    for one in active:
        others = [a for a in active if a is not one and a.cycles]
        if not others:
            continue
        if one.trace.role in CLAMP_ROLES:
            found += _dead(one, [a for a in others if a.trace.role in COLD_ROLES], windows, limits)
        else:
            going = np.logical_or.reduce([a.goes_on for a in others]) & windows.running
            found += _still(one, going, windows, limits)
            found += _loose(one, others, going, windows, limits)
    return found


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """(first, last) of each run of True."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(
        zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True)
    )


def _loose(
    one: Activity,
    others: list[Activity],
    going: np.ndarray,
    windows: GridWindows,
    limits: Mapping[str, float],
) -> list[Stretch]:
    """A probe that fell off: it swings no more while the machine goes on, and it is not at one value."""
    trace = one.trace
    grid = trace.grid
    never = trace.role in COLD_ROLES and _never_followed(one, others)
    if not never and not one.cycles:
        return []
    small = never | (np.nan_to_num(one.share, nan=1.0) < limits["loose_pct"] / 100)
    found = []
    for a, b in _runs(small & going & ~np.isnan(one.swings)):
        first, last = windows.span(a, b)
        inside = grid[first : last + 1]
        inside = inside[~np.isnan(inside)]
        if len(inside) < 5 or float(np.ptp(inside)) == 0.0:
            continue
        outside = np.concatenate([grid[:first], grid[last + 1 :]])
        low, high = trace.swing if never else swing(outside)
        if not never:
            # a slab that never lets go, or a plate that stays cold, is the machine's fault and not the probe's
            if trace.role in COLD_ROLES and float(np.median(inside)) < max(low + 0.35 * (high - low), 1.0):
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


def _came_off_alone(trace: CheckedChannel, overview: Overview, limits: Mapping[str, float]) -> list[Stretch]:
    """A cold-side probe that comes off with nothing else logged. A plate that is left standing thaws and warms over many
    minutes; a clip that comes off in mid-freeze is at the room's temperature within four."""
    step_s, grid = overview.step_s, trace.grid
    if step_s > 30.0:
        return []
    windows, (one,) = activities([trace], overview, least_min=limits["loose_window_min"])
    usual = usual_swing(one.swings[np.nan_to_num(one.swings) > LEAST_SWING_K])
    if usual < LEAST_SWING_K:
        return []
    found = []
    for a, b in _runs(np.nan_to_num(one.swings, nan=np.inf) < limits["loose_pct"] / 100 * usual):
        first, last = windows.span(a, b)
        level = float(np.nanmedian(grid[first : last + 1]))
        cold = np.flatnonzero(grid[: first + 1] < -2.0)
        comes_back = last < len(grid) - 1  # no clip does that by itself: the machine stood still
        if b - a < 3 or level < 10.0 or not len(cold) or comes_back:
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


def _never_followed(one: Activity, others: list[Activity]) -> bool:
    """A cold-side probe that hangs in the room all along, while another cold-side probe freezes and thaws."""
    low, high = one.trace.swing
    cold_other = any(a.trace.role in COLD_ROLES and a.trace.swing[0] < -1.0 for a in others)
    return cold_other and low > 6.0 and high - low < 8.0


def _edges(
    trace: CheckedChannel, grid: np.ndarray, first: int, last: int, low: float, high: float
) -> tuple[int, int]:
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
    one: Activity,
    going: np.ndarray,
    windows: GridWindows,
    limits: Mapping[str, float],
) -> list[Stretch]:
    """A trace that stands on one value to the last digit while others cycle."""
    grid = one.trace.grid
    same = np.concatenate([[False], np.diff(grid) == 0])
    least = max(limits["flat_min"] * 60 / windows.step_s, 10)
    begin, end = windows.starts, windows.starts + windows.length
    found = []
    for a, b in _runs(same):
        # a coarse probe stands still for long in a room, with the machine off
        if b - a < (6 * least if grid[a] > 8.0 and one.trace.role in COLD_ROLES else least):
            continue
        overlap = np.minimum(end, b) - np.maximum(begin, a)
        if not np.any(going & (overlap > 0.4 * min(windows.length, b - a))):
            continue
        if one.usual <= 0.0 or b - a > 3 * _longest_usual(same, a, b):
            found.append(
                Stretch(
                    key=one.trace.key,
                    kind="flat",
                    first=a - 1,
                    last=b,
                    confidence=0.85,
                    evidence={"reads_c": float(grid[a]), "stood_min": (b - a) * windows.step_s / 60},
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
    one: Activity, cold: list[Activity], windows: GridWindows, limits: Mapping[str, float]
) -> list[Stretch]:
    """A clamp that reads nothing, or one value, while the cold side cycles."""
    trace, grid = one.trace, one.trace.grid
    if not cold or np.isnan(grid).all():
        return []
    # W to an A: between 115 V and 230 V, halved for the power factor
    floor = limits["clamp_dead_a"] * (1.0 if trace.role in CURRENT_ROLES else 150.0)
    top = trace.running_level
    if top > floor:
        floor = max(min(floor, 0.3 * top), limits["clamp_dead_pct"] / 100 * top)
    going = np.logical_or.reduce([a.goes_on for a in cold])
    parts = np.lib.stride_tricks.sliding_window_view(grid, min(windows.length, len(grid)))[windows.starts]
    most = np.where(np.isnan(parts), -np.inf, parts).max(axis=1)
    least = np.where(np.isnan(parts), np.inf, parts).min(axis=1)
    nothing = (most < floor) | ((most == least) & np.isfinite(most))
    # Where most of a window has no reading, the logger had ended, or not begun.
    read = np.isfinite(parts).mean(axis=1) >= 0.5
    seen = np.flatnonzero(np.isfinite(grid))
    found = []
    for a, b in _runs(nothing & going & read):
        first, last = windows.span(a, b)
        level = float(np.nanmedian(grid[first : last + 1]))
        with np.errstate(invalid="ignore"):
            differs = np.abs(grid - level) > floor if level < floor else grid != level
        middle = (first + last) // 2
        before, after = np.flatnonzero(differs[:middle]), np.flatnonzero(differs[middle:])
        start = int(before[-1]) + 1 if len(before) else int(seen[0])
        end = middle + int(after[0]) - 1 if len(after) else int(seen[-1])
        cycles = float(np.count_nonzero((cold[0].harvests >= start) & (cold[0].harvests <= end)))
        found.append(
            Stretch(
                key=trace.key,
                kind="dead",
                first=start,
                last=end,
                confidence=0.9 if b > a else 0.7,
                evidence={"reads": level, "cycles_meanwhile": cycles},
            )
        )
    return found
