"""How a measure changed within one log: not at all, in a step, or in a ramp that may begin in mid-log; with size, interval and date.

Over plain arrays; what is a measure of an ice machine stands in `courses`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.findings.methods import statistics

_REGULAR = 0.7  # share of the distances that are one and the same where a pattern is regular
_BENDS = 40  # moments tried as the beginning of a drift
_NS_PER_DAY = 86_400_000_000_000


@dataclass(frozen=True, kw_only=True)
class Change:
    """By how much a measure changed, in its own unit. Indices are those of the array that was judged."""

    kind: str  # "step", "ramp" or "comes-and-goes"
    total: float
    low: float  # 95 % interval of `total`
    high: float
    first: int  # first value of the new level; where the drift begins
    p: float
    before: float  # level before
    after: float  # level after; at the end, where it drifts
    explained: float  # share of the squared deviation that the change takes away
    judged: np.ndarray  # bool (n,)
    chosen: np.ndarray | None = None  # bool (n,): those at the rarer level, where it comes and goes
    episodes: int = 1  # how often it came

    @property
    def sure(self) -> float:
        """How sure it is, by the interval, that two thirds of `total` are there, 0 to 1: under 0.75 where the interval holds 0."""
        sd = (self.high - self.low) / (2 * 1.96)
        return statistics.phi(abs(self.total) / 3 / sd) if sd > 0 else 1.0

    @property
    def late(self) -> np.ndarray:
        """Those judged from `first` on, or at the rarer level, bool (n,)."""
        if self.chosen is not None:
            return self.chosen
        return self.judged & (np.arange(len(self.judged)) >= self.first)

    @property
    def ends(self) -> tuple[np.ndarray, np.ndarray]:
        """(before, after), bool (n,) each. Of a ramp the last third, which alone is changed as far as is said, and its first third with what lies
        before it."""
        early, late = self.judged & ~self.late, self.late
        if self.kind == "ramp":
            at = np.flatnonzero(late)
            third = max(len(at) // 3, 1)
            early[at[:third]] = True
            late = np.zeros(len(late), bool)
            late[at[-third:]] = True
        return early, late


def lasting_change(
    start_ns: np.ndarray,
    values: np.ndarray,
    *,
    least: float,
    thresholds: Mapping[str, float],
    worked: Sequence[tuple[float, float]] = (),
) -> Change | None:
    """The lasting change of `values` (n,; NaN: not judged) at `start_ns`, of at least `least` in either direction.

    A step (Pettitt's test) or a ramp (Mann–Kendall's), whichever leaves the smaller squares; None where neither is both
    plain and large enough; what goes on for less than `ramp_least_days` is no ramp. worked: stretches (from, to) [ns UTC] in which somebody worked on the machine: what steps in one of them is a
    ramp only where a ramp fits far better.
    """
    t, judged = thresholds, np.isfinite(values)
    at = np.flatnonzero(judged)
    if len(at) < t["change_cycles"]:
        return None
    y = values[at]
    x = (start_ns[at] - start_ns[at[0]]) / _NS_PER_DAY
    calm = np.clip(y, *np.quantile(y, [0.02, 0.98]))
    if np.ptp(calm) == 0 or np.ptp(x) == 0:
        return None
    side = int(t["level_cycles"])
    step = statistics.single_step(calm, least=side)
    bend, drift_explained = _best_bend(x, calm, side)
    stepped_ns = start_ns[at[step.first]]
    at_a_visit = any(a <= stepped_ns <= b for a, b in worked)
    better_pct = t["drift_better_visit_pct"] if at_a_visit else t["drift_better_pct"]
    if (
        1 - drift_explained < better_pct / 100 * (1 - step.explained)
        and x[-1] - x[bend] >= t["ramp_least_days"]
    ):
        return _ramp(x, y, calm, at, judged, bend=bend, explained=drift_explained, least=least, t=t)
    total = step.after - step.before
    if abs(total) < least or step.p > t["step_p"] or 100 * step.explained < t["change_explained_pct"]:
        return None
    moved = statistics.hodges_lehmann(_thin(y[: step.first]), _thin(y[step.first :]))
    return Change(
        kind="step", total=moved.value, low=moved.low, high=moved.high, first=int(at[step.first]), p=step.p,
        before=step.before, after=step.after, explained=step.explained, judged=judged,
    )  # fmt: skip


def _ramp(x, y, calm, at, judged, *, bend: int, explained: float, least: float, t) -> Change | None:
    ramp = np.maximum(x - x[bend], 0.0)
    slope, level = np.polynomial.polynomial.polyfit(ramp, calm, 1)[::-1]
    total = slope * ramp[-1]
    if abs(total) < least or 100 * explained < t["change_explained_pct"]:
        return None
    inflate = statistics.autocorrelation_factor(calm - level - slope * ramp)
    whole = statistics.trend(x, y, inflate=inflate)
    # Where it is plain no test need confirm it: the test takes a bent course for resemblance of neighbours.
    if whole.p > t["drift_p"] and 100 * explained < t["change_plain_pct"]:
        return None
    tail = statistics.trend(x[bend:], y[bend:], inflate=inflate)
    low, high = sorted((tail.low * ramp[-1], tail.high * ramp[-1]))
    low, high = min(low, total), max(high, total)  # a robust slope and a fitted one differ a little
    return Change(
        kind="ramp", total=float(total), low=float(low), high=float(high), first=int(at[bend]), p=whole.p,
        before=float(level), after=float(level + total), explained=explained, judged=judged,
    )  # fmt: skip


def _best_bend(x: np.ndarray, y: np.ndarray, side: int) -> tuple[int, float]:
    """Index at which the best "level, then straight line" begins, and the share of the squares that it takes away."""
    n = len(x)
    bends = np.unique(np.linspace(0, n - side - 1, min(_BENDS, n - side)).astype(int))
    ramps = np.maximum(x[None, :] - x[bends][:, None], 0.0)
    ramps -= ramps.mean(axis=1, keepdims=True)
    dy = y - y.mean()
    explained = (ramps @ dy) ** 2 / ((ramps**2).sum(axis=1) * float(dy @ dy))
    best = int(np.argmax(explained))
    return int(bends[best]), float(explained[best])


def comes_and_goes(
    start_ns: np.ndarray,
    values: np.ndarray,
    *,
    least: float,
    thresholds: Mapping[str, float],
    stays: bool = True,
) -> Change | None:
    """Whether `values` (n,; NaN: not judged) go to and fro between two levels that differ by at least `least`, in stretches of several
    each; None where they do not.

    The split that leaves the least squares (Otsu 1979, IEEE Trans. Syst. Man Cybern. 9; from memory, to be confirmed), taken where the two
    levels differ by far more than each scatters. stays: it is in stretches that the rarer level must come; else also one by one, though not
    at every second, third … value, which is the nature of the thing. `first` is the first of the rarer level, `total` what it differs by from the other.
    """
    t, judged = thresholds, np.isfinite(values)
    at = np.flatnonzero(judged)
    if len(at) < t["change_cycles"]:
        return None
    y = values[at]
    ordered = np.sort(y)
    split = statistics.single_step(ordered, least=int(t["levels_least"]))
    low, high = ordered[: split.first], ordered[split.first :]
    apart = statistics.median(high) - statistics.median(low)
    scatter = math.hypot(
        *(statistics.spread(np.abs(part - statistics.median(part))) for part in (low, high))
    ) / math.sqrt(2)
    if apart < least or apart < t["levels_apart"] * scatter:
        return None
    upper = y > (ordered[split.first - 1] + ordered[split.first]) / 2
    switches = int(np.count_nonzero(np.diff(upper)))
    rare = upper if upper.sum() <= len(y) / 2 else ~upper
    episodes = (switches + 1 + int(rare[0])) // 2
    to_and_fro = switches * t["levels_stay"] > len(y)
    single = episodes * t["levels_rare_stay"] > rare.sum()
    if (
        switches < 2
        or (stays and single)
        or (to_and_fro and (stays or period(rare, least=t["levels_least"])))
    ):
        return None  # one step, or odd and even cycles that differ by nature
    before, after = statistics.median(y[~rare]), statistics.median(y[rare])
    moved = statistics.hodges_lehmann(_thin(y[~rare]), _thin(y[rare]))
    chosen = np.zeros(len(values), bool)
    chosen[at[rare]] = True
    return Change(
        kind="comes-and-goes", total=moved.value, low=moved.low, high=moved.high, first=int(at[np.argmax(rare)]), p=moved.p,
        before=before, after=after, explained=split.explained, judged=judged, chosen=chosen, episodes=episodes,
    )  # fmt: skip


def period(chosen: np.ndarray, *, least: float) -> int:
    """The one distance from each other at which the chosen values (bool (n,)) nearly always come; 0 where they keep to none, or are fewer than `least`."""
    gaps = np.diff(np.flatnonzero(chosen))
    if len(gaps) + 1 < least:
        return 0
    counts = np.bincount(gaps)
    return int(np.argmax(counts)) if counts.max() > _REGULAR * len(gaps) else 0


def _thin(y: np.ndarray, most: int = 300) -> np.ndarray:
    return y if len(y) <= most else y[:: math.ceil(len(y) / most)]
