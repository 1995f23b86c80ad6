"""What the learned weights make of templates whose acts are known by construction, and how they are learned."""

import json

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.signal import lfilter

from pipeline.cycles.boundary import placing, weighing
from pipeline.cycles.limits import limits_of
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.features import course_of, draw_cells
from pipeline.cycles.signal.signals import lay_cells, trace_of
from pipeline.cycles.states import FREEZE, HARVEST
from pipeline.cycles.template.superpose import Template
from tests.bench.worlds.draw import draw
from tests.bench.worlds.learn import Example, Learner, Table, of_world
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


@pytest.mark.parametrize("line", [True, False])
def test_scale_sign_and_level_of_a_channel_do_not_matter(line):
    trace, _ = logged("evaporator" if line else "current", 10.0, 0.8)
    rng = np.random.default_rng(3)
    values = np.cumsum(rng.normal(0, 1, (4, len(T))), axis=1)
    factor = 1.7 if line else -1.7
    one, other = (
        weighing.numbers_of(
            Template(offsets_s=T, values=v, noise=n),
            trace,
            150.0,
            ending=True,
            kind="line" if line else "current",
        )
        for v, n in ((values, 0.1), (factor * values + 3.0, 0.17))
    )
    np.testing.assert_allclose(one[0], other[0], atol=1e-4)
    assert one[1].all()
    assert other[1].all()


def test_a_channel_that_shows_nothing_says_nothing_and_the_act_stays_where_it_was_named():
    trace, _ = logged("current", 10.0, 0.0)
    flat = Template(offsets_s=T, values=np.full((2, len(T)), 6.0), noise=0.01)
    assert not weighing.numbers_of(flat, trace, 150.0, ending=True, kind="current")[1].any()


def examples(count=12, seed=0):
    rng = np.random.default_rng(seed)
    return [
        Example(
            log=f"log-{i % 4}",
            ending=True,
            offsets=T[::4],
            lines=(rng.normal(0, 1, (len(T[::4]), 5)).astype(np.float32),) * (1 + i % 2),
            current=rng.normal(0, 1, (len(T[::4]), 3)).astype(np.float32) if i % 3 else None,
            alone=False,
            true_s=float(rng.normal(0, 20)),
            tolerance_s=20.0,
            sharp_s=3.0,
        )
        for i in range(count)
    ]


def test_the_gradient_that_is_learned_by_is_the_loss_own():
    """Outside check: SciPy's numerical derivative of the cross entropy."""
    table = Table(examples())
    learner = Learner(table, np.random.default_rng(1))
    rows = np.arange(len(table.examples))
    for name in ("line", "current", "mask", "target"):  # as exact as the difference needs
        setattr(table, name, getattr(table, name).astype(float))
    learner.parts = {k: {n: v.astype(float) for n, v in p.items()} for k, p in learner.parts.items()}
    for kind in ("line", "current"):
        for name in ("direct", "hidden", "bias", "out"):
            parts = learner.parts[kind]
            shape, at = parts[name].shape, parts[name].astype(float).ravel()

            def loss(x, parts=parts, name=name, shape=shape):
                parts[name] = x.reshape(shape)
                return -float((table.target * np.log(learner.density(table, rows)[0] + 1e-30)).sum()) / len(
                    rows
                )

            numeric = approx_fprime(at, loss, 1e-6)
            parts[name] = at.reshape(shape)
            np.testing.assert_allclose(learner.gradient(table, rows)[kind][name].ravel(), numeric, atol=1e-4)


def test_what_marks_the_moment_is_learned():
    """A channel whose third number is great at the true moment, and nowhere else."""
    told = examples(40)
    for e in told:
        mark = 3.0 * np.exp(-0.5 * ((e.offsets - e.true_s) / 8.0) ** 2)
        for part in e.lines:
            part[:, 2] = mark
    table = Table(told)
    learner = Learner(table, np.random.default_rng(1))
    before = learner.right(table)
    learner.learn(table, 150, np.random.default_rng(2))
    assert learner.right(table) > 0.95 > before


def test_the_weights_say_how_they_were_made_and_fit_the_numbers():
    text = json.loads(weighing.WEIGHTS.read_text(encoding="utf-8"))
    assert all(
        made_by.startswith("python -m tests.bench.worlds.learn") for made_by in text["made_by"].values()
    )
    for kind, role in (("line", "evaporator"), ("current", "current"), ("alone", "current")):
        trace, _ = logged(role, 10.0, 0.8)
        values = np.cumsum(np.random.default_rng(3).normal(0, 1, (2, len(T))), axis=1)
        flat = Template(offsets_s=T, values=values, noise=0.1)
        for ending in (True, False):
            numbers, _ = weighing.numbers_of(flat, trace, 150.0, ending=ending, kind=kind)
            assert weighing.weighed(numbers, ending=ending, kind=kind).shape == (2, len(T))


def test_a_clamp_by_a_clock_of_its_own_teaches_nothing_alone():
    assert draw(200001, "worked").other_interval_s
    assert of_world(200001, ["alone"]) == []
