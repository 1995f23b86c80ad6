"""The statistics that the rules rest on, over plain arrays. Nothing here knows what an ice machine is.

Each function names where its formula was published. Ranks, Theil–Sen, Kendall and Mann–Whitney are SciPy's; what stands here is what it
has not: a variance widened for values that lean on their neighbours (`inflate`), and intervals of one and of two samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from scipy.stats import kendalltau, mannwhitneyu, theilslopes

_NORMAL = NormalDist()
MAD_TO_SIGMA = (
    1.4826  # 1 / Φ⁻¹(3/4): the median absolute deviation of a normal sample, as a standard deviation
)
_MEAN_ABS_TO_SIGMA = 1.2533  # √(π/2): the mean absolute deviation of a normal sample, as a standard deviation
_D2 = 1.128  # mean moving range of two over sigma: NIST/SEMATECH e-Handbook 6.3.2.2
_MOST_SKEW = 2.2  # times the spread of both sides together; an exponential sample's long side has 2.1
_LEAST_SHARE = 1e-300  # beyond this little outside an interval, it holds all
_MOST_PAIRED = 400  # beyond this many points, pairwise statistics run on block medians


def phi(z: float) -> float:
    """The standard normal distribution function."""
    return _NORMAL.cdf(z)


def quantile(p: float) -> float:
    """The standard normal quantile of `p`, 0 < p < 1."""
    return _NORMAL.inv_cdf(p)


def median(values: np.ndarray) -> float:
    """The median of `values` (n,), n ≥ 1, in their unit; NaN where one of them is.

    What `numpy.median` gives, to the last bit, at a fifth of what it costs on some hundred values: a log asks for a thousand.
    """
    ordered, half = np.sort(values), len(values) // 2
    if math.isnan(ordered[-1]):  # sorted to the end
        return math.nan
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def middle(values: np.ndarray) -> float:
    """The median of what is known of `values` (n,), NaN where nothing is."""
    known = values[np.isfinite(values)]
    return median(known) if len(known) else math.nan


def rounded(value: float, digits: int = 2) -> float | None:
    """`value` for a table of evidence; None where it is not known."""
    return round(value, digits) if math.isfinite(value) else None


@dataclass(frozen=True, kw_only=True)
class ControlLimits:
    """Centre, spread and three-sigma limits of an individuals chart, in the unit of the data."""

    centre: float
    sigma: float
    lower: float
    upper: float


def individuals(x: np.ndarray) -> ControlLimits:
    """The individuals chart of `x` (n,), n ≥ 2, in its unit: mean ± 3 × mean moving range / 1.128.

    NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2.
    """
    sigma = float(np.abs(np.diff(x)).mean()) / _D2
    centre = float(x.mean())
    return ControlLimits(centre=centre, sigma=sigma, lower=centre - 3 * sigma, upper=centre + 3 * sigma)


def robust_individuals(x: np.ndarray, *, floor: float = 0.0) -> ControlLimits:
    """An individuals chart of `x` (n,) that outliers cannot move: median, and a spread for each side of it.

    The chart of a skewed sample is too narrow on its long side and too wide on the other, so each side has its own
    median absolute deviation (the "double MAD"), or more where its tail is long. `sigma` is the larger one. `floor` is
    the least spread that counts: what sampling alone makes.
    """
    centre = median(x)
    # Where a quarter of all values lie far off on one side, they are half of that side: its own median is theirs.
    most = _MOST_SKEW * spread(np.abs(x - centre), floor)
    below, above = (min(_side(d, floor), most) for d in (centre - x[x <= centre], x[x >= centre] - centre))
    return ControlLimits(
        centre=centre, sigma=max(below, above), lower=centre - 3 * below, upper=centre + 3 * above
    )


def _side(deviations: np.ndarray, floor: float) -> float:
    """Sigma of one side of a centre: by the median deviation; by its 80 % quantile where the tail is long, up to half as
    much again, so that outliers in number do not hide themselves."""
    sigma = spread(deviations, floor)
    tail = float(np.quantile(deviations, 0.8)) / _NORMAL.inv_cdf(0.9)
    return min(max(sigma, tail), 1.5 * sigma)


def spread(deviations: np.ndarray, floor: float = 0.0) -> float:
    """Sigma of absolute `deviations` (n,) from a centre, in their unit: their median × 1.4826, not under `floor`.

    Where more than half of them are zero (lengths quantised by the logger's interval), the median says nothing and
    the mean absolute deviation × 1.2533 stands in: Iglewicz & Hoaglin 1993 (from memory, to be confirmed).
    """
    if len(deviations) == 0:
        return floor
    sigma = MAD_TO_SIGMA * median(deviations)
    if sigma == 0.0:
        sigma = _MEAN_ABS_TO_SIGMA * float(np.mean(deviations))
    return max(sigma, floor)


def modified_z(x: np.ndarray, *, floor: float = 0.0) -> np.ndarray:
    """Modified z-scores (n,) of `x` (n,), 0.6745 (x − median) / MAD: NIST/SEMATECH e-Handbook 1.3.5.17.

    With MAD = 0, the mean absolute deviation stands in (see `spread`); where all values are equal, all scores are 0.
    """
    centre = median(x)
    sigma = spread(np.abs(x - centre), floor)
    return np.zeros(len(x)) if sigma == 0.0 else (x - centre) / sigma


def outlier_limit(n: int, least: float, error: float = 0.01) -> float:
    """The z beyond which one of `n` scores is out, such that a clean sample shows any at all with chance `error`.

    Bonferroni's bound, not under `least` (3.5: Iglewicz & Hoaglin's, NIST/SEMATECH e-Handbook 1.3.5.17).
    """
    return max(least, quantile(1 - error / (2 * max(n, 1))))


def run_rules(z: np.ndarray) -> dict[str, np.ndarray]:
    """The four Western Electric rules over scores `z` (n,): name -> bool (n,), True at every point of the run.

    One beyond 3; two of three beyond 2 on one side; four of five beyond 1 on one side; eight in a row on one side.
    Western Electric, Statistical Quality Control Handbook, 1956 (from memory, to be confirmed).
    """
    found = {"beyond-3": np.abs(z) > 3}
    for name, limit, needed, window in (
        ("2-of-3", 2.0, 2, 3),
        ("4-of-5", 1.0, 4, 5),
        ("8-in-a-row", 0.0, 8, 8),
    ):
        mask = np.zeros(len(z), bool)
        for side in (z > limit, z < -limit):
            mask |= _in_window(side, needed, window) & side
        found[name] = mask
    return found


def _in_window(hit: np.ndarray, needed: int, window: int) -> np.ndarray:
    """True at every point of every window of `window` points with at least `needed` hits."""
    if len(hit) < window:
        return np.zeros(len(hit), bool)
    full = np.convolve(hit, np.ones(window, int), "valid") >= needed
    return np.convolve(full, np.ones(window, int)) > 0


@dataclass(frozen=True, kw_only=True)
class Trend:
    """Theil–Sen slope with its interval, and the Mann–Kendall test. Slopes per unit of x."""

    slope: float
    low: float
    high: float
    z: float
    p: float


def trend(x: np.ndarray, y: np.ndarray, *, level: float = 0.95, inflate: float = 1.0) -> Trend:
    """Trend of y (n,) over x (n,), n ≥ 3, x not all equal.

    Slope: median of pairwise slopes, interval by Sen 1968 (J. Am. Stat. Assoc. 63). Test: Mann–Kendall with tie-corrected
    variance and continuity correction. `inflate` multiplies the variance: for points that lean on their neighbours
    (`autocorrelation_factor`). Beyond 400 points it runs on block medians.
    """
    if len(x) > _MOST_PAIRED:
        blocks = np.array_split(np.arange(len(x)), _MOST_PAIRED // 2)
        x, y = (np.array([np.median(v[b]) for b in blocks]) for v in (x, y))
    n, z_half = len(y), quantile(0.5 + level / 2) * math.sqrt(inflate)
    # SciPy takes a small level for the share outside: that of as many standard deviations more as the variance is widened by.
    sen = theilslopes(y, x, max(math.erfc(z_half / math.sqrt(2)), _LEAST_SHARE))
    ties = np.unique(y, return_counts=True)[1]
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18 * inflate
    s = _kendall_s(x, y)
    z = (s - np.sign(s)) / math.sqrt(variance) if variance > 0 else 0.0
    return Trend(
        slope=float(sen.slope),
        low=float(sen.low_slope),
        high=float(sen.high_slope),
        z=float(z),
        p=2 * (1 - phi(abs(z))),
    )


def _kendall_s(x: np.ndarray, y: np.ndarray) -> int:
    """How many more pairs of x (n,) and y (n,) go the same way than opposite ways: Kendall's tau-b times what it was divided by."""
    if len(np.unique(x)) < 2 or len(np.unique(y)) < 2:
        return 0
    pairs = len(x) * (len(x) - 1) / 2
    tied = [float((c * (c - 1) / 2).sum()) for c in (np.unique(v, return_counts=True)[1] for v in (x, y))]
    tau = kendalltau(x, y, method="asymptotic").statistic
    return round(tau * math.sqrt((pairs - tied[0]) * (pairs - tied[1])))


def lag_one(x: np.ndarray) -> float:
    """Correlation of a series `x` (n,) with itself one step later, 0 where it cannot be said."""
    d = x - x.mean()
    power = float(d @ d)
    return float(d[1:] @ d[:-1]) / power if len(x) > 2 and power > 0 else 0.0


def autocorrelation_factor(residuals: np.ndarray) -> float:
    """By how much neighbours among `residuals` (n,) that resemble each other widen a variance: (1 + r) / (1 − r), r the lag-one correlation.

    Bayley & Hammersley 1946's effective sample size for a first-order process (from memory, to be confirmed).
    """
    r = min(max(lag_one(residuals), 0.0), 0.95)
    return (1 + r) / (1 - r)


@dataclass(frozen=True, kw_only=True)
class Shift:
    """An estimate with its interval, in the unit of the data, and the two-sided p of "no shift"."""

    value: float
    low: float
    high: float
    p: float


def hodges_lehmann(x: np.ndarray, y: np.ndarray, *, level: float = 0.95, inflate: float = 1.0) -> Shift:
    """By how much `y` (m,) lies above `x` (n,), in their unit: median of all differences, with the rank-based (Mann–Whitney) interval.

    Hodges & Lehmann 1963; interval as in Hollander & Wolfe, Nonparametric Statistical Methods, section 4.3. Exact ranks for
    small samples without widening, else the normal approximation. `inflate` multiplies the variance (see
    `autocorrelation_factor`).
    """
    differences = np.sort(np.subtract.outer(y, x).ravel())
    n, m = len(x), len(y)
    if inflate == 1.0 and n + m <= 40 and len(np.unique(np.concatenate([x, y]))) == n + m:
        counts = _mann_whitney_counts(n, m)
        at_most = np.cumsum(counts) / counts.sum()
        k = int(np.searchsorted(at_most, (1 - level) / 2, side="left"))
        p = float(mannwhitneyu(y, x, method="exact").pvalue)
    else:
        half = math.sqrt(n * m * (n + m + 1) / 12 * inflate)
        k = max(1, math.floor(n * m / 2 - quantile(0.5 + level / 2) * half + 0.5))
        u = float(mannwhitneyu(y, x, method="asymptotic").statistic)
        p = 2 * (1 - phi(max(abs(u - n * m / 2) - 0.5, 0.0) / half))
    k = max(k, 1)
    return Shift(value=median(differences), low=float(differences[k - 1]), high=float(differences[-k]), p=p)


def _mann_whitney_counts(n: int, m: int) -> np.ndarray:
    """How many orders of n and m give each Mann–Whitney count 0…nm: Gaussian binomial coefficients."""
    counts = np.zeros(n * m + 1)
    counts[0] = 1.0
    for i in range(1, n + 1):  # multiply by (1 − q^(m+i)), divide by (1 − q^i)
        top = counts.copy()
        if m + i <= n * m:
            top[m + i :] -= counts[: -(m + i)]
        for k in range(i, n * m + 1):
            top[k] += top[k - i]
        counts = top
    return counts


def walsh_centre(x: np.ndarray, *, level: float = 0.95, inflate: float = 1.0) -> Shift:
    """Centre of one sample `x` (n,), in its unit: median of the Walsh averages, with the signed-rank interval (normal approximation).

    Hollander & Wolfe, Nonparametric Statistical Methods, sections 3.2 and 3.3. `p` is that of "the centre is 0".
    """
    n = len(x)
    i, j = np.triu_indices(n)
    averages = np.sort((x[i] + x[j]) / 2)
    half = math.sqrt(n * (n + 1) * (2 * n + 1) / 24 * inflate)
    count = len(averages)
    k = max(1, math.floor(count / 2 - quantile(0.5 + level / 2) * half + 0.5))
    v = float((averages > 0).sum())
    p = 2 * (1 - phi(max(abs(v - count / 2) - 0.5, 0.0) / half))
    return Shift(value=median(averages), low=float(averages[k - 1]), high=float(averages[-k]), p=p)


@dataclass(frozen=True, kw_only=True)
class LevelStep:
    """One change of level. `first` is the index of the first value of the new level."""

    first: int
    before: float  # median before
    after: float  # median after
    explained: float  # share of the squared deviation that the step takes away, 0…1
    k: float  # Pettitt's statistic
    p: float  # its approximate p


def single_step(y: np.ndarray, *, least: int = 3) -> LevelStep:
    """The one split of `y` (n,), n ≥ 2 × least, that leaves the least squares, at least `least` values on each side.

    With Pettitt's test, p ≈ 2 exp(−6 K² / (n³ + n²)): Pettitt 1979, Applied Statistics 28.
    """
    n = len(y)
    total = np.cumsum(y)
    k = np.arange(least, n - least + 1)
    left, right = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
    gain = k * (n - k) / n * (left - right) ** 2
    first = int(k[np.argmax(gain)])
    deviation = float(((y - y.mean()) ** 2).sum())
    order = np.argsort(y)
    ordered, twice_rank = y[order], np.empty(n, int)
    below, up_to = (np.searchsorted(ordered, ordered, side=side) for side in ("left", "right"))
    twice_rank[order] = below + up_to + 1  # ties share theirs
    u = np.cumsum(twice_rank) - np.arange(1, n + 1) * (n + 1)
    pettitt = float(np.abs(u).max())
    return LevelStep(
        first=first,
        before=median(y[:first]),
        after=median(y[first:]),
        explained=float(gain.max()) / deviation if deviation > 0 else 0.0,
        k=pettitt,
        p=min(1.0, 2 * math.exp(-6 * pettitt**2 / (n**3 + n**2))),
    )


def episodes(mask: np.ndarray, *, bridge: int = 0) -> list[tuple[int, int]]:
    """Runs of True in `mask` as (first, last) indices; runs with at most `bridge` False between them are one."""
    hits = np.flatnonzero(mask)
    if len(hits) == 0:
        return []
    cuts = np.flatnonzero(np.diff(hits) > bridge + 1)
    firsts = np.concatenate([[hits[0]], hits[cuts + 1]])
    lasts = np.concatenate([hits[cuts], [hits[-1]]])
    return [(int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)]
