"""The yardstick itself, against worked examples and cases counted by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.scoring import covering, f1_with_margin, label_shares, match, score, true_positives, untyped_f1

S = 1_000_000_000


def phases(*spans: tuple[str, float, float], uncertainty_s: float = 5.0):
    return [
        SimpleNamespace(kind=k, start_ns=round(a * S), end_ns=round(b * S), start_uncertainty_s=uncertainty_s)
        for k, a, b in spans
    ]


TRUTH = phases(
    ("freeze", 0, 900),
    ("harvest", 900, 1020),
    ("freeze", 1020, 1900),
    ("harvest", 1900, 2000),
    ("idle", 2000, 4000),
    ("freeze", 4000, 5000),
)


# Worked examples of the test suite that accompanies van den Burg & Williams 2020 (arXiv 2003.06222).
@pytest.mark.parametrize(
    ("labels", "predicted", "f1"),
    [
        pytest.param([[10, 20], [11, 20], [10], [0, 5]], [10, 20], 1.0, id="four annotators, all met"),
        pytest.param([[], [10], [50]], [10], 0.90909, id="one annotator's label missed"),
        pytest.param([[], [10], [50]], [], 0.8, id="no prediction"),
    ],
)
def test_f1_with_margin_meets_the_published_examples(labels, predicted, f1):
    assert f1_with_margin(labels, predicted) == pytest.approx(f1, abs=5e-6)


def test_each_prediction_meets_one_label_only():
    assert true_positives({1, 10, 20, 23}, {3, 8, 20}) == {1, 10, 20}  # same source


@pytest.mark.parametrize(
    ("labels", "predicted", "n", "cover"),
    [
        pytest.param([[3]], [3, 5], 6, 0.83333, id="[1-3][4-6] by [1-3][4-5][6]"),
        pytest.param([[]], [4], 6, 0.66667, id="[1-6] by [1-4][5-6]"),
        pytest.param([[10, 20], [10], [0, 5]], [10, 20], 45, 0.796296, id="three annotators"),
        pytest.param([[], [10], [40]], [10], 45, 0.795414, id="one prediction"),
        pytest.param([[], [10], [40]], [], 45, 0.818930, id="no prediction"),
    ],
)
def test_covering_meets_the_published_examples(labels, predicted, n, cover):
    assert covering(labels, predicted, n) == pytest.approx(cover, abs=5e-6)


def test_the_truth_scores_perfectly_against_itself():
    s = score(TRUTH, TRUTH, interval_s=10)
    assert (s.f1, s.hits, s.false, s.missed, s.agree, s.wrong, s.covering) == (1.0, 5, 0, 0, 1.0, 0.0, 1.0)
    assert s.cycles_true == s.cycles_found == 2


def test_a_boundary_beyond_the_tolerance_is_both_missed_and_false():
    late = phases(
        ("freeze", 0, 921),
        ("harvest", 921, 1020),
        ("freeze", 1020, 1900),
        ("harvest", 1900, 2000),
        ("idle", 2000, 4000),
        ("freeze", 4000, 5000),
    )
    s = score(TRUTH, late, interval_s=10)  # tolerance max(20, 15) = 20 s
    assert (s.hits, s.false, s.missed) == (4, 1, 1)
    assert score(TRUTH, late, interval_s=15).f1 == 1.0  # tolerance 22.5 s


def test_a_boundary_of_the_wrong_type_does_not_count():
    idle = phases(
        ("freeze", 0, 900),
        ("idle", 900, 1020),
        ("freeze", 1020, 1900),
        ("harvest", 1900, 2000),
        ("idle", 2000, 4000),
        ("freeze", 4000, 5000),
    )
    s = score(TRUTH, idle, interval_s=10)
    assert (s.hits, s.false, s.missed) == (3, 2, 2)
    assert s.wrong == pytest.approx(120 / 5000)


def test_unclear_hides_boundaries_but_claims_none():
    doubt = phases(
        ("freeze", 0, 800),
        ("unclear", 800, 1100),
        ("freeze", 1100, 1900),
        ("harvest", 1900, 2000),
        ("idle", 2000, 4000),
        ("freeze", 4000, 5000),
    )
    s = score(TRUTH, doubt, interval_s=10)
    assert (s.hits, s.false, s.missed) == (3, 0, 2)
    assert s.wrong == pytest.approx(0.0, abs=1e-12)
    assert s.agree == pytest.approx(4700 / 5000)


def test_a_harvest_invented_while_the_compressor_trips_is_false_but_its_starts_and_stops_are_not():
    truth = phases(("freeze", 0, 1000), ("unclear", 1000, 2000), ("freeze", 2000, 3000))
    stops = phases(
        ("freeze", 0, 1000),
        ("idle", 1000, 1200),
        ("freeze", 1200, 1300),
        ("idle", 1300, 2000),
        ("freeze", 2000, 3000),
    )
    assert score(truth, stops, interval_s=10).false == 0
    invented = phases(
        ("freeze", 0, 1000),
        ("idle", 1000, 1200),
        ("harvest", 1200, 1300),
        ("idle", 1300, 2000),
        ("freeze", 2000, 3000),
    )
    s = score(truth, invented, interval_s=10)
    assert s.cycles_false == 1
    assert s.made_up == 1
    assert s.false == 2


def test_nothing_is_asked_beside_a_gap_or_the_edge_of_the_log():
    truth = phases(
        ("harvest", 0, 12),
        ("freeze", 12, 1000),
        ("gap", 1000, 2000),
        ("harvest", 2000, 2015),
        ("freeze", 2015, 3000),
    )
    found = phases(("freeze", 0, 1000), ("gap", 1000, 2000), ("freeze", 2000, 3000))
    assert score(truth, found, interval_s=10).f1 == 1.0
    assert score(found, truth, interval_s=10).f1 == 1.0


def test_calibration_counts_stated_intervals_that_hold_the_true_boundary():
    found = phases(
        ("freeze", 0, 904),
        ("harvest", 904, 1028),
        ("freeze", 1028, 1900),
        ("harvest", 1900, 2000),
        ("idle", 2000, 4000),
        ("freeze", 4000, 5000),
    )
    s = score(TRUTH, found, interval_s=10)  # errors 4, 8, 0, 0, 0 s against 5 s stated
    assert (s.inside, s.stated) == (4, 5)
    assert np.median(np.abs(s.errors_s)) == 0.0


def test_bare_change_points_are_scored_without_types_up_to_where_they_were_sought():
    assert untyped_f1(TRUTH, [900 * S, 1500 * S, 2000 * S], interval_s=10, until_ns=2500 * S) == (2, 1, 2)


def test_matching_pairs_as_many_as_can_be():
    assert match([0, 10 * S], [9 * S, 19 * S], 9.5) == [(0, 0), (1, 1)]


def test_label_shares_leave_true_gaps_out():
    truth = phases(("freeze", 0, 100), ("gap", 100, 900), ("freeze", 900, 1000))
    found = phases(("freeze", 0, 950), ("idle", 950, 1000))
    assert label_shares(truth, found) == pytest.approx((150 / 200, 50 / 200))
