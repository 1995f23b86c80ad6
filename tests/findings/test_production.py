"""Ice and energy: what the log can say, what it compares it with, and what a finding costs of them a day."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.findings.methods.conditions import capacity_factor, heat_kj_per_kg
from pipeline.unit import Measured, Nameplate
from tests.findings.made_up import codes, finding, judged, made_up, noisy

PLATE = {"nameplate": {"ice_kg_per_day": 160.0}, "measured": {"slab_kg": 2.0}}
RATED = {"condenser_in_c": 32.2, "water_in_c": 21.1}


def test_a_weighed_slab_and_the_cycle_make_the_ice_of_a_day():
    made = judged(made_up(np.full(30, 16.0), 2.0), measured={"slab_kg": 2.0}).output
    # 2.0 kg each 18.0 min: 2.0 × 1440 / 18 = 160.0 kg in 24 h = 352.7 lb
    assert made.ice_kg_per_day == pytest.approx(160.0)
    assert made.ice_kg_per_day / 0.45359237 == pytest.approx(352.7, abs=0.1)
    assert made.cycles_per_day == pytest.approx(80.0)
    assert made.basis.key == "output.basis.weighed"


def test_idles_with_a_full_bin_are_no_loss_of_output():
    log = made_up(np.full(30, 16.0), 2.0, idle_after={10: 300, 20: 300})
    assert judged(log, measured={"slab_kg": 2.0}).output.ice_kg_per_day == pytest.approx(160.0)


def test_without_a_weighed_slab_the_ice_is_bounded_by_the_nameplate():
    made = judged(made_up(np.full(30, 16.0), 2.0, **RATED), nameplate={"ice_kg_per_day": 150.0}).output
    assert made.ice_kg_per_day is None
    assert made.ice_kg_per_day_high == pytest.approx(150.0 * 1.1)
    assert 0 < made.ice_kg_per_day_low < 150.0
    assert made.basis.key == "output.basis.bounded"


def test_without_either_only_cycles_are_counted():
    made = judged(made_up(np.full(30, 16.0), 2.0)).output
    assert made.cycles_per_day == pytest.approx(80.0)
    assert made.ice_kg_per_day_high is None
    assert made.basis.key == "output.basis.cycles"


@pytest.mark.parametrize(
    ("water_c", "kj_per_kg"),
    # least heat per kg of ice at 0 °C, CoolProp 8.0.0's enthalpy of water + 333.55 kJ/kg
    [(10.0, 375.6), (21.1, 422.1), (32.2, 468.6)],
)
def test_the_heat_of_a_kilogram_is_that_of_the_steam_tables(water_c, kj_per_kg):
    assert heat_kj_per_kg(water_c) == pytest.approx(kj_per_kg, rel=0.001)


def test_the_trades_182_btu_a_pound_is_met():
    # (70 − 32) °F + 144 Btu/lb = 182 Btu/lb = 423.3 kJ/kg (1 Btu/lb = 2.326 kJ/kg, exact)
    assert heat_kj_per_kg(21.1) == pytest.approx(182 * 2.326, rel=0.005)


def test_the_nameplate_is_carried_to_the_logged_air_and_water():
    assert capacity_factor(32.2, 21.1, rated_air_c=32.2, rated_water_c=21.1, per_k=0.012) == pytest.approx(
        1.0
    )
    cooler = capacity_factor(22.2, 10.0, rated_air_c=32.2, rated_water_c=21.1, per_k=0.012)
    assert cooler == pytest.approx(1.12 * 422.0 / 375.45, rel=1e-3)
    assert capacity_factor(np.nan, np.nan, rated_air_c=32.2, rated_water_c=21.1, per_k=0.012) == 1.0


def test_energy_stands_beside_the_published_limit():
    unit = {
        "kind": "cube",
        "nameplate": {"ice_kg_per_day": 160.0, "equipment": "self-contained"},
        "measured": {"slab_kg": 2.0},
    }
    near = {"condenser_in_c": 31.0, "water_in_c": 20.0}  # its rating point: 32.2 °C air, 21.1 °C water
    made = judged(made_up(np.full(30, 16.0), 2.0, energy_kwh=0.32, **near), **unit).output
    assert made.energy_kwh_per_kg == pytest.approx(0.16)
    assert made.energy_basis.key == "output.energy.estimated"  # no power was logged
    # 160 kg = 352.7 lb/24 h: 10 CFR 431.136(c), self-contained, air-cooled, over 200 lb: 7.35 kWh/100 lb
    assert made.limit_kwh_per_kg == pytest.approx(7.35 * 0.0220462, rel=1e-4)
    assert "not a certified test" in made.limit_basis.english
    far = judged(
        made_up(np.full(30, 16.0), 2.0, energy_kwh=0.32, condenser_in_c=20.0, water_in_c=20.0), **unit
    ).output
    assert far.energy_kwh_per_kg is not None
    assert far.limit_kwh_per_kg is None  # nothing is to be held against it so far from its rating point


def test_what_was_made_and_what_running_would_make_stand_apart():
    log = made_up(
        np.full(30, 16.0), 2.0, idle_after=dict.fromkeys(range(1, 30), 18.0)
    )  # as long at rest as at work
    made = judged(log, measured={"slab_kg": 2.0}).output
    assert made.cycles_per_day == pytest.approx(80.0)  # 1440 min ÷ 18 min
    # 30 cycles and 29 rests of 18 min each
    assert made.made_ice_kg_per_day == pytest.approx(160.0 * 30 / 59, rel=0.01)
    assert made.ice_kg_per_day == pytest.approx(160.0)
    assert made.demand.key == "output.demand-met"


def test_an_expectation_says_for_which_conditions_it_holds():
    plate = {"ice_kg_per_day": 160.0, "at_air_c": 21.0, "at_water_c": 10.0}
    logged = judged(made_up(np.full(30, 16.0), condenser_in_c=21.0, water_in_c=10.0), nameplate=plate).output
    assert logged.expected_kg_per_day == pytest.approx(160.0)
    assert logged.expected_basis.key == "output.expected.both"
    blind = judged(made_up(np.full(30, 16.0)), nameplate=plate).output
    assert (blind.expected_kg_per_day, blind.expected_basis.key) == (160.0, "output.expected.plate")
    unsaid = judged(made_up(np.full(30, 16.0)), nameplate={"ice_kg_per_day": 160.0}).output
    assert unsaid.expected_basis.key == "output.expected.unknown"


def test_a_plate_that_does_not_say_for_which_conditions_it_holds_asks_for_the_least_it_may():
    cool = made_up(np.full(30, 16.0), 2.0, condenser_in_c=21.0, water_in_c=10.0)
    plate, slab = {"ice_kg_per_day": 160.0}, {"slab_kg": 2.0}  # 1440 min ÷ 18 min × 2 kg
    unsaid = judged(cool, nameplate=plate, measured=slab)
    assert unsaid.output.expected_kg_per_day == pytest.approx(160.0)
    assert unsaid.output.expected_basis.key == "output.expected.least"
    rated = judged(cool, nameplate=plate | {"at_air_c": 32.2, "at_water_c": 21.1}, measured=slab)
    assert rated.output.expected_kg_per_day > 195.0
    assert "output-low" in set(codes(rated)) - set(codes(unsaid))


def test_too_few_cycles_say_nothing_of_output():
    assert judged(made_up([16.0, 16.0])).output.cycles_per_day is None


N = 80
LATE = np.arange(N) >= 40
LOG = made_up(
    np.where(LATE, 27.0, 20.0) + noisy(0.05, N, share=1),
    2.5,
    energy_kwh=np.where(LATE, 0.27, 0.22) + noisy(0.001, N, share=1),
)


def evidence(**unit):
    return finding(judged(LOG, **unit), "freeze-long").evidence


def test_ice_lost_is_the_time_beyond_the_usual_in_slabs():
    said = evidence(measured=Measured(slab_kg=2.0))
    # 40 cycles of 29.5 min in place of 22.5 min: 40 × 7 min ÷ 22.5 min = 12.4 slabs of 2 kg in 40 × 29.5 min = 0.819 days: 30.4 kg a day
    assert said["ice_lost_kg_per_day"] == pytest.approx(2.0 * (40 * 7 / 22.5) / (40 * 29.5 / 1440), rel=0.03)
    assert said["ice_lost_low_kg_per_day"] < said["ice_lost_kg_per_day"] < said["ice_lost_high_kg_per_day"]


def test_energy_lost_is_what_its_cycles_use_beyond_the_usual():
    said = evidence()
    assert said["energy_lost_kwh_per_day"] == pytest.approx(40 * 0.05 / (40 * 29.5 / 1440), rel=0.05)
    assert (
        said["energy_lost_low_kwh_per_day"]
        <= said["energy_lost_kwh_per_day"]
        <= said["energy_lost_high_kwh_per_day"]
    )


def test_a_nameplate_bounds_the_ice_and_neither_says_nothing():
    by_plate = evidence(nameplate=Nameplate(ice_kg_per_day=120.0))
    assert "ice_lost_kg_per_day" not in by_plate
    assert by_plate["ice_lost_low_kg_per_day"] < by_plate["ice_lost_high_kg_per_day"]
    assert not any(name.startswith("ice_lost") for name in evidence())


def test_thin_slabs_are_no_gain():
    short = made_up(np.where(LATE, 14.0, 20.0) + noisy(0.05, N, share=1), 2.5)
    said = finding(judged(short, measured=Measured(slab_kg=2.0)), "freeze-short").evidence
    assert not any(name.startswith("ice_lost") for name in said)
