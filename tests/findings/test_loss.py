"""What a finding costs a day: by hand, and silent where nothing allows it."""

import numpy as np
import pytest

from pipeline.unit import Measured, Nameplate
from tests.findings.made_up import finding, judged, made_up, noisy

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
