"""The shape of a lone channel that comes again with every cycle."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles.signal import signals
from pipeline.cycles.template import repeats, shapes
from tests.cycles.plain_machine import START_NS, trace_of

SECOND = 1_000_000_000
PERIOD_S, HARVEST_S = 1300.0, 130.0


def current(*, interval_s=5.0, noise_a=0.05, fan_min=0.0, cycles=24, seed=4):
    """The current of a whole unit, with the true moments [s]: it falls over a freeze, drops by a pump's share with the
    harvest, climbs, and jumps up with the next freeze. fan_min: mean time after which a fan comes or goes."""
    rng = np.random.default_rng(seed)
    harvest = HARVEST_S * rng.uniform(0.85, 1.15, cycles)
    freeze = (PERIOD_S - HARVEST_S) * rng.uniform(0.93, 1.07, cycles)
    end = np.cumsum(freeze + harvest)
    begin = end - harvest
    t = np.arange(0.0, end[-1] + 300.0, interval_s)
    k = np.searchsorted(end, t, side="right").clip(0, cycles - 1)
    since = t - np.r_[0.0, end][np.searchsorted(end, t, side="right")]
    values = 8.0 + 3.0 * np.exp(-since / 420.0)
    warm = (t >= begin[k]) & (t < end[k])
    values[warm] = 7.4 + 1.6 * (t - begin[k])[warm] / harvest[k][warm]
    if fan_min:
        turns = np.cumsum(rng.exponential(60.0 * fan_min, 2000))
        values -= 0.5 * (np.searchsorted(turns, t) % 2)
    values += noise_a * rng.standard_normal(len(t))
    trace = trace_of("current", values, interval_s)
    return trace, begin, end


def late_s(moments_ns, true_s):
    """By how much the moment nearest to each true one is late [s]."""
    found_s = (moments_ns - START_NS) / SECOND
    return np.array([found_s[np.argmin(np.abs(found_s - x))] - x for x in true_s])


@pytest.mark.parametrize("interval_s", [1.0, 5.0, 15.0, 30.0])
def test_every_harvest_is_found_where_it_begins_and_ends(interval_s):
    trace, begin, end = current(interval_s=interval_s)
    cells = signals.lay_cells([trace])
    shown = repeats.of_draw(trace, cells)
    assert len(shown.first) == len(end)
    within = max(20.0, 1.5 * interval_s)  # bins are ten seconds wide
    assert np.mean(np.abs(late_s(cells.start_ns[shown.first], begin)) <= within) > 0.95
    assert np.mean(np.abs(late_s(cells.start_ns[shown.stop.clip(0, len(cells) - 1)], end)) <= within) > 0.95
    assert shown.alike > 0.9


def test_what_comes_before_a_few_harvests_does_not_begin_the_others():
    """In every fifth cycle something else comes on for the freeze's last minute and a half."""
    trace, begin, _ = current(interval_s=10.0, noise_a=0.01)
    t = (trace.time_ns - START_NS) / SECOND
    values = trace.values.copy()
    for at in begin[2::5]:
        values[(t >= at - 90) & (t < at)] += 1.2
    cells = signals.lay_cells([trace])
    shown = repeats.of_draw(replace(trace, values=values), cells)
    others = np.delete(begin, np.s_[2::5])
    assert np.mean(np.abs(late_s(cells.start_ns[shown.first], others)) <= 15.0) > 0.9


def test_a_fan_that_comes_and_goes_hides_no_harvest():
    trace, _, end = current(fan_min=6.0)
    cells = signals.lay_cells([trace])
    shown = repeats.of_draw(trace, cells)
    assert np.mean(np.abs(late_s(cells.start_ns[shown.stop.clip(0, len(cells) - 1)], end)) <= 30.0) > 0.9
    assert len(shown.first) <= len(end) + 2


def test_a_log_without_cycles_repeats_nothing():
    t = np.arange(0.0, 40_000.0, 10.0)
    rng = np.random.default_rng(1)
    for values in (
        5 + 0.05 * rng.standard_normal(len(t)),
        5 + 2 * (np.searchsorted(np.cumsum(rng.exponential(900.0, 200)), t) % 2),
    ):
        trace = trace_of("current", values, 10.0)
        shown = repeats.of_draw(trace, signals.lay_cells([trace]))
        assert shown is None or shown.alike < 0.8


def test_a_cold_line_that_hunts_shows_its_harvests_only():
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 20 * PERIOD_S, 5.0)
    since = t % PERIOD_S
    values = np.where(since < 150, -9 + 28 * since / 150, -9 + 28 * np.exp(-(since - 150) / 200.0))
    values += np.where(since > 300, 2.0 * np.sin(2 * np.pi * t / 97.0 + rng.uniform(0, 6)), 0.0)
    trace = trace_of("suction", values, 5.0)
    shown = repeats.of_line(trace, signals.lay_cells([trace]))
    assert shown.alike > repeats.ALL_BUT_WHOLE
    assert 18 <= len(shown.first) <= 20


@pytest.mark.parametrize("holes", [0, 40])
def test_all_shifts_at_once_equal_each_by_itself(holes):
    rng = np.random.default_rng(holes)
    level = 20.0 + rng.standard_normal(900).cumsum()
    level[rng.choice(900, holes, replace=False)] = np.nan
    at, reach, shifts = np.arange(5, 900, 70), 20, np.arange(-6, 4)
    shape = np.sin(np.arange(2 * reach + 1) / 6.0)
    plain = []
    for moment in at:
        misfits = []
        for shift in shifts:
            index = moment + shift + np.arange(-reach, reach + 1)
            row = np.where((index >= 0) & (index < 900), level[index.clip(0, 899)], np.nan)
            enough = np.isfinite(row).sum() > 0.5 * len(row)
            misfits.append(np.nanmean((row - np.nanmean(row) - shape) ** 2) if enough else np.inf)
        plain.append(shifts[np.argmin(misfits)] if np.isfinite(misfits).any() else 0)
    assert shapes.best_shift(level, at, shape, reach, shifts, 0.0).tolist() == plain


def test_noise_moves_no_break_of_a_steady_machine():
    """All cycles together choose how far breaks stray: here none does, whatever the noise says of each."""
    rng = np.random.default_rng(8)
    shifts = np.arange(-15, 16)
    true = 0.5 * shifts[:, None] ** 2 / 60.0  # what a gentle break says of each shift, and noise upon it
    misfit = true + 0.6 * rng.standard_normal((len(shifts), 80))
    steady = shapes.strays(misfit, shifts, 6.0)
    alone = np.log1p((shifts / 6.0) ** 2)
    off = np.abs(shifts[np.argmin(misfit + steady[:, None], axis=0)])
    assert np.mean(off) < 0.5 * np.mean(np.abs(shifts[np.argmin(misfit + alone[:, None], axis=0)]))


def stalling(*, every=4, interval_s=10.0, cycles=32, noise_a=0.01, seed=1):
    """The current of a compressor with true begins, ends [s] and which harvests stall: it steps up with the hot gas, climbs while
    the ice melts and falls over the freeze. Of a slab that does not let go it stays where it was, and so does the freeze
    after it."""
    rng = np.random.default_rng(seed)
    values, begin, end, now, stalled = [], [], [], 0, []
    for number in range(cycles):
        freeze = int(rng.integers(510, 540))
        after_stall = bool(stalled and stalled[-1])
        gas = 240 if number % every == every - 1 else int(rng.integers(68, 77))
        since = np.arange(0.0, freeze)
        values.append(3.6 + (0.0 if after_stall else 0.55) * np.exp(-since / 170.0))
        warm = np.arange(0.0, gas)
        values.append(4.0 - 0.0002 * warm if gas > 100 else 4.0 + 0.3 * (warm / gas) ** 2)
        begin.append(now + freeze)
        end.append(now + freeze + gas)
        stalled.append(gas > 100)
        now = end[-1]
    values = np.concatenate([*values, np.full(400, 3.6)])
    at = np.arange(0, len(values), int(interval_s))
    noisy = values[at] + noise_a * rng.standard_normal(len(at))
    trace = trace_of("current_compressor", noisy, interval_s)
    return trace, np.array(begin), np.array(end), np.array(stalled)


def test_a_shape_of_every_fourth_cycle_is_not_the_machines():
    """What is alike about the stalls alone explains them well, and leaves most of what the current climbs to chance."""
    trace, begin, _, stalled = stalling()
    bins = repeats.bins_of(trace, signals.lay_cells([trace]))
    level = trace.values
    at = np.searchsorted(bins.start_ns, START_NS + (begin * SECOND).astype(np.int64))
    width = round(shapes.BESIDE_S[0] / bins.step_s)
    assert shapes.share_of_climbs(level, at, width, width) == pytest.approx(1.0)
    assert shapes.share_of_climbs(level, at[stalled], width, width) < repeats.MOST_CLIMBS
