"""What clips on pipes and clamps on leads read of what the machine does, and what their loggers store of that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

WET_LAG_S = 8.0  # a clip in water has at least this lag


@dataclass(frozen=True, kw_only=True)
class Clip:
    """A temperature probe on a pipe."""

    place: str  # "inlet", "outlet", "plate" or "suction"
    lag_s: float
    second_lag_s: float
    leak: float  # 0…1: how much of the room it reads
    wet_k: float  # latent heat of the water about it, as kelvin of the clip's own heat capacity; 0.0: dry
    level_k: float  # added to each reading


@njit(cache=True)
def follow(
    pipe: np.ndarray,
    room: np.ndarray,
    lag_s: np.ndarray,
    second_lag_s: np.ndarray,
    leak: np.ndarray,
    wet_k: np.ndarray,
    level_k: np.ndarray,
    off: np.ndarray,
) -> np.ndarray:
    """Readings [°C] a second (n,) of a clip on `pipe` [°C] (n,). All others: a column a minute; `off`: 1 where it hangs in the room.

    The clip's heat, in kelvin of its own capacity, fills one lag behind the pipe; from 0 to `wet_k` it thaws the water about it at 0 °C.
    """
    out = np.empty(len(pipe), np.float64)
    heat = max(pipe[0], 0.0) + wet_k[0] if pipe[0] > 0 else pipe[0] * 1.0
    inner = pipe[0] * 1.0
    for i in range(len(pipe)):
        k = min(i // 60, len(room) - 1)
        outside = room[k] if off[k] > 0.5 else pipe[i] + leak[k] * (room[k] - pipe[i])
        first = heat if heat < 0 else 0.0 if heat <= wet_k[k] else heat - wet_k[k]
        if lag_s[k] > 1.0 or wet_k[k] > 0:
            heat += (outside - first) / max(lag_s[k], WET_LAG_S if wet_k[k] > 0 else 1.0)
            first = heat if heat < 0 else 0.0 if heat <= wet_k[k] else heat - wet_k[k]
        else:
            heat = outside + (wet_k[k] if outside > 0 else 0.0)
            first = outside
        if second_lag_s[k] > 1.0:
            inner += (first - inner) / second_lag_s[k]
        else:
            inner = first
        out[i] = inner + level_k[k]
    return out


def stored(
    signal: np.ndarray,
    *,
    interval_s: float,
    phase_s: float,
    noise: float,
    resolution: float,
    mean: bool,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """(times [s], readings) of a logger that looks at `signal`, a value a second, each `interval_s`.

    noise: standard deviation, in the signal's unit. mean: it stores the mean of the seconds since its last reading.
    """
    at = np.arange(phase_s, len(signal) - 1, interval_s)
    if mean and interval_s >= 2:
        sums = np.concatenate([[0.0], np.cumsum(signal, dtype=np.float64)])
        end = np.floor(at).astype(int) + 1
        begin = np.maximum(end - int(interval_s), 0)
        seen = (sums[end] - sums[begin]) / (end - begin)
        noise /= np.sqrt(interval_s)
    else:
        seen = np.interp(at, np.arange(len(signal)), signal) if phase_s % 1 else signal[at.astype(int)]
    seen = seen + rng.normal(0, noise, len(at))
    return at, np.round(np.round(seen / resolution) * resolution, 6)
