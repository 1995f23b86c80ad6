"""A path in, the text of the logs in it out: unpacked, decoded to UTF-8, with plain line ends and no NUL bytes.

The text stays bytes: the cells of a log are ASCII nearly always, so that only the lines which hold something else need
decoding, and the week at 1 s is never copied for its degree signs.
"""

from __future__ import annotations

import io
import os
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.source.archives import DAMAGE, GZIP, gunzip, members_of, whole
from pipeline.logs.source.encodings import (
    HEAD,
    MARK,
    PIECE,
    decoded,
    from_eight_bits,
    wide_encoding,
)
from pipeline.logs.source.large_text import LARGE_BYTES, LargeText
from pipeline.logs.source.large_text import PIECE as LARGE_PIECE
from pipeline.logs.source.units import (
    PACKED_ENDINGS,
    WORKBOOK_ENDINGS,
    is_log_name,
    names_a_note,
    why_not_regular,
)
from pipeline.logs.source.workbook import sheets_of

_OLE = b"\xd0\xcf\x11\xe0"
WORKBOOK = "workbook"
"""`Content.packed` of a sheet."""
_NOT_TEXT = (
    (b"%PDF", "a PDF document"),
    (_OLE, "a spreadsheet workbook"),
    (b"SQLite format 3", "a database"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"PAR1", "a Parquet file"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
)
_WORKBOOK_PARTS = ("[Content_Types].xml", "content.xml", "Index/Document.iwa")


def _is_workbook(raw: bytes) -> bool:
    """Whether a zip file without a workbook's ending is one."""
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            return any(part in _WORKBOOK_PARTS for part in archive.namelist())
    except DAMAGE:
        return False


_EXPORT_AGAIN = "export the log from the logger's software as CSV and put that file here"


@dataclass(frozen=True, kw_only=True)
class Content:
    """The text of one log. `text` is valid UTF-8 with LF or CRLF line ends and no NUL byte."""

    name: str
    text: bytes | LargeText
    encoding: str
    quotes: bool  # a quotation mark stands in it
    packed: str = ""  # "gzip", "zip", "workbook" or ""
    notes: tuple[Text, ...] = field(default=())


def contents_of(path: Path) -> Iterator[Content | LogFileError]:
    """The logs in the file, one after the other; a member of an archive that can't be read comes as its error.

    Raises LogFileError where the file as a whole can't be read.
    """
    name = shown_name(path)
    if path.exists() and (why := why_not_regular(path)):
        found, _, remedy = why.partition("; ")
        raise LogFileError(found, file=name, remedy=remedy)
    try:
        raw = _opened(path, name)
    except OSError as error:
        raise LogFileError(
            f"the file cannot be opened ({error.strerror or error})",
            file=name,
            remedy="check that it may be read",
        ) from error
    if raw[:4] == _OLE or (
        raw[:2] == b"PK" and (path.suffix.lower() in WORKBOOK_ENDINGS or _is_workbook(raw))
    ):
        for sheet, text in sheets_of(raw, name):
            try:
                yield _text_of(text, f"{name}/{sheet}", packed=WORKBOOK)
            except LogFileError as error:
                yield error
    elif raw[:4] == b"PK\x03\x04" or raw[:4] == b"PK\x05\x06":
        yield from _members(raw, name)
    elif raw[:2] == GZIP:
        unpacked, strange = gunzip(raw, name)
        del raw
        content = _text_of(unpacked, name, packed="gzip", strange=strange)
        del unpacked  # what was read is let go before it is parsed
        yield content
    elif path.suffix.lower() in PACKED_ENDINGS | {".zip"} and raw:
        raise LogFileError("the file is not what its ending says", file=name, remedy="pack or copy it again")
    else:
        content = _text_of(raw, name)
        del raw
        yield content


def _opened(path: Path, name: str) -> bytes | LargeText:
    """The whole file, or where it is large and neither packed nor in 16 bits, a hold on it. Raises OSError."""
    with path.open("rb", buffering=0) as file:  # a buffer would copy the whole once more
        begin = file.read(4)
        if os.fstat(file.fileno()).st_size <= LARGE_BYTES or begin[:2] in (
            GZIP,
            b"PK",
            b"\xff\xfe",
            b"\xfe\xff",
        ):
            file.seek(0)
            return file.readall()
    return LargeText(path.open("rb"), name)


def shown_name(path: Path) -> str:
    """The file's name as text that can be written anywhere: a name that is not UTF-8 comes from another system."""
    return os.fsencode(path.name).decode("utf-8", "replace")


def _members(raw: bytes, name: str) -> Iterator[Content | LogFileError]:
    archive, members = members_of(io.BytesIO(raw), name)
    logs = [m for m in members if is_log_name(m.filename) and not m.filename.startswith("__")]
    logs = [m for m in logs if not names_a_note(m.filename)] or logs
    if not logs:
        raise LogFileError(
            "the zip file holds no log", file=name, remedy="put the logger's CSV files into it"
        )
    for member in logs:
        inner = f"{name}/{Path(member.filename).name}"
        try:
            text, strange = whole(archive, member, inner), 0
            if text[:2] == GZIP:
                text, strange = gunzip(text, inner)
            yield _text_of(text, inner, packed="zip", strange=strange)
        except LogFileError as error:
            yield error


def _text_of(raw: bytes | LargeText, name: str, *, packed: str = "", strange: int = 0) -> Content:
    """strange: how many bytes of something else followed the packed text."""
    if not raw[:256].strip(b"\0 \t\r\n") and not raw[:].strip(b"\0 \t\r\n"):
        what = "the file is empty" if not raw else "the file holds nothing but blanks"
        raise LogFileError(what, file=name, remedy="export the log again, and remove this file")
    for magic, kind in _NOT_TEXT:
        if raw.startswith(magic):
            raise LogFileError(f"this is {kind}, not text", file=name, remedy=_EXPORT_AGAIN)
    notes: list[Text] = []
    large = _large_as_it_stands(raw) if isinstance(raw, LargeText) else None
    if isinstance(raw, LargeText) and large is None:
        raw = raw[:]  # it must be mended as a whole
    if strange:
        raw = raw[: raw.rfind(b"\n") + 1] or raw  # the last line may be cut
        notes.append(
            Text(
                key="logs.note.gzip_tail",
                english="{count} bytes after the end of the gzip data are something else; they were left out",
                values={"count": strange},
            )
        )
    if large is not None:
        text, encoding, quote = large
        _refuse_binary(text[:HEAD], name)
        return Content(
            name=name, text=text, encoding=encoding, quotes=quote, packed=packed, notes=tuple(notes)
        )
    text, encoding, seen = decoded(raw, name)
    if seen.nul:
        text = _without_nuls(text, notes)
    if not text[:256].strip() and not text.strip():
        raise LogFileError("the file holds nothing but blanks", file=name, remedy="export the log again")
    if seen.cr:
        text = _plain_line_ends(text)
    _refuse_binary(text, name)
    return Content(
        name=name, text=text, encoding=encoding, quotes=seen.quote, packed=packed, notes=tuple(notes)
    )


def _large_as_it_stands(raw: LargeText) -> tuple[LargeText, str, bool] | None:
    """(the text, its encoding, whether it holds quotation marks), looked at a piece at a time; None where more than its first piece
    is not ASCII, or NUL bytes or lone CRs stand in it: then it must be taken as a whole."""
    begin = raw[:PIECE]
    begin = begin[: begin.rfind(b"\n") + 1] or begin
    if wide_encoding(begin) or 0 in begin:
        return None
    head, encoding, seen = from_eight_bits(begin.removeprefix(MARK))
    if seen.cr and begin.count(b"\r") != begin.count(b"\r\n"):
        return None
    quote = seen.quote
    for at in range(len(begin), len(raw), LARGE_PIECE):
        piece = raw[at : at + LARGE_PIECE]
        if not piece.isascii() or 0 in piece:
            return None
        if b"\r" in piece and piece.count(b"\r") != piece.count(b"\r\n") + piece.endswith(b"\r"):
            return None
        quote = quote or b'"' in piece
    if begin.startswith(MARK):
        encoding = "UTF-8 with BOM" if encoding in ("UTF-8", "ASCII") else encoding
    return LargeText(raw.file, raw.name, head=head, at=len(begin), size=len(raw)), encoding, quote


def _without_nuls(text: bytes, notes: list[Text]) -> bytes:
    """Cut the NUL bytes at the end; drop each line that has one within. Joining what is left and right of them would
    make one row out of two halves."""
    trimmed = text.rstrip(b"\0")
    if len(trimmed) < len(text):
        notes.append(
            Text(
                key="logs.note.nul_tail",
                english="the file ends in {count} NUL bytes, as a dying battery leaves them; they were left out",
                values={"count": len(text) - len(trimmed)},
            )
        )
        trimmed = (
            trimmed[: trimmed.rfind(b"\n") + 1] or trimmed
        )  # the line that was being written is cut short
    trimmed, lines = _without_lines_of_nul(trimmed)
    if lines:
        notes.append(
            Text(
                key="logs.note.nul_lines",
                english="{count} lines hold NUL bytes; these lines were left out",
                values={"count": lines},
            )
        )
    return trimmed


def _without_lines_of_nul(text: bytes) -> tuple[bytes, int]:
    """`text` without the lines that hold a NUL byte, and how many those were."""
    parts, at, lines = [], 0, 0
    while (nul := text.find(0, at)) >= 0:
        parts.append(text[at : max(at, text.rfind(b"\n", at, nul) + 1)])
        at = text.find(10, nul) + 1 or len(text)
        lines += 1
    return (b"".join((*parts, text[at:])), lines) if lines else (text, 0)


def _plain_line_ends(text: bytes) -> bytes:
    """CR alone ends a line too. CRLF stays: the parser takes it as it is."""
    head = text[:65536]
    if b"\n" not in head:
        return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if head.count(b"\r") == head.count(b"\r\n") + head.endswith(b"\r") and text.count(b"\r") == text.count(
        b"\r\n"
    ):
        return text
    return text.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _refuse_binary(text: bytes, name: str) -> None:
    sample = text[:4096]
    control = sum(sample.count(bytes([code])) for code in range(1, 32) if code not in (9, 10, 12, 13, 26, 27))
    if control > 0.02 * len(sample) + 2:
        raise LogFileError("this is not text", file=name, remedy=_EXPORT_AGAIN)
