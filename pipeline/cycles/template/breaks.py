"""Where a harvest begins and ends in a shape that all cycles have in common (`repeats`).

Over a freeze the current falls slowly. It departs from that when the hot gas comes, or when the fan and the pump stop for it;
then it climbs with the suction pressure, with rests while the ice melts loose. When the gas stops, the current falls, or
goes on climbing with the head pressure, but more slowly, and does not gain speed again.
"""

from __future__ import annotations

import numpy as np

# Common practice, no source, all of them; what is said of slopes is in parts of the mean slope of the climb.
SLOPE_S = 20.0  # over which the slope before and after a moment is taken …
GAINS_S, GAINS = 60.0, 0.3  # … and over which, or a third of a shorter climb, it gains so much speed again
LEVEL = 0.005  # of the climb: no more lies between bins that are as high
FALLS, LEAST_FALL = 0.3, 0.1  # after this, and after falling by this part of the climb, the gas has stopped
SOON_S, SHARP = 60.0, 0.2  # a top after which it falls by this part of the climb so soon is the end
AS_HIGH = 0.2  # of the step down after two bins: those that differ by less are about as high …
MOST_OF = 0.5  # … where that step is more than this part of all that it falls so soon
CALM, CALM_S = 6, 150.0  # bins of the freeze's end, at least
FAR = 0.015  # of the whole shape: the freeze's end goes on as straight as that, or as its scatter says …
AWAY = 0.15  # … and the harvest lies so far off
UNSURE = 8  # bins by which the beginning may lie before the sharpest break …
LATER = 2  # … or after it, but by no more than a third of the harvest


def of_shape(mean: np.ndarray, step_s: float, longest: int, *, current: bool) -> tuple[int, int]:
    """The bins of the shape in which the harvest begins and in which the freeze does.

    Three smooth pieces fit it well with the beginning between the first two (least squares, every pair tried). mean: (n,), at
    steps of `step_s`; longest: bins that a harvest may take; current: it shows when the gas stops. A line's harvest is taken to
    its warmest bin.
    """
    n = len(mean)
    cost = _misfits(mean, 2)[0][:, None] + _misfits(mean, 2) + _misfits(mean, 3)[:, n][None]
    first, stop = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    cost[(stop - first < 1) | (stop - first > longest) | (first < 4) | (stop > n - 4)] = np.inf
    begin = int(np.unravel_index(np.argmin(cost), cost.shape)[0])
    climb = mean[begin + 1 : begin + 1 + longest]
    end = _end_of_climb(climb, step_s, float(mean[begin])) if current else int(np.argmax(climb))
    return begin, begin + 1 + end


def departure(shape: np.ndarray, length: int, step_s: float, *, slow: bool = False) -> int:
    """The bin in which a `shape` (bins,) with the beginning of a harvest in its midst departs from the freeze before. length: bins of the
    harvest; slow: it climbs without steps."""
    middle = len(shape) // 2
    calm = np.arange(0, middle - max(2, min(length // 2, UNSURE)))
    if len(calm) < 4:
        return middle
    calm = calm[-max(CALM, round(CALM_S / step_s)) :]
    slope, level = np.polyfit(calm, shape[calm], 1)
    at = np.arange(len(shape))
    scatter = np.sqrt(((shape[calm] - slope * calm - level) ** 2).sum() / (len(calm) - 2))
    # How far off a reading may lie beyond those that the line was drawn through (prediction interval of a straight line).
    off = at - calm.mean()
    reach = np.sqrt(1 + 1 / len(calm) + off**2 / ((calm - calm.mean()) ** 2).sum())
    # A freeze flattens out: it goes on between that line and where the line ends.
    line, flat = slope * at + level, slope * calm[-1] + level
    beyond = shape - np.maximum(line, flat)
    if not slow:  # fan and pump stop
        beyond = np.maximum(beyond, np.minimum(line, flat) - shape)
    beyond = np.maximum(beyond, 0.0)
    usual, away = np.maximum(scatter * reach, FAR * np.ptp(shape)), AWAY * np.ptp(shape)
    says = 0.5 * (beyond / usual) ** 2 - 0.5 * (beyond / away) ** 2 - np.log(away / usual)
    last = min(middle + min(LATER, length // 3), len(shape) - 1)
    since = np.cumsum(says[last : calm[-1] : -1])
    return last - int(np.argmax(since))


def end_of(shape: np.ndarray, length: int, step_s: float, *, fans: bool = True) -> float:
    """The moment [bins] at which a harvest ends, by a `shape` (bins,) with its end in the midst: where the current loses most of its
    slope, with the jump into that bin or in the midst of it. length: bins of the harvest; fans: the current holds those of the
    fan and the pump, which jump."""
    before, after = _slopes(shape, max(1, round(SLOPE_S / step_s)))
    middle, reach = len(shape) // 2, min(2, length // 3)
    first = max(0, middle - reach)
    loss = np.nan_to_num(before - after, nan=-np.inf)[first : middle + reach + 1]
    at = first + int(np.argmax(loss))
    jumps = shape[at] - shape[at - 1] > 2 * abs(shape[at] - shape[min(at + 1, len(shape) - 1)])
    return at if fans and jumps else at + 0.5


def _end_of_climb(climb: np.ndarray, step_s: float, low: float) -> int:
    """The bin of a harvest's climb in which the gas stops. low: where it climbs from."""
    near = max(1, round(SLOPE_S / step_s))
    high = float(climb.max())
    if len(climb) < 2 * near + 1:
        return int(np.argmax(climb))
    before, after = _slopes(climb, near)
    mean_slope = (high - low) / (int(np.argmax(climb)) + 1)
    # The current falls only once the gas has stopped: what comes back later is a fan.
    within = max(1, round(SOON_S / step_s))
    lowest = np.array([climb[i : i + within + 1].min() for i in range(len(climb))])
    falling = (after < -FALLS * mean_slope) & (climb - lowest > LEAST_FALL * (high - low))
    falls = np.flatnonzero((climb > 0.5 * (low + high)) & falling)
    until_fall = climb[: int(falls[0]) + near + 1 if len(falls) else None]
    top = int(np.argmax(until_fall))
    level = climb[top] - LEVEL * (high - low)
    while top + 1 < len(until_fall) and climb[top + 1] >= level:
        top += 1  # the last of those that are as high
    soon = climb[top : top + within + 1]
    if soon[0] - soon.min() > SHARP * (high - low):
        # Of two bins about as high the later one is the end.
        drops = -np.diff(soon)
        return top + int(
            len(drops) > 1 and drops[0] < AS_HIGH * drops[1] and drops[1] > MOST_OF * drops.sum()
        )
    # It gains speed only while the gas is on.
    slow, fast = _slopes(climb, max(near, min(round(GAINS_S / step_s), top // 3)))
    gains = np.flatnonzero(fast[:top] - slow[:top] > GAINS * mean_slope)
    first = int(gains[-1]) + 1 if len(gains) else 0
    loss = (before - after)[first : top + 1]
    return first + int(np.nanargmax(loss)) if np.isfinite(loss).any() else top


def _slopes(values: np.ndarray, over: int) -> tuple[np.ndarray, np.ndarray]:
    """Slope (least squares) over the `over` steps before each bin and over those after it, (n,) each; NaN where there are
    not so many."""
    none = np.full(min(over, len(values)), np.nan)
    if len(values) <= over:
        return none, none
    k = np.arange(over + 1) - over / 2
    slope = np.convolve(values, k[::-1], mode="valid") / (k**2).sum()
    return np.r_[none, slope], np.r_[slope, none]


def _misfits(values: np.ndarray, degree: int) -> np.ndarray:
    """Squared misfit of the best polynomial over every stretch [a, b) of `values`, (n + 1, n + 1); inf where b ≤ a."""
    n = len(values)
    x = np.linspace(-1.0, 1.0, n)
    powers = np.array([x**k for k in range(2 * degree + 1)])
    sums = np.concatenate([np.zeros((2 * degree + 1, 1)), np.cumsum(powers, axis=1)], axis=1)
    with_y = np.concatenate(
        [np.zeros((degree + 1, 1)), np.cumsum(powers[: degree + 1] * values, axis=1)], axis=1
    )
    squares = np.r_[0.0, np.cumsum(values**2)]
    a, b = np.triu_indices(n + 1, 1)
    moment, right = sums[:, b] - sums[:, a], with_y[:, b] - with_y[:, a]
    matrix = moment[np.add.outer(np.arange(degree + 1), np.arange(degree + 1))].transpose(2, 0, 1)
    fit = np.linalg.solve(matrix + 1e-9 * np.eye(degree + 1), right.T[..., None])[..., 0]
    out = np.full((n + 1, n + 1), np.inf)
    out[a, b] = np.maximum(squares[b] - squares[a] - (fit * right.T).sum(axis=1), 0.0)
    return out
