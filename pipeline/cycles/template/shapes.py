"""The shape that comes again with every cycle, wherever a level is much higher after a moment than before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d

from pipeline.logs.timeline import PIECE

# Common practice, no source, all of them; "likewise" is in parts of the time named, and at most so long.
BESIDE_S = (100.0, 200.0, 400.0)  # what lies before a moment and after it, tried one after the other
LEAST_CYCLES = 4
LEAST_CLIMB = 0.4  # of what most harvests climb
APART = 0.4  # of the usual time from harvest to harvest
REACH, REACH_S = 0.45, 900.0  # of the shape, both ways, likewise
SHIFT, SHIFT_S = 0.15, 180.0  # by which a cycle may have to be moved onto the shape, likewise
AT_ONCE = 1000  # cycles that are moved at once: a year of them takes little room
LESSONS, PUPILS = 4, 100  # times the shape is learned, from so many cycles at most
STEADY = (1.0, 0.5, 0.25, 0.12, 0.06)  # parts of what a break lies off at most: all of them together choose


@dataclass(frozen=True, kw_only=True)
class Shape:
    """What the cycles have in common about the bins near `at` (k,): `mean` (2 reach + 1,)."""

    at: np.ndarray
    mean: np.ndarray
    reach: int
    shifts: np.ndarray  # by which a cycle may have to be moved onto it
    alike: float  # part of the variance that it explains
    share: float  # part of all climbs that lies near `at`


def _climbs(level: np.ndarray, width: int) -> np.ndarray:
    """How much higher the level is over `width` bins after each bin than over as many before it; NaN where either is
    not known well."""
    known = np.isfinite(level)
    total = np.r_[0.0, np.cumsum(np.where(known, level, 0.0))]
    count = np.r_[0, np.cumsum(known)]
    n, gap = len(level), width // 4

    def mean(first, stop):
        first, stop = np.clip(first, 0, n), np.clip(stop, 0, n)
        seen = count[stop] - count[first]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(seen >= 0.6 * width, (total[stop] - total[first]) / seen, np.nan)

    climbs = np.empty(n)
    for k in range(0, n, PIECE):
        at = np.arange(k, min(k + PIECE, n))
        climbs[k : k + PIECE] = mean(at + gap, at + gap + width) - mean(at - gap - width, at - gap)
    return climbs


def _summits(climbs: np.ndarray, radius: int) -> np.ndarray:
    """Bins with the greatest climb within `radius`, those left out that climb far less than most."""
    height = np.nan_to_num(climbs, nan=-np.inf)
    at = np.flatnonzero((height == maximum_filter1d(height, 2 * radius + 1)) & (height > 0))
    return at[height[at] > LEAST_CLIMB * np.quantile(height[at], 0.8)] if len(at) else at


def shape_over(level: np.ndarray, width: int, step_s: float, noise: float) -> Shape | None:
    """The shape about the climbs of `level` (bins,) over `width` bins, or None where there are too few."""
    climbs = _climbs(level, width)
    at = _summits(climbs, 2 * width)
    if len(at) < LEAST_CYCLES:
        return None
    at = _summits(climbs, int(APART * np.median(np.diff(at))))
    if len(at) < LEAST_CYCLES:
        return None
    period = float(np.median(np.diff(at)))
    reach = int(min(REACH * period, REACH_S / step_s))
    shift = max(1, round(min(SHIFT * period, SHIFT_S / step_s)))
    if reach < 5:
        return None
    shifts = np.arange(-shift, shift + 1)
    some = at[:: max(1, len(at) // PUPILS)]
    for _ in range(LESSONS):
        mean = mean_about(level, some, reach)
        moved = best_shift(level, some, mean, reach, shifts, 0.0)
        some = np.clip(some + moved, 0, len(level) - 1)
        if not moved.any():
            break
    mean = mean_about(level, some, reach)
    if float(mean.std()) < noise:
        return None
    rows = centred(about(level, some, reach))
    rows = rows[np.isfinite(rows).any(axis=1)]
    if len(rows) == 0:
        return None
    left = float(np.median(np.nanmean((rows - mean) ** 2, axis=1)))
    explained = 1.0 - max(left - noise**2, 0.0) / max(float(np.nanmean(rows**2)), 1e-12)
    # A shape that leaves out every other cycle explains less of the log.
    seen = np.zeros(len(level) + 1)
    np.add.at(seen, np.clip(at - reach, 0, len(level)), 1)
    np.add.at(seen, np.clip(at + reach + 1, 0, len(level)), -1)
    covered = float((np.cumsum(seen)[:-1] > 0)[np.isfinite(level)].mean())
    alike = float(explained) * min(1.0, covered * period / (2 * reach + 1))
    share = share_of_climbs(level, at, max(2, round(BESIDE_S[0] / step_s)), width + shift)
    return Shape(at=at, mean=mean, reach=reach, shifts=shifts, alike=alike, share=share)


def share_of_climbs(level: np.ndarray, at: np.ndarray, width: int, near: int) -> float:
    """How much of all that `level` (bins,) climbs, over `width` bins, it climbs within `near` bins of `at` (m,), 0…1."""
    climbs = _climbs(level, width)
    summits = _summits(climbs, 2 * width)
    if len(summits) == 0:
        return 1.0
    right = np.searchsorted(at, summits).clip(1, len(at) - 1) if len(at) > 1 else np.zeros(len(summits), int)
    off = np.minimum(np.abs(at[right] - summits), np.abs(at[np.maximum(right - 1, 0)] - summits))
    height = climbs[summits]
    return float(height[off <= near].sum() / height.sum())


def about(level: np.ndarray, at: np.ndarray, reach: int, ahead: int | None = None) -> np.ndarray:
    """`level` from `reach` bins before each of `at` to as many (or `ahead`) after it; NaN beyond the log. Shape
    (k, reach + 1 + ahead)."""
    index = at[:, None] + np.arange(-reach, (reach if ahead is None else ahead) + 1)[None]
    inside = (index >= 0) & (index < len(level))
    return np.where(inside, level[index.clip(0, len(level) - 1)], np.nan)


def centred(rows: np.ndarray) -> np.ndarray:
    """`rows` (m, k), each less its own mean over what is known of it."""
    known = np.isfinite(rows)
    mean = np.where(known, rows, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return rows - mean[:, None]


def best_shift(
    level: np.ndarray,
    at: np.ndarray,
    mean: np.ndarray,
    reach: int,
    shifts: np.ndarray,
    stray: float,
    noise: float = 0.0,
) -> np.ndarray:
    """By which of `shifts` each of `at` must be moved for the level about it to lie nearest to `mean`, (k,). stray: how
    far breaks lie off at most, usually [bins]; 0: any shift is as good as any other. noise: of a bin; the best of many shifts
    fits better than that by chance."""
    parts = np.split(at, range(AT_ONCE, len(at), AT_ONCE))
    misfit = np.concatenate([_misfit(level, part, mean, reach, shifts) for part in parts], axis=1)
    if stray > 0:
        best = misfit.min(axis=0)
        scatter = max(
            float(np.median(best[np.isfinite(best)])) if np.isfinite(best).any() else 0.0, noise**2, 1e-12
        )
        misfit = 0.25 * len(mean) * misfit / scatter
        misfit = misfit + strays(misfit, shifts, stray)[:, None]
    return np.where(np.isfinite(misfit).any(axis=0), shifts[np.argmin(misfit, axis=0)], 0)


def _misfit(
    level: np.ndarray, at: np.ndarray, mean: np.ndarray, reach: int, shifts: np.ndarray
) -> np.ndarray:
    """Mean square by which the level about `at` (k,) misses `mean` at each of `shifts`, (s, k); inf where little of it is known."""
    # Every window is a part of one wide row: the sum of squares about its own mean and the shape, multiplied out.
    wide = centred(about(level, at + shifts[0], reach, reach + len(shifts) - 1))
    known = np.isfinite(wide)
    wide[~known] = 0.0
    count, total, square = (_sums(x, len(mean)) for x in (known, wide, wide**2))
    middle = total / np.maximum(count, 1)
    misfit = square - count * middle**2 - 2 * _products(wide, mean)
    if known.all():
        misfit += 2 * middle * mean.sum() + (mean**2).sum()
    else:
        seen = known.astype(np.float64)
        misfit += 2 * middle * _products(seen, mean) + _products(seen, mean**2)
    return np.where(count > 0.5 * len(mean), misfit / np.maximum(count, 1), np.inf).T


def strays(misfit: np.ndarray, shifts: np.ndarray, stray: float) -> np.ndarray:
    """What speaks against each of `shifts` by itself, (s,) [nats]: a Cauchy distribution as wide as makes all misfits (s, k)
    [nats] together the most likely, `stray` at most. A steady machine is not moved about by noise."""
    known = misfit[:, np.isfinite(misfit).all(axis=0)]
    priors = [np.log1p((shifts / (part * stray)) ** 2) for part in STEADY]
    priors = [p + np.log(np.exp(-p).sum()) for p in priors]
    return max(priors, key=lambda p: float(np.logaddexp.reduce(-known - p[:, None], axis=0).sum()))


def _sums(rows: np.ndarray, width: int) -> np.ndarray:
    """Sums over every `width` columns in a row, (k, n) in, (k, n − width + 1) out."""
    total = np.cumsum(np.column_stack([np.zeros(len(rows)), rows]), axis=1)
    return total[:, width:] - total[:, :-width]


def _products(rows: np.ndarray, shape: np.ndarray) -> np.ndarray:
    """Likewise, each column times its part of `shape`."""
    return np.einsum("ksw,w->ks", np.lib.stride_tricks.sliding_window_view(rows, len(shape), axis=1), shape)


def known_again(
    level: np.ndarray, at: np.ndarray, reach: int, stray: float, back: int, ahead: int, noise: float
) -> np.ndarray:
    """Where the break that lies near `at` (k,) is in every cycle."""
    for _ in range(LESSONS):
        part = mean_about(level, at, reach)
        moved = best_shift(level, at, part - part.mean(), reach, np.arange(-back, ahead + 1), stray, noise)
        # All of them together stay where the shape has the break.
        moved = moved - int(np.median(moved))
        at = np.clip(at + moved, 0, len(level) - 1)
        back = ahead = 2
        if not moved.any():
            break
    return at


def mean_about(level: np.ndarray, at: np.ndarray, reach: int) -> np.ndarray:
    """The usual course (2 × reach + 1,) of `level` (bins,) about the bins `at` (m,), by the median; 0 is its mean."""
    few = slice(None, None, max(1, len(at) // PUPILS))
    rows = centred(about(level, at[few], reach))
    rows[:, np.isnan(rows).all(axis=0)] = 0.0
    return np.nanmedian(rows, axis=0)
