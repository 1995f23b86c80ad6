"""Reads a page's pack as the browser does, for tests: gzip in base64, a JSON header, then the arrays."""

from __future__ import annotations

import base64
import gzip
import json
import re
import struct

import numpy as np


def unpack(packed: bytes) -> dict:
    """The header with every array in its place."""
    raw = gzip.decompress(base64.b64decode(packed))
    (length,) = struct.unpack_from("<I", raw)
    header, base = json.loads(raw[4 : 4 + length]), 4 + length

    def read(ref):
        at, n = base + ref["at"], ref["n"]
        if ref["as"] != "q":
            kind = {"f4": "<f4", "f8": "<f8", "u1": "u1"}[ref["as"]]
            return np.frombuffer(raw, kind, n, at)
        planes = np.frombuffer(raw, "u1", 3 * n, at).reshape(3, n).astype(np.int64)
        zigzag = planes[0] | planes[1] << 8 | planes[2] << 16
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
