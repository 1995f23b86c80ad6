"""How far the suction line (else the evaporator) swings to and fro within each freeze."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.findings.masks.columns import Columns

_FROM, _TO = 0.35, 0.95  # part of a freeze that is looked at: after the pull-down, before the end
_BINS = 96  # parts into which that is cut, fewer where a logger is slow
_LEAST = 16  # readings in it
_DEGREE = 3  # of the polynomial that follows the freeze's own course
_SMOOTH_S = 30.0  # over which the mean is taken, so that noise is no swing


@dataclass(frozen=True, kw_only=True)
class Swing:
    """One value a cycle, NaN where it was not seen."""

    role: str
    swing_k: np.ndarray  # (n,) from trough to crest [K]
    period_s: np.ndarray  # (n,) [s]


def swing(columns: Columns, steady: np.ndarray) -> Swing | None:
    """The swing of every freeze in `steady`, bool (n,); None where no line was logged fast enough to show one."""
    channel = columns.timeline.get("suction", "evaporator")
    if channel is None or not channel.interval_s <= columns.thresholds["hunting_slowest_s"]:
        return None
    found, period = np.full((2, columns.n), np.nan)
    time_ns, values = channel.readings()
    start, length = columns.start_ns, columns.harvest_ns - columns.start_ns
    first, stop = (
        np.searchsorted(time_ns, start + (part * length).astype(np.int64)) for part in (_FROM, _TO)
    )
    at = np.flatnonzero(steady & (stop - first >= _LEAST))
    if len(at) == 0:
        return Swing(role=channel.role, swing_k=found, period_s=period)
    bins = min(_BINS, int(np.min(stop[at] - first[at])))
    edges = first[at, None] + np.arange(bins + 1) * (stop - first)[at, None] // bins
    # Each freeze's last edge begins a part of its own, up to the next freeze, which is dropped.
    sums = np.add.reduceat(values[: edges[-1, -1]], edges.ravel()[:-1])
    means = np.append(sums, np.nan).reshape(edges.shape)[:, :-1] / np.diff(edges, axis=1)
    basis = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1, 1, bins), _DEGREE))[0]
    rest = means - (means @ basis) @ basis.T
    seconds = (_TO - _FROM) * length[at] / 1e9
    width = max(round(_SMOOTH_S * bins / float(np.median(seconds))), 1)
    smooth = np.lib.stride_tricks.sliding_window_view(rest, width, axis=1).mean(axis=-1)
    # Robust to a single hump: of a sine the 80 % quantile of |x| lies at 0.951 of its height.
    found[at] = 2 * np.quantile(np.abs(smooth), 0.8, axis=1) / 0.951
    crossings = np.count_nonzero(np.diff(np.signbit(smooth), axis=1), axis=1)
    period[at] = 2 * seconds * smooth.shape[1] / bins / np.maximum(crossings, 1)
    return Swing(role=channel.role, swing_k=found, period_s=period)
