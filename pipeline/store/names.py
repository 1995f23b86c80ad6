"""Names of folders and files: what every drive takes, what Windows does not, and what no unit may be called."""

from __future__ import annotations

import hashlib
import os
import re

from pipeline.language.text import printable

ON_WINDOWS = os.name == "nt"
FLEET_FILES = (
    "index.html",
    "fleet.csv",
    "plotting.js",
    "problems.csv",
    "ledger.jsonl",
    "clients.toml",
    "outbox",
)
"""What lies beside the units' folders among the reports."""

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


def why_refused(name: str) -> str:
    """Why no unit can be called `name`, with the remedy; "" where it can."""
    if printable(name) != name:
        return f"{name}: this name is not Unicode; rename the folder or files"
    if ON_WINDOWS and not fits_windows(name):
        return f"{name}: Windows takes no folder of this name; rename the unit's folder or files"
    if name.casefold() in FLEET_FILES:
        return f"{name}: a unit cannot have the name of a file of the fleet page; call its folder or files something else"
    return ""
