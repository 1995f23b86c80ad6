from dataclasses import replace

import numpy as np
import pytest

from pipeline.report.charts.overlay import overlay, percentiles
from tests.report.made_up import made_up


def test_the_band_is_what_numpy_makes_of_the_same_curves():
    """Oracle: numpy.nanpercentile."""
    curves = np.random.default_rng(5).normal(size=(40, 30)).cumsum(axis=1)
    curves[:12, 20:] = np.nan
    for got, pct in zip(percentiles(curves), (5, 50, 95), strict=True):
        np.testing.assert_allclose(got, np.nanpercentile(curves, pct, axis=0))


def test_the_band_ends_where_fewer_than_five_go_on():
    curves = np.zeros((9, 4))
    curves[:5, 3] = np.nan
    low, _, _ = percentiles(curves)
    assert np.isfinite(low[:3]).all()
    assert np.isnan(low[3])


@pytest.fixture(scope="module")
def made():
    return made_up(days=2, interval_s=5)


def test_abnormal_ones_stay_out_of_the_band_and_are_drawn(made):
    _, timeline, record, judgement = made
    odd = {c for f in judgement.findings if f.code == "freeze-long" for c in f.cycles}
    got = overlay(timeline, record, "freeze", abnormal=odd)
    assert set(got.cycles) == odd
    begun_by_a_start = record.cycles.after_idle & record.cycles.freeze_min.notna()
    assert got.usual == int(record.cycles.freeze_min.notna().sum()) - len(odd) - int(begun_by_a_start.sum())
    assert got.usual_min == pytest.approx(18.5, abs=1.5)
    banded = got.minute[np.isfinite(got.middle)]
    assert banded.max() < 23 < got.minute.max()  # the long ones go on where the band has ended


def test_the_band_ends_where_half_of_the_usual_ones_have_ended(made):
    _, timeline, record, judgement = made
    odd = {c for f in judgement.findings if f.code == "freeze-long" for c in f.cycles}
    got = overlay(timeline, record, "freeze", abnormal=odd)
    step = got.minute[1] - got.minute[0]
    assert got.minute[np.isfinite(got.middle)].max() == pytest.approx(got.usual_min, abs=step)
    middle = got.middle[np.isfinite(got.middle)]
    assert (
        np.diff(middle[len(middle) // 2 :]) < 0.1
    ).all()  # a freeze only gets colder: no step up at the end


def test_freezes_that_follow_a_stalled_harvest_are_kept_out_of_the_band(made):
    _, timeline, record, judgement = made
    stuck = {c for f in judgement.findings if f.code == "harvest-stalled" for c in f.cycles}
    after = {c + 1 for c in stuck}
    both = [overlay(timeline, record, "freeze", abnormal=set(), beside=beside) for beside in ((), after)]
    assert both[0].usual - both[1].usual == len(
        after & set(record.cycles.cycle[record.cycles.freeze_min.notna()])
    )


def test_where_all_follow_something_abnormal_the_band_is_made_of_them_all_the_same(made):
    _, timeline, record, _ = made
    every = set(record.cycles.cycle)
    got = overlay(timeline, record, "freeze", abnormal=set(), beside=every)
    assert got.usual == int(record.cycles.freeze_min.notna().sum())


def test_a_hole_in_the_log_is_not_bridged(made):
    _, timeline, record, _ = made
    channel = timeline.get("evaporator")
    begin = int(record.cycles.freeze_start_ns.iloc[3])
    inside = (channel.time_ns > begin + 300 * 10**9) & (channel.time_ns < begin + 600 * 10**9)

    holed = replace(
        channel, values=np.where(inside, np.nan, channel.values), trusted=channel.trusted & ~inside
    )
    got = overlay(timeline, record, "freeze", abnormal={4}, channel=holed)
    gap = (got.minute > 5.2) & (got.minute < 9.8)
    assert np.isnan(got.curves[0][gap]).all()


def test_no_cycle_makes_no_overlay(made):

    _, timeline, record, _ = made
    assert (
        overlay(
            timeline,
            replace(record, cycles=record.cycles.iloc[:0]),
            "freeze",
            abnormal=set(),
        )
        is None
    )


def test_where_next_to_all_are_abnormal_the_band_is_that_of_all(made):
    _, timeline, record, _ = made
    numbers = list(record.cycles.cycle)
    got = overlay(timeline, record, "freeze", abnormal=set(numbers[3:]))
    assert got.of_all
    assert got.usual == int(record.cycles.freeze_min.notna().sum())
    assert np.isfinite(got.middle).sum() > 50
    some = overlay(timeline, record, "freeze", abnormal=set(numbers[30:]))
    assert not some.of_all


def test_a_stretch_of_many_hours_leaves_the_others_their_room(made):
    _, timeline, record, _ = made
    table = record.cycles.copy()
    table.loc[20, "harvest_start_ns"] = int(table.loc[20, "freeze_start_ns"]) + 9 * 3600 * 10**9
    record = replace(record, cycles=table)
    got = overlay(timeline, record, "freeze", abnormal={20})
    assert got.cut
    assert got.minute[-1] == pytest.approx(8 * got.usual_min)
    assert np.isfinite(got.middle).sum() >= 20
