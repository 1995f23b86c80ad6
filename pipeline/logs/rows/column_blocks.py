"""A column of a file a block at a time, so that what is done to it stays in the processor's cache."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_STRETCH = 1 << 15


@dataclass(frozen=True, kw_only=True)
class CellBlock:
    """Some rows of a text column: cell i is data[starts[i]:ends[i]], uint8."""

    data: np.ndarray
    starts: np.ndarray
    ends: np.ndarray

    def at(self, row: int) -> bytes:
        """The bytes of the cell in `row`, counted from the block's first."""
        return self.data[self.starts[row] : self.ends[row]].tobytes()


def steps_between(time_ns: np.ndarray) -> tuple[int, int]:
    """(shortest, longest) step [ns] of `time_ns` (n,), a stretch at a time that stays in the processor's cache; (1, 1) where there is none."""
    if len(time_ns) < 2:
        return 1, 1
    shortest, longest = [], []
    spare = np.empty(_STRETCH, np.int64)
    for a in range(0, len(time_ns) - 1, _STRETCH):
        part = time_ns[a : a + _STRETCH + 1]
        step = np.subtract(part[1:], part[:-1], out=spare[: len(part) - 1])
        shortest.append(int(step.min()))
        longest.append(int(step.max()))
    return min(shortest), max(longest)
