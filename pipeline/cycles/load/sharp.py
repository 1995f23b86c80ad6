"""Sharp steps of a current: a fan, a pump or a valve that comes or goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Common practice, no source, both of them.
BESIDE_S = 5.0  # over which the level before a step and after it is taken
TWO = 0.15  # of a step, at least, is what each of two readings shows of it


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Sharp steps of a current, (n,) each."""

    at: np.ndarray  # int64: the last reading before it
    height: np.ndarray  # signed
    part: np.ndarray  # of the height that the next reading shows; the one after that shows the whole
    before: np.ndarray  # bool: the compressor runs before it …
    after: np.ndarray  # … and after it

    def some(self, which: np.ndarray | slice) -> Steps:
        """Those that `which` picks: bool (n,), positions (m,), or a slice."""
        return Steps(**{name: x[which] for name, x in vars(self).items()})


def readings_beside(interval_s: float) -> int:
    """Readings on either side of a step over which its level is taken."""
    return max(1, round(BESIDE_S / interval_s))


def steps_of(values: np.ndarray, limit: float, over: int, off_below: float) -> Steps:
    """Steps of `values` (readings,) of more than `limit`, in their unit, between the means of `over` readings before and after. A logger that writes means of its own
    shows a step in two parts."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    rise = np.zeros(len(values))
    rise[over - 1 : len(values) - over] = (
        total[2 * over :] - 2 * total[over:-over] + total[: -2 * over]
    ) / over
    part = np.ones(len(values)) if over == 1 else None
    if part is not None:
        one, two = rise[:-1], rise[1:]
        both = one + two
        split = (one * two > 0) & (np.minimum(np.abs(one), np.abs(two)) > TWO * np.abs(both))
        part[:-1][split] = one[split] / both[split]
        rise[:-1][split] = both[split]
    at = np.flatnonzero(np.abs(rise) > limit)
    at = at[(at >= over - 1) & (at < len(values) - over - 1)]
    # The greatest within `over` readings that goes the same way.
    height = rise[at]
    beside = np.sign(height)[:, None] * rise[at[:, None] + np.arange(-over, over + 1)]
    at = at[np.abs(height) >= beside.max(axis=1)]
    same = (np.diff(at) <= over) & (np.diff(np.sign(rise[at])) == 0)
    at = at[np.r_[True, ~same][: len(at)]]
    return Steps(
        at=at,
        height=rise[at],
        part=np.ones(len(at)) if part is None else part[at],
        before=(total[at + 1] - total[at + 1 - over]) / over > off_below,
        after=(total[at + 2 + over] - total[at + 2]) / over > off_below,
    )
