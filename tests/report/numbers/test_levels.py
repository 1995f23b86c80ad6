import numpy as np
from tsdownsample import MinMaxDownsampler

from pipeline.report.numbers.levels import level, level_within, thinned

S = 1_000_000_000
RNG = np.random.default_rng(3)


def log(n=50_000, interval_s=1):
    return np.arange(n, dtype=np.int64) * interval_s * S, RNG.normal(size=n).cumsum() * 0.1


def test_every_bucket_holds_the_lowest_and_highest_reading_in_it():
    """Oracle: a plain loop over the buckets."""
    time_ns, values = log(5_000)
    keep = RNG.random(5_000) < 0.7  # an uneven log
    time_ns, values = time_ns[keep], values[keep]
    got = level(time_ns, values, start_ns=0, end_ns=4_999 * S, width_s=17)
    for n, (low, high) in enumerate(zip(got.low, got.high, strict=True)):
        inside = values[(time_ns >= n * 17 * S) & (time_ns < (n + 1) * 17 * S)]
        assert (low, high) == (inside.min(), inside.max())


def test_levels_agree_with_a_published_min_max_downsampler():
    """Reference: tsdownsample's MinMaxDownsampler on the same equal buckets."""
    _, values = log(10_000)
    kept = values[MinMaxDownsampler().downsample(values, n_out=200)].reshape(100, 2)
    got = level(np.arange(10_000) * S, values, start_ns=0, end_ns=9_999 * S, width_s=100)
    np.testing.assert_array_equal(np.sort(kept, axis=1), np.column_stack([got.low, got.high])[:100])


def test_buckets_without_a_reading_are_empty_and_not_filled_from_their_neighbours():
    time_ns, values = log(1_000)
    hole = (time_ns > 300 * S) & (time_ns < 600 * S)
    got = level(time_ns[~hole], values[~hole], start_ns=0, end_ns=999 * S, width_s=10)
    assert np.isnan(got.low[31:60]).all()
    assert np.isfinite(got.low[:30]).all()


def test_buckets_of_some_stretches_are_those_of_the_whole():
    time_ns, values = log(6_000)
    keep = (time_ns < 1_300 * S) | (time_ns > 1_340 * S)
    time_ns, values = time_ns[keep], values[keep]
    whole = level(time_ns, values, start_ns=0, end_ns=5_999 * S, width_s=10)
    spans = [(200 * S, 400 * S), (1_290 * S, 1_360 * S), (5_900 * S, 6_000 * S)]
    some = level_within(time_ns, values, spans=spans, width_s=10)
    wanted = np.concatenate([np.arange(20, 40), np.arange(129, 136), np.arange(590, 600)])
    np.testing.assert_array_equal(some.low, whole.low[wanted])
    np.testing.assert_array_equal(some.high, whole.high[wanted])


def test_a_small_picture_keeps_both_extremes():
    time_ns, values = log(80_000)
    values[40_001], values[40_003] = 50.0, -50.0
    _, few = thinned(time_ns, values, 300)
    assert len(few) <= 300
    assert (few.max(), few.min()) == (50.0, -50.0)
