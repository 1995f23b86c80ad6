"""Which readings are believed: each check fires, stays quiet, and does not guess where nothing tells."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.logs import assemble
from pipeline.logs.clock.time_order import longest_silence
from pipeline.logs.trust.sample_checks import resolution_of
from pipeline.unit import Unit
from tests.logs.tables import SECOND_NS, START_NS, cycling, table, times

UNIT = Unit(name="bar")


def _assembled(log, **changed):
    data = log | changed
    columns = {
        "Evaporator (°C)": ("°C", data["evaporator"]),
        "Discharge (°C)": ("°C", data["discharge"]),
        "Current (A)": ("A", data["current"]),
    }
    left_out = {k for k, v in changed.items() if v is None}
    names = {"evaporator": "Evaporator (°C)", "discharge": "Discharge (°C)", "current": "Current (A)"}
    columns = {label: c for label, c in columns.items() if label not in {names[k] for k in left_out}}
    return assemble([table("log.csv", times(log["seconds"]), columns)], UNIT)


def _codes(timeline):
    return {d.code for d in timeline.doubts}


def _at(log, hour: float) -> int:
    return int(np.searchsorted(log["seconds"], hour * 3600))


@pytest.mark.parametrize("step_s", [1.0, 5.0, 10.0, 30.0, 60.0])
@pytest.mark.parametrize("freeze_min", [9.0, 20.0, 45.0])
def test_a_machine_in_order_is_believed(step_s, freeze_min):
    log = cycling(hours=10, step_s=step_s, freeze_min=freeze_min)
    timeline = _assembled(log)
    assert not timeline.doubts
    assert all(c.trusted.all() for c in timeline.channels)
    assert not any(c.masks for c in timeline.channels)


def test_an_error_word_is_no_reading_and_is_told():
    log = cycling()
    evaporator = log["evaporator"].copy()
    a, b = _at(log, 4), _at(log, 6)
    evaporator[a:b] = np.nan
    error = np.isnan(evaporator)
    one = table(
        "log.csv",
        times(log["seconds"]),
        {"Evaporator (°C)": ("°C", evaporator), "Current (A)": ("A", log["current"])},
    )
    from dataclasses import replace

    column = replace(one.columns[0], error=error, error_words={"OL": int(error.sum())})
    timeline = assemble([replace(one, columns=(column, one.columns[1]))], UNIT)
    (doubt,) = timeline.doubts
    assert (doubt.code, doubt.role) == ("probe-fault", "evaporator")
    assert doubt.start_ns == times(log["seconds"])[a]
    assert doubt.end_ns == times(log["seconds"])[b - 1]
    assert timeline.get("evaporator").masks["error word"].sum() == b - a


@pytest.mark.parametrize("code", [-200.0, 850.0, -127.0, 3276.7])
def test_what_no_probe_can_read_is_an_open_or_shorted_one(code):
    log = cycling()
    evaporator = log["evaporator"].copy()
    evaporator[_at(log, 5) : _at(log, 5.5)] = code
    timeline = _assembled(log, evaporator=evaporator)
    channel = timeline.get("evaporator")
    assert _codes(timeline) == {"probe-fault"}
    assert (~channel.trusted).sum() == _at(log, 5.5) - _at(log, 5)


@pytest.mark.parametrize("fill", [327.67, 655.35, 99.9, 9999.0])
def test_what_a_clamp_writes_for_no_reading_is_none(fill):
    log = cycling(hours=8.0)
    current = log["current"].copy()
    current[100::400] = fill
    timeline = _assembled(log, current=current)
    channel = timeline.get("current")
    np.testing.assert_array_equal(
        np.flatnonzero(channel.masks["out of range"]), np.arange(len(current))[100::400]
    )


@pytest.mark.parametrize("inrush", [33.8, 41.0, 32.767])
def test_a_compressors_inrush_is_a_reading(inrush):
    log = cycling(hours=8.0)
    current = log["current"].copy()
    current[100::400] = inrush
    timeline = _assembled(log, current=current)
    assert "out of range" not in timeline.get("current").masks


def test_an_input_that_jumps_to_the_end_of_its_scale_is_open_or_shorted():
    log = cycling()
    evaporator = log["evaporator"].copy()
    evaporator[_at(log, 5) : _at(log, 5.5)] = (
        120.0  # a value that a discharge line may have, but not this one
    )
    timeline = _assembled(log, evaporator=evaporator)
    assert timeline.get("evaporator").masks["open or shorted"].sum() == _at(log, 5.5) - _at(log, 5)
    assert _codes(timeline) == {"probe-fault"}


def test_spikes_are_dropped_without_a_word_while_they_are_few():
    log = cycling()
    evaporator = log["evaporator"].copy()
    at = np.arange(500, 4000, 700)
    evaporator[at] += 30.0
    timeline = _assembled(log, evaporator=evaporator)
    channel = timeline.get("evaporator")
    assert sorted(np.flatnonzero(~channel.trusted)) == at.tolist()
    assert not timeline.doubts


def test_the_harvest_of_a_slow_logger_is_no_spike():
    log = cycling(hours=40, step_s=60.0, freeze_min=12.0, harvest_min=1.0)
    channel = _assembled(log).get("evaporator")
    assert channel.trusted.all()


def test_a_probe_that_fell_off_is_told_with_the_time():
    log = cycling(hours=12)
    evaporator = log["evaporator"].copy()
    off = _at(log, 7)
    room = 24.0 + 0.3 * np.sin(np.arange(len(evaporator) - off) / 500.0)
    evaporator[off:] = np.round(room, 2)
    timeline = _assembled(log, evaporator=evaporator)
    (doubt,) = timeline.doubts
    assert (doubt.code, doubt.role) == ("probe-loose", "evaporator")
    assert abs(doubt.start_ns - START_NS - 7 * 3600 * SECOND_NS) < 25 * 60 * SECOND_NS
    channel = timeline.get("evaporator")
    assert not channel.trusted[off:].any()
    assert channel.trusted[: off - 150].all()


def test_a_probe_that_fell_off_early_in_the_log_is_told_all_the_same():
    log = cycling(hours=48)
    evaporator = log["evaporator"].copy()
    off = _at(log, 12)  # for three quarters of the log it hangs in the room
    room = 24.0 + 1.5 * np.sin(np.arange(len(evaporator) - off) / 1500.0)
    evaporator[off:] = np.round(room, 1)
    (doubt,) = _assembled(log, evaporator=evaporator).doubts
    assert (doubt.code, doubt.role) == ("probe-loose", "evaporator")
    assert abs(doubt.start_ns - START_NS - 12 * 3600 * SECOND_NS) < 25 * 60 * SECOND_NS


def test_a_probe_put_back_is_trusted_again():
    log = cycling(hours=14)
    evaporator = log["evaporator"].copy()
    a, b = _at(log, 5), _at(log, 9)
    evaporator[a:b] = np.round(23.0 + 0.2 * np.sin(np.arange(b - a) / 300.0), 2)
    channel = _assembled(log, evaporator=evaporator).get("evaporator")
    assert not channel.trusted[a:b].any()
    assert channel.trusted[b + 200 :].all()


def test_a_machine_that_stands_still_has_no_loose_probe():
    log = cycling(hours=14)
    a = _at(log, 6)
    rest = log["seconds"][a:] - log["seconds"][a]
    noise = np.random.default_rng(3).standard_normal((2, len(rest)))
    stopped = {
        "evaporator": np.concatenate(
            [log["evaporator"][:a], 22 - 20 * np.exp(-rest / 1800) + 0.05 * noise[0]]
        ),
        "discharge": np.concatenate([log["discharge"][:a], 24 + 40 * np.exp(-rest / 2400) + 0.05 * noise[1]]),
        "current": np.concatenate([log["current"][:a], np.zeros(len(rest))]),
    }
    assert not _assembled(log, **stopped).doubts
    assert not _assembled(log, evaporator=stopped["evaporator"], discharge=None, current=None).doubts


def test_a_stalled_harvest_is_the_machines_fault_and_not_the_probes():
    log = cycling(hours=14)
    a, b = _at(log, 6), _at(log, 8)
    evaporator = log["evaporator"].copy()
    evaporator[a:b] = np.round(-11.0 + 0.3 * np.sin(np.arange(b - a) / 40.0), 2)
    assert "probe-loose" not in _codes(_assembled(log, evaporator=evaporator))


def test_a_trace_that_stands_on_one_value_is_a_fault():
    log = cycling(hours=12)
    evaporator = log["evaporator"].copy()
    a, b = _at(log, 5), _at(log, 8)
    evaporator[a:b] = evaporator[a]
    timeline = _assembled(log, evaporator=evaporator)
    assert _codes(timeline) == {"probe-fault"}
    channel = timeline.get("evaporator")
    assert not channel.trusted[a + 20 : b - 20].any()
    assert channel.trusted[: a - 20].all()


@pytest.mark.parametrize("reads", [0.0, 0.04])
def test_a_clamp_that_reads_nothing_while_the_plate_cycles_is_dead(reads):
    log = cycling(hours=12)
    current = log["current"].copy()
    off = _at(log, 6)
    current[off:] = np.round(
        np.abs(reads + 0.01 * np.random.default_rng(2).standard_normal(len(current) - off)), 2
    )
    timeline = _assembled(log, current=current)
    (doubt,) = timeline.doubts
    assert (doubt.code, doubt.role) == ("clamp-dead", "current")
    assert abs(doubt.start_ns - times(log["seconds"])[off]) < 120 * SECOND_NS
    assert not timeline.get("current").trusted[off + 12 :].any()


def test_a_clamp_round_both_conductors_is_dead_from_the_start():
    log = cycling(hours=12)
    current = np.round(0.03 + 0.01 * np.random.default_rng(2).standard_normal(len(log["current"])), 2)
    timeline = _assembled(log, current=np.abs(current))
    assert _codes(timeline) == {"clamp-dead"}
    assert timeline.get("current") is None  # nothing in it can be believed, so it is used for nothing


def _two_loggers(log, current, until: int):
    t = times(log["seconds"])
    lines = {"Evaporator (°C)": ("°C", log["evaporator"]), "Discharge (°C)": ("°C", log["discharge"])}
    clamp = {"Current (A)": ("A", current[:until])}
    return assemble([table("probes.csv", t, lines), table("clamp.csv", t[:until], clamp)], UNIT)


def test_a_clamp_whose_logger_ended_early_is_not_dead():
    log = cycling(hours=14)
    assert not _two_loggers(log, log["current"], _at(log, 8)).doubts


def test_a_dead_clamp_is_dead_until_its_logger_ended_and_no_longer():
    log = cycling(hours=14)
    current = log["current"].copy()
    current[_at(log, 6) :] = 0.0
    (doubt,) = _two_loggers(log, current, _at(log, 9)).doubts
    begun, ended = (times(log["seconds"])[_at(log, h)] for h in (6, 9))
    assert doubt.code == "clamp-dead"
    assert begun - 120 * SECOND_NS < doubt.start_ns < doubt.end_ns <= ended


def test_a_clamp_at_zero_while_nothing_cycles_is_a_machine_that_is_off():
    log = cycling(hours=12)
    n = len(log["seconds"])
    flat = np.round(21.0 + 0.1 * np.random.default_rng(1).standard_normal(n), 2)
    assert not _assembled(log, evaporator=flat, discharge=flat + 1, current=np.zeros(n)).doubts


def test_a_hole_in_the_log_is_told_with_its_length():
    log = cycling(hours=12)
    keep = (log["seconds"] < 5 * 3600) | (log["seconds"] >= 6.5 * 3600)
    cut = {k: v[keep] for k, v in log.items() if k != "harvest_starts"}
    timeline = _assembled(cut)
    (doubt,) = timeline.doubts
    assert doubt.code == "log-gap"
    assert doubt.evidence["lost_min"] == pytest.approx(90.0, abs=0.5)
    assert doubt.start_ns == START_NS + round((5 * 3600 - 10) * 1e9)


def test_the_silences_of_a_logger_that_writes_changes_only_are_no_holes():
    log = cycling(hours=12)
    line, seconds = log["evaporator"], log["seconds"]
    kept = [0]
    for i in range(1, len(line)):
        if abs(line[i] - line[kept[-1]]) >= 2.0 or seconds[i] - seconds[kept[-1]] >= 300.0:
            kept.append(i)
    at = np.array(kept)
    few = {k: v[at] for k, v in log.items() if k != "harvest_starts"}
    assert np.diff(few["seconds"]).max() > 180.0
    assert "log-gap" not in _codes(_assembled(few))
    away = (few["seconds"] < 5 * 3600) | (few["seconds"] >= 6.5 * 3600)
    assert "log-gap" in _codes(_assembled({k: v[away] for k, v in few.items()}))


@pytest.mark.parametrize(("step_s", "told"), [(60.0, False), (300.0, True)])
def test_an_interval_that_cannot_time_a_harvest_is_told(step_s, told):
    log = cycling(hours=48, step_s=step_s)
    assert ("log-coarse" in _codes(_assembled(log))) is told


def test_steps_too_coarse_for_a_freeze_are_told():
    log = cycling()
    timeline = _assembled(log, evaporator=np.round(log["evaporator"] / 4) * 4)
    doubt = next(d for d in timeline.doubts if d.code == "log-coarse")
    assert (doubt.role, doubt.evidence["step_k"]) == ("evaporator", 4.0)


def test_a_trace_cut_off_at_the_end_of_the_scale_is_not_believed_there():
    log = cycling(hours=14)
    evaporator = np.maximum(log["evaporator"], -5.0)
    channel = _assembled(log, evaporator=evaporator).get("evaporator")
    assert channel.masks["saturated"].sum() == np.count_nonzero(evaporator == -5.0)


def test_limits_can_be_set_for_a_unit():
    log = cycling(hours=48, step_s=60.0)
    one = table("log.csv", times(log["seconds"]), {"Evaporator (°C)": ("°C", log["evaporator"])})
    timeline = assemble([one], Unit(name="bar", thresholds={"coarse_interval_s": 30.0}))
    assert _codes(timeline) == {"log-coarse"}


def test_nothing_that_was_read_is_written_to():
    log = cycling()
    evaporator = log["evaporator"].copy()
    evaporator[500] = 900.0
    kept = evaporator.copy()
    _assembled(log, evaporator=evaporator)
    np.testing.assert_array_equal(evaporator, kept)


def test_the_longest_silence_is_the_one_that_comes_again():
    steps = np.concatenate([np.full(900, 8.0), [300.0, 299.0, 301.0, 280.0], [5400.0]])
    assert longest_silence(steps) == pytest.approx(301.0)


@pytest.mark.parametrize("off_share", [0.0, 0.6])
def test_the_resolution_of_a_log_of_which_most_is_a_standing_machine(off_share):
    """The steps are read off the whole log: its midst may be one value for days."""
    rng = np.random.default_rng(2)
    runs = np.round(20.0 * np.sin(np.arange(8000) / 90.0) / 0.5 + rng.standard_normal(8000)) * 0.5
    stands = np.full(int(len(runs) * 2 * off_share / (1 - off_share)), 21.5)
    assert resolution_of(np.r_[runs, stands, runs]) == 0.5
    assert resolution_of(np.full(100, 3.0)) == 0.0
