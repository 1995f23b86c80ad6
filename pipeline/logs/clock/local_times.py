"""Times as a clock on a wall shows them → UTC: by what the file or unit.toml says of its zone."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.clock import time_zones
from pipeline.logs.clock.date_order import Surroundings

OWN_CLOCK = "the logger's own clock"
"""The zone of times of which neither the file nor unit.toml says where they were logged."""


def zone_of(around: Surroundings) -> int | ZoneInfo:
    """The logger's zone: the header's or the head's offset, else the unit's own."""
    for text in (around.labels, around.head.facts.get("zone", "")):
        if not text:
            continue
        zone = time_zones.zone_said(text)
        if zone is not None:
            return zone
    return around.unit.tz


def local_to_utc(
    local: np.ndarray, around: Surroundings
) -> tuple[np.ndarray, tuple[Text, ...], dict[str, str]]:
    zone = zone_of(around)
    if isinstance(zone, int):
        return local - zone, (), {"zone": f"UTC{zone / 3600e9:+g} h, from the file"}
    utc, notes = time_zones.to_utc(local, zone)
    return utc, notes, {"zone": zone.key if "time_zone" in around.unit.model_fields_set else OWN_CLOCK}
