"""The numbers of a page in one small block: gzip as printable text, read by `unpack.js`.

Layout before compression: uint32 length of a JSON header (little-endian), the header, then the arrays. The header
says of each array where its bytes lie and how they were coded:

- "u1": uint8 as they are
- "q": whole steps above a base, as differences (zigzag, so that small ones of both signs are small numbers), low bytes
  first and high bytes after them: noise then costs one byte and the rest next to none. `empty` lists the runs without
  a reading.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pipeline.report.payload.printable import printable


@dataclass
class Pack:
    """Collects arrays and plain values; `packed` gives the block. The only object here that grows as it is used."""

    header: dict[str, Any] = field(default_factory=dict)
    _parts: list[bytes] = field(default_factory=list)
    _at: int = 0

    def bytes(self, values: np.ndarray) -> dict[str, Any]:
        """Refer to `values` (...,), stored as uint8 and flattened, from the header."""
        flat = np.asarray(values).ravel().astype(np.uint8)
        return {"as": "u1", "n": len(flat), "at": self._put(flat.tobytes())}

    def steps(self, values: np.ndarray, *, base: float, step: float) -> dict[str, Any]:
        """Refer to `values` (n,) as whole steps above `base`; NaN becomes an empty run. At most 65,535 steps."""
        planes = _planes(values, base, step)
        return {
            "as": "q",
            "n": len(values),
            "of": len(planes) // max(len(values), 1),
            "at": self._put(planes),
            "base": base,
            "step": step,
            "empty": _runs(~np.isfinite(values)),
        }

    def thousandths(self, values: np.ndarray) -> dict[str, Any]:
        """Refer to `values` (n,) to a thousandth: moments in seconds since the log's begin to the millisecond, measures as the table gives
        them; in a log of months, or beside a gap of hours, to the finest step that `steps` holds."""
        seen = values[np.isfinite(values)]
        farthest = float(np.abs(seen).max(initial=0.0)) / 2e9
        widest = float(np.abs(np.diff(seen, prepend=0.0)).max(initial=0.0)) / 8e6
        return self.steps(values, base=0.0, step=max(1e-3, farthest, widest))

    def _put(self, part: bytes) -> int:
        part += b"\0" * (-len(part) % 8)
        at, self._at = self._at, self._at + len(part)
        self._parts.append(part)
        return at

    def copy(self) -> Pack:
        """What is in it so far, to go on from more than once."""
        other = Pack()
        other.header, other._parts, other._at = dict(self.header), list(self._parts), self._at
        return other

    def at_most(self) -> float:
        """About what `packed` would weigh now, rather more [bytes]."""
        return _PRINTED * len(_squeezed([self._header(), *self._parts]))

    def packed(self) -> bytes:
        """The gzipped block as text that holds no mark-up: nothing in it can end a tag. Its JSON goes in as ASCII."""
        header = self._header()
        header += b" " * (
            (4 - len(header)) % 8
        )  # with the length before it, the arrays start at a multiple of 8
        return printable(_squeezed([struct.pack("<I", len(header)), header, *self._parts]))

    def _header(self) -> bytes:
        return json.dumps(self.header, separators=(",", ":"), allow_nan=False).encode("ascii")


def weight(*arrays: np.ndarray, base: float, step: float) -> float:
    """What these values would add to a page, coded as `Pack.steps` does and packed by themselves [bytes]."""
    return _PRINTED * len(_squeezed(_planes(values, base, step) for values in arrays))


def _squeezed(parts: Iterable[bytes]) -> bytes:
    """`parts` as one gzip member. Differences of noisy readings repeat as runs and hardly otherwise, so only runs are sought: on
    logs of a week at 10 s and a month at 1 s that takes a sixth of the time of zlib's level 6 for within 2 % of its bytes."""
    squeeze = zlib.compressobj(1, zlib.DEFLATED, 31, 9, zlib.Z_RLE)
    return b"".join([*map(squeeze.compress, parts), squeeze.flush()])


_PRINTED = 16 / 13  # characters a byte: see printable.py
MOST_BYTES = 3 * _PRINTED  # of a page, for one reading in three planes


def _planes(values: np.ndarray, base: float, step: float) -> bytes:
    whole = np.subtract(values, base, dtype=float)
    whole /= step
    np.rint(whole, out=whole)
    seen = np.isfinite(whole)
    if not seen.all():
        last = np.maximum.accumulate(np.where(seen, np.arange(len(values)), -1))
        whole = np.where(last >= 0, whole[np.maximum(last, 0)], 0)
    steps = np.zeros(len(whole) + 1, "<i4")
    steps[1:] = whole
    jumps = np.diff(steps)
    zigzag = (jumps << 1) ^ (jumps >> 31)
    most = int(zigzag.max(initial=0))
    return (
        zigzag.view(np.uint8).reshape(-1, 4).T[: 1 if most < 1 << 8 else 2 if most < 1 << 16 else 3].tobytes()
    )


def step_of(resolution: float, low: float, high: float, least: float) -> float:
    """A step for `Pack.steps`: half the channel's own resolution, no finer than `least`, the range in 65,000 steps."""
    return float(max(resolution / 2, least, (high - low) / 65_000))


def _runs(mask: np.ndarray) -> list[int]:
    """Starts and ends of the runs of True: [s0, e0, s1, e1, …]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [int(e) for e in edges]
