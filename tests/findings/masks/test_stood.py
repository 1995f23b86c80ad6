"""Stops that only a line shows: it stands at the melting point of ice, or is warmer than freezes are and then falls at once."""

import numpy as np
import pytest

from tests.findings.made_up import BEGIN_NS, MIN_NS, channel, codes, judged, made_up

USUAL, HARVEST = 20.0, 2.0


def log(long_min: float, inside, *, clamp=False):
    """Forty freezes of twenty minutes, one of `long_min`, whose line is `inside(minutes)`; the others fall from 6 to -12 °C."""
    lengths = np.full(40, USUAL)
    lengths[20] = long_min
    lines = []
    for k, length in enumerate(lengths):
        t = np.arange(0, length, 1 / 6)
        usual = -12 + 18 * np.exp(-t / 4)
        lines += [inside(t) if k == 20 else usual, np.linspace(-12, 8, round(HARVEST * 6))]
    values = np.concatenate(lines)
    end_ns = BEGIN_NS + round(float(lengths.sum() + 40 * HARVEST) * MIN_NS)
    channels = [channel("evaporator", BEGIN_NS, end_ns, values=values)]
    roles = ("evaporator", "current") if clamp else ("evaporator",)
    return made_up(lengths, HARVEST, channels=channels, roles=roles, freeze_end_c=-12.0, harvest_peak_c=8.0)


def melting(t):
    """Ten minutes of freeze, half an hour at the melting point, the rest of the freeze."""
    freeze = lambda u: -12 + 18 * np.exp(-u / 4)  # noqa: E731
    return np.where(t < 10, freeze(t), np.where(t < 40, 1.5, freeze(np.maximum(t - 30, 0))))


def warm(t):
    """A stop from the freeze's start on, the line drifting to the room, then a whole freeze."""
    return np.where(t < 60, 8 + t / 20, -12 + 23 * np.exp(-np.maximum(t - 60, 0) / 2))


def slow(t):
    """A freeze that takes thrice as long: it falls all the while."""
    return -12 + 18 * np.exp(-t / 12)


@pytest.mark.parametrize(
    ("minutes", "inside", "told"),
    [
        pytest.param(50.0, melting, False, id="ice melts on the plate"),
        pytest.param(80.0, warm, False, id="the line drifts to the room"),
        pytest.param(60.0, slow, True, id="a slow freeze"),
    ],
)
def test_a_stop_seen_by_the_line_alone_is_no_long_freeze(minutes, inside, told):
    assert ("freeze-long" in codes(judged(log(minutes, inside)))) is told


def test_where_a_clamp_shows_current_through_it_the_freeze_was_long():
    assert "freeze-long" in codes(judged(log(50.0, melting, clamp=True)))
