"""The English of a sentence, next to the rule that says it, and known to the catalogue of all sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pipeline.language.text import Text

_CATALOGUE: dict[str, str] = {}


@dataclass(frozen=True, kw_only=True)
class Phrase:
    """A sentence waiting for its numbers: call it with the values, named with their units."""

    key: str
    english: str

    def __call__(self, **values: Any) -> Text:
        return Text(key=self.key, english=self.english, values=values)


def phrase(key: str, english: str) -> Phrase:
    """A `Phrase`, entered under `key` so that translations can be checked for completeness.

    Raises ValueError where two different sentences claim one key.
    """
    if _CATALOGUE.setdefault(key, english) != english:
        raise ValueError(f"two sentences share the key {key!r}")
    return Phrase(key=key, english=english)


def entered() -> dict[str, str]:
    """Every sentence entered so far: key -> English. Those of modules that are loaded, that is."""
    return dict(_CATALOGUE)
