"""Slow changes, told from steps and from the time of day."""

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from pipeline.findings.methods.change import lasting_change
from pipeline.findings.thresholds import resolve
from pipeline.language.text import say
from pipeline.unit import Unit
from tests.findings.made_up import BEGIN_NS, channel, codes, finding, judged, made_up, noisy, not_judged


@pytest.fixture(scope="module")
def nile():
    """Annual flow of the Nile, 1871–1970 (Cobb 1978, Biometrika 65), as statsmodels ships it."""
    from statsmodels.datasets import nile

    data = nile.load_pandas().data
    return data["year"].to_numpy(float), data["volume"].to_numpy(float)


def test_the_nile_is_called_a_step_although_a_trend_test_rejects(nile):
    years, flow = nile
    a_day_a_year = ((years - 1871) * 8.64e13).astype("int64")
    found = lasting_change(a_day_a_year, flow, least=100.0, thresholds=resolve(Unit(name="river")))
    assert found.kind == "step"
    assert (
        years[found.first] == 1899
    )  # first year of the new level: least squares, and the published date 1898/99
    assert found.low < found.total < found.high < 0


def test_a_steady_growth_of_the_freezes_is_drift():
    freeze = noisy(20, 250) * (1 + 0.2 * np.arange(250) / 250)
    found = finding(judged(made_up(freeze)), "drift")
    assert found.evidence["freeze_change_pct"] == pytest.approx(20, abs=4)
    assert found.evidence["freeze_change_low_pct"] < 20 < found.evidence["freeze_change_high_pct"] + 2
    assert not found.flag_cycles


def test_a_drift_that_begins_in_mid_log_begins_there():
    growth = np.maximum(np.arange(250) - 120, 0) / 130
    found = finding(judged(made_up(noisy(20, 250, share=0.01) * (1 + 0.25 * growth))), "drift")
    log = made_up(noisy(20, 250, share=0.01) * (1 + 0.25 * growth))
    begins = int(np.searchsorted(log[1].cycles["freeze_start_ns"], found.start_ns)) + 1
    assert 100 <= begins <= 150


def test_a_step_is_no_drift():
    assert "drift" not in codes(judged(made_up(np.concatenate([noisy(20, 120), noisy(28, 120, seed=2)]))))


def test_a_steady_unit_does_not_drift():
    assert not codes(judged(made_up(noisy(20, 250))))


def test_a_warming_week_is_no_drift_of_the_machine():
    air = np.linspace(20, 34, 250)
    assert "drift" not in codes(
        judged(made_up(noisy(20, 250) * np.exp(0.014 * (air - 27)), condenser_in_c=air))
    )


def test_a_log_of_a_day_cannot_show_drift():
    assert "drift" in not_judged(judged(made_up(noisy(20, 60))))


def test_a_day_of_a_warm_afternoon_is_no_drift_and_no_step():
    hours = np.arange(60) * 22 / 60
    freeze = noisy(20, 60, share=0.01) * np.exp(0.08 * np.sin(2 * np.pi * (hours - 3) / 24))
    assert not codes(judged(made_up(freeze)))


def test_a_rate_that_nothing_else_follows_is_a_note():
    rate = noisy(2.0, 150, share=0.05) * np.where(np.arange(150) < 70, 1.0, 0.5)
    found = finding(judged(made_up(noisy(20, 150), pull_down_k_per_min=rate)), "drift")
    assert found.severity is Severity.NOTE


def test_rests_that_become_longer_are_told_and_worth_a_note():
    log = made_up(
        noisy(20, 220), roles=("evaporator", "current"), idle_after=dict.fromkeys(range(110, 220), 40.0)
    )
    found = finding(judged(log), "drift")
    assert found.severity is Severity.NOTE
    assert (found.evidence["measure"], found.evidence["how"]) == ("rest_min", "step")
    assert found.evidence["rest_change_min"] == pytest.approx(40, abs=1)


def test_starts_that_become_more_are_told_and_worth_a_note():
    starts = [{"at_min": 22 * (110 + k) + 10, "off_before_min": 9.0, "run_min": 13.0} for k in range(110)]
    found = finding(judged(made_up(noisy(20, 220), roles=("evaporator", "current"), starts=starts)), "drift")
    assert found.severity is Severity.NOTE
    assert found.evidence["measure"] == "starts_per_day"
    assert found.evidence["starts_change_per_day"] == pytest.approx(1440 / 22, rel=0.1)  # one a cycle


def test_a_falling_supply_is_told_though_it_stays_within_what_the_plate_allows():
    freeze = noisy(20, 220)
    end_ns = made_up(freeze)[0].end_ns
    volts = np.where(np.arange(4000) < 2000, 118.0, 109.0) + np.random.default_rng(3).normal(0, 0.3, 4000)
    log = made_up(freeze, channels=[channel("voltage", BEGIN_NS, end_ns, values=volts)])
    found = finding(judged(log, nameplate={"voltage_v": 115.0}), "drift")
    assert found.severity is Severity.NOTE
    assert found.evidence["supply_change_pct"] == pytest.approx(100 * (109 / 118 - 1), abs=0.5)
    assert "supply-voltage" not in codes(judged(log, nameplate={"voltage_v": 115.0}))


def test_a_rest_a_night_is_no_change():
    assert "drift" not in codes(
        judged(
            made_up(
                noisy(20, 220),
                roles=("evaporator", "current"),
                idle_after=dict.fromkeys(range(20, 220, 40), 400.0),
            )
        )
    )


@pytest.mark.parametrize(("growth", "said"), [(0.2, "Freezes grow longer"), (-0.2, "Freezes grow shorter")])
def test_the_title_says_which_way_it_goes(growth, said):
    freeze = noisy(20, 250) * (1 + growth * np.arange(250) / 250)
    assert say(finding(judged(made_up(freeze)), "drift").title).startswith(said)


def test_a_ramp_says_in_how_many_days_it_came():
    found = finding(judged(made_up(noisy(20, 250) * (1 + 0.2 * np.arange(250) / 250))), "drift")
    days, rate = found.evidence["over_days"], found.title.values["moved_per_day_pct"]
    assert f" in {days:.1f} days," in say(found.title)
    assert rate == pytest.approx(found.evidence["freeze_change_pct"] / days, abs=0.03)


def test_harvests_that_grow_longer_are_told_once():
    harvest = noisy(2.5, 250) * (1 + 0.7 * np.arange(250) / 250)
    assert {"harvest-long", "drift"} & set(codes(judged(made_up(noisy(20, 250), harvest)))) == {
        "harvest-long"
    }
