"""A lasting change of a measure within one log: a step with its date, or a steady drift; never both."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings import statistics
from pipeline.findings.case import NS_PER_DAY, NS_PER_H, Case
from pipeline.findings.conditions import level_at_usual_conditions

_LEAST_CYCLES = 16
_SIDE = 6
_STEP_P = 1e-3


@dataclass(frozen=True, kw_only=True)
class Change:
    """By how much a measure changed over a log, in its own unit."""

    kind: str  # "step" or "drift"
    total: float
    low: float
    high: float
    first: int  # index of the first cycle of the new level; of the first cycle judged where it drifts
    p: float
    before: float  # level at the start
    after: float  # level at the end
    judged: np.ndarray  # bool (n,)


def change(
    case: Case, values: np.ndarray, *, least: float, p: float, air_slope: float = 0.0, air_slope_sd: float = 0.3
) -> Change | None:
    """The lasting change of `values` (n,; NaN: not judged) of at least `least`, in either direction, or None.

    Set to the usual air first; `air_slope` and `air_slope_sd` say what physics expects of it [unit per K]. A log too
    short to tell a change from the time of day must show half as much again.
    """
    judged = np.isfinite(values)
    at = np.flatnonzero(judged)
    if len(at) < _LEAST_CYCLES:
        return None
    hours = case.start_ns / NS_PER_H
    y = level_at_usual_conditions(values, case.air_c, hours, mean=air_slope, sd=air_slope_sd)[at]
    x = (case.start_ns[at] - case.start_ns[at[0]]) / NS_PER_DAY
    if np.ptp(y) == 0 or np.ptp(x) == 0:
        return None
    if x[-1] < case.thresholds["drift_days"] and not np.isfinite(case.air_c[at]).any():
        least = 1.5 * least
    calm = np.clip(y, *np.quantile(y, [0.02, 0.98]))
    step = statistics.single_step(calm, least=_SIDE)
    line = statistics.line_explains(x, calm)
    if step.explained > line + 0.03:
        total = step.after - step.before
        if abs(total) < least or step.p > _STEP_P or step.explained < 0.4:
            return None
        moved = statistics.hodges_lehmann(_thin(y[: step.first]), _thin(y[step.first :]))
        return Change(
            kind="step", total=total, low=moved.low, high=moved.high, first=int(at[step.first]), p=step.p,
            before=step.before, after=step.after, judged=judged,
        )  # fmt: skip
    if x[-1] < case.thresholds["drift_days"] or len(at) < case.thresholds["drift_cycles"]:
        return None
    rough = np.polynomial.polynomial.polyfit(x, calm, 1)
    inflate = statistics.autocorrelation_factor(calm - np.polynomial.polynomial.polyval(x, rough))
    found = statistics.trend(x, y, inflate=inflate)
    total = found.slope * x[-1]
    if abs(total) < least or found.p > p:
        return None
    middle = float(np.median(y - found.slope * x))
    return Change(
        kind="drift", total=total, low=found.low * x[-1], high=found.high * x[-1], first=int(at[0]), p=found.p,
        before=middle, after=middle + total, judged=judged,
    )  # fmt: skip


def _thin(y: np.ndarray, most: int = 300) -> np.ndarray:
    return y if len(y) <= most else y[:: math.ceil(len(y) / most)]
