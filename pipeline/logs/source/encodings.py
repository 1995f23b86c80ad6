"""Bytes of a log in, UTF-8 out: which encoding they are in, decoded only where they hold more than ASCII."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from pipeline.errors import LogFileError
from pipeline.logs.vocabulary.quantities import names_a_quantity_or_time

MARK = b"\xef\xbb\xbf"
"""The byte-order mark of UTF-8."""
HEAD = 65536
"""So many bytes tell what a file is."""
PIECE = 1 << 18
"""Bytes looked at in one go: they stay in the processor's cache."""


def decoded(raw: bytes, name: str) -> tuple[bytes, str, BytesSeen]:
    """(UTF-8 without a byte-order mark, what it was, what stands in it)."""
    if raw.startswith(MARK):
        text, encoding, seen = from_eight_bits(_without_marks(raw))
        return text, "UTF-8 with BOM" if encoding in ("UTF-8", "ASCII") else encoding, seen
    wide = wide_encoding(raw)
    if not wide:
        return from_eight_bits(raw)
    if wide == "UTF-32":
        text = _from_wide(raw, "utf-32", name)
    else:
        text = _without_marks(_from_sixteen_bits(raw, little=wide.endswith("LE"), name=name))
    marked = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    return text, wide if wide == "UTF-32" else "UTF-16" if marked else "UTF-16 without BOM", _look(text)


def _without_marks(text: bytes) -> bytes:
    """Without the byte-order mark; files that were joined by hand bring theirs along."""
    text = text.removeprefix(MARK)
    return text.replace(b"\n" + MARK, b"\n") if text.find(b"\n" + MARK) >= 0 else text


def wide_encoding(raw: bytes) -> str:
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
    codes = np.frombuffer(raw, "<u2" if little else ">u2")[HEAD // 2 :]
    if len(codes) and codes.max() < 128:  # past the head it is ASCII, which needs no decoder
        return b"".join((_from_wide(raw[:HEAD], codec, name), codes.astype(np.uint8).data))
    return _from_wide(raw, codec, name)


@dataclass(frozen=True, kw_only=True)
class BytesSeen:
    """What stands in a text, looked up in one pass, a piece at a time."""

    high: tuple[int, ...]  # pieces of `PIECE` bytes that hold a byte past ASCII
    nul: bool
    cr: bool
    quote: bool


def _look(raw: bytes) -> BytesSeen:
    codes = np.frombuffer(raw, np.uint8)
    high, nul, cr, quote = [], False, False, False
    for at in range(0, len(raw), PIECE):
        if codes[at : at + PIECE].max() > 127:
            high.append(at)
        nul = nul or raw.find(0, at, at + PIECE) >= 0
        cr = cr or raw.find(13, at, at + PIECE) >= 0
        quote = quote or raw.find(34, at, at + PIECE) >= 0
    return BytesSeen(high=tuple(high), nul=nul, cr=cr, quote=quote)


def from_eight_bits(raw: bytes) -> tuple[bytes, str, BytesSeen]:
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
    if (once := _read_once(raw, seen)) is not None:
        return once, "UTF-8 written twice", _look(once)
    return raw, "UTF-8", seen


_TWICE = re.compile(rb"\xc3[\x82\x83](\xc2[\x80-\xbf]|\xe2|\xc5)")


def _read_once(raw: bytes, seen: BytesSeen) -> bytes | None:
    """UTF-8 of a text that was taken for cp1252 and written as UTF-8 again ("Â°C"); None where it was not, all along."""
    if not _TWICE.search(raw, seen.high[0], seen.high[0] + PIECE):
        return None
    try:
        once = raw.decode().encode("cp1252")
        once.decode()
    except UnicodeError:
        return None
    return once


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
    """The degree sign decides: 0xB0 in most code pages, 0xF8 in the old console ones, 0xA1 between a blank or bracket and its letter in Mac
    Roman. Else the one in which the most labels are words
    that loggers write; else, where most letters are not Latin, what charset-normalizer takes it for."""
    if re.search(rb"\xf8\s?[CFcf]\b", raw) and not re.search(rb"\xb0\s?[CFcf]\b", raw):
        return "cp850"
    if re.search(rb"[( \[]\xa1[CF](?![A-Za-z\x80-\xff])", raw) and b"\xb0" not in raw:
        return "mac_roman"
    lines = [line for line in raw[: 4 * HEAD].split(b"\n") if any(c > 127 for c in line)][:50]
    sample = b"\n".join(lines)[:HEAD]
    if not {c for c in sample if c > 127} <= _SIGNS or _SIGN_IN_WORD.search(
        sample.decode("cp1252", "replace")
    ):
        known = {page: _known_words(sample, page) for page in _CODE_PAGES}
        if best := max(known.values()):
            good = [page for page in _CODE_PAGES if known[page] == best]
            return min(good, key=lambda page: len(_SIGN_IN_WORD.findall(sample.decode(page, "replace"))))
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


_SIGN_IN_WORD = re.compile(r"(?<=[^\W\d_])[¡-¶¸-¿×÷](?=[^\W\d_])")
"""A sign between two letters ("t³oczenia"): a letter of another code page."""


def _known_words(sample: bytes, page: str) -> int:
    """How many cells of `sample` that are not ASCII name a quantity or a time, read by this code page."""
    try:
        text = sample.decode(page)
    except UnicodeDecodeError:
        return 0
    cells = {c.strip(' "\r') for c in re.split(r"[,;\t|\n]", text) if not c.isascii()}
    return sum(names_a_quantity_or_time(c) for c in cells)
