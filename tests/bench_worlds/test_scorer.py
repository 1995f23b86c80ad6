"""The score of worlds against cases worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.worlds.scorer import matched, score, starts

# Four cycles of 1,000 s with a harvest of 100 s, from the middle of a freeze.
TRUE = [(0.0, 500.0, "freeze")]
for n in range(4):
    TRUE += [(500.0 + 1000 * n, 600.0 + 1000 * n, "harvest"), (600.0 + 1000 * n, 1500.0 + 1000 * n, "freeze")]
LENGTH = 4500.0


def shifted(by_s: float):
    return [(a + by_s if a else a, b + by_s, kind) for a, b, kind in TRUE]


def scored(found, **more):
    return score(TRUE, found, interval_s=10.0, length_s=LENGTH, **more)


def test_the_truth_itself_scores_one():
    result = scored(TRUE)
    assert (result.f1, result.loose.f1, result.made_up) == (1.0, 1.0, 0)


@pytest.mark.parametrize(
    ("by_s", "f1", "loose"), [(20.0, 1.0, 1.0), (21.0, 0.0, 1.0), (90.0, 0.0, 1.0), (91.0, 0.0, 0.0)]
)
def test_a_start_is_right_within_the_tolerance_and_loosely_within_three(by_s, f1, loose):
    result = scored(shifted(by_s))
    assert (result.f1, result.loose.f1) == (f1, loose)


def test_the_tolerance_grows_with_the_interval():
    assert score(TRUE, shifted(85.0), interval_s=60.0, length_s=LENGTH).f1 == 1.0  # 1.5 × 60 = 90 s


def test_one_missed_harvest_costs_two_starts():
    found = [p for p in TRUE if p[0] not in (1500.0, 1600.0)]
    found = [(a, 2500.0 if a == 600.0 else b, k) for a, b, k in found]
    result = scored(found)
    assert result.f1 == pytest.approx(2 * 6 / (8 + 6))


def test_a_made_up_harvest_counts_as_found_and_is_told():
    found = [
        *TRUE[:2],
        (600.0, 1000.0, "freeze"),
        (1000.0, 1050.0, "harvest"),
        (1050.0, 1500.0, "freeze"),
        *TRUE[3:],
    ]
    result = scored(found)
    assert result.f1 == pytest.approx(2 * 8 / (8 + 10))
    assert result.made_up == 1


def test_starts_after_unclear_or_a_gap_and_beside_the_ends_count_neither_way():
    found = [(a, b, "unclear" if k == "freeze" and a == 600.0 else k) for a, b, k in TRUE]
    assert list(starts(found, "harvest")) == [500.0, 2500.0, 3500.0]
    assert scored(TRUE, unscored=[(1400.0, 1700.0)]).counts.true == 6
    assert (
        score(TRUE, TRUE, interval_s=10.0, length_s=3510.0).counts.true == 6
    )  # 3,500 is within 20 s of the end


def test_each_start_is_matched_once_and_the_nearest_first():
    assert matched(np.array([100.0, 120.0]), np.array([112.0]), 20.0) == [(1, 0)]
    assert matched(np.array([100.0]), np.array([90.0, 105.0]), 20.0) == [(0, 1)]


def test_the_stated_uncertainty_is_held_against_the_true_lengths():
    cycles = [(600.0, 930.0, 1500.0, 100.0, 20.0), (1600.0, 905.0, 2500.0, 130.0, 20.0)]
    result = scored(TRUE, cycles=cycles)
    assert (result.lengths, result.held) == (4, 2)  # 30 s too long a freeze and a harvest, stated 20 s
