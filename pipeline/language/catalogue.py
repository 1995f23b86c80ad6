"""The languages that pages and messages can be written in, and all that is said in each: one file a language, found
by its being there.

Not in the report room, because the command line and `unit.toml` offer the choice long before a page is made.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent


@cache
def languages() -> tuple[str, ...]:
    """The names of the files in FOLDER without their ending, English (what everything else falls back on) first."""
    return tuple(sorted((file.stem for file in FOLDER.glob("*.toml")), key=lambda name: (name != "en", name)))


@cache
def catalogue(language: str, cooling: str = "air") -> Mapping[str, str]:
    """All text of a language: key -> pattern; English where it has none. Keys are dotted, those of `Text` as they are.

    cooling: of the condenser; what its own table (`[water-cooled]`) holds is said in place of the text of the same key.
    """
    own = f"{cooling}-cooled."
    instead = {key.removeprefix(own): text for key, text in own_text(language).items() if key.startswith(own)}
    return own_text("en") | own_text(language) | instead


@cache
def own_text(language: str) -> dict[str, str]:
    """What the file of a language itself holds."""
    table = tomllib.loads((FOLDER / f"{language}.toml").read_text(encoding="utf-8"))
    said = table.pop("said", {})
    return _flat(table) | _flat(said)


def _flat(table: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{prefix}{key}.")
        else:
            flat[prefix + key] = value
    return flat
