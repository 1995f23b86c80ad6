"""Reads a page's pack as the browser does, for tests: gzip in printable text, a JSON header, then the arrays."""

from __future__ import annotations

import gzip
import json
import re
import struct

import numpy as np


def from_printable(text: bytes) -> bytes:
    """The plain inverse of `printable`: the bits of every 13-bit number one after another, lowest first."""
    count, _, symbols = text.partition(b" ")
    digits = np.frombuffer(symbols, np.uint8).astype(int)
    digits = digits - 35 - (digits > ord("<"))
    bits = (digits[::2] * 91 + digits[1::2])[:, None] >> np.arange(13) & 1
    return np.packbits(bits.astype(np.uint8).ravel(), bitorder="little")[: int(count)].tobytes()


def unpack(packed: bytes) -> dict:
    """The header with every array in its place."""
    raw = gzip.decompress(from_printable(packed))
    (length,) = struct.unpack_from("<I", raw)
    header, base = json.loads(raw[4 : 4 + length]), 4 + length

    def read(ref):
        at, n = base + ref["at"], ref["n"]
        if ref["as"] != "q":
            return np.frombuffer(raw, "u1", n, at)
        planes = np.frombuffer(raw, "u1", ref["of"] * n, at).reshape(ref["of"], n).astype(np.int64)
        zigzag = sum(plane << 8 * k for k, plane in enumerate(planes))
        steps = np.cumsum(np.where(zigzag & 1, -(zigzag + 1) // 2, zigzag // 2))
        values = ref["base"] + steps * ref["step"]
        for begin, stop in zip(ref["empty"][::2], ref["empty"][1::2], strict=True):
            values[begin:stop] = np.nan
        return values

    def walk(value):
        if isinstance(value, list):
            return [walk(v) for v in value]
        if not isinstance(value, dict):
            return value
        return read(value) if "as" in value else {k: walk(v) for k, v in value.items()}

    return walk(header)


def pack_of(page: bytes) -> dict:
    """The pack of a whole page."""
    return unpack(re.search(rb'id="pack">([^<]*)<', page)[1])
