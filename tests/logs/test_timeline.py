"""What all rooms ask of a channel and of its times, by plain NumPy over the whole of them."""

import numpy as np
import pytest

from pipeline.cycles.signal import signals
from pipeline.logs import timeline


@pytest.mark.parametrize("n", [0, 1, 2, 9, 10, 11, 95])
def test_holes_and_passes_over_a_log_do_not_depend_on_how_much_is_worked_on_at_once(n, monkeypatch):
    rng = np.random.default_rng(n)
    time_ns = np.cumsum(rng.integers(1, 40, n))
    values = rng.normal(size=n)
    monkeypatch.setattr(timeline, "PIECE", 10)
    monkeypatch.setattr(signals, "PIECE", 10)
    np.testing.assert_array_equal(timeline.holes(time_ns, 20), np.flatnonzero(np.diff(time_ns) > 20))
    if n:
        inner = np.median([values[:-2], values[1:-1], values[2:]], axis=0) if n > 2 else values[1:-1]
        np.testing.assert_array_equal(
            signals.median_of_three(values), np.r_[values[:1], inner, values[1:][-1:]]
        )
