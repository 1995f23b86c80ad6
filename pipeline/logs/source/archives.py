"""What is in a zip or gzip file, whatever state it is in: damage is an error of one part, never a traceback."""

from __future__ import annotations

import io
import lzma
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from pipeline.errors import LogFileError
from pipeline.logs.source.large_text import LARGE_BYTES, LargeText

MOST_BYTES = 2 * 1024**3
"""A log that unpacks to more than this is refused: common practice, no source (a year at 1 s is under 1.5 GB)."""

DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    OSError,
    NotImplementedError,  # a way of packing that this system lacks
    RuntimeError,
    ValueError,
    OverflowError,
    LookupError,
)
"""What reading a damaged archive may raise. OSError: the bzip2 module says so; catch it where only the archive is read."""

GZIP = b"\x1f\x8b"

_PIECE = 1 << 20
_PACKED_PIECE = 1 << 14


def members_of(archive: IO[bytes] | Path, name: str) -> tuple[zipfile.ZipFile, list[zipfile.ZipInfo]]:
    """The open archive and its files, folders left out. Raises LogFileError where it is no whole zip file."""
    try:
        opened = zipfile.ZipFile(archive)
        return opened, [m for m in opened.infolist() if m.filename and not m.is_dir()]
    except DAMAGE as error:
        raise LogFileError("the zip file is damaged or cut off", file=name, remedy="copy it again") from error


def pieces_of(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> Iterator[bytes]:
    """The content of one member, checked against its checksum at the end. Raises LogFileError."""
    if member.flag_bits & 0x1:
        raise LogFileError("the zip file has a password", file=name, remedy="pack it again without one")
    try:
        if not _listed_as_headed(archive, member):
            raise zipfile.BadZipFile("the list of parts says otherwise than the part")
        with archive.open(member) as stream:
            while piece := stream.read(_PIECE):
                yield piece
    except DAMAGE as error:
        raise LogFileError(
            "this part of the zip file is damaged", file=name, remedy="pack it again"
        ) from error


_LOCAL_HEAD = struct.Struct("<4s2xHH4xLLL4x")
"""Signature, flags, way of packing, checksum, packed and unpacked bytes of a part's own head: APPNOTE 6.3.10 section 4.3.7 (from memory)."""


def _listed_as_headed(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> bool:
    """Whether the head before a part says of it what the list at the archive's end does, as far as it says anything: damage of the list
    alone can make an empty part of it, whose checksum is right."""
    archive.fp.seek(member.header_offset)
    mark, flags, how, *numbers = _LOCAL_HEAD.unpack(archive.fp.read(_LOCAL_HEAD.size))
    listed = (member.CRC, member.compress_size, member.file_size)
    said = (
        [] if flags & 0x8 else [(n, of) for n, of in zip(numbers, listed, strict=True) if 0 < n < 2**32 - 1]
    )
    return mark == b"PK\3\4" and how == member.compress_type and all(n == of for n, of in said)


def whole(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> bytes:
    """The content of one member. Raises LogFileError."""
    text = io.BytesIO()
    for piece in pieces_of(archive, member, name):
        text.write(piece)
        if text.tell() > MOST_BYTES:
            raise too_large(name)
    return text.getvalue()


def gunzip(raw: bytes, name: str) -> tuple[bytes | LargeText, int]:
    """The text, and how many bytes of something else follow it (left out). Raises LogFileError. A large one is kept in a temporary file.

    Gzip members may follow each other, and each carries its own checksum (RFC 1952 section 2.2).
    """
    text = tempfile.SpooledTemporaryFile(max_size=LARGE_BYTES)  # noqa: SIM115 - closed when nobody reads it any more
    left = memoryview(raw)
    while left[:2] == GZIP:
        unpacker = zlib.decompressobj(wbits=31)
        while not unpacker.eof:
            piece = left[:_PACKED_PIECE]
            try:
                text.write(unpacker.decompress(piece))
            except zlib.error as error:
                raise _damaged_gzip(name) from error
            if not piece:
                raise _damaged_gzip(name)
            if text.tell() > MOST_BYTES:
                raise too_large(name)
            left = left[len(piece) - len(unpacker.unused_data) :]
    strange = len(bytes(left).strip(b"\0"))
    if (size := text.tell()) > LARGE_BYTES:
        text.flush()
        return LargeText(text, name, size=size), strange
    text.seek(0)
    return text.read(), strange


def _damaged_gzip(name: str) -> LogFileError:
    return LogFileError("the gzip file is damaged or cut off", file=name, remedy="copy it again")


def too_large(name: str) -> LogFileError:
    """The error of a log that unpacks to more than `MOST_BYTES`."""
    return LogFileError("the file unpacks to more than 2 GB", file=name, remedy="split the log")
