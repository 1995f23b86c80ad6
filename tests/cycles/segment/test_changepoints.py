"""The bounded search against the whole one, and its limits."""

import numpy as np
import pytest
import ruptures

from pipeline.cycles.segment.changepoints import change_points, noise_penalty


def steps(seed, n=1500, noise=0.3):
    rng = np.random.default_rng(seed)
    edges = np.sort(rng.choice(np.arange(20, n - 20), n // 60, replace=False))
    edges = edges[np.diff(edges, prepend=-99) > 12]
    level = np.cumsum(rng.choice([-3.0, 2.0, 4.0], len(edges) + 1))
    return np.repeat(level, np.diff(np.r_[0, edges, n])) + noise * rng.standard_normal(n), edges


@pytest.mark.parametrize("seed", range(5))
def test_windows_find_what_one_search_over_the_whole_finds(seed):
    signal, _ = steps(seed)
    whole = ruptures.KernelCPD(kernel="linear", min_size=1).fit(signal[:, None]).predict(pen=12.0)[:-1]
    assert change_points(signal, penalty=12.0).tolist() == whole


@pytest.mark.parametrize("seed", range(3))
def test_the_penalty_from_the_noise_finds_every_step(seed):
    signal, edges = steps(seed)
    assert change_points(signal).tolist() == edges.tolist()


def test_noise_alone_has_no_change():
    noise = np.random.default_rng(2).standard_normal((4000, 2))
    assert len(change_points(noise)) <= 2


def test_the_penalty_grows_with_the_square_of_the_noise():
    noise = np.random.default_rng(4).standard_normal(3000)
    assert noise_penalty(10 * noise[:, None]) == pytest.approx(100 * noise_penalty(noise[:, None]), rel=1e-3)


def test_a_flat_signal_is_not_searched():
    assert len(change_points(np.zeros((100_000, 2)), penalty=1.0)) == 0


def test_a_hole_in_the_signal_is_refused():
    with pytest.raises(ValueError, match="finite"):
        change_points(np.array([1.0, np.nan, 2.0]))


def test_windows_that_do_not_overlap_are_refused():
    with pytest.raises(ValueError, match="overlap"):
        change_points(np.zeros(50), overlap=1, window=20)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_a_handful_of_samples_is_no_trouble(n):
    assert change_points(np.arange(float(n)), penalty=1.0).ndim == 1
