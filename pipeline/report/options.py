"""What a reader asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Units = Literal["si", "us"]


@dataclass(frozen=True, kw_only=True)
class ReportOptions:
    """How the pages are written. Machine files are always in house units.

    units: what the pages show first; a switch on each page shows the other.
    language: of all text for people, one of `languages.languages()`; codes and column names stay English.
    shared_library: the pages of units load one drawing library that lies beside the fleet page; else each carries its own.
    page_bytes: what one unit's page may weigh [bytes]; charts are thinned until it fits.
    """

    units: Units = "si"
    language: str = "en"
    page_bytes: int = 3_000_000
    shared_library: bool = False
