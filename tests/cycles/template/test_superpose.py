"""Cycles laid upon each other: shifts that are known are recovered (Woody 1967, Med. & Biol. Eng. 5, 539–553; citation from memory)."""

import numpy as np
import pytest

from pipeline.cycles.signal.signals import trace_of
from pipeline.cycles.template import superpose
from pipeline.cycles.template.superpose import (
    aligned,
    alike,
    medians,
    readings_about,
    running_median,
    template_of,
)
from tests.cycles.plain_machine import START_NS, channel

OFFSETS_S = np.arange(-60.0, 62.0, 2.0)


def course(t):
    """A known template: flat, a steep rise of 20 K within half a minute, a slow fall."""
    return np.where(t < 0, 0.0, 20.0 * (1 - np.exp(-t / 10.0)) * np.exp(-t / 300.0))


def repeated(jitter_s, *, interval_s=2.0, noise=0.3, level=lambda i: 0.0, apart_s=900.0):
    """Events `apart_s` apart, each of them late by its jitter; the trace, and where one without jitter would be."""
    n = len(jitter_s)
    t = np.arange(0.0, apart_s * (n + 1), interval_s)
    which = np.clip((t // apart_s).astype(int), 0, n - 1)
    since = t - apart_s * which - 300.0 - jitter_s[which]
    values = course(since) + np.array([level(i) for i in range(n)])[which]
    values += np.random.default_rng(4).normal(0.0, noise, len(t))
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    trace = trace_of(channel("evaporator", times, values, interval_s))
    return trace, START_NS + np.round((apart_s * np.arange(n) + 300.0) * 1e9).astype(np.int64)


@pytest.mark.parametrize(
    ("interval_s", "noise", "within_s"),
    [
        pytest.param(2.0, 0.3, 1.0, id="quick"),
        pytest.param(10.0, 0.3, 2.5, id="10 s"),
        pytest.param(2.0, 2.0, 3.0, id="noise of a tenth of the rise"),
    ],
)
def test_the_shifts_of_a_jittered_template_are_recovered(interval_s, noise, within_s):
    jitter_s = np.random.default_rng(1).uniform(-20.0, 20.0, 40)
    trace, at_ns = repeated(jitter_s, interval_s=interval_s, noise=noise)
    shift_s, sd_s = aligned([trace], at_ns, OFFSETS_S, 40.0)
    error_s = shift_s - jitter_s
    error_s -= running_median(error_s)  # what neighbours share is not the question here
    assert np.quantile(np.abs(error_s), 0.9) < within_s
    assert (sd_s > 0).all()


def test_levels_that_drift_do_not_move_an_event():
    jitter_s = np.random.default_rng(2).uniform(-15.0, 15.0, 40)
    trace, at_ns = repeated(jitter_s, level=lambda i: 0.5 * i)
    shift_s, _ = aligned([trace], at_ns, OFFSETS_S, 40.0)
    error_s = shift_s - jitter_s
    assert np.quantile(np.abs(error_s - running_median(error_s)), 0.9) < 1.5


def test_two_events_are_left_where_they_are():
    trace, at_ns = repeated(np.array([-10.0, 10.0]))
    assert (aligned([trace], at_ns, OFFSETS_S, 40.0)[0] == 0).all()


def one_trace():
    return repeated(np.zeros(3))[0]


def test_a_template_changes_as_the_machine_does():
    values = np.linspace(0.0, 30.0, 90)[:, None] * np.where(OFFSETS_S < 0, 0.0, 1.0)
    made = template_of(values, alike([values], [one_trace()], 2.0), OFFSETS_S, 0.1)
    tops = made.values[:, -1] - made.values[:, 0]
    np.testing.assert_allclose(tops, np.linspace(0.0, 30.0, 90), atol=3.0)


def test_two_kinds_that_take_turns_are_not_mixed():
    odd = np.random.default_rng(3).random(120) < 0.5
    values = np.where(odd, 5.0, 20.0)[:, None] * np.where(OFFSETS_S < 0, 0.0, 1.0)
    values = values + np.random.default_rng(5).normal(0.0, 0.3, values.shape)
    like = alike([values], [one_trace()], 2.0)
    inner = slice(24, -24)  # whose neighbours all are in the log
    assert (odd[like] == odd[:, None])[inner].all()
    made = template_of(values, like, OFFSETS_S, 0.3).values[inner]
    np.testing.assert_allclose(made[:, -1] - made[:, 0], np.where(odd, 5.0, 20.0)[inner], atol=1.0)


def test_what_is_alike_is_told_whatever_its_level():
    values = course(OFFSETS_S) + np.linspace(-40.0, 40.0, 60)[:, None]
    values[30] = 0.1 * course(OFFSETS_S)  # not like its neighbours, though at their level
    like = alike([values], [one_trace()], 2.0)
    assert not (like == 30)[np.arange(60) != 30].any()
    assert (like == np.arange(60)[:, None]).any(axis=1).all()  # each is like itself


def test_the_median_of_a_template_is_surer_than_one_event():
    values = np.zeros((30, len(OFFSETS_S)))
    like = alike([values], [one_trace()], 2.0)
    # Standard error of a median of n normal values: 1.2533 σ / √n (Kendall and Stuart, from memory).
    assert template_of(values, like, OFFSETS_S, 0.5).noise == pytest.approx(
        1.2533 * 0.5 / np.sqrt(like.shape[1])
    )


@pytest.mark.parametrize("n", [1, 2, 5, 13, 14, 30])
def test_few_events_are_laid_on_all_of_them(n):
    values = np.random.default_rng(6).normal(size=(n, len(OFFSETS_S)))
    like = alike([values], [one_trace()], 2.0)
    assert like.shape == (n, min(n, 13))
    assert all(len(set(row)) == len(row) for row in like.tolist())
    assert ((like >= 0) & (like < n)).all()


def test_readings_further_apart_than_the_window_is_long_tell_nothing_apart():
    """Then the nearest in time are taken."""
    trace, _ = repeated(np.zeros(3), interval_s=300.0)
    values = np.random.default_rng(9).normal(size=(40, len(OFFSETS_S)))
    like = alike([values], [trace], 2.0)
    assert like.shape == (40, 13)
    assert (np.abs(like - np.arange(40)[:, None])[12:-12].max(axis=1) == 6).all()


def test_medians_are_those_of_what_is_known():
    values = np.random.default_rng(7).normal(size=(40, 7, 9))
    values[np.random.default_rng(8).random(values.shape) < 0.4] = np.nan
    values[3, :, 4] = np.nan
    with pytest.warns(RuntimeWarning, match="All-NaN"):
        expected = np.nanmedian(values, axis=1)  # numpy's own
    np.testing.assert_array_equal(medians(values, 1), expected)


def test_readings_about_a_hole_or_beyond_the_log_are_unknown():
    t = np.r_[np.arange(0.0, 300.0, 2.0), np.arange(500.0, 800.0, 2.0)]
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    trace = trace_of(channel("evaporator", times, 0.01 * t, 2.0))
    found = readings_about(trace, START_NS + np.array([300, 20]) * 10**9, OFFSETS_S)
    assert np.isnan(found[0, OFFSETS_S > 2]).all()
    assert np.isnan(found[1, OFFSETS_S < -22]).all()
    assert found[1, OFFSETS_S > 0] == pytest.approx(0.01 * (20 + OFFSETS_S[OFFSETS_S > 0]), abs=0.02)


def test_a_running_median_follows_a_step():
    values = np.r_[np.zeros(60), np.ones(60)]
    assert (running_median(values) == values).all()


@pytest.mark.parametrize("interval_s", [1.0, 5.0])
def test_readings_about_many_events_are_those_of_the_whole_trace_however_few_are_worked_on_at_once(
    interval_s, monkeypatch
):
    """Against numpy.interp over all readings, and where the logger is quicker than the grid against the mean of the integral."""
    trace, near_ns = repeated(np.zeros(30), interval_s=interval_s)
    near_ns = np.r_[near_ns[::-1], trace.time_ns[0], trace.time_ns[-1]]  # in any order, and beyond the ends
    monkeypatch.setattr(superpose, "AT_ONCE", 7)
    known = (trace.time_ns - trace.time_ns[0]) * 1e-9
    wanted = (near_ns - trace.time_ns[0])[:, None] * 1e-9 + OFFSETS_S
    beyond = (wanted < known[0]) | (wanted > known[-1])
    if interval_s < 1.5:
        area = np.r_[0.0, np.cumsum(0.5 * (trace.values[1:] + trace.values[:-1]) * np.diff(known))]
        plain = (np.interp(wanted + 1.0, known, area) - np.interp(wanted - 1.0, known, area)) / 2.0
    else:
        plain = np.interp(wanted, known, trace.values)
    found = readings_about(trace, near_ns, OFFSETS_S)
    np.testing.assert_array_equal(np.isnan(found), beyond)
    np.testing.assert_allclose(found[~beyond], plain[~beyond], rtol=0, atol=1e-8)
