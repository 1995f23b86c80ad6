"""Names of folders and files: what every drive takes, and what Windows does not."""

from __future__ import annotations

import hashlib
import re

_LONGEST = 40
_DEVICES = re.compile(r"(?i)(con|prn|aux|nul|conin\$|conout\$|com[1-9¹²³]|lpt[1-9¹²³])\s*(\..*)?")
_FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f]')


def short_name(name: str) -> str:
    """A name that any drive takes, short, and different for any other `name`."""
    digest = hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:16]
    legible = re.sub(r"[^A-Za-z0-9_-]+", "-", name)[:_LONGEST].strip("-")
    return f"{legible}-{digest}" if legible else digest


def fits_windows(name: str) -> bool:
    """Whether Windows takes `name` for a file or folder as it is ("Naming Files, Paths, and Namespaces" of its documentation,
    from memory, to be confirmed): no sign that it forbids, no name of a device, no dot or space at the end."""
    return not (_FORBIDDEN.search(name) or _DEVICES.fullmatch(name) or name.endswith((".", " ")) or not name)
