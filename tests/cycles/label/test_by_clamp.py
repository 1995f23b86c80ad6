"""What a clamp alone shows, whichever way a harvest moves its current; the machines here are none that the network learned from."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.label import by_clamp
from pipeline.cycles.limits import limits_of
from pipeline.cycles.signal.features import draw_cells
from pipeline.cycles.signal.signals import lay_cells, trace_of
from pipeline.cycles.states import HARVEST
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


@pytest.mark.parametrize("interval_s", [2.0, 10.0, 40.0])
@pytest.mark.parametrize("harvest", [FALLS, RISES, CLIMBS])
def test_every_harvest_of_a_lone_clamp_is_found_whichever_way_it_moves(harvest, interval_s):
    logged, starts, ends = clamp(harvest, interval_s=interval_s)
    record = find_cycles(timeline([logged]), Unit(name="plain"))
    found = [p for p in record.phases if p.kind == "harvest"]
    assert abs(len(found) - len(starts)) <= 2
    for true_s, name in ((starts, "start_ns"), (ends, "end_ns")):
        off_s = [min(abs((getattr(p, name) - START_NS) * 1e-9 - s) for p in found) for s in true_s[1:-1]]
        assert np.quantile(off_s, 0.9) < max(20.0, 1.5 * interval_s)


def test_what_a_cell_is_follows_from_what_lies_about_it_and_not_from_where_the_log_is_cut():
    """Pieces of a long log are looked at one by one: their seams show nothing."""
    logged, starts, _ = clamp(lambda u: 7.2 + 0.0 * u, count=160, interval_s=10.0)
    trace = trace_of(logged)
    cells = lay_cells([trace], limits_of({}))
    assert len(cells) > by_clamp.AT_ONCE > 16_000
    says = by_clamp.says(draw_cells(trace, cells), cells)
    inside = (cells.start_ns - START_NS) * 1e-9
    for start_s in starts[1:-1]:
        assert np.quantile(says[(inside > start_s + 30) & (inside < start_s + 150)], 0.1) > 0
        assert says[(inside > start_s + 400) & (inside < start_s + 900)].max() < 0


def test_loads_that_come_at_random_are_no_harvests():
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 86400.0, 10.0)
    values = 6.0 + 1.0 * (np.cumsum(rng.random(len(t)) < 0.01) % 2) + rng.normal(0, 0.02, len(t))
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    record = find_cycles(timeline([channel("current", times, values, 10.0)]), Unit(name="plain"))
    assert not record.pattern


def test_a_plain_rectangle_holds_no_harvest():
    """A thermostat: it runs and stands."""
    t = np.arange(0.0, 86400.0, 5.0)
    values = np.where(t % 1500 < 900, 3.2, 0.02) + np.random.default_rng(5).normal(0, 0.01, len(t))
    times = START_NS + np.round(t * 1e9).astype(np.int64)
    trace = trace_of(channel("current", times, values, 5.0))
    cells = lay_cells([trace], limits_of({}))
    found, named = by_clamp.named_by_clamp(draw_cells(trace, cells), cells)
    assert ((found.stop - found.first)[named.state == HARVEST]).sum() < 0.01 * len(cells)


FREEZE_S, GAS_S, CYCLES = 1200, 120, 8
FAN_A, PUMP_A, NOISE_A = 0.8, 0.3, 0.02


def compressor():
    """Its current at 1 s, and where it runs through harvests: the gas raises what it draws, the freeze lowers it. [A]"""
    climb = 4.0 + 1.6 * np.arange(1, GAS_S + 1) / GAS_S
    fall = 4.0 + 1.6 * np.exp(-np.arange(1, FREEZE_S + 1) / 300.0)
    gas = np.r_[np.zeros(FREEZE_S, dtype=bool), np.ones(GAS_S, dtype=bool)]
    return np.tile(np.r_[fall, climb], CYCLES), np.tile(gas, CYCLES)


def waves(n, seed=5):
    """On and off at random times, one to three minutes each, (n,) of bool."""
    rng = np.random.default_rng(seed)
    edges = np.cumsum(rng.integers(60, 180, n // 60))
    return np.searchsorted(edges, np.arange(n), side="right") % 2 == 0


def fanned(amps, interval_s, role="current"):
    step = round(interval_s)
    values = amps[::step] + NOISE_A * np.random.default_rng(1).standard_normal(len(amps[::step]))
    t = START_NS + (np.arange(len(values)) * step * 1e9).astype(np.int64)
    return channel(role, t, values, interval_s)


@pytest.mark.parametrize("interval_s", [20.0, 30.0])
def test_harvests_are_found_by_a_slow_clamp_beside_a_fan_that_comes_and_goes(interval_s):
    amps, gas = compressor()
    fan = (np.arange(len(amps)) % 157 < 92) & ~gas
    record = find_cycles(
        timeline([fanned(amps + PUMP_A * ~gas + FAN_A * fan, interval_s)]), Unit(name="fans")
    )
    begin_s, end_s = np.array(
        [
            ((p.start_ns - START_NS) * 1e-9, (p.end_ns - START_NS) * 1e-9)
            for p in record.phases
            if p.kind == "harvest"
        ]
    ).T
    true_s = FREEZE_S + (FREEZE_S + GAS_S) * np.arange(CYCLES)
    assert len(begin_s) in (CYCLES - 1, CYCLES)
    for off_s in (begin_s - true_s[: len(begin_s)], end_s - GAS_S - true_s[: len(end_s)]):
        assert np.mean(np.abs(off_s) < 1.5 * interval_s) > 0.7
        assert np.median(np.abs(off_s)) < 1.2 * interval_s


def test_harvests_are_found_and_measured_with_the_fan_in():
    amps, gas = compressor()
    fan = waves(len(amps)) & ~gas
    record = find_cycles(timeline([fanned(amps + PUMP_A * ~gas + FAN_A * fan, 2.0)]), Unit(name="fans"))
    harvests = [p for p in record.phases if p.kind == "harvest"]
    true_s = FREEZE_S + (FREEZE_S + GAS_S) * np.arange(CYCLES)
    found_s = np.array([(p.start_ns - START_NS) * 1e-9 for p in harvests])
    assert len(found_s) in (CYCLES - 1, CYCLES)  # the log ends with one
    assert np.abs(found_s - true_s[: len(found_s)]).max() < 30
    # The highest and the mean current are the clamp's own.
    with_fan = (amps + PUMP_A * ~gas + FAN_A * fan)[FREEZE_S + GAS_S : 2 * FREEZE_S + GAS_S]
    cycle = record.cycles.iloc[1]
    assert cycle["freeze_current_a"] == pytest.approx(with_fan.mean(), abs=0.05)
