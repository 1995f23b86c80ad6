"""Loggers that write only what changed: between two readings they are silent, not absent.

Such a channel has readings at uneven times, each other than the one before, and now and then a sign of life. Until the
next reading it stood within the logger's dead band of the last one. It is filled up to even times, so that all that follows
(cells, slopes, the search for a turn) may take it for a plain one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.logs.clock.time_order import longest_silence
from pipeline.logs.limits import USUAL
from pipeline.logs.timeline import Channel

# Common practice, no source, all of them.
UNEVEN = 2.0  # times its quick step that the slow ones of such a logger take
CHANGED = 0.9  # share of the readings that differ from the one before; a plain logger at rest repeats itself
LEAST_READINGS = 50
STRAY = 2  # readings that may come sooner than the logger's next look
LEAST_STEP_S = 1.0  # finer filling tells nothing
JUMP = 1.6  # dead bands that a reading leapt: it had stood still, and then moved at once


def _uneven(time_ns: np.ndarray) -> bool:
    """A first look, at some of the readings."""
    if len(time_ns) < LEAST_READINGS:
        return False
    at = np.arange(0, len(time_ns) - 1, max(1, len(time_ns) // 5000))
    quick, slow = np.quantile(time_ns[at + 1] - time_ns[at], (0.05, 0.8))
    return bool(slow >= 0.75 * UNEVEN * quick)


def _scan_ns(apart: np.ndarray) -> int:
    """How often the logger looks [ns]: the time of which all silences (n,) are multiples, to the second; where there is none,
    its quickest readings, stray ones apart."""
    common_s = int(np.gcd.reduce(np.rint(apart * 1e-9).astype(np.int64)))
    quickest_s = np.partition(apart, STRAY)[STRAY] * 1e-9
    return int(max(common_s if common_s > LEAST_STEP_S else quickest_s, LEAST_STEP_S) * 1e9)


def filled(channel: Channel, silences: float = USUAL["gap_silences"]) -> Channel:
    """`channel` at even times where it writes changes only; else as it is. silences: times its usual longest silence that it
    may be silent without a gap."""
    if not _uneven(channel.time_ns):
        return channel
    known = np.isfinite(channel.values) & channel.trusted
    time_ns, values = channel.time_ns[known], channel.values[known]
    if len(values) < LEAST_READINGS:
        return channel
    apart = np.diff(time_ns)
    (quick, slow), longest = np.quantile(apart, (0.05, 0.8)), silences * longest_silence(apart)
    if slow < UNEVEN * quick or np.mean(np.diff(values) != 0) < CHANGED:
        return channel
    step_ns = _scan_ns(apart)
    band = float(np.quantile(np.abs(np.diff(values)), 0.1))  # slow courses change by no more than they must
    # Where the next reading is far off, the channel stood still until the step before it.
    late = (apart > 1.5 * step_ns) & (apart <= longest) & (np.abs(np.diff(values)) > JUMP * band)
    held_ns = time_ns[1:][late] - step_ns
    towards = values[:-1][late] + np.sign(np.diff(values)[late]) * 0.5 * band
    order = np.argsort(np.concatenate([time_ns, held_ns]), kind="stable")
    known_ns = np.concatenate([time_ns, held_ns])[order]
    known_values = np.concatenate([values, towards])[order]
    even_ns = np.arange(time_ns[0], time_ns[-1] + 1, step_ns)
    nearest = np.clip(np.searchsorted(time_ns, even_ns, side="right") - 1, 0, len(apart) - 1)
    even_ns = even_ns[apart[nearest] <= longest]
    return replace(
        channel,
        time_ns=even_ns,
        values=np.interp(even_ns, known_ns, known_values),
        trusted=np.ones(len(even_ns), dtype=bool),
        interval_s=step_ns * 1e-9,
        resolution=max(channel.resolution, band),
        masks={},
    )
