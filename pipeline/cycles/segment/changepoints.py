"""Change points of a signal: the exact penalised least-squares search of `ruptures`, kept linear in the length.

`ruptures.KernelCPD(kernel="linear")` finds the segmentation that minimises

    Σ over segments of Σ |x − mean|²  +  penalty × (number of change points)

(Killick, Fearnhead, Eckley 2012, J. Am. Stat. Assoc. 107, 1590). Its pruning works only while it finds changes, so
that a flat signal costs the square of its length. Here it runs in windows of bounded length that overlap, and a window
in which no split can pay is not searched at all.
"""

from __future__ import annotations

import numpy as np

WINDOW = 256  # samples searched at once
OVERLAP = 48  # samples that two windows share; a change is taken from the window in which it lies deeper


def change_points(
    signal: np.ndarray,
    *,
    penalty: float | None = None,
    min_size: int = 1,
    window: int = WINDOW,
    overlap: int = OVERLAP,
) -> np.ndarray:
    """First samples of every new segment, increasing; 0 and n are not among them. Shape (k,), int64.

    signal: shape (n,) or (n, d), finite.
    penalty: price of one change, in squared units of the signal; None: from the signal's own noise (`noise_penalty`).
    min_size: least number of samples of a segment.
    window, overlap: the search is exact within a window; a signal not longer than `window` is searched whole.
    Raises ValueError where the signal holds NaN or the windows do not overlap rightly.
    """
    signal = np.ascontiguousarray(signal, dtype=np.float64)
    if signal.ndim == 1:
        signal = signal[:, None]
    if not np.isfinite(signal).all():
        raise ValueError("a change-point search needs finite numbers: split the signal at its holes")
    if not 2 * min_size <= overlap < window:
        raise ValueError("windows must overlap by at least two segments and by less than their length")
    n = len(signal)
    if n < 2 * min_size:
        return np.empty(0, np.int64)
    if penalty is None:
        penalty = noise_penalty(signal)
    starts = np.arange(0, n - overlap, window - overlap) if n > window else np.zeros(1, np.int64)
    stops = np.minimum(starts + window, n)
    # No split can save more than the whole squared error about the mean.
    splits = _errors(signal, starts, stops) > penalty
    found = [np.empty(0, np.int64)]
    for start, stop in zip(starts[splits].tolist(), stops[splits].tolist(), strict=True):
        inner_start = start + overlap // 2 if start else 0
        inner_stop = stop - overlap // 2 if stop < n else n
        points = _search(signal[start:stop], penalty, min_size) + start
        found.append(points[(points >= inner_start) & (points < inner_stop)])
    points = np.concatenate(found)
    return points[np.diff(points, prepend=-min_size) >= min_size]


def noise_penalty(signal: np.ndarray, factor: float = 3.0) -> float:
    """Price of one change for a signal of shape (n, d): `factor` × Σ noise variance × log n.

    The noise is the median absolute first difference, which a change now and then leaves as it is. `factor` 2 is the
    Schwarz criterion (Schwarz 1978, Ann. Stat. 6, 461) for one mean and one position; 3 guards against correlated noise.
    """
    steps = np.abs(np.diff(signal, axis=0))
    sigma = np.median(steps, axis=0) / 0.6745 / np.sqrt(2)
    variance = float((sigma**2).sum())
    floor = 1e-12 + 1e-6 * float(signal.var(axis=0).sum())
    return factor * max(variance, floor) * float(np.log(max(len(signal), 2)))


def _errors(signal: np.ndarray, starts: np.ndarray, stops: np.ndarray) -> np.ndarray:
    """Squared error of every window about its mean, (windows,), from running sums; never too small by their rounding."""
    centred = signal - signal.mean(axis=0)
    sums = np.concatenate([np.zeros((1, signal.shape[1])), np.cumsum(centred, axis=0)])
    squares = np.concatenate([[0.0], np.cumsum((centred**2).sum(axis=1))])
    total = sums[stops] - sums[starts]
    error = squares[stops] - squares[starts] - (total**2).sum(axis=1) / (stops - starts)
    return error + 1e-12 * squares[-1]


def _search(signal: np.ndarray, penalty: float, min_size: int) -> np.ndarray:
    from ruptures import KernelCPD

    ends = KernelCPD(kernel="linear", min_size=min_size).fit(signal).predict(pen=penalty)
    return np.asarray(ends[:-1], dtype=np.int64)
