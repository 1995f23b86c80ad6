"""What the learned networks make of templates whose acts are known by construction."""

import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline.cycles.boundary import placing, weighing
from pipeline.cycles.limits import limits_of
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import course_of, draw_cells
from pipeline.cycles.signal.signals import lay_cells, trace_of
from pipeline.cycles.states import FREEZE, HARVEST
from pipeline.cycles.template.superpose import Template
from tests.cycles.plain_machine import START_NS, channel

FREEZE_S, HARVEST_S = 1200.0, 160.0
T = np.arange(-240.0, 242.0, 2.0)


def logged(role, interval_s, change, count=30, lag_s=0.0):
    """A line behind a lag, or a current, about true harvests, whose starts [s] come with it; change: of the current in a harvest [A]."""
    t = np.arange(0.0, count * (FREEZE_S + HARVEST_S), interval_s)
    since = t % (FREEZE_S + HARVEST_S)
    frozen, gas = np.minimum(since, FREEZE_S), np.clip((since - FREEZE_S) / 12.0, 0.0, 1.0)
    noise = np.random.default_rng(5).normal(0.0, 1.0, len(t))
    if role == "evaporator":
        warmed = np.clip(since - FREEZE_S, 0.0, None)
        values = (
            -4.0 - 16.0 * (1 - np.exp(-frozen / 500.0)) + 28.0 * (1 - np.exp(-warmed / 60.0)) + 0.05 * noise
        )
        values = values + 24.0 * np.exp(-frozen / 40.0) * (since < FREEZE_S)
    else:
        values = 6.0 - 0.0006 * frozen + change * gas + 0.01 * noise
    if lag_s:
        keep = np.exp(-interval_s / lag_s)
        values = lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])[0]
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    return trace_of(channel(role, times, values, interval_s)), FREEZE_S + (FREEZE_S + HARVEST_S) * np.arange(
        count
    )


def placed(change, lag_s, interval_s):
    """(how far every boundary lies from the true one [s], what is stated of it [s]) of harvests named half a minute late; change: of the
    current beside the line, None without one."""
    line, starts = logged("evaporator", interval_s, 0.0, lag_s=lag_s)
    beside = [logged("current", interval_s, change)[0]] if change else []
    cells = lay_cells([line, *beside], limits_of({}))
    named = np.random.default_rng(6).normal(30.0, 8.0, (2, len(starts)))
    edges_s = np.sort(np.r_[starts + named[0], starts + HARVEST_S + named[1] / 2])[:-1]
    first = np.r_[0, np.searchsorted(cells.start_ns, START_NS + np.round(edges_s * 1e9).astype(np.int64))]
    runs = Runs(
        state=np.tile([FREEZE, HARVEST], len(starts)),
        first=first,
        stop=np.r_[first[1:], len(cells)],
        margin=np.full(len(first), 9.0),
        opens_span=np.arange(len(first)) == 0,
    )
    found = placing.place(runs, [course_of(line, cells)], [draw_cells(t, cells) for t in beside], cells)
    true_s = np.sort(np.r_[starts, starts + HARVEST_S])[:-1]
    off_s = (found.start_ns[1:] - START_NS) * 1e-9 - true_s
    return off_s[2:-2], found.uncertainty_s[3:-2]


@pytest.mark.parametrize("interval_s", [1.0, 10.0, 30.0])
@pytest.mark.parametrize("change", [None, 0.8, -0.8])
@pytest.mark.parametrize("lag_s", [0.0, 20.0, 50.0])
def test_harvests_named_half_a_minute_late_are_put_where_they_began_and_ended(change, lag_s, interval_s):
    """By a line alone, or beside a current that steps up or down; the clip lags or does not."""
    assert np.abs(placed(change, lag_s, interval_s)[0]).max() < max(18.0, 1.5 * interval_s)


def test_what_is_stated_holds_most_of_them():
    """Over all of the above at 10 s: all ends of one log share an error, so that one log alone shows nothing."""
    off_s, stated_s = np.hstack(
        [placed(c, lag, 10.0) for c in (None, 0.8, -0.8) for lag in (0.0, 20.0, 50.0)]
    )
    assert np.mean(np.abs(off_s) <= stated_s) >= 0.7


@pytest.mark.parametrize("kind", ["line", "current", "alone"])
def test_scale_sign_and_level_of_a_channel_do_not_matter(kind):
    """A current upside down is that current's mirror image to the network: its level from the other end."""
    values = np.cumsum(np.random.default_rng(3).normal(0, 1, (4, len(T))), axis=1)
    one, shows = weighing.described(T, values, 0.1, 10.0, 150.0, kind)
    other, shown = weighing.described(T, 1.7 * values + 3.0, 0.17, 10.0, 150.0, kind)
    np.testing.assert_allclose(one, other, atol=1e-4)
    assert shows.all()
    assert shown.all()
    mirrored, _ = weighing.described(T, -values, 0.1, 10.0, 150.0, kind)
    np.testing.assert_allclose(mirrored[..., 0], 1.0 - one[..., 0], atol=1e-4)


def test_a_channel_that_shows_nothing_says_nothing_and_the_act_stays_where_it_was_named():
    assert not weighing.described(T, np.full((2, len(T)), 6.0), 0.01, 10.0, 150.0, "current")[1].any()
    assert not weighing.described(T, np.full((2, len(T)), np.nan), 0.01, 10.0, 150.0, "line")[1].any()


def test_what_lies_beyond_a_template_is_not_seen():
    values = np.cumsum(np.random.default_rng(4).normal(0, 1, (1, len(T))), axis=1)
    short = T[40:-60]
    seen, _ = weighing.described(short, values[:, 40:-60], 0.1, 10.0, 150.0, "line")
    beyond = (short[0] - 1 > weighing.MOMENTS_S) | (short[-1] + 1 < weighing.MOMENTS_S)
    assert not seen[:, beyond].any()
    assert seen[:, ~beyond].any()


def test_every_kind_of_act_and_channel_has_a_network_that_fits():
    trace, _ = logged("evaporator", 10.0, 0.8)
    values = np.cumsum(np.random.default_rng(3).normal(0, 1, (3, len(T))), axis=1)
    for kind in ("line", "current", "alone"):
        for ending in (True, False):
            said, shows = weighing.said_of(
                Template(offsets_s=T, values=values, noise=0.1), trace, 150.0, ending=ending, kind=kind
            )
            assert said.shape == values.shape
            assert np.isfinite(said).all()
            assert shows.all()
