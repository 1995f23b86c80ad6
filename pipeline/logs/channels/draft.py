"""A channel before it is known how far it can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Draft:
    """`values` (n,) are in `unit`, a house unit."""

    key: int
    logger: int
    label: str
    role: str
    role_by: str
    role_confidence: float
    unit: str
    unit_read: str
    values: np.ndarray
    error: np.ndarray | None
    error_words: Mapping[str, int] = field(default_factory=dict)
