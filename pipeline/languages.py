"""The languages that pages and messages can be written in: one file each, found by its being there.

Beside `text.py` and not in the report room, because the command line and `unit.toml` offer the choice long before a
page is made.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent / "report" / "text"


@cache
def languages() -> tuple[str, ...]:
    """The names of the files in FOLDER without their ending, English (what everything else falls back on) first."""
    return tuple(sorted((file.stem for file in FOLDER.glob("*.toml")), key=lambda name: (name != "en", name)))
