"""What is known of a machine from outside its log: its earlier visits, and its sisters."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Known:
    """The usual lengths of one machine at its conditions: an earlier visit of this unit, or a sister machine."""

    name: str  # the unit, or the day of the visit
    freeze_min: float
    harvest_min: float = math.nan
    air_c: float = math.nan
    water_c: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Elsewhere:
    """What is known from outside this log."""

    earlier: tuple[Known, ...] = ()  # visits of this unit that were judged good
    sisters: tuple[Known, ...] = ()  # machines of the same model, as the user labels them
