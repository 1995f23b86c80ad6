"""How well a naming agrees with what every batch machine does."""

import numpy as np
import pytest

from pipeline.cycles.label.plausible import plausible
from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.states import FREEZE, HARVEST


def _share(*parts):
    """Of a naming in (minutes, state) in turn."""
    minutes = np.array([m for m, _ in parts])
    stop = np.round(np.cumsum(minutes) * 6).astype(np.int64)
    k = len(parts)
    segments = Segments(
        first=np.r_[0, stop[:-1]],
        stop=stop,
        opens_span=np.arange(k) == 0,
        minutes=minutes,
    )
    return plausible(np.array([s for _, s in parts]), segments, slice(0, k), lone=True)


WHOLE = [(60.0, FREEZE), (4.0, HARVEST)]
IN_TWO = [(60.0, FREEZE), (1.3, HARVEST), (0.7, FREEZE), (2.0, HARVEST)]


@pytest.mark.parametrize(
    ("parts", "least", "most"),
    [(WHOLE * 18, 0.99, 1.0), (IN_TWO * 18, 0.6, 0.75), ((WHOLE * 2 + IN_TWO) * 6, 0.95, 1.0)],
    ids=["even cycles", "each harvest in two", "each third one harvested twice"],
)
def test_many_short_cycles_that_no_machine_makes_count_though_they_are_short(parts, least, most):
    assert least <= _share(*parts) <= most
