"""JSON with a checksum over it, so that a torn or altered piece is told from a whole one."""

from __future__ import annotations

import json
import zlib
from typing import Any


class Damaged(Exception):
    """A piece of the store does not match its checksum, or isn't of the store's making."""


def seal(body: Any) -> bytes:
    """One line: the CRC-32 of the JSON (8 hex digits), a space, the JSON, a line end."""
    text = json.dumps(body, separators=(",", ":"), sort_keys=True).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def unseal(line: bytes) -> Any:
    """What was sealed. Raises Damaged."""
    checksum, _, text = line.rstrip(b"\n").partition(b" ")
    if not line.endswith(b"\n") or checksum != b"%08x" % zlib.crc32(text):
        raise Damaged("the checksum does not match")
    try:
        return json.loads(text)
    except ValueError as error:
        raise Damaged("it is not JSON") from error
