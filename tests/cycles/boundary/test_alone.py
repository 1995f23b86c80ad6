"""Which two moments make a harvest by a clamp alone: on courses whose acts are known by construction."""

import numpy as np
import pytest

from pipeline.cycles.boundary.alone import harvests_by_clamp, likeliest_pair
from pipeline.cycles.signal.signals import trace_of
from pipeline.cycles.template.onsets import Onset
from tests.cycles.plain_machine import START_NS, channel

FREEZE_S, HARVEST_S = 1200.0, 160.0


def test_a_climb_after_the_end_is_not_taken_for_the_harvest():
    # Named were the last 40 s, in which the current climbs after gas was shut; it had dropped when gas came.
    starts = [Onset(at=-110.0, steep=0.02), Onset(at=0.0, steep=0.06)]
    ends = [Onset(at=-150.0, steep=0.02), Onset(at=-40.0, steep=0.06)]
    assert likeliest_pair(starts, ends, 40.0, 600.0)[:2].tolist() == [-110.0, -40.0]


def test_a_blip_within_a_harvest_is_not_its_end():
    starts = [Onset(at=0.0, steep=0.1)]
    ends = [Onset(at=-200.0, steep=0.1), Onset(at=-120.0, steep=0.02), Onset(at=0.0, steep=0.1)]
    assert likeliest_pair(starts, ends, 200.0, 600.0)[:2].tolist() == [0.0, 0.0]


def test_of_two_moments_alike_the_one_that_the_weights_know_is_taken():
    ends = [Onset(at=0.0, steep=0.1)]
    for known in (-20.0, 0.0):
        starts = [Onset(at=a, steep=0.1, nats=0.0 if a == known else -6.0) for a in (-20.0, 0.0)]
        assert likeliest_pair(starts, ends, 150.0, 600.0)[:2].tolist() == [known, 0.0]


def test_no_harvest_is_longer_than_it_may_be():
    assert likeliest_pair([Onset(at=0.0, steep=1.0)], [Onset(at=0.0, steep=1.0)], 700.0, 600.0) is None


def logged(change, interval_s, count=30):
    """A compressor's current: falling through each freeze, `change` more in a harvest, whose true starts and ends [s] come with it."""
    t = np.arange(0.0, count * (FREEZE_S + HARVEST_S), interval_s)
    since = t % (FREEZE_S + HARVEST_S)
    values = 6.0 - 0.0006 * np.minimum(since, FREEZE_S)
    gas = np.clip((since - FREEZE_S) / 12.0, 0.0, 1.0)
    values = values + change * gas + np.random.default_rng(5).normal(0.0, 0.01, len(t))
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    starts = FREEZE_S + (FREEZE_S + HARVEST_S) * np.arange(1, count - 1)
    return trace_of(channel("current_compressor", times, values, interval_s)), starts


@pytest.mark.parametrize("change", [1.0, -0.8])
@pytest.mark.parametrize("interval_s", [1.0, 10.0, 30.0])
def test_harvests_named_late_are_put_where_the_current_moves(change, interval_s):
    """The freeze falls by 0.72 A: at 0.8 A up the end would be a step of 0.08 A."""
    trace, starts = logged(change, interval_s)
    named = np.random.default_rng(6).normal(60.0, 8.0, (2, len(starts)))
    ns = lambda s: START_NS + np.round(s * 1e9).astype(np.int64)  # noqa: E731
    begin, end, apart_s = harvests_by_clamp(
        trace, ns(starts + named[0]), ns(starts + HARVEST_S + 15.0 + 0.1 * named[1]), FREEZE_S
    )
    tolerance_s = max(12.0, 1.5 * interval_s)
    assert np.abs((begin - ns(starts)) * 1e-9).max() < tolerance_s
    assert np.abs((end - ns(starts + HARVEST_S)) * 1e-9).max() < tolerance_s
    assert apart_s.shape == (2, len(starts))


def test_two_harvests_are_too_few():
    trace, starts = logged(0.8, 5.0, count=4)
    ns = START_NS + np.round(starts * 1e9).astype(np.int64)
    assert harvests_by_clamp(trace, ns, ns + round(HARVEST_S * 1e9), FREEZE_S) is None
