"""The rows between the head and the tail of a file, without the headers that files joined by hand repeat among them."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass

import pyarrow as pa

from pipeline.logs.layout.dialect import Dialect
from pipeline.logs.source.large_text import LargeText


@dataclass(frozen=True, kw_only=True)
class Body:
    """The rows as they lie in the text, without the lines between the spans. Never copied as a whole."""

    text: bytes | LargeText
    spans: tuple[tuple[int, int], ...]  # (first byte, past the last)

    @property
    def size(self) -> int:
        """Bytes of all spans."""
        return sum(b - a for a, b in self.spans)

    def source(self) -> bytes | io.RawIOBase:
        """What `stream` reads from."""
        return self.text if len(self.spans) == 1 and isinstance(self.text, bytes) else _Joined(self)

    def stream(self, source: bytes | io.RawIOBase) -> pa.NativeFile:
        """The rows one after the other, to be read once. source: of `source`."""
        if isinstance(source, bytes):
            ((a, b),) = self.spans
            return pa.BufferReader(pa.py_buffer(source)[a:b])
        return pa.PythonFile(source, mode="r")

    def lines(self) -> int:
        """Lines in all spans, blank ones and a last one without its end among them."""
        ends = sum(self.text.count(b"\n", a, b) for a, b in self.spans)
        last = self.spans[-1][1]
        return ends + (self.size > 0 and self.text[last - 1 : last] != b"\n")

    def pieces(self, size: int) -> Iterator[Body]:
        """The same rows in bodies of about `size` bytes, each ending with a line."""
        for a, b in self.spans:
            while a < b:
                end = b if b - a <= size else self.text.find(b"\n", a + size, b) + 1 or b
                yield Body(text=self.text[a:end], spans=((0, end - a),))
                a = end

    def blank_lines(self) -> int:
        """Those of `lines` that hold nothing but blanks."""
        raw = b"".join(self.text[a:b] for a, b in self.spans)
        return len(re.findall(rb"(?m)^[ \t\r]*$", raw)) - raw.endswith(b"\n")


class _Joined(io.RawIOBase):
    """The spans of a body one after the other, read a block at a time."""

    def __init__(self, body: Body) -> None:
        self.text = body.text
        self.left = list(reversed(body.spans))

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        pieces = []
        while self.left and size:
            a, b = self.left.pop()
            end = b if size < 0 else min(b, a + size)
            if end < b:
                self.left.append((end, b))
            pieces.append(self.text[a:end])
            size -= end - a if size > 0 else 0
        return b"".join(pieces)


def without_repeats(text: bytes, dialect: Dialect) -> Body | None:
    """The rows without the header (and the units row) again, as in files that were joined; None where it is not."""
    line, at, end = dialect.header_line, dialect.data_at, dialect.data_end
    found = text.find(b"\n" + line, at, end) if line else -1
    if found < 0:
        return None
    units = rb"(?:" + re.escape(dialect.units_line) + rb"\r?\n)?" if dialect.units_line else b""
    repeat = re.compile(re.escape(line) + rb"\r?\n" + units)
    spans = []
    while found >= 0:
        match = repeat.match(text, found + 1)
        if match:
            spans.append((at, found + 1))
            at = match.end()
        found = text.find(b"\n" + line, found + 1 if match is None else at - 1, end)
    return Body(text=text, spans=(*spans, (at, end)))
