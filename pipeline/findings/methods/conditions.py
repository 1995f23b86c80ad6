"""What air and water do to a machine: freezes take longer in a hot kitchen, and that is not a fault.

The slopes are estimated from the log where it shows them and held near what physics expects where it does not (a
least-squares fit with a prior, weighted so that outliers count little).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.findings.methods import statistics

LATENT_KJ_PER_KG = (
    333.55  # heat of fusion of water: CRC Handbook of Chemistry and Physics (from memory, to be confirmed)
)
CP_WATER_KJ_PER_KG_K = 4.19  # IAPWS-95, between 10 and 20 °C at one atmosphere, by CoolProp
_REJECTED = 6.0  # and beyond so many not at all: what stands apart is no weather. Hampel 1974 (from memory, to be confirmed)
_HUBER = 1.5  # residuals beyond this many sigmas count less: Huber 1981 (from memory, to be confirmed)


def heat_kj_per_kg(water_c: float) -> float:
    """The least heat to take from water at `water_c` [°C] for ice at 0 °C [kJ/kg].

    At 21.1 °C: 422 kJ/kg; the trade's (70 − 32) + 144 = 182 Btu/lb is 423.3.
    """
    return LATENT_KJ_PER_KG + CP_WATER_KJ_PER_KG_K * max(water_c, 0.0)


def capacity_factor(
    air_c: float, water_c: float, *, rated_air_c: float, rated_water_c: float, per_k: float
) -> float:
    """Ice a day at `air_c` and `water_c` over that at the rated ones: warmer air costs `per_k` (share/K), warmer water
    costs its own heat. NaN for one of the two leaves it out."""
    factor = 1.0
    if math.isfinite(air_c):
        factor *= min(max(1 - per_k * (air_c - rated_air_c), 0.4), 1.4)
    if math.isfinite(water_c):
        factor *= heat_kj_per_kg(rated_water_c) / heat_kj_per_kg(water_c)
    return factor


@dataclass(frozen=True, kw_only=True)
class Adjusted:
    """Freeze lengths set to the log's usual air and water. Arrays have one value a cycle, NaN where not judged."""

    log_length: np.ndarray  # natural log of the corrected length (length in min)
    corrected_for: tuple[str, ...]  # of "air", "water", "time of day"


def adjust(
    *,
    freeze_min: np.ndarray,
    air_c: np.ndarray,
    water_c: np.ndarray,
    hour: np.ndarray,
    floor: float,
    sigma_min: float,
    thresholds: Mapping[str, float],
) -> Adjusted:
    """`freeze_min` (n,) set to the median air [°C] and water [°C]; `hour` (n,) are hours on any clock.

    floor: least relative spread that counts; sigma_min: what sampling scatters a length by [min].
    """
    use = np.isfinite(freeze_min) & (freeze_min > 0)
    y = np.full(len(freeze_min), np.nan)
    y[use] = np.log(freeze_min[use])
    names, columns, mean, sd = _predictors(air_c, water_c, hour, use, thresholds)
    if not names or use.sum() < 4:
        return Adjusted(log_length=y, corrected_for=())
    x, mean, sd = np.column_stack(columns), np.array(mean), np.array(sd)
    least = max(floor, sigma_min / statistics.median(freeze_min[use]))
    slopes = _fit(x[use], y[use], mean, sd, least)
    for i, name in enumerate(names):
        if name in ("air", "water"):
            slopes[i] = min(max(slopes[i], 0.0), _most(name, mean[i], thresholds))
    return Adjusted(
        log_length=y - x @ slopes,
        corrected_for=tuple(dict.fromkeys("time of day" if n.startswith("day") else n for n in names)),
    )


def _most(name: str, mean: float, t: Mapping[str, float]) -> float:
    """The steepest slope that counts. What water does to the capacity comes on top of what its heat alone makes."""
    return t["air_pct_per_k_most"] / 100 if name == "air" else t["water_most_times"] * mean


def level_at_usual_conditions(
    values: np.ndarray,
    air_c: np.ndarray,
    hour: np.ndarray,
    *,
    mean: float,
    sd: float,
    thresholds: Mapping[str, float],
) -> np.ndarray:
    """A temperature (n,; NaN: not judged) set to the log's usual air: `mean` ± `sd` is the slope that physics expects.

    Where no air was logged, a log of three days or more is freed of its daily swing.
    """
    use = np.isfinite(values)
    names, columns, _, _ = _predictors(air_c, np.full(len(values), np.nan), hour, use, thresholds)
    if not names or use.sum() < 4:
        return values
    x = np.column_stack(columns)
    means = np.array([mean if name == "air" else 0.0 for name in names])
    sds = np.array([sd if name == "air" else thresholds["day_swing_k"] for name in names])
    slopes = _fit(x[use], values[use], means, sds, 0.1)
    return values - x @ slopes


_Log = tuple[np.ndarray, np.ndarray, np.ndarray]  # freeze [min], air [°C], water [°C], (n,) each


def at_same_conditions(
    earlier: _Log, later: _Log, *, thresholds: Mapping[str, float]
) -> tuple[np.ndarray, np.ndarray] | None:
    """The freezes of two logs [min], (n,) and (m,), set to the air and water midway between them; None where air was not logged twice.

    The slopes are estimated within each log, so that what changed between the two is not taken for the weather's doing.
    """
    logs = [tuple(v[np.isfinite(log[0])] for v in log) for log in (earlier, later)]
    if any(len(freeze) < 4 or np.isfinite(air).mean() < 0.5 for freeze, air, _ in logs):
        return None
    columns, mean, sd, most = [], [], [], []
    for i, name in ((1, "air"), (2, "water")):
        if any(np.isfinite(log[i]).mean() < 0.5 for log in logs):
            continue
        usual = [float(np.nanmedian(log[i])) for log in logs]
        columns.append(
            [
                (np.where(np.isfinite(log[i]), log[i], u), u, sum(usual) / 2)
                for log, u in zip(logs, usual, strict=True)
            ]
        )
        mean.append(_slope(name, sum(usual) / 2, thresholds))
        sd.append(_slope_sd(name, thresholds))
        most.append(_most(name, mean[-1], thresholds))
    within = np.column_stack(
        [np.concatenate([values - usual for values, usual, _ in column]) for column in columns]
    )
    logged = [np.log(freeze) for freeze, _, _ in logs]
    y = np.concatenate([values - np.median(values) for values in logged])
    slopes = _fit(within, y, np.array(mean), np.array(sd), 0.01)
    slopes = np.clip(slopes, 0.0, most)
    moved = [
        values - sum(s * (column[i][0] - column[i][2]) for s, column in zip(slopes, columns, strict=True))
        for i, values in enumerate(logged)
    ]
    return np.exp(moved[0]), np.exp(moved[1])


def _slope(name: str, usual_c: float, t: Mapping[str, float]) -> float:
    """By what share a kelvin of air or water lengthens a freeze; water by its own heat."""
    return t["air_pct_per_k"] / 100 if name == "air" else CP_WATER_KJ_PER_KG_K / heat_kj_per_kg(usual_c)


def _slope_sd(name: str, t: Mapping[str, float]) -> float:
    return t["air_pct_per_k_sd" if name == "air" else "water_pct_per_k_sd"] / 100


def _predictors(
    air_c: np.ndarray, water_c: np.ndarray, hour: np.ndarray, use: np.ndarray, t: Mapping[str, float]
):
    """Names, centred columns, and the mean and spread expected of each slope."""
    names: list[str] = []
    columns: list[np.ndarray] = []
    mean: list[float] = []
    sd: list[float] = []
    for name, values in (("air", air_c), ("water", water_c)):
        known = values[use & np.isfinite(values)]
        if len(known) < max(3, 0.5 * use.sum()) or np.ptp(known) == 0:
            continue
        usual = statistics.median(known)
        names.append(name)
        columns.append(np.where(np.isfinite(values), values - usual, 0.0))
        mean.append(_slope(name, usual, t))
        sd.append(_slope_sd(name, t))
    if "air" not in names and use.any() and np.ptp(hour[use]) >= 24 * t["day_swing_days"]:
        angle = 2 * np.pi * hour / 24
        names += ["day-sin", "day-cos"]
        columns += [np.sin(angle), np.cos(angle)]
        mean += [0.0, 0.0]
        sd += [t["day_swing_pct"] / 100] * 2
    return names, columns, mean, sd


def _fit(x: np.ndarray, y: np.ndarray, mean: np.ndarray, sd: np.ndarray, floor: float):
    """Slopes (k,): iteratively reweighted least squares with a normal prior."""
    prior = np.diag(1 / sd**2)
    expected = prior @ mean
    slopes = mean.copy()
    for _ in range(8):
        residual = y - x @ slopes
        away = np.abs(residual - statistics.median(residual))
        sigma = statistics.spread(away, floor)
        far = np.maximum(away / sigma, 1e-12)
        weight = np.where(far > _REJECTED, 0.0, np.minimum(1.0, _HUBER / far))
        total = weight.sum()
        xc = x - (x * weight[:, None]).sum(axis=0) / total
        yc = y - (y * weight).sum() / total
        weighed = (xc * weight[:, None]).T
        covariance = np.linalg.inv(weighed @ xc / sigma**2 + prior)
        updated = covariance @ (weighed @ yc / sigma**2 + expected)
        done = np.max(np.abs(updated - slopes)) < 1e-6
        slopes = updated
        if done:
            break
    return slopes
