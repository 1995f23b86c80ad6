"""Stretches of one phase."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Runs:
    """Stretches of one phase. `opens_span`: no reading just before."""

    state: np.ndarray  # int64 (k,)
    first: np.ndarray  # int64 (k,): first cell
    stop: np.ndarray  # int64 (k,)
    margin: np.ndarray  # float (k,) [nats]
    opens_span: np.ndarray  # bool (k,)


def rejoined(runs: Runs) -> Runs:
    """`runs` with neighbours of one phase within a span made one."""
    head = np.flatnonzero(np.r_[True, runs.state[1:] != runs.state[:-1]] | runs.opens_span)
    return Runs(
        state=runs.state[head],
        first=runs.first[head],
        stop=runs.stop[np.append(head[1:], len(runs.state)) - 1],
        margin=np.maximum.reduceat(runs.margin, head),
        opens_span=runs.opens_span[head],
    )
