import numpy as np
import pytest
from tsdownsample import MinMaxDownsampler

from pipeline.report.levels import coarser, finest_width_s, level, thinned

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


def test_a_peak_of_one_second_in_a_month_is_still_there_at_the_coarsest_level():
    time_ns, values = log(2_592_000)
    values[1_234_567] = 99.0
    shown = level(time_ns, values, start_ns=0, end_ns=int(time_ns[-1]), width_s=60)
    while len(shown.low) > 1_500:
        shown = coarser(shown)
    assert shown.high.max() == 99.0


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


def test_a_coarser_level_is_the_same_as_one_made_from_the_readings():
    time_ns, values = log(9_999)
    fine = level(time_ns, values, start_ns=0, end_ns=int(time_ns[-1]), width_s=10)
    direct = level(time_ns, values, start_ns=0, end_ns=int(time_ns[-1]), width_s=40)
    np.testing.assert_array_equal(coarser(fine).low, direct.low)
    np.testing.assert_array_equal(coarser(fine).high, direct.high)


@pytest.mark.parametrize(
    ("span_s", "interval_s", "values", "width"),
    [
        (3_600, 1, 100_000, 1),
        (604_800, 1, 80_000, 10),
        (2_592_000, 1, 41_000, 120),
        (604_800, 60, 80_000, 60),
    ],
)
def test_the_finest_width_is_a_round_figure_no_finer_than_the_logger(span_s, interval_s, values, width):
    assert finest_width_s(span_s, interval_s, values) == width


def test_a_small_picture_keeps_both_extremes():
    time_ns, values = log(80_000)
    values[40_001], values[40_003] = 50.0, -50.0
    _, few = thinned(time_ns, values, 300)
    assert len(few) <= 300
    assert (few.max(), few.min()) == (50.0, -50.0)
