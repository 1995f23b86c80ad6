"""How well a naming agrees with what every batch machine does."""

import numpy as np
import pytest

from pipeline.cycles.label.plausible import evenness
from pipeline.cycles.segment.segments import Segments
from pipeline.cycles.states import FREEZE, HARVEST


def _share(*parts):
    """Of a naming in (minutes, state) in turn, by a clamp alone."""
    minutes = np.array([m for m, _ in parts])
    stop = np.round(np.cumsum(minutes) * 6).astype(np.int64)
    segments = Segments(
        first=np.r_[0, stop[:-1]], stop=stop, opens_span=np.arange(len(parts)) == 0, minutes=minutes
    )
    return evenness(np.array([s for _, s in parts]), segments, lone=True)


WHOLE = [(60.0, FREEZE), (4.0, HARVEST)]
IN_TWO = [(60.0, FREEZE), (1.3, HARVEST), (0.7, FREEZE), (2.0, HARVEST)]
MISSED = [(124.0, FREEZE), (4.0, HARVEST)]


@pytest.mark.parametrize(
    ("parts", "least", "most"),
    [
        (WHOLE * 18, 0.99, 1.0),
        ((WHOLE * 2 + IN_TWO) * 6, 0.9, 1.0),
        ((WHOLE * 2 + MISSED) * 6, 0.66, 0.67),
        ([(60.0, FREEZE), (50.0, HARVEST)] * 6, 0.0, 0.0),
    ],
    ids=[
        "even cycles",
        "each third one harvested twice",
        "each fourth harvest missed",
        "no harvest is so long",
    ],
)
def test_what_lies_in_cycles_of_a_batch_machine_counts(parts, least, most):
    assert least <= _share(*parts) <= most
