from dataclasses import replace

import numpy as np
import pytest

from pipeline.report.numbers.usual_range import in_force, limits_in_force, limits_of
from tests.report.made_up import made_up

# NIST/SEMATECH e-Handbook 1.3.5.17: uranium isotope data of Tietjen and Moore (1972). By the modified z-score
# (Iglewicz & Hoaglin, limit 3.5) 245.57 alone is out, at 29.963; the next largest is 1.396. Median and MAD recomputed.
TIETJEN_MOORE = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])


def test_limits_are_those_of_the_modified_z_score():
    got = limits_of(TIETJEN_MOORE, z=3.5, floor=0.0)
    assert got.centre == pytest.approx(201.37)
    assert got.high - got.centre == pytest.approx(3.5 * 0.995 / 0.6745, abs=1e-6)
    assert (got.high < TIETJEN_MOORE).tolist() == [False] * 7 + [True]
    assert not (got.low > TIETJEN_MOORE).any()


def test_steps_of_the_clock_do_not_make_limits_of_no_width():
    got = limits_of(np.array([20.0] * 30 + [20.5]), z=3.5, floor=0.015)  # MAD is zero
    assert got.low < 20 < got.high
    assert got.high < 21.5


def test_few_lengths_have_a_middle_but_no_limits():
    got = limits_of(np.array([18.0, 19.0, np.nan]), z=3.5, floor=0.015)
    assert got.centre == 18.5
    assert np.isnan([got.low, got.high]).all()


def test_cycles_that_somebody_objects_to_make_no_limits():
    _, _, record, judgement = made_up(days=3, interval_s=60, well=True)
    usual = limits_in_force(record, "freeze_min", judgement, set())
    odd = set(record.cycles["cycle"].to_numpy()[1::3].tolist())
    table = record.cycles.copy()
    table.loc[list(odd), "freeze_min"] *= 0.5  # each grew onto ice that a stalled harvest had left
    spoilt = replace(record, cycles=table)
    assert limits_in_force(spoilt, "freeze_min", judgement, odd).low == pytest.approx(usual.low, rel=0.05)
    assert limits_in_force(spoilt, "freeze_min", judgement, set()).low < 0.9 * usual.low


def test_what_a_unit_overrides_is_in_force_on_its_page_too():
    _, _, record, judgement = made_up(days=3, interval_s=60, well=True)
    wide = replace(judgement, thresholds=(("outlier_z", 7.0, "", "unit.toml"),))
    narrow, wider = (limits_in_force(record, "freeze_min", j, set()) for j in (judgement, wide))
    assert wider.high - wider.centre == pytest.approx(2 * (narrow.high - narrow.centre))
    assert in_force()["outlier_z"] == 3.5
