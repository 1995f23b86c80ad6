"""Sums over many stretches at once against one stretch after the other."""

import numpy as np
import pytest

from pipeline.cycles.signal.windows import Windows, reading_at
from tests.cycles.plain_machine import START_NS, trace_of

SECOND = 1_000_000_000


@pytest.fixture
def trace():
    values = 3.0 * np.sin(np.arange(500) / 9.0)
    return trace_of("evaporator", values, 2.0)


@pytest.fixture
def stretches():
    rng = np.random.default_rng(1)
    edges = np.sort(rng.choice(1000, 20, replace=False))
    return START_NS + edges[::2] * SECOND, START_NS + edges[1::2] * SECOND


def each(trace, start, stop, what):
    out = []
    for a, b in zip(start, stop, strict=True):
        inside = trace.values[(trace.time_ns >= a) & (trace.time_ns < b)]
        out.append(what(inside) if len(inside) else np.nan)
    return np.array(out)


@pytest.mark.parametrize(("name", "plain"), [("mean", np.mean), ("highest", np.max), ("lowest", np.min)])
def test_reductions_equal_the_plain_loop(trace, stretches, name, plain):
    assert np.allclose(
        getattr(Windows(trace, *stretches), name)(), each(trace, *stretches, plain), equal_nan=True
    )


def test_a_share_below_a_limit_equals_the_plain_count(trace, stretches):
    expected = each(trace, *stretches, lambda x: np.mean(x < 0.5))
    assert np.allclose(Windows(trace, *stretches).share_below(0.5), expected, equal_nan=True)


def test_the_longest_stay_in_a_band_equals_the_plain_loop(trace, stretches):
    def longest(inside):
        best = run = 0
        for x in inside:
            run = run + 1 if -1 <= x <= 1 else 0
            best = max(best, run)
        return best * 2.0 / 60

    assert np.allclose(
        Windows(trace, *stretches).longest_within_min(-1, 1), each(trace, *stretches, longest), equal_nan=True
    )


def test_a_stretch_without_readings_has_no_mean(trace):
    late = np.array([START_NS + 5000 * SECOND])
    assert np.isnan(Windows(trace, late, late + SECOND).mean()).all()


def test_a_reading_between_two_is_drawn_straight(trace):
    middle = np.array([START_NS + 7 * SECOND])
    assert reading_at(trace, middle)[0] == pytest.approx((trace.values[3] + trace.values[4]) / 2)


def test_stretches_may_overlap_and_all_run_to_the_end(trace):
    start = trace.time_ns[[-9, -6, -2]]
    stop = np.repeat(trace.time_ns[-1] + SECOND, 3)
    assert Windows(trace, start, stop).highest().tolist() == [trace.values[i:].max() for i in (-9, -6, -2)]
    assert np.allclose(Windows(trace, start, stop).mean(), [trace.values[i:].mean() for i in (-9, -6, -2)])
