"""Bytes as printable text that may stand inside a page: 13 bits in two characters, a twelfth shorter than base64.

The 91 characters from "#" to "~" without "<": nothing in it can begin a tag or a comment. Before them stands how many
bytes there are, and a space. `unpack.js` reads it.
"""

from __future__ import annotations

import numpy as np

_CHARACTERS = np.array([c for c in range(ord("#"), ord("~") + 1) if c != ord("<")], np.uint8)
_VALUES = np.arange(1 << 13)
_PAIRS = (
    np.column_stack([_CHARACTERS[_VALUES // 91], _CHARACTERS[_VALUES % 91]]).view(np.uint16).ravel()
)  # 91² = 8,281 > 8,192


def printable(data: bytes) -> bytes:
    """`data` as ASCII text."""
    padded = np.frombuffer(data + b"\0" * (-len(data) % 13), np.uint8).reshape(-1, 13)
    byte = np.zeros((15, len(padded)), np.uint32)  # two of nothing behind the last one
    byte[:13] = padded.T
    values = np.empty((8, len(padded)), np.uint16)
    for k in range(8):
        at, shift = divmod(13 * k, 8)
        values[k] = (byte[at] | byte[at + 1] << 8 | byte[at + 2] << 16) >> shift & 8191
    return b"%d " % len(data) + _PAIRS[values.T].tobytes()
