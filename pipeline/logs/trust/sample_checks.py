"""Which readings of which channel is not to be trusted, and why.

Each check gives one mask over the channel's samples, True where it objects; all of them are kept, so that the page can
say which check dropped a reading. Checks on single samples are here; `detached` holds those that ask whether a channel
still follows the machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from pipeline.logs.clock.stamp_parser import SECOND_NS

CURRENT_ROLES = frozenset({"current", "current_compressor"})
CLAMP_ROLES = CURRENT_ROLES | {"power"}
DYNAMIC_ROLES = frozenset({"evaporator", "suction", "discharge"})
"""Temperatures that move with every cycle of a healthy machine."""


@dataclass(frozen=True, kw_only=True)
class CheckedChannel:
    """One channel on its way to being trusted. `values` are in the house unit."""

    key: int
    role: str
    label: str
    file: str
    unit: str
    logger: int
    time_ns: np.ndarray
    values: np.ndarray
    error: np.ndarray | None
    interval_s: float
    grid: np.ndarray  # the channel on the overview grid, untrusted readings NaN
    swing: tuple[float, float]  # 5th and 95th percentile of `grid`
    extremes: tuple[float, float, float]  # of `extremes`
    resolution: float  # of `resolution_of`
    masks: Mapping[str, np.ndarray] = field(default_factory=dict)

    @property
    def is_temperature(self) -> bool:
        """Whether the readings are in °C."""
        return self.unit == "°C"

    @cached_property
    def running_level(self) -> float:
        """What a clamp reads while the compressor runs: its 90th percentile; 0.0 where it reads nothing."""
        seen = self.grid[~np.isnan(self.grid)]
        return float(np.percentile(seen, 90)) if len(seen) else 0.0

    @property
    def is_whole(self) -> bool:
        """Every sample holds a reading."""
        return self.extremes[0] == self.extremes[0]


def sample_masks(trace: CheckedChannel, limits: Mapping[str, float]) -> dict[str, np.ndarray]:
    """check -> bool (n,), only for checks that object to at least one reading."""
    masks: dict[str, np.ndarray] = {}
    if trace.error is not None:
        masks["error word"] = trace.error
    if trace.is_temperature:
        floor, top = limits["probe_coldest_c"], limits["probe_hottest_c"]
    elif trace.role in CLAMP_ROLES:
        floor, top = limits["clamp_below_zero_a"] if trace.role in CURRENT_ROLES else -np.inf, np.inf
    else:
        return masks
    values = trace.values
    least, usual = _least_jump(trace, limits)
    low, high, step = trace.extremes
    if not trace.is_temperature and (fill := _fill_value(trace)) is not None:
        masks["out of range"] = trace.values >= fill
    at = None
    if not (low >= floor and high <= top):
        with np.errstate(invalid="ignore"):
            wild = (values < floor) | (values > top)
        if wild.any():
            masks["out of range"] = masks.get("out of range", False) | wild
        seen = ~(wild | np.isnan(values))
        at = None if seen.all() else np.flatnonzero(seen)
    elif step < least:
        return masks
    tame = values if at is None else values[at]
    if len(tame) < 5 or not trace.is_temperature:
        return masks
    jumps, steps = _jumps(tame, least)
    if not len(jumps):
        return masks
    if at is not None:
        low, high = float(tame.min()), float(tame.max())
    for name, bad in (
        ("open or shorted", _rails(tame, jumps, usual, (low, high))),
        ("spike", _spikes(trace, tame, steps, jumps, usual)),
    ):
        if bad is not None and bad.any():
            masks[name] = _spread_out(bad, at, len(values))
    return masks


_STRETCH = 1 << 15


def extremes(values: np.ndarray) -> tuple[float, float, float]:
    """(lowest, highest, largest step between samples) of `values` (n,), a stretch at a time that stays in the processor's cache: nearly
    by these three every channel is found to be in order. All NaN where a reading is missing."""
    lows, highs, largest = [], [], 0.0
    spare = np.empty(_STRETCH)
    for a in range(0, len(values), _STRETCH):
        part = values[a : a + _STRETCH + 1]
        lows.append(part.min())
        highs.append(part.max())
        step = np.subtract(part[1:], part[:-1], out=spare[: len(part) - 1])
        if len(step):
            largest = max(largest, float(step.max()), -float(step.min()))
    if not lows or np.isnan(lows).any():
        return float("nan"), float("nan"), float("nan")
    return float(min(lows)), float(max(highs)), largest


_FILLS = (3.2767, 3.2768, 6.5535, 2.147483647)
"""The ends of counts of 16 and 32 bits, wherever the point stands."""
_FILL_FAR = 5.0  # times the next highest reading. Common practice, no source


def _fill_value(trace: CheckedChannel) -> float | None:
    """The highest reading [the channel's unit], where it is what a logger writes for none (the end of its counter, or nothing but nines)
    and far above all others."""
    high = trace.extremes[1] if trace.is_whole else float(np.fmax.reduce(trace.values, initial=0.0))
    if not 1.0 < high < np.inf:
        return None
    digits = f"{high:.10g}".replace(".", "").strip("0")
    ends = any(digits == f"{f:.10g}".replace(".", "") for f in _FILLS)
    if not (ends or (len(digits) >= 3 and set(digits) == {"9"})):
        return None
    others = trace.values[trace.values < high]
    return high if len(others) and high > _FILL_FAR * float(others.max()) else None


def _spread_out(bad: np.ndarray, at: np.ndarray | None, n: int) -> np.ndarray:
    if at is None:
        return bad
    mask = np.zeros(n, bool)
    mask[at[bad]] = True
    return mask


def _least_jump(trace: CheckedChannel, limits: Mapping[str, float]) -> tuple[float, tuple[float, float]]:
    """(least jump between two samples that is suspicious [K], the channel's usual range)."""
    low, high = trace.swing
    if np.isnan(low):
        return limits["spike_k"], (-np.inf, np.inf)
    return max(limits["spike_k"], limits["spike_pct"] / 100 * (high - low)), (low, high)


def _jumps(values: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """(samples after which a step of more than `least` comes, these steps), a stretch at a time as in `extremes`."""
    jumps, steps = [], []
    spare = np.empty(_STRETCH)
    size = np.empty(_STRETCH)
    for a in range(0, len(values) - 1, _STRETCH):
        part = values[a : a + _STRETCH + 1]
        step = np.subtract(part[1:], part[:-1], out=spare[: len(part) - 1])
        here = np.flatnonzero(np.abs(step, out=size[: len(step)]) > least)
        jumps.append(here + a)
        steps.append(step[here])
    return np.concatenate(jumps), np.concatenate(steps)


def _rails(
    values: np.ndarray, jumps: np.ndarray, usual: tuple[float, float], ends: tuple[float, float]
) -> np.ndarray | None:
    """An input without a probe stands on one value at the end of its scale: reached at a jump, far from the usual
    readings, and then the same to the last digit."""
    span = usual[1] - usual[0]
    far = max(15.0, 0.6 * span)
    bad = None
    for extreme in reversed(ends):
        if usual[0] - far < extreme < usual[1] + far:
            continue
        at_rail = values == extreme
        runs = np.flatnonzero(at_rail[jumps + 1] & ~at_rail[jumps])
        if np.count_nonzero(at_rail) >= 5 and len(runs):
            bad = at_rail if bad is None else bad | at_rail
    return bad


def _spikes(
    trace: CheckedChannel,
    values: np.ndarray,
    steps: np.ndarray,
    jumps: np.ndarray,
    usual: tuple[float, float],
) -> np.ndarray | None:
    """Up to three samples that jump away and come back; `steps` are those at `jumps`. At a slow interval a whole harvest is
    that short: there a spike must also leave the range in which the channel lives."""
    if not len(jumps) or len(jumps) > 0.05 * len(values):
        return None
    slow = not trace.interval_s <= 12.0
    margin = 0.5 * (usual[1] - usual[0])
    bad = np.zeros(len(values), bool)
    close = np.flatnonzero((np.diff(jumps) <= 3) & (steps[:-1] * steps[1:] < 0))
    for k in close.tolist():
        i, following = int(jumps[k]), int(jumps[k + 1])
        if abs(values[following + 1] - values[i]) > 0.4 * abs(steps[k]):
            continue
        peak = values[i + 1 : following + 1]
        outside = peak.max() > usual[1] + margin or peak.min() < usual[0] - margin
        if outside or not slow:
            bad[i + 1 : following + 1] = True
    return bad


def saturated(trace: CheckedChannel) -> np.ndarray | None:
    """bool (n,): readings that stand at the end of the logger's scale, cut off; None where none are.

    A trace that comes to rest slows down before it does; one that is cut off runs into its last value at full speed, or
    stands there without the noise that it has everywhere else, again and again at the same value. A clamp does so by nature,
    at every start.
    """
    if trace.role not in DYNAMIC_ROLES:
        return None
    grid = trace.grid[~np.isnan(trace.grid)]
    if len(grid) < 200:
        return None
    low, high = trace.swing
    mask = None
    for end in (float(grid.max()), float(grid.min())):
        at_end = grid == end
        share = np.count_nonzero(at_end) / len(grid)
        if share < 0.03 or share > 0.9:
            continue
        step = trace.resolution
        edges = np.diff(np.concatenate([[0], at_end.astype(np.int8), [0]]))
        firsts, lengths = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
        stands = (lengths >= 3) & (firsts > 0)
        if np.count_nonzero(stands) < 3:
            continue
        ran_in = np.abs(grid[firsts[stands] - 1] - end) > max(0.06 * (high - low), 3.0 * step)
        still = np.diff(grid) == 0.0
        elsewhere = np.mean(still[~at_end[1:]]) if share < 1.0 else 1.0
        silent = elsewhere < 0.1 and np.count_nonzero(lengths >= 6) >= 3
        if silent or np.mean(ran_in) > 0.7:
            hit = trace.values == end
            mask = hit if mask is None else mask | hit
    return mask


def resolution_of(values: np.ndarray) -> float:
    """The smallest step between readings `values` (n,); 0.0 where it is unknown. From some thousand samples of the whole log: a machine
    that stands shows one value for days."""
    sample = values[:: max(1, len(values) // 6000)]
    steps = np.diff(np.sort(sample[~np.isnan(sample)]))
    steps = steps[steps > 1e-9]
    if not len(steps):
        return 0.0
    return float(np.round(np.percentile(steps, 5), 6))


def spans_of(mask: np.ndarray, time_ns: np.ndarray, *, join_s: float) -> list[tuple[int, int, int]]:
    """(first, last, samples) of each stretch of True in `mask` (n,) at `time_ns` (n,), stretches closer than `join_s` joined."""
    at = np.flatnonzero(mask)
    if not len(at):
        return []
    breaks = np.flatnonzero(np.diff(time_ns[at]) > join_s * SECOND_NS)
    firsts = np.concatenate([[0], breaks + 1])
    lasts = np.concatenate([breaks, [len(at) - 1]])
    return [(int(at[a]), int(at[b]), int(b - a + 1)) for a, b in zip(firsts, lasts, strict=True)]
