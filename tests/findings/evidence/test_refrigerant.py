"""The refrigerant side: saturation temperatures against table values, superheat and subcooling."""

import numpy as np
import pytest

from pipeline.findings.evidence import refrigerant
from tests.findings.made_up import BEGIN_NS, MIN_NS, channel, codes, finding, judged, made_up, noisy

cool_prop = pytest.importorskip("CoolProp")


@pytest.mark.parametrize(
    ("name", "at", "celsius", "kpa"),
    [
        # saturation pressures, absolute (CoolProp 8.0.0; R-134a and R-404A agree with the makers' tables to 1 kPa)
        ("R-134a", "dew", -10, 200.6),
        ("R-134a", "dew", 40, 1016.6),
        ("R-404A", "bubble", -10, 439.1),
        ("R-404A", "dew", -10, 430.7),
        ("R-404A", "bubble", 40, 1829.5),
        ("R-404A", "dew", 40, 1814.9),
        ("R-290", "dew", -20, 244.5),
        ("R-290", "bubble", 40, 1369.4),
        ("R-600a", "dew", 0, 157.0),
        # boiling at one atmosphere: as ASHRAE 34 lists them (from memory, to be confirmed)
        ("R-134a", "bubble", -26.07, 101.325),
        ("R-290", "bubble", -42.11, 101.325),
        ("R-600a", "bubble", -11.75, 101.325),
    ],
)
def test_saturation_temperatures_are_the_tables(name, at, celsius, kpa):
    gauge = np.array([kpa - 101.325])
    assert refrigerant.saturation_c(name, gauge, at=at)[0] == pytest.approx(celsius, abs=0.05)


def test_a_pressure_without_the_refrigerants_name_says_what_it_needs():
    log = made_up(noisy(20, 20), roles=("evaporator", "discharge_pressure"))
    needs = {n.code: n.needs.key for n in judged(log).not_judged}
    assert needs["condenser-hot"] == "needs.refrigerant"


def test_a_pressure_outside_the_saturation_line_has_no_temperature():
    assert np.isnan(refrigerant.saturation_c("R-134a", np.array([-101.0, 9000.0]), at="dew")).all()


def test_a_refrigerant_that_is_not_known_gives_none():
    assert refrigerant.saturation_c("R-9999", np.array([100.0]), at="dew") is None


@pytest.mark.parametrize("written", ["R-290", "r290", "R 290", "290"])
def test_a_refrigerant_is_known_however_it_is_written(written):
    assert refrigerant.name_of(written) == "R-290"
    # ASHRAE 34 safety groups: R-134a A1; R-404A A1, R-290 A3, R-600a A3 (from memory, to be confirmed)
    assert refrigerant.safety_group(written) == "A3"
    assert refrigerant.is_flammable(written)


@pytest.mark.parametrize(
    ("name", "burns"), [("R-134a", False), ("R-404A", False), ("R-600a", True), ("R-32", True)]
)
def test_flammable_classes_are_told_apart(name, burns):
    assert refrigerant.is_flammable(name) is burns


def late_channels(n, **levels):
    end = BEGIN_NS + round(n * 22.5 * MIN_NS)
    return [channel(role, BEGIN_NS, end, values=np.full(n * 50, level)) for role, level in levels.items()]


def test_superheat_and_subcooling_follow_from_pressure_and_line():
    n = 20
    channels = late_channels(
        n, suction=-2.0, liquid=32.0, suction_pressure=430.7 - 101.325, discharge_pressure=1829.5 - 101.325
    )
    log = made_up(np.full(n, 20.0), condenser_in_c=24.0, channels=channels)
    found = judged(log, nameplate={"refrigerant": "R-404A"})
    # evaporating at −10 °C (dew), condensing at 40 °C (bubble): superheat 8 K, subcooling 8 K
    from pipeline.findings.evidence.case import Case
    from pipeline.findings.thresholds import resolve
    from pipeline.unit import Unit

    unit = Unit(name="u", nameplate={"refrigerant": "R-404A"})
    side = Case(timeline=log[0], record=log[1], unit=unit, thresholds=resolve(unit)).refrigeration
    assert np.median(side.superheat_k) == pytest.approx(8.0, abs=0.1)
    assert np.median(side.subcooling_k) == pytest.approx(8.0, abs=0.1)
    assert np.median(side.condensing_over_air_k) == pytest.approx(16.3, abs=0.3)
    assert not {"weak-freeze", "condenser-hot"} & set(codes(found))
    assert found.refrigerant_side.refrigerant == "R-404A"
    assert found.refrigerant_side.superheat_k.middle == pytest.approx(8.0, abs=0.1)
    assert found.refrigerant_side.evaporating_c.middle == pytest.approx(-10.0, abs=0.1)
    assert found.refrigerant_side.subcooling_k.cycles == n


def test_the_refrigerant_side_is_told_over_steady_cycles_with_its_spread():
    n = 40
    freeze = noisy(20, n)
    ends = np.cumsum(freeze + 2.0)
    line = np.where(
        np.arange(0, ends[-1], 0.5) < ends[19], -2.0, 1.0
    )  # half of the cycles 3 K more superheat
    suction = channel("suction", BEGIN_NS, BEGIN_NS + round(ends[-1] * MIN_NS), values=line)
    channels = [suction, *late_channels(n, suction_pressure=430.7 - 101.325)]
    side = judged(made_up(freeze, channels=channels), nameplate={"refrigerant": "r404a"}).refrigerant_side
    assert (side.superheat_k.low, side.superheat_k.high) == pytest.approx((8.0, 11.0), abs=0.15)
    assert side.condensing_c is None
    assert side.subcooling_k is None


@pytest.mark.parametrize(
    "unit", [{}, {"nameplate": {"refrigerant": "R-404A"}}], ids=["unnamed", "no pressure logged"]
)
def test_without_pressure_or_refrigerant_nothing_is_told_of_it(unit):
    channels = late_channels(20, suction=-2.0, **({} if unit else {"suction_pressure": 329.4}))
    assert judged(made_up(np.full(20, 20.0), channels=channels), **unit).refrigerant_side is None


def test_a_starved_evaporator_is_found_by_its_superheat():
    n = 20
    channels = late_channels(n, suction=12.0, suction_pressure=430.7 - 101.325)
    found = judged(made_up(noisy(20, n), channels=channels, roles=()), nameplate={"refrigerant": "R-404A"})
    assert finding(found, "weak-freeze").evidence["superheat_k"] == pytest.approx(22.0, abs=0.2)
    assert (
        finding(found, "weak-freeze").likely_causes[0].key.startswith(("cause.charge-low", "cause.metering"))
    )


def test_condensing_far_above_the_air_is_poor_heat_rejection():
    n = 20
    channels = late_channels(n, discharge_pressure=2310.9 - 101.325)
    found = judged(
        made_up(noisy(20, n), condenser_in_c=22.0, channels=channels), nameplate={"refrigerant": "R-404A"}
    )
    assert finding(found, "condenser-hot").evidence["over_air_k"] == pytest.approx(
        28.3, abs=0.4
    )  # about 50.3 − 22
