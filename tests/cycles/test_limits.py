"""Each limit of the table decides what it says, and can be overridden for a unit."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.cycles.limits import LIMITS, USUAL
from pipeline.cycles.signal import features, signals
from pipeline.findings import thresholds
from pipeline.unit import Unit
from tests.cycles.plain_machine import START_NS, channel, cycles, machine, standing_machine, timeline, without

COLD_ONLY = ("evaporator",)


def kinds(record):
    return {str(phase.kind) for phase in record.phases}


def whys(record):
    return {phase.why for phase in record.phases if phase.why}


def gaps(record):
    return sum(str(phase.kind) == "gap" for phase in record.phases)


def harvests(record):
    return sum(str(phase.kind) == "harvest" for phase in record.phases)


def trips(run_min, *, freeze_min=20.0, kind="idle", **how):
    row = [(kind, 5.0), ("freeze", run_min)] * 4
    sound = cycles(5, freeze_min=freeze_min)
    return machine([*sound[:-1], *row, (kind, 5.0), *sound], **how).timeline


def hole(seconds, interval_s):
    """A log in which two readings lie `seconds` apart."""
    whole = machine(cycles(6), interval_s=interval_s)
    return without(whole, 601.0, 599.0 + seconds).timeline


def started(*pieces):
    """A clamp at 1 s on a machine that runs, stands for ten minutes, and does `pieces` of (amps, seconds)."""
    story = [(8, 1200), (0, 600), *pieces, (8, 1500), (0, 300)]
    amps = np.concatenate([np.full(seconds, float(a)) for a, seconds in story])
    amps += 0.02 * np.abs(np.random.default_rng(0).standard_normal(len(amps)))
    return timeline([channel("current", START_NS + np.arange(len(amps)) * 10**9, amps, 1.0)])


def at_rest():
    """A clamp that reads nothing, and a line at the temperature of a room for two days."""
    n = 2 * 8640
    t = START_NS + np.arange(n) * 10**10
    room = 21 + 2 * np.sin(np.arange(n) / 8640 * 2 * np.pi) + np.random.default_rng(1).normal(0, 0.1, n)
    return timeline([channel("evaporator", t, room, 10.0), channel("current", t, np.zeros(n), 10.0)])


def rested(**how):
    """A machine that rests after every harvest."""
    return machine([("idle", 12.0), ("freeze", 20.0), ("harvest", 3.0)] * 10, **how).timeline


def thermostat():
    """A clamp on a compressor that runs for 10 min and stands for 15."""
    amps = np.where(np.arange(8640) * 10 % 1500 < 600, 5.0, 0.1)
    return timeline([channel("current", START_NS + np.arange(8640) * 10**10, amps, 10.0)])


def standing(**how):
    """A compressor's clamp on a machine that stands in its harvests."""
    return standing_machine(np.random.default_rng(1), **how)[0]


def many_speeds():
    """A compressor that never stands, at one of twelve speeds for half an hour each."""
    amps = np.repeat(np.random.default_rng(0).integers(3, 12, 48) / 2.0, 180)
    return timeline([channel("current", START_NS + np.arange(8640) * 10**10, amps, 10.0)])


def inrush(record):
    return np.round(record.starts["inrush_a"].to_numpy()).tolist()


# limit, what else is overridden, its value and another one, the log, what is seen of it, and what at either value
SHOWN = [
    ("hole_intervals", {}, 3.5, 2.0, hole(180, 60.0), gaps, 0, 1),
    ("hole_min", {}, 2.0, 1.0, hole(90, 5.0), gaps, 0, 1),
    ("untimed_interval_s", {}, 150.0, 90.0, machine(cycles(8, harvest_min=5.0), interval_s=100.0).timeline, lambda r: r.harvests_timed, True, False),
    ("untimed_times", {}, 1.5, 0.4, machine(cycles(8), interval_s=60.0).timeline, lambda r: r.harvests_timed, True, False),
    ("harvest_most_min", {}, 60.0, 1.0, machine(cycles(6)).timeline, whys, set(), {"no-pattern"}),
    ("room_coldest_c", {}, 10.0, 25.0, at_rest(), kinds, {"idle"}, {"unclear"}),
    ("room_swing_k", {}, 12.0, 1.0, at_rest(), kinds, {"idle"}, {"unclear"}),
    ("warmed_least_k_per_min", {}, 2.5, 60.0, rested(), harvests, 10, 0),
    ("warmed_alone_k_per_min", {}, 2.3, 99.0, machine(cycles(8), roles=COLD_ONLY).timeline, harvests, 8, 0),
    ("freezes_c", {}, 8.0, -20.0, machine(cycles(8), roles=COLD_ONLY).timeline, harvests, 8, 0),
    ("harvests_apart_min", {}, 180.0, 15.0, machine(cycles(8), roles=COLD_ONLY).timeline, harvests, 8, 0),
    ("thermostat_turns", {}, 6, 100, thermostat(), lambda r: r.no_batches, "thermostat", None),
    ("thermostat_least_min", {}, 6.0, 40.0, thermostat(), lambda r: r.no_batches, "thermostat", None),
    ("one_speed_spread", {"sure_pct": 0.0}, 0.5, 3.0, many_speeds(), lambda r: r.no_batches, "not-shown", None),
    ("standing_share_pct", {}, 75.0, 101.0, standing(), harvests, 40, 0),
    ("standing_falls_pct", {}, 3.0, 20.0, standing(), harvests, 40, 0),
    ("sure_pct", {}, 55.0, 100.0, standing(), harvests, 40, 0),
    ("trip_run_min", {"trip_run_pct": 1.0}, 4.0, 2.0, trips(3.0), whys, {"tripping"}, set()),
    ("trip_run_pct", {}, 35.0, 10.0, trips(6.0), whys, {"tripping"}, set()),
    ("trip_run_most_min", {}, 10.0, 14.0, trips(12.0, freeze_min=45.0), whys, set(), {"tripping"}),
    ("trip_off_min", {}, 20.0, 3.0, trips(3.0), whys, {"tripping"}, set()),
    ("trip_runs", {}, 2, 6, trips(3.0), whys, {"tripping"}, set()),
    ("inrush_s", {}, 3.0, 10.0, started((10, 5), (32, 2)), inrush, [10.0], [32.0]),
    ("inrush_seen_s", {}, 2.0, 0.5, started((32, 2)), lambda r: r.starts["inrush_a"].isna().tolist(), [False], [True]),
    ("inrush_times", {}, 1.15, 5.0, started((32, 2)), lambda r: r.starts["inrush_a"].isna().tolist(), [False], [True]),
    ("failed_run_s", {}, 20.0, 5.0, started((32, 8), (0, 60)), lambda r: r.starts["failed"].tolist(), [True, False], [False, False]),
]  # fmt: skip


@pytest.mark.parametrize(("name", "beside", "value", "other", "log", "seen", "before", "after"), SHOWN)
def test_a_limit_decides_and_can_be_overridden(name, beside, value, other, log, seen, before, after):
    assert value == LIMITS[name].value
    assert seen(find_cycles(log, Unit(name="plain", thresholds=beside))) == before
    assert seen(find_cycles(log, Unit(name="plain", thresholds={**beside, name: other}))) == after


def test_a_log_shorter_than_any_freeze_shows_nothing():
    log = machine([("freeze", 2.0)]).timeline
    for given, why in (({"freeze_least_s": 90.0}, ""), ({"freeze_least_s": 150.0}, "no-evidence")):
        record = find_cycles(log, Unit(name="plain", thresholds=given))
        assert (why in whys(record)) == bool(why)


def test_holes_in_one_channel_are_bridged():
    whole = machine(cycles(6)).timeline
    line, clamp = whole.channels
    since = (line.time_ns - START_NS) * 1e-9
    there = (since < 1000.0) | (since > 1000.0 + 300.0)
    line = channel("evaporator", line.time_ns[there], line.values[there], 5.0)
    traces = [signals.trace_of(c) for c in (line, clamp)]
    for given, holed in (({}, True), ({"bridged_min": 6.0}, False)):
        cells = signals.lay_cells(traces, {**USUAL, **given})
        assert np.isnan(features.course_of(traces[0], cells).level).any() == holed


def measured(measure, **given):
    story = [*cycles(4), ("freeze", 20.0), ("stall", 6.0), *cycles(4)]
    log = machine(story, lag_s=0.0, noise_k=0.0)
    return find_cycles(log.timeline, Unit(name="plain", thresholds=given)).cycles[measure].to_numpy()


def test_measures_are_taken_over_the_parts_that_the_limits_name():
    """Against the machine's own courses: a freeze falls from the top of a harvest towards -14 °C with a third of its length
    for a time constant, a harvest rises from there towards 14 °C with half of its own."""
    keep, gain = np.exp(-3.0), np.exp(-2.0)
    top = (14.0 - 28.0 * gain + 14.0 * keep * gain) / (1.0 - keep * gain)
    for part in (0.25, 0.5):
        fallen = (top + 14.0) * (1.0 - np.exp(-3.0 * part))
        found = np.median(measured("pull_down_k_per_min", pull_down_pct=100 * part)[1:4])
        # A freeze's start is known to some seconds only, behind a clip's lag: they are that part of the five minutes looked at.
        assert found == pytest.approx(fallen / (20.0 * part), rel=0.04)
    steep = [
        np.nanmedian(measured("harvest_rise_k_per_min", rise_pct=part, rise_most_s=most))
        for part, most in ((50.0, 60.0), (25.0, 60.0), (50.0, 30.0))
    ]
    assert steep[1] > 1.1 * steep[0]
    assert steep[2] == pytest.approx(steep[1], rel=0.02)


def test_the_warmest_of_a_harvest_is_sought_for_so_long_after_its_end():
    """A clip that lags by half a minute goes on warming after the gas is off."""
    log = machine(cycles(8), lag_s=30.0, noise_k=0.0)
    peak = {
        late: find_cycles(log.timeline, Unit(name="plain", thresholds={"top_late_s": late})).cycles
        for late in (1.0, 60.0)
    }
    end_ns = (peak[60.0]["harvest_start_ns"] + 6e10 * peak[60.0]["harvest_min"]).to_numpy()[1:-1]
    line = log.timeline.get("evaporator")
    found = {late: table["harvest_peak_c"].to_numpy()[1:-1] for late, table in peak.items()}
    for late, values in found.items():
        for at, value in zip(end_ns, values, strict=True):
            inside = (line.time_ns > at - 100e9) & (line.time_ns <= at + 1e9 * max(late, line.interval_s))
            assert value == pytest.approx(line.values[inside].max(), abs=0.2)


def test_a_plateau_is_as_near_to_zero_as_the_limit_says():
    assert np.nanmax(measured("harvest_plateau_min")) > 3.0
    assert np.nanmax(measured("harvest_plateau_min", plateau_k=0.15)) < 2.0


def test_every_limit_is_tested_here():
    by_themselves = {
        "freeze_least_s",
        "bridged_min",
        "pull_down_pct",
        "rise_pct",
        "rise_most_s",
        "plateau_k",
        "top_late_s",
    }
    assert {row[0] for row in SHOWN} | by_themselves == set(LIMITS)


def test_the_limits_are_rows_of_the_one_table():
    assert set(LIMITS) <= set(thresholds.BEFORE)
    given = Unit(name="plain", thresholds={"trip_off_min": 12.0})
    shown = {row[0]: row for row in thresholds.resolve(given).rows()}
    assert shown["trip_off_min"] == ("trip_off_min", 12.0, "min", "unit.toml")
    assert shown["trip_run_min"][3] == "common practice, no source"
