"""The numbers of a page in one small block: gzip as printable text, read by `unpack.js`.

Layout before compression: uint32 length of a JSON header (little-endian), the header, then the arrays. The header
says of each array where its bytes lie and how they were coded:

- "f4", "u1": float32, uint8 as they are
- "q": whole steps above a base, as differences (zigzag, so that small ones of both signs are small numbers), low bytes
  first and high bytes after them: noise then costs one byte and the rest next to none. `empty` lists the runs without
  a reading.
"""

from __future__ import annotations

import json
import struct
import zlib
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

    def floats(self, values: np.ndarray) -> dict[str, Any]:
        """Refer to `values` [float32] from the header."""
        return {"as": "f4", "n": len(values), "at": self._put(np.asarray(values, "<f4").tobytes())}

    def bytes(self, values: np.ndarray) -> dict[str, Any]:
        """Refer to `values` [uint8], flattened, from the header."""
        flat = np.asarray(values).ravel().astype(np.uint8)
        return {"as": "u1", "n": len(flat), "at": self._put(flat.tobytes())}

    def steps(self, values: np.ndarray, *, base: float, step: float) -> dict[str, Any]:
        """Refer to `values` as whole steps above `base`; NaN becomes an empty run. At most 65,535 steps."""
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

    def moments(self, seconds: np.ndarray) -> dict[str, Any]:
        """Refer to `seconds` [float64] since the log's begin: to the millisecond; in a log of months, or beside a gap of hours, to the finest step
        that `steps` holds."""
        seen = seconds[np.isfinite(seconds)]
        farthest = float(np.abs(seen).max(initial=0.0)) / 2e9
        widest = float(np.abs(np.diff(seen, prepend=0.0)).max(initial=0.0)) / 8e6
        return self.steps(seconds, base=0.0, step=max(1e-3, farthest, widest))

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
        header = json.dumps(self.header, separators=(",", ":"), allow_nan=False).encode("ascii")
        return _PRINTED * len(zlib.compress(b"".join([header, *self._parts]), 1))

    def packed(self) -> bytes:
        """The gzipped block as text that holds no mark-up: nothing in it can end a tag. Its JSON goes in as ASCII."""
        header = json.dumps(self.header, separators=(",", ":"), allow_nan=False).encode("ascii")
        header += b" " * (
            (4 - len(header)) % 8
        )  # with the length before it, the arrays start at a multiple of 8
        # A small block need not be squeezed hard: its page is far from what it may weigh.
        squeeze = zlib.compressobj(6 if self._at > HARD_FROM else 2, zlib.DEFLATED, 31)
        whole = [struct.pack("<I", len(header)), header, *self._parts]
        return printable(b"".join([*map(squeeze.compress, whole), squeeze.flush()]))


def weight(*arrays: np.ndarray, base: float, step: float) -> float:
    """What these values would add to a page, coded as `Pack.steps` does and packed by themselves [bytes]."""
    return _PRINTED * len(zlib.compress(b"".join(_planes(values, base, step) for values in arrays), 6))


HARD_FROM = 1_500_000  # bytes of arrays
_PRINTED = 16 / 13  # characters a byte: see printable.py


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
