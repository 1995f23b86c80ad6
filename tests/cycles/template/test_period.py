"""What a lone current repeats, whichever way a harvest moves it."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.limits import limits_of
from pipeline.cycles.signal.signals import cell_means, lay_cells, trace_of
from pipeline.cycles.template import period
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, channel, timeline


def clamp(harvest, *, freeze_s=1080.0, harvest_s=180.0, count=40, interval_s=5.0, seed=3):
    """A whole unit's current: it falls through each freeze, `harvest(u)` says what it does over the harvest (u from 0 to 1)."""
    rng = np.random.default_rng(seed)
    freezes = freeze_s * rng.normal(1.0, 0.02, count)
    starts = np.cumsum(np.r_[0.0, freezes + harvest_s])[:-1] + freezes
    t = np.arange(0.0, starts[-1] + harvest_s + 600.0, interval_s)
    i = np.clip(np.searchsorted(starts, t, side="right") - 1, 0, count - 1)
    since = t - np.where(t < starts[0], starts[0] - freezes[0] - harvest_s, starts[i])
    inside = (since < harvest_s) & (t >= starts[0])
    freezing = np.clip((since - harvest_s) / freeze_s, 0.0, 1.2)
    values = np.where(inside, harvest(np.clip(since / harvest_s, 0, 1)), 6.2 - 0.6 * freezing)
    values += rng.normal(0.0, 0.02, len(t))
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    return channel("current", times, values, interval_s), starts, starts + harvest_s


FALLS = pytest.param(lambda u: 4.5 + 0.0 * u, id="it drops and comes back")
RISES = pytest.param(lambda u: 7.2 + 0.0 * u, id="it steps up and back")
CLIMBS = pytest.param(lambda u: 5.6 + 1.6 * u, id="it climbs and drops back")


@pytest.mark.parametrize("harvest", [FALLS, RISES])
def test_the_change_that_recurs_is_one_act_and_the_template_shows_the_other(harvest):
    logged, starts, ends = clamp(harvest)
    trace = trace_of(logged)
    cells = lay_cells([trace], limits_of({}))
    found = period.recurring(trace, cell_means(trace, cells), cells)
    assert found is not None
    assert found.even > 0.95
    for true_s, found_ns in ((starts, found.start_ns), (ends, found.end_ns)):
        off_s = [np.abs((found_ns - START_NS) * 1e-9 - s).min() for s in true_s[1:-1]]
        assert np.median(off_s) < 20.0


@pytest.mark.parametrize("harvest", [FALLS, RISES, CLIMBS])
def test_every_harvest_of_a_lone_clamp_is_found_whichever_way_it_moves(harvest):
    logged, starts, ends = clamp(harvest)
    record = find_cycles(timeline([logged]), Unit(name="plain"))
    found = [p for p in record.phases if p.kind == "harvest"]
    assert abs(len(found) - len(starts)) <= 2
    for true_s, name in ((starts, "start_ns"), (ends, "end_ns")):
        off_s = [min(abs((getattr(p, name) - START_NS) * 1e-9 - s) for p in found) for s in true_s[1:-1]]
        assert np.quantile(off_s, 0.9) < 20.0


def test_what_comes_at_random_does_not_recur():
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 86400.0, 10.0)
    values = 6.0 + 1.0 * (np.cumsum(rng.random(len(t)) < 0.01) % 2) + rng.normal(0, 0.02, len(t))
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    trace = trace_of(channel("current", times, values, 10.0))
    cells = lay_cells([trace], limits_of({}))
    assert period.recurring(trace, cell_means(trace, cells), cells) is None
