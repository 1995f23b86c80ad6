"""Measures of a cycle against values worked out by hand from how the log was made."""

import numpy as np
import pytest

from pipeline.cycles import find_cycles
from pipeline.unit import Measured, Nameplate, Unit
from tests.cycles.plain_machine import START_NS, channel, cycles, machine, timeline

PLAIN = Unit(name="plain")


@pytest.fixture(scope="module")
def table():
    return find_cycles(machine(cycles(8), interval_s=2.0, noise_k=0.02).timeline, PLAIN).cycles


def inner(table):
    return table[table["complete"]].iloc[1:]


def test_lengths_are_those_of_the_story(table):
    true = [minutes for kind, minutes in cycles(8) if kind == "freeze"][2:-1]
    assert inner(table)["freeze_min"].to_list() == pytest.approx(true, abs=0.15)


def test_the_freeze_draws_more_than_the_harvest(table):
    # 8 A falling by 10 %; over a freeze of 20 min with 400 s the mean is 8 × (1 − 0.1 × (1 − (1 − e^−3)/3)) = 7.45 A.
    assert inner(table)["freeze_current_a"].mean() == pytest.approx(7.45, abs=0.05)
    assert inner(table)["harvest_current_a"].mean() == pytest.approx(6.0, abs=0.1)


def test_charge_is_the_mean_current_over_the_cycle(table):
    hours = (inner(table)["freeze_min"] + inner(table)["harvest_min"]) / 60
    mean = inner(table)["charge_ah"] / hours
    assert mean.between(7.2, 7.45).all()


def test_the_line_ends_cold_and_peaks_warm(table):
    rows = inner(table)
    assert rows["freeze_end_c"].mean() == pytest.approx(-12.7, abs=0.5)
    assert (rows["freeze_min_c"] <= rows["freeze_end_c"] + 0.1).all()
    assert rows["harvest_peak_c"].between(7.0, 12.0).all()
    assert (rows["pull_down_k_per_min"] > 1.0).all()
    assert (rows["harvest_rise_k_per_min"] > 4.0).all()


def test_time_below_zero_is_part_of_the_freeze(table):
    rows = inner(table)
    assert (rows["below_zero_min"] > 0.5 * rows["freeze_min"]).all()
    assert (rows["below_zero_min"] < rows["freeze_min"]).all()


def test_a_channel_that_was_not_logged_leaves_its_measures_empty(table):
    for name in ("energy_kwh", "discharge_peak_c", "condenser_split_k", "water_in_c", "ambient_c"):
        assert table[name].isna().all()


def test_energy_is_current_times_voltage_times_power_factor_where_both_are_known():
    # P = V × I × PF (single phase, rms): 115 V × 0.85 × the charge.
    unit = Unit(name="plain", nameplate=Nameplate(voltage_v=115), measured=Measured(power_factor=0.85))
    rows = inner(find_cycles(machine(cycles(6), interval_s=5.0).timeline, unit).cycles)
    assert rows["energy_kwh"].to_numpy() == pytest.approx(
        rows["charge_ah"].to_numpy() * 115 * 0.85 / 1000, rel=1e-6
    )


def test_three_phases_draw_the_root_of_three_times_as_much():
    one = Unit(name="plain", nameplate=Nameplate(voltage_v=208), measured=Measured(power_factor=0.8))
    three = Unit(
        name="plain", nameplate=Nameplate(voltage_v=208, phases=3), measured=Measured(power_factor=0.8)
    )
    log = machine(cycles(6), interval_s=5.0).timeline
    ratio = find_cycles(log, three).cycles["energy_kwh"] / find_cycles(log, one).cycles["energy_kwh"]
    assert ratio.dropna().to_numpy() == pytest.approx(np.sqrt(3.0))


def test_a_logged_power_outranks_current_times_voltage():
    log = machine(cycles(6), interval_s=5.0)
    amps = log.timeline.channels[1]
    power = channel("power", amps.time_ns, amps.values * 100.0, 5.0)
    unit = Unit(name="plain", nameplate=Nameplate(voltage_v=115), measured=Measured(power_factor=0.85))
    rows = inner(find_cycles(timeline([*log.timeline.channels, power]), unit).cycles)
    assert rows["energy_kwh"].to_numpy() == pytest.approx(rows["charge_ah"].to_numpy() * 100 / 1000, rel=0.01)


def test_the_condenser_split_is_out_minus_in_late_in_the_freeze():
    log = machine(cycles(6), interval_s=5.0)
    time_ns = log.timeline.channels[0].time_ns
    flat = np.full(len(time_ns), 25.0)
    extra = [channel("condenser_in", time_ns, flat, 5.0), channel("condenser_out", time_ns, flat + 14.0, 5.0)]
    rows = find_cycles(timeline([*log.timeline.channels, *extra]), PLAIN).cycles
    assert rows["condenser_split_k"].dropna().to_numpy() == pytest.approx(14.0)
    assert rows["condenser_in_c"].dropna().to_numpy() == pytest.approx(25.0)


def test_a_plateau_at_the_melting_point_is_timed():
    story = [*cycles(4), ("freeze", 20.0), ("stall", 6.0), *cycles(3)]
    rows = find_cycles(machine(story, interval_s=5.0).timeline, PLAIN).cycles
    assert rows["harvest_plateau_min"].max() == pytest.approx(4.7, abs=1.0)
    assert rows["harvest_plateau_min"].median() < 1.0


def test_a_freeze_after_a_start_says_how_long_it_was_off():
    story = [*cycles(4), ("idle", 45.0), *cycles(4)]
    rows = find_cycles(machine(story, interval_s=5.0).timeline, PLAIN).cycles
    after = rows[rows["after_idle"]]
    assert len(after) == 1
    assert after["off_before_min"].iloc[0] == pytest.approx(45.0, abs=0.3)
    assert rows.loc[~rows["after_idle"], "off_before_min"].isna().all()


def test_the_first_freeze_of_a_log_was_not_seen_to_begin(table):
    assert np.isnan(table["freeze_min"].iloc[0])
    assert not table["complete"].iloc[0]
    assert table["freeze_start_ns"].iloc[0] == START_NS
