"""Which version of the program made something: a digest of the sources of the rooms it went through.

Taken from the code itself, so that nobody can forget to count up a number: any change of a room, be it one threshold,
makes what rests on it due again.
"""

from __future__ import annotations

import functools
import hashlib
from importlib import metadata
from importlib.resources import files

READ_BY = ("language/text.py", "unit.py", "unit_toml.py", "logs")
REPORTED_BY = ("language", "unit.py", "unit_toml.py", "logs", "cycles", "findings", "report")
_LIBRARIES = (
    "numpy",
    "scipy",
    "ruptures",
    "plotly",
    "tsdownsample",
    "CoolProp",
)  # what can change a figure or a page


@functools.cache
def reader_version() -> str:
    """Changes whenever the same file might be read differently."""
    return digest_of(READ_BY)


@functools.cache
def report_version() -> str:
    """Changes whenever the same readings might be judged or shown differently."""
    return digest_of(REPORTED_BY, ",".join(f"{name} {_installed(name)}" for name in _LIBRARIES))


def _installed(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:  # an optional one
        return "none"


def digest_of(parts: tuple[str, ...], also: str = "") -> str:
    """16 hex digits over the sources of `parts` (modules and rooms of this package, by their paths) and over `also`."""
    digest = hashlib.sha256(also.encode())
    for part in parts:
        for name, content in _sources(files("pipeline") / part, part):
            digest.update(f"{name}\0{len(content)}\0".encode())
            digest.update(content)
    return digest.hexdigest()[:16]


def _sources(node, name: str):
    if node.is_file():
        yield name, node.read_bytes()
        return
    for child in sorted(node.iterdir(), key=lambda entry: entry.name):
        if not child.name.startswith(("__pycache__", ".")):
            yield from _sources(child, f"{name}/{child.name}")
