"""What the segmentation is measured against: a plain threshold method, and change-point searches as a newcomer to
`ruptures` would use them: signal standardised, parameters of the library's own examples, no domain knowledge.

Pelt with the "rbf" cost and Window are given at most `SHORT` samples: on whole logs they would not end in a sitting.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.second_machine import Reading, SecondLog

SHORT = 1500  # samples for the searches that grow towards the square
LONG = 20_000  # samples for the compiled search


@dataclass(frozen=True, kw_only=True)
class PlainPhase:
    """A phase found by a baseline."""

    kind: str
    start_ns: int
    end_ns: int


def _reading(log: SecondLog, *roles: str) -> Reading | None:
    return next((r for role in roles for r in log.readings if r.role == role), None)


def _filled(reading: Reading, at_ns: np.ndarray) -> np.ndarray:
    good = np.isfinite(reading.values)
    return np.interp(at_ns, reading.time_ns[good], reading.values[good])


def threshold_phases(log: SecondLog) -> list[PlainPhase]:
    """Idle where the current is under a quarter of its 95th percentile; harvest where the cold trace (else the
    current) is over the middle of its 5th and 95th percentiles; freeze elsewhere."""
    cold, current = _reading(log, "evaporator", "suction"), _reading(log, "current", "current_compressor")
    base = cold or current
    at = base.time_ns
    values = _filled(base, at)
    labels = np.full(len(at), "freeze", dtype=object)
    running = np.ones(len(at), bool)
    if current is not None:
        drawn = _filled(current, at)
        running = drawn >= 0.25 * np.percentile(drawn, 95)
        labels[~running] = "idle"
    low, high = np.percentile(values[running], [5, 95])
    labels[running & (values > 0.5 * (low + high))] = "harvest"
    edges = np.flatnonzero(labels[1:] != labels[:-1]) + 1
    starts = [int(at[0]), *(int(t) for t in at[edges])]
    ends = [*starts[1:], int(at[-1])]
    kinds = [labels[0], *labels[edges]]
    return [
        PlainPhase(kind=str(k), start_ns=a, end_ns=b) for k, a, b in zip(kinds, starts, ends, strict=True)
    ]


def signal_of(log: SecondLog) -> tuple[np.ndarray, np.ndarray]:
    """(times in ns, samples x channels) of the phase-showing channels on the first one's clock, each of unit variance."""
    used = [r for r in log.readings if r.role in ("evaporator", "suction", "current", "current_compressor")]
    at = used[0].time_ns
    signal = np.stack([_filled(r, at) for r in used], axis=1)
    return at, (signal - signal.mean(axis=0)) / (signal.std(axis=0) + 1e-9)


def ruptures_points(log: SecondLog) -> dict[str, tuple[np.ndarray, int]]:
    """Name -> (change points [ns], end of the part searched [ns])."""
    import ruptures as rpt

    at, signal = signal_of(log)
    short, long = signal[:SHORT], signal[:LONG]
    found = {
        "Pelt": (rpt.Pelt(model="rbf").fit(short).predict(pen=10), len(short)),
        "KernelCPD": (rpt.KernelCPD(kernel="linear", min_size=2).fit(long).predict(pen=10), len(long)),
        "Window": (
            rpt.Window(width=40, model="l2").fit(short).predict(pen=np.log(len(short)) * signal.shape[1]),
            len(short),
        ),
    }
    return {
        name: (at[np.array(points[:-1], dtype=int)], int(at[n - 1])) for name, (points, n) in found.items()
    }
