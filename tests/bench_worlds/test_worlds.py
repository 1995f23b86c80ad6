"""The worlds against physics that can be worked out by hand, and their logs against their own truth."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from tests.bench.worlds.__main__ import by_truth, judged, read_files
from tests.bench.worlds.draw import Change, draw
from tests.bench.worlds.physics import LATENT_J_PER_KG, TRACES, WATER_J_PER_KG_K
from tests.bench.worlds.probes import follow
from tests.bench.worlds.simulate import alone, clamp_steps, course, lived, simulate, timeline, write

SEEDS = range(100, 136)


@pytest.fixture(scope="module")
def logs():
    return [simulate(draw(seed)) for seed in SEEDS]


def test_phases_touch_and_cover_the_log(logs):
    for log in logs:
        assert log.phases[0][0] == 0.0
        assert log.phases[-1][1] == log.length_s
        assert all(a[1] == b[0] and a[2] != b[2] for a, b in itertools.pairwise(log.phases))


def test_the_truth_scores_one_on_every_log(logs):
    for log in logs:
        result = judged(log, by_truth)
        assert (result.f1, result.loose.f1, result.made_up) == (1.0, 1.0, 0)
        assert result.held == result.lengths > 20


def test_freezes_and_harvests_last_as_long_as_those_of_batch_machines(logs):
    # Freezes of 8 to 40 min and harvests of 1 to 6 min; longer while something changes. Common practice, no source.
    for log in logs:
        lengths = {
            k: np.median([b - a for a, b, p in log.phases[1:-1] if p == k]) for k in ("freeze", "harvest")
        }
        assert 4 * 60 < lengths["freeze"] < 80 * 60, log.tags
        assert 45 < lengths["harvest"] < 8 * 60, log.tags


def test_the_heat_of_a_freeze_is_that_of_its_water_and_ice():
    # 333.5 kJ/kg (NASA TP 1906, as tabled in Mechanical Engineers' Handbook vol. 4, table 17), and 4.195 kJ/(kg K) for water at
    # 10 °C (IAPWS-95). What the plate itself gives comes on top: it is warm after each harvest.
    shares = []
    for seed in range(300, 330):
        world = draw(seed)
        m = world.machine
        if (
            m.refill == 2
            or m.gas_leak_w
            or world.structure.mishaps != "none"
            or world.structure.course != "none"
        ):
            continue
        *_, made, taken, given = lived(world)
        ice = made[1:].sum()
        least = ice * LATENT_J_PER_KG
        fresh = m.fresh_share.mean() * (world.water_c - m.water_left_c) * m.water_kg
        expected = least + len(made) * fresh * WATER_J_PER_KG_K
        assert given == pytest.approx(expected, rel=0.1)
        assert taken > given > least
        shares.append(given / taken)
    assert len(shares) >= 4
    assert np.median(shares) > 0.75


def test_a_sub_cooled_reservoir_jumps_back_to_zero_with_the_first_ice():
    world = next(
        w
        for s in range(100)
        if (w := draw(s)).structure.sub_cooling != "none" and w.structure.course == "none"
    )
    traces, *_ = lived(world)
    water = traces[TRACES.index("water")]
    jumps = np.diff(water)[(water[:-1] < -1.0) & (water[1:] > -0.1)]
    assert water.min() == pytest.approx(world.machine.nucleation_c, abs=0.1)
    assert len(jumps) > 20


def test_a_clip_with_two_lags_is_late_by_their_sum_on_a_ramp():
    ramp = 0.01 * np.arange(6000.0)
    minutes = np.ones(100)
    none = np.zeros(100)
    read = follow(ramp, none, 40 * minutes, 20 * minutes, none, none, none, none)
    assert read[-1] == pytest.approx(
        0.01 * (5999 - 60), abs=0.02
    )  # two first-order lags: the ramp, later by their sum
    dry = follow(ramp, none, none, none, none, none, none, none)
    assert dry == pytest.approx(ramp)


def test_a_wet_clip_stays_at_zero_while_its_water_thaws():
    pipe = np.concatenate([np.full(3000, -10.0), np.full(3000, 10.0)])
    minutes = np.ones(100)
    none = np.zeros(100)
    read = follow(pipe, none, 10 * minutes, none, none, 6 * minutes, none, none)
    # 6 K of heat over a lag of 10 s through a difference of 10 K: 6 s
    assert np.count_nonzero(read[3000:] == 0.0) == pytest.approx(6, abs=1)
    assert read[-1] == pytest.approx(10.0, abs=0.01)


def test_a_lone_clamp_shows_both_acts():
    for seed in range(60):
        world = draw(seed)
        if all(r.startswith("current") for r in world.roles):
            level, steps = clamp_steps(world)
            assert (np.median(steps, axis=0) >= 0.04 * level).all()


def test_a_clip_shows_every_harvest(logs):
    for log in logs:
        line = log.readings[0]
        if line.role.startswith("current"):
            continue
        rises = []
        for a, b, kind in log.phases:
            if kind != "harvest" or a < 300 or b > log.length_s - 300:
                continue
            i, _j, k = np.searchsorted(line.time_s, (a - 30, b, b + 120))
            rises.append(line.values[i:k].max() - line.values[max(0, i - 2) : i + 1].mean() if k > i else 0.0)
        assert np.median(rises) > 3.0, log.tags


def test_changes_take_the_course_they_say():
    day = np.linspace(0, 4, 401)

    def change(shape: str, **more) -> Change:
        return Change(subject="level", size=1, shape=shape, from_day=1.0, to_day=3.0, **more)

    step = course(change("step"), day)
    assert (step[day < 1].max(), step[day > 1].min()) == (0.0, 1.0)
    ramp = course(change("ramp"), day)
    assert ramp[200] == pytest.approx(0.5)
    assert ramp[-1] == 1.0
    repaired = course(change("repaired"), day)
    assert repaired[299] == pytest.approx(1.0, abs=0.01)
    assert repaired[301:].max() == 0.0
    comes = course(change("comes and goes", episodes=2), day)
    assert np.count_nonzero(np.diff(comes) > 0) == 2
    assert comes[-1] == 0.0


def test_files_say_what_the_log_holds(tmp_path):
    for seed in (0, 3):
        log = simulate(draw(seed))
        paths = write(log, tmp_path / str(seed))
        assert len(paths) == len({r.logger for r in log.readings})
        read = read_files(log)
        for reading in log.readings:
            channel = read.get(reading.role)
            assert channel is not None
            assert len(channel.values) == len(reading.values)
            assert channel.values == pytest.approx(reading.values, abs=1e-6)


def test_a_timeline_of_one_logger_is_the_readings_themselves():
    log = simulate(next(w for s in range(20) if not (w := draw(s)).other_interval_s))
    line = timeline(log)
    for reading in log.readings:
        assert line.get(reading.role).values is reading.values
    one = alone(log, log.readings[0].role)
    assert len(timeline(one).channels) == 1


def test_two_loggers_an_hour_apart_write_so():
    worlds = (draw(s) for s in range(400))
    log = simulate(next(w for w in worlds if abs(w.offset_s) > 3000 and w.days < 3))
    first = {r.logger: r.time_s[0] for r in log.readings}
    assert first[2] - first[1] == pytest.approx(log.world.offset_s, abs=2 * 60)
