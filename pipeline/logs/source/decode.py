"""A path in, the text of the logs in it out: unpacked, decoded to UTF-8, with plain line ends and no NUL bytes.

The text stays bytes: the cells of a log are ASCII nearly always, so that only the lines which hold something else need
decoding, and the week at 1 s is never copied for its degree signs.
"""

from __future__ import annotations

import io
import os
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.source.archives import DAMAGE, GZIP, gunzip, members_of, whole
from pipeline.logs.source.large_text import LARGE_BYTES, LargeText
from pipeline.logs.source.units import (
    PACKED_ENDINGS,
    WORKBOOK_ENDINGS,
    is_log_name,
    names_a_note,
    why_not_regular,
)
from pipeline.logs.source.workbook import sheets_of
from pipeline.logs.vocabulary.quantities import names_a_quantity_or_time

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


_HEAD = 65536
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
    with path.open("rb") as file:
        begin = file.read(4)
        if os.fstat(file.fileno()).st_size <= LARGE_BYTES or begin[:2] in (
            GZIP,
            b"PK",
            b"\xff\xfe",
            b"\xfe\xff",
        ):
            file.seek(0)
            return file.read()
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
        _refuse_binary(text[:_HEAD], name)
        return Content(
            name=name, text=text, encoding=encoding, quotes=quote, packed=packed, notes=tuple(notes)
        )
    text, encoding, seen = _decoded(raw, name)
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
    if _wide_encoding(begin) or 0 in begin:
        return None
    head, encoding, seen = _from_eight_bits(begin.removeprefix(_MARK))
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
    if begin.startswith(_MARK):
        encoding = "UTF-8 with BOM" if encoding in ("UTF-8", "ASCII") else encoding
    return LargeText(raw.file, raw.name, head=head, at=len(begin), size=len(raw)), encoding, quote


def _decoded(raw: bytes, name: str) -> tuple[bytes, str, _Bytes]:
    """(UTF-8 without a byte-order mark, what it was, what stands in it)."""
    if raw.startswith(_MARK):
        text, encoding, seen = _from_eight_bits(_without_marks(raw))
        return text, "UTF-8 with BOM" if encoding in ("UTF-8", "ASCII") else encoding, seen
    wide = _wide_encoding(raw)
    if not wide:
        return _from_eight_bits(raw)
    if wide == "UTF-32":
        text = _from_wide(raw, "utf-32", name)
    else:
        text = _without_marks(_from_sixteen_bits(raw, little=wide.endswith("LE"), name=name))
    marked = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    return text, wide if wide == "UTF-32" else "UTF-16" if marked else "UTF-16 without BOM", _look(text)


_MARK = b"\xef\xbb\xbf"


def _without_marks(text: bytes) -> bytes:
    """Without the byte-order mark; files that were joined by hand bring theirs along."""
    text = text.removeprefix(_MARK)
    return text.replace(b"\n" + _MARK, b"\n") if text.find(b"\n" + _MARK) >= 0 else text


def _wide_encoding(raw: bytes) -> str:
    """ "UTF-32", "UTF-16LE", "UTF-16BE" or "" for eight bits."""
    if raw[:4] in (b"\xff\xfe\0\0", b"\0\0\xfe\xff"):
        return "UTF-32"
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "UTF-16LE" if raw[:1] == b"\xff" else "UTF-16BE"
    sample = np.frombuffer(raw[: 4096 - 4096 % 2], np.uint8)
    even, odd = sample[0::2], sample[1::2]
    if len(odd) > 3 and np.mean(odd == 0) > 0.7 and np.mean(even == 0) < 0.05:
        return "UTF-16LE"
    if len(odd) > 3 and np.mean(even[: len(odd)] == 0) > 0.7 and np.mean(odd == 0) < 0.05:
        return "UTF-16BE"
    return ""


def _from_wide(raw: bytes, codec: str, name: str) -> bytes:
    try:
        return raw.decode(codec).encode()
    except UnicodeDecodeError as error:
        raise LogFileError(
            f"the text is damaged at byte {error.start}", file=name, remedy="copy it again"
        ) from error


def _from_sixteen_bits(raw: bytes, *, little: bool, name: str) -> bytes:
    codec = "utf-16-le" if little else "utf-16-be"
    raw = raw[:-1] if len(raw) % 2 else raw
    codes = np.frombuffer(raw, "<u2" if little else ">u2")[_HEAD // 2 :]
    if len(codes) and codes.max() < 128:  # past the head it is ASCII, which needs no decoder
        return b"".join((_from_wide(raw[:_HEAD], codec, name), codes.astype(np.uint8).data))
    return _from_wide(raw, codec, name)


@dataclass(frozen=True, kw_only=True)
class _Bytes:
    """What stands in a text, looked up in one pass, a piece at a time that stays in the processor's cache."""

    high: tuple[int, ...]  # pieces of `PIECE` bytes that hold a byte past ASCII
    nul: bool
    cr: bool
    quote: bool


PIECE = 1 << 18
LARGE_PIECE = 1 << 22


def _look(raw: bytes) -> _Bytes:
    codes = np.frombuffer(raw, np.uint8)
    high, nul, cr, quote = [], False, False, False
    for at in range(0, len(raw), PIECE):
        if codes[at : at + PIECE].max() > 127:
            high.append(at)
        nul = nul or raw.find(0, at, at + PIECE) >= 0
        cr = cr or raw.find(13, at, at + PIECE) >= 0
        quote = quote or raw.find(34, at, at + PIECE) >= 0
    return _Bytes(high=tuple(high), nul=nul, cr=cr, quote=quote)


def _from_eight_bits(raw: bytes) -> tuple[bytes, str, _Bytes]:
    """(UTF-8, what it was, what stands in it). Only the pieces that hold more than ASCII are decoded."""
    seen = _look(raw)
    if not seen.high:
        return raw, "ASCII", seen
    view = memoryview(raw)
    try:
        for at in seen.high:
            start = _past_a_character(raw, at) if at - PIECE in seen.high else at
            str(view[start : _past_a_character(raw, at + PIECE)], "utf-8")
    except UnicodeDecodeError:
        encoding = _code_page(b"\n".join(view[at : at + PIECE] for at in seen.high))
        codec = encoding.lower().replace("-", "")
        if codec in _WIDE_PAGES:  # a piece may end in mid-character
            return raw.decode(codec, "replace").encode(), encoding, _look(raw)
        pieces = [view[at : at + PIECE] for at in range(0, len(raw), PIECE)]
        for at in seen.high:
            pieces[at // PIECE] = str(pieces[at // PIECE], codec, "replace").encode()
        return b"".join(pieces), encoding, seen
    return raw, "UTF-8", seen


def _past_a_character(raw: bytes, at: int) -> int:
    """`at`, or past the UTF-8 character that it would cut in two."""
    end = min(at + 3, len(raw))
    while at < end and raw[at] & 0xC0 == 0x80:
        at += 1
    return at


_CODE_PAGES = (
    *("cp1252", "cp1250", "cp1254", "cp1251", "cp1253", "cp1257", "koi8_r"),
    *("cp932", "gb18030", "big5", "cp949", "euc_jp"),
)
_OTHER_SCRIPTS = ("cp1251", "cp1253", "koi8_r", "cp932", "gb18030", "big5", "cp949", "euc_jp")
_WIDE_PAGES = frozenset(("cp932", "gb18030", "big5", "cp949", "euc_jp"))
_SIGNS = frozenset("°²³µ·–—’‘“”äöüÄÖÜßéè\u00a0".encode("cp1252"))
"""Bytes that decide nothing: signs, and letters that cp1252 is full of."""


def _code_page(raw: bytes) -> str:
    """The degree sign decides: 0xB0 in most code pages, 0xF8 in the old console ones. Else the one in which the most labels are words
    that loggers write; else, where most letters are not Latin, what charset-normalizer takes it for."""
    if re.search(rb"\xf8\s?[CFcf]\b", raw) and not re.search(rb"\xb0\s?[CFcf]\b", raw):
        return "cp850"
    lines = [line for line in raw[: 4 * _HEAD].split(b"\n") if any(c > 127 for c in line)][:50]
    sample = b"\n".join(lines)[:_HEAD]
    if not {c for c in sample if c > 127} <= _SIGNS:
        known = {page: _known_words(sample, page) for page in _CODE_PAGES}
        if best := max(known.values()):
            return next(page for page in _CODE_PAGES if known[page] == best)
        letters = sum(65 <= c <= 90 or 97 <= c <= 122 for c in sample)
        if sum(c > 127 for c in sample) > letters:
            from charset_normalizer import from_bytes

            found = from_bytes(sample, cp_isolation=list(_OTHER_SCRIPTS)).best()
            if found is not None:
                return found.encoding
    try:
        raw.decode("cp1252")
    except UnicodeDecodeError:
        return "Latin-1"
    return "cp1252"


def _known_words(sample: bytes, page: str) -> int:
    """How many cells of `sample` that are not ASCII name a quantity or a time, read by this code page."""
    try:
        text = sample.decode(page)
    except UnicodeDecodeError:
        return 0
    cells = {c.strip(' "\r') for c in re.split(r"[,;\t|\n]", text) if not c.isascii()}
    return sum(names_a_quantity_or_time(c) for c in cells)


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
