"""Where a line is warmest, seen through a clip that lags."""

import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline.cycles.peaks import OFF_S, line_peaks, peak_priors
from tests.cycles.plain_machine import START_NS, trace_of

LAGS_S = (5.0, 12.0, 24.0, 48.0, 66.0, 90.0)
HARVEST_S = 120.0


def log(lag_s, *, interval_s=5.0, noise_k=0.1, cycles=20, seed=2):
    """A clip of two nodes on a line that climbs over each harvest and falls from its end on; when harvests end [s]."""
    rng = np.random.default_rng(seed)
    end = np.cumsum(1500.0 * rng.uniform(0.95, 1.05, cycles))
    t = np.arange(0.0, end[-1] + 600.0)
    since = t - np.r_[-900.0, end][np.searchsorted(end, t, side="right")]
    until = np.r_[end, np.inf][np.searchsorted(end, t, side="right")] - t
    line = -12.0 + 20.0 * np.exp(-since / 150.0)
    gas = until < HARVEST_S
    line[gas] = -12.0 + 20.0 * (1.0 - until[gas] / HARVEST_S) ** 0.5
    clip = line
    for share in (0.7, 0.3):  # Newton's law of cooling, a node after the other
        keep = np.exp(-1.0 / max(share * lag_s, 1e-3))
        clip, _ = lfilter([1.0 - keep], [1.0, -keep], clip, zi=[keep * line[0]])
    at = np.arange(0, len(t), round(interval_s))
    values = clip[at] + noise_k * rng.standard_normal(len(at))
    trace = trace_of("evaporator", values, interval_s, at_s=t[at])
    return trace, clip, end


def clip_peaks_s(clip, end):
    return np.array([e + np.argmax(clip[int(e) : int(e) + 200]) for e in end.astype(int)], dtype=float)


@pytest.mark.parametrize("lag_s", [12.0, 48.0, 90.0])
@pytest.mark.parametrize(("interval_s", "noise_k"), [(1.0, 0.2), (5.0, 0.1), (20.0, 0.1)])
def test_the_line_is_led_back_through_the_clip(lag_s, interval_s, noise_k):
    trace, clip, end = log(lag_s, interval_s=interval_s, noise_k=noise_k)
    seen_s = clip_peaks_s(clip, end)
    peaks, spread = line_peaks(trace, START_NS + (seen_s * 1e9).astype(np.int64), HARVEST_S, LAGS_S)
    late_s = float(np.median(seen_s - end))
    found = late_s + float(peaks[LAGS_S.index(lag_s)])
    assert abs(found) <= OFF_S + 0.25 * interval_s
    assert spread.shape == peaks.shape == (len(LAGS_S),)


def test_even_half_the_lag_comes_much_nearer_than_the_clip():
    """The lag is not known well; what is made of it need not be."""
    trace, clip, end = log(90.0)
    seen_s = clip_peaks_s(clip, end)
    peaks, _ = line_peaks(trace, START_NS + (seen_s * 1e9).astype(np.int64), HARVEST_S, LAGS_S)
    late_s = float(np.median(seen_s - end))
    assert late_s > 30
    assert abs(late_s + peaks[LAGS_S.index(48.0)]) < 0.6 * late_s


def test_too_few_harvests_say_nothing():
    trace, clip, end = log(48.0, cycles=6)
    at_ns = START_NS + (clip_peaks_s(clip, end) * 1e9).astype(np.int64)
    assert line_peaks(trace, at_ns[:3], HARVEST_S, LAGS_S) is None


def test_harvests_of_two_readings_show_no_peak():
    trace, clip, end = log(48.0, interval_s=60.0)
    assert (
        line_peaks(trace, START_NS + (clip_peaks_s(clip, end) * 1e9).astype(np.int64), HARVEST_S, LAGS_S)
        is None
    )


def test_a_prior_is_highest_at_the_peak_and_never_silences():
    grid = np.arange(-120.0, 31.0)
    prior = peak_priors(grid, np.array([-40.0, -70.0]), np.array([0.0, 30.0]))
    assert prior.shape == (2, len(grid))
    assert grid[prior.argmax(axis=1)].tolist() == [-40.0, -70.0]
    assert prior.min() >= -4.0
    assert prior[1, grid == -40.0] > -1.0  # where the halves of the log differ, it is less sure
