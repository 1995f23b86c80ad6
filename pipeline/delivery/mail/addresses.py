"""What may stand in the head of a message: addresses and names that can't smuggle in anything else."""

from __future__ import annotations

import re
import unicodedata

from pipeline.errors import IceLogError, UnitConfigError

# The dot-atom form of RFC 5322 section 3.2.3 on both sides; quoted local parts are legal but nobody's address.
_ATOM = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LOCAL = re.compile(rf"{_ATOM}(\.{_ATOM})*")
_LABEL = re.compile(r"[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?")

LONGEST_LOCAL, LONGEST_DOMAIN = 64, 255  # octets: RFC 5321 section 4.5.3.1


def checked_address(text: str, *, file: str = "", error: type[IceLogError] = UnitConfigError) -> str:
    """`text` as an address that every server takes: a domain outside ASCII in its IDNA form, in lower case.

    file: where the address stands, for the message of `error`, which is raised for anything else.
    """
    local, at, domain = text.strip().rpartition("@")
    try:
        domain = domain.encode("idna").decode("ascii").lower()
    except UnicodeError:
        domain = ""
    labels = domain.split(".")
    good = (
        at
        and _LOCAL.fullmatch(local)
        and len(local) <= LONGEST_LOCAL
        and 0 < len(domain) <= LONGEST_DOMAIN
        and len(labels) > 1
        and all(_LABEL.fullmatch(label) for label in labels)
    )
    if not good:
        raise error(
            f"{text!r} is not an e-mail address", file=file, remedy="write it like name@company.example"
        )
    return f"{local}@{domain}"


def one_line(text: str, *, longest: int = 200) -> str:
    """`text` on one line, for a subject or a name: no control or direction marks, spaces run together."""
    shown = "".join(" " if c.isspace() else c for c in text if c.isspace() or not _is_hidden(c))
    shown = " ".join(shown.split()).replace(
        "=?", "= ?"
    )  # what looks like an encoded word (RFC 2047) would be decoded
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def file_name(text: str, ending: str) -> str:
    """`text` as the name of a file that every system can save."""
    safe = re.sub(r'[<>:"/\\|?*]', "-", one_line(text, longest=80)).strip(". ")
    return (safe or "report") + ending


def _is_hidden(char: str) -> bool:
    return unicodedata.category(char) in ("Cc", "Cf", "Cs", "Zl", "Zp")
