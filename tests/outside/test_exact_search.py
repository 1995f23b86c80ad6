"""The change-point layer against `ruptures`' exact dynamic programme (Dynp): the same optimum wherever both can be run."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pipeline.cycles.segment.changepoints import change_points

rpt = pytest.importorskip("ruptures")


def squared_error(signal: np.ndarray, points) -> float:
    edges = [0, *(int(p) for p in points), len(signal)]
    return float(
        sum(((signal[a:b] - signal[a:b].mean(axis=0)) ** 2).sum() for a, b in itertools.pairwise(edges))
    )


def steps(seed: int, n: int, dimensions: int, changes: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    edges = np.sort(rng.choice(np.arange(4, n - 4), changes, replace=False))
    level = np.zeros((n, dimensions))
    for edge in edges:
        level[edge:] += rng.normal(0, 3, dimensions)
    return level + rng.normal(0, 1, (n, dimensions))


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("dimensions", "min_size"), [(1, 2), (2, 3), (3, 5)])
def test_no_segmentation_of_any_size_is_cheaper_than_the_one_found(seed, dimensions, min_size):
    signal = steps(seed, 70, dimensions, 4)
    penalty = 8.0 * dimensions
    found = change_points(signal, penalty=penalty, min_size=min_size)
    ours = squared_error(signal, found) + penalty * len(found)
    exact = rpt.Dynp(model="l2", min_size=min_size, jump=1).fit(signal)
    costs = [squared_error(signal, [])]
    costs += [squared_error(signal, exact.predict(n_bkps=k)[:-1]) + penalty * k for k in range(1, 9)]
    assert len(found) <= 8
    assert ours == pytest.approx(min(costs), rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_the_exact_search_puts_the_same_number_of_changes_in_the_same_places(seed):
    signal = steps(100 + seed, 90, 2, 3) * np.array([1.0, 0.7])
    found = change_points(signal, penalty=25.0, min_size=3)
    assert len(found) > 0
    exact = rpt.Dynp(model="l2", min_size=3, jump=1).fit(signal).predict(n_bkps=len(found))[:-1]
    assert found.tolist() == exact


@pytest.mark.parametrize("seed", range(4))
def test_searching_in_windows_loses_nothing_on_a_long_signal_with_clear_steps(seed):
    rng = np.random.default_rng(seed)
    edges = np.cumsum(rng.integers(25, 80, 24))
    n = int(edges[-1])  # the plain search takes seconds from two thousand on
    signal = np.repeat(
        np.arange(24) % 2 * 4.0 + rng.normal(0, 0.5, 24), np.diff(edges, prepend=0)
    ) + rng.normal(0, 0.5, n)
    windowed = change_points(signal, penalty=20.0, min_size=5, window=144, overlap=48)
    whole = change_points(signal, penalty=20.0, min_size=5, window=n, overlap=48)
    pelt = rpt.Pelt(model="l2", min_size=5, jump=1).fit(signal).predict(pen=20.0)[:-1]
    assert whole.tolist() == pelt
    assert windowed.tolist() == pelt
