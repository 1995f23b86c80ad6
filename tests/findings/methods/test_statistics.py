"""Statistics against published worked examples; general-purpose reference libraries stand beside where there is none."""

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.findings.methods import statistics

# NIST/SEMATECH e-Handbook 6.3.2.2: flow rates, with their individuals chart (read second-hand, recomputed).
FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
# NIST/SEMATECH e-Handbook 1.3.5.17: uranium isotope data of Tietjen & Moore 1972, with their modified z-scores.
URANIUM = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
URANIUM_Z = [-1.396, -1.247, -0.800, -0.373, 0.373, 0.393, 0.549, 29.963]
# Hollander & Wolfe, Nonparametric Statistical Methods, tables 3.1 and 4.1: the examples of R's wilcox.test
# (data from memory, results recomputed).
DEPRESSION = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30]) - np.array(
    [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29]
)
AT_TERM = np.array([0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46])
EARLY = np.array([1.15, 0.88, 0.90, 0.74, 1.21])


@pytest.fixture(scope="module")
def nile():
    """Annual flow of the Nile, 1871–1970 (Cobb 1978, Biometrika 65), as statsmodels ships it."""
    from statsmodels.datasets import nile

    data = nile.load_pandas().data
    return data["year"].to_numpy(float), data["volume"].to_numpy(float)


@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_the_median_is_numpys_to_the_last_bit(dtype):
    rng = np.random.default_rng(4)
    for n in (*range(1, 40), 1000, 4999):
        values = np.round(rng.normal(size=n), rng.integers(0, 8)).astype(dtype)
        assert statistics.median(values) == np.median(values)
        values[rng.integers(n)] = np.nan
        assert math.isnan(statistics.median(values))


@pytest.mark.parametrize("digits", [0, 6])
def test_pettitts_statistic_is_that_of_the_reference_librarys_ranks(digits):
    y = np.round(np.random.default_rng(9).normal(size=60), digits)
    u = (
        2 * np.cumsum(stats.rankdata(y)) - np.arange(1, 61) * 61
    )  # Pettitt 1979, with ties at their middle rank
    assert statistics.single_step(y).k == np.abs(u).max()


def test_the_individuals_chart_is_the_handbooks():
    chart = statistics.individuals(FLOW)
    # NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.sigma == pytest.approx(1.8778 / 1.128, abs=1e-4)
    assert (chart.lower, chart.upper) == pytest.approx((45.8159, 55.8041), abs=2e-3)
    assert not np.any((chart.lower > FLOW) | (chart.upper < FLOW))


def test_modified_z_scores_are_the_handbooks_and_flag_the_one_outlier():
    z = statistics.modified_z(URANIUM)
    assert z == pytest.approx(URANIUM_Z, abs=2e-3)
    assert list(np.abs(z) > 3.5) == [False] * 7 + [True]


def test_a_median_deviation_of_zero_falls_back_on_the_mean_deviation():
    quantised = np.array([20.0] * 30 + [21.0, 26.0])
    z = statistics.modified_z(quantised)
    # by hand: mean |x − 20| = 7/32, sigma = 1.2533 × 7/32 = 0.27416; 6/0.27416 = 21.9
    assert z[-1] == pytest.approx(6 / (1.2533 * 7 / 32), rel=1e-6)
    assert np.all(z[:30] == 0)


def test_equal_values_score_zero_and_a_floor_is_believed():
    assert np.all(statistics.modified_z(np.full(9, 20.0)) == 0)
    assert statistics.modified_z(np.array([20.0] * 9 + [20.5]), floor=1.0)[-1] == pytest.approx(0.5)


def test_a_skewed_sample_gets_a_wider_limit_on_its_long_side():
    rng = np.random.default_rng(1)
    x = np.exp(0.5 * rng.standard_normal(4000))
    chart = statistics.robust_individuals(x)
    assert chart.upper - chart.centre > 1.3 * (chart.centre - chart.lower)


def test_outliers_do_not_move_the_robust_chart():
    clean = statistics.robust_individuals(FLOW)
    spoilt = statistics.robust_individuals(np.append(FLOW, [500.0]))
    assert abs(spoilt.centre - clean.centre) < clean.sigma


def test_the_outlier_limit_grows_with_the_number_of_scores():
    assert statistics.outlier_limit(5, 3.5) == 3.5
    # two-sided Bonferroni at 1 % over 400 scores: Φ⁻¹(1 − 0.01/800)
    assert statistics.outlier_limit(400, 3.5) == pytest.approx(stats.norm.isf(0.01 / 800), rel=1e-6)


@pytest.mark.parametrize(
    ("rule", "z", "hits"),
    [
        # Western Electric 1956 (from memory, to be confirmed)
        pytest.param("beyond-3", [0, 3.1, 0], [1], id="one beyond three sigma"),
        pytest.param("2-of-3", [2.1, 0, 2.2], [0, 2], id="two of three beyond two sigma"),
        pytest.param("2-of-3", [2.1, 0, -2.2], [], id="on two sides they do not count"),
        pytest.param("4-of-5", [1.1, 1.2, 0.0, 1.3, 1.4], [0, 1, 3, 4], id="four of five beyond one sigma"),
        pytest.param("8-in-a-row", [0.1] * 8, list(range(8)), id="eight in a row on one side"),
        pytest.param("8-in-a-row", [0.1] * 7 + [-0.1], [], id="seven are not enough"),
    ],
)
def test_run_rules_flag_the_points_of_the_run(rule, z, hits):
    assert list(np.flatnonzero(statistics.run_rules(np.array(z, float))[rule])) == hits


def test_the_run_rules_together_alarm_about_once_in_92_points_of_a_steady_process():
    rng = np.random.default_rng(5)
    lengths = []
    for _ in range(400):
        z = rng.standard_normal(1500)
        rules = statistics.run_rules(z)
        # the end of the first run is when the alarm is raised
        lengths.append(min(_first_alarm(z, name) for name in rules))
    # Champ & Woodall 1987, Technometrics 29: mean run length 91.75 in control
    assert np.mean(lengths) == pytest.approx(91.75, rel=0.12)


def _first_alarm(z, rule):
    limit, needed, window = {
        "beyond-3": (3, 1, 1),
        "2-of-3": (2, 2, 3),
        "4-of-5": (1, 4, 5),
        "8-in-a-row": (0, 8, 8),
    }[rule]
    best = len(z)
    for side in (z > limit, z < -limit):
        count = np.convolve(side, np.ones(window, int))[: len(z)]
        hits = np.flatnonzero((count >= needed) & side)
        best = min(best, int(hits[0]) + 1 if len(hits) else best)
    # what the package flags must agree on whether there is an alarm at all before that point
    assert statistics.run_rules(z)[rule][:best].any() == (
        best < len(z) or statistics.run_rules(z)[rule].any()
    )
    return best


def test_the_trend_of_the_nile_is_the_published_one(nile):
    found = statistics.trend(*nile)
    # Mann–Kendall and Theil–Sen of this series, recomputed with SciPy 1.17.1: S −1387, variance 112,728.33, Z −4.1281
    assert found.z == pytest.approx(-4.1281, abs=1e-3)
    assert found.p == pytest.approx(3.66e-5, rel=0.01)
    assert found.slope == pytest.approx(-2.6, abs=1e-9)
    assert (found.low, found.high) == pytest.approx((-3.628, -1.429), abs=2e-3)


def test_theil_sen_agrees_with_the_reference_library():
    rng = np.random.default_rng(2)
    x = np.sort(rng.uniform(0, 10, 60))
    y = 3 + 0.4 * x + rng.standard_t(2, 60)
    want = stats.theilslopes(y, x, 0.95)
    got = statistics.trend(x, y)
    assert (got.slope, got.low, got.high) == pytest.approx(
        (want.slope, want.low_slope, want.high_slope), rel=1e-9
    )


def test_long_series_keep_their_trend_when_thinned():
    rng = np.random.default_rng(3)
    x = np.arange(5000.0)
    found = statistics.trend(x, 0.01 * x + rng.standard_normal(5000))
    assert found.slope == pytest.approx(0.01, rel=0.01)


def test_the_nile_is_a_step_that_begins_in_1899(nile):
    years, flow = nile
    step = statistics.single_step(flow)
    # first year of the new level 1899 (least squares; three of five annotators of the Turing change point data set mark
    # index 28); Pettitt's K 1617, p about 3.6e-7
    assert years[step.first] == 1899
    assert step.k == pytest.approx(1617)
    assert step.p == pytest.approx(3.6e-7, rel=0.05)


def test_the_two_sample_shift_is_hollander_and_wolfes():
    shift = statistics.hodges_lehmann(EARLY, AT_TERM)
    assert shift.value == pytest.approx(0.305, abs=1e-9)  # median of the 50 differences
    assert shift.p == pytest.approx(0.2544, abs=1e-4)  # W = 35, exact, two-sided
    assert shift.low < 0.305 < shift.high


def test_exact_ranks_agree_with_the_reference_library():
    for n, m, seed in ((4, 6, 1), (9, 7, 2), (12, 12, 3)):
        rng = np.random.default_rng(seed)
        x, y = rng.standard_normal(n), rng.standard_normal(m) + 0.5
        want = stats.mannwhitneyu(y, x, method="exact").pvalue
        assert statistics.hodges_lehmann(x, y).p == pytest.approx(want, rel=1e-9)


def test_the_interval_of_a_shift_covers_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(11)
    for n, m in ((8, 9), (60, 80)):
        hits = 0
        for _ in range(400):
            shift = statistics.hodges_lehmann(rng.standard_exponential(n), rng.standard_exponential(m) + 1.5)
            hits += shift.low <= 1.5 <= shift.high
        assert hits / 400 >= 0.92


def test_the_centre_of_one_sample_is_hollander_and_wolfes():
    centre = statistics.walsh_centre(DEPRESSION)
    assert centre.value == pytest.approx(0.46, abs=1e-9)
    assert 0 < centre.p < 0.06  # V = 40: exact two-sided 0.039; the normal approximation is near it


def test_neighbours_that_resemble_each_other_widen_the_variance():
    rng = np.random.default_rng(4)
    noise = rng.standard_normal(4000)
    ar = np.zeros(4000)
    for i in range(1, 4000):
        ar[i] = 0.6 * ar[i - 1] + noise[i]
    assert statistics.autocorrelation_factor(noise) < 1.1
    assert statistics.autocorrelation_factor(ar) == pytest.approx(4.0, rel=0.15)  # (1 + 0.6) / (1 − 0.6)


def test_runs_of_hits_are_joined_over_short_breaks():
    mask = np.array([0, 1, 1, 0, 1, 0, 0, 0, 1], bool)
    assert statistics.episodes(mask) == [(1, 2), (4, 4), (8, 8)]
    assert statistics.episodes(mask, bridge=1) == [(1, 4), (8, 8)]
    assert statistics.episodes(np.zeros(4, bool)) == []


def test_the_normal_functions_agree_with_the_reference_library():
    for z in (-3.0, -0.5, 0.0, 1.96):
        assert statistics.phi(z) == pytest.approx(stats.norm.cdf(z), rel=1e-9)
        assert statistics.quantile(stats.norm.cdf(z)) == pytest.approx(z, abs=1e-7)
    assert math.isclose(statistics.MAD_TO_SIGMA, 1 / stats.norm.ppf(0.75), rel_tol=1e-4)
