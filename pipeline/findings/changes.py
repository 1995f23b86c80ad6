"""A lasting change of a measure within one log: a step, or a drift that may begin in mid-log; with its date."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.conditions import level_at_usual_conditions

if TYPE_CHECKING:
    from pipeline.findings.case import Case

# Common practice, no source: fewer points cannot carry a date, and weaker patterns are what noise also makes.
_LEAST_POINTS = 16
_SIDE = 6
_STEP_P = 1e-3
_EXPLAINED = 0.4
_PLAIN = 0.75  # explained share that no test need confirm: the test takes a bent course for resemblance of neighbours
_DRIFT_BETTER = 0.97  # a drift must leave less than this share of a step's squares to be called one
_SHARP = 0.87  # explained share of a step that no swing over a day has: a sine's is 8/π² = 0.81
_BENDS = 40  # moments tried as the beginning of a drift
_NS_PER_DAY, _NS_PER_H = 86_400_000_000_000, 3_600_000_000_000


@dataclass(frozen=True, kw_only=True)
class Change:
    """By how much a measure changed, in its own unit. Indices are those of the array that was judged."""

    kind: str  # "step" or "drift"
    total: float
    low: float  # 95 % interval of `total`
    high: float
    first: int  # first value of the new level; where the drift begins
    p: float
    before: float  # level before
    after: float  # level after; at the end, where it drifts
    explained: float  # share of the squared deviation that the change takes away
    judged: np.ndarray  # bool (n,)

    @property
    def late(self) -> np.ndarray:
        """Those judged from `first` on, bool (n,)."""
        return self.judged & (np.arange(len(self.judged)) >= self.first)


def lasting_change(start_ns: np.ndarray, values: np.ndarray, *, least: float, p: float) -> Change | None:
    """The lasting change of `values` (n,; NaN: not judged) at `start_ns`, of at least `least` in either direction.

    A step (Pettitt's test) or a drift (Mann–Kendall's), whichever leaves the smaller squares; None where neither is both
    plain and large enough.
    """
    judged = np.isfinite(values)
    at = np.flatnonzero(judged)
    if len(at) < _LEAST_POINTS:
        return None
    y = values[at]
    x = (start_ns[at] - start_ns[at[0]]) / _NS_PER_DAY
    calm = np.clip(y, *np.quantile(y, [0.02, 0.98]))
    if np.ptp(calm) == 0 or np.ptp(x) == 0:
        return None
    step = statistics.single_step(calm, least=_SIDE)
    bend, drift_explained = _best_bend(x, calm)
    if 1 - drift_explained < _DRIFT_BETTER * (1 - step.explained):
        return _drift(x, y, calm, at, judged, bend=bend, explained=drift_explained, least=least, p=p)
    total = step.after - step.before
    if abs(total) < least or step.p > _STEP_P or step.explained < _EXPLAINED:
        return None
    moved = statistics.hodges_lehmann(_thin(y[: step.first]), _thin(y[step.first :]))
    return Change(
        kind="step", total=moved.value, low=moved.low, high=moved.high, first=int(at[step.first]), p=step.p,
        before=step.before, after=step.after, explained=step.explained, judged=judged,
    )  # fmt: skip


def _drift(x, y, calm, at, judged, *, bend: int, explained: float, least: float, p: float) -> Change | None:
    ramp = np.maximum(x - x[bend], 0.0)
    slope, level = np.polynomial.polynomial.polyfit(ramp, calm, 1)[::-1]
    total = slope * ramp[-1]
    if abs(total) < least or explained < _EXPLAINED:
        return None
    inflate = statistics.autocorrelation_factor(calm - level - slope * ramp)
    whole = statistics.trend(x, y, inflate=inflate)
    if whole.p > p and explained < _PLAIN:
        return None
    tail = statistics.trend(x[bend:], y[bend:], inflate=inflate)
    low, high = sorted((tail.low * ramp[-1], tail.high * ramp[-1]))
    low, high = min(low, total), max(high, total)  # a robust slope and a fitted one differ a little
    return Change(
        kind="drift", total=float(total), low=float(low), high=float(high), first=int(at[bend]), p=whole.p,
        before=float(level), after=float(level + total), explained=explained, judged=judged,
    )  # fmt: skip


def _best_bend(x: np.ndarray, y: np.ndarray) -> tuple[int, float]:
    """Index at which the best "level, then straight line" begins, and the share of the squares that it takes away."""
    n = len(x)
    bends = np.unique(np.linspace(0, n - _SIDE - 1, min(_BENDS, n - _SIDE)).astype(int))
    ramps = np.maximum(x[None, :] - x[bends][:, None], 0.0)
    ramps -= ramps.mean(axis=1, keepdims=True)
    dy = y - y.mean()
    explained = (ramps @ dy) ** 2 / ((ramps**2).sum(axis=1) * float(dy @ dy))
    best = int(np.argmax(explained))
    return int(bends[best]), float(explained[best])


def change_of(
    case: Case, values: np.ndarray, *, least: float, air_slope: float = 0.0, air_slope_sd: float = 0.3
) -> Change | None:
    """`lasting_change` of a measure of `case`, set to the usual air first.

    `air_slope` and `air_slope_sd` say what physics expects of it [unit per K].
    """
    level = level_at_usual_conditions(
        values, case.air_c, case.start_ns / _NS_PER_H, mean=air_slope, sd=air_slope_sd
    )
    found = lasting_change(case.start_ns, level, least=least, p=case.thresholds["drift_p"])
    if np.isfinite(case.air_c[np.isfinite(values)]).any():
        return found
    return not_the_time_of_day(case, found, least=least)


def not_the_time_of_day(case: Case, found: Change | None, *, least: float) -> Change | None:
    """`found`, or None where the log is too short to tell it from the time of day.

    Half a day's swing looks like a drift, and like a step that explains 8/π² of it, no more. So a short log must show
    half as much again, or a step that is sharper than that; and it cannot show a drift.
    """
    days = (case.timeline.end_ns - case.timeline.start_ns) / _NS_PER_DAY
    if found is None or days >= case.thresholds["drift_days"]:
        return found
    sharp = found.explained > _SHARP
    return found if found.kind == "step" and (sharp or abs(found.total) >= 1.5 * least) else None


def _thin(y: np.ndarray, most: int = 300) -> np.ndarray:
    return y if len(y) <= most else y[:: math.ceil(len(y) / most)]
