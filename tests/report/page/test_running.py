"""Energy and the refrigerant side at the top of the page, in the findings' file and in the summary."""

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest

from pipeline.findings.finding import Output, RefrigerantSide, Slabs, Typical
from pipeline.language.text import Text
from pipeline.report.clock import offsets_between
from pipeline.report.machine_files import cycles_csv, findings_json
from pipeline.report.numbers.whole import numbers_of
from pipeline.report.page.running import energy_facts, refrigerant_facts, slab_facts
from pipeline.report.summary import summarise
from pipeline.report.wording import Reader
from tests.report.made_up import made_up

SIDE = RefrigerantSide(
    refrigerant="R-290",
    superheat_k=Typical(middle=8.8, low=7.1, high=10.4, cycles=120),
    condensing_c=Typical(middle=40.0, low=37.0, high=44.0, cycles=118),
)
# 1 kWh/kg = 45.359237 kWh/100 lb: NIST SP 811, appendix B.8 (1 lb = 0.45359237 kg)
OUTPUT = Output(
    energy_kwh_per_kg=0.2,
    energy_basis=Text(key="output.energy.measured", english="From the logged power"),
    limit_kwh_per_kg=0.25,
    limit_basis=Text(key="x", english="10 CFR 431.136(c). A field log is not a certified test"),
)


def test_the_refrigerant_side_has_a_row_for_what_was_logged_and_none_for_the_rest():
    facts = refrigerant_facts(SIDE, Reader(units="si"))
    assert [fact["name"] for fact in facts] == ["Suction superheat", "Condenses at"]
    assert "R-290" in facts[0]["note"]
    assert "120" in facts[0]["note"]
    assert "8.8\u00a0K" in facts[0]["value"]
    assert "44.0\u00a0°C" in facts[1]["note"]


def test_a_difference_of_temperatures_is_no_temperature_in_fahrenheit():
    superheat, condensing = refrigerant_facts(SIDE, Reader(units="us"))
    assert ">15.8\u00a0°F<" in superheat["value"]  # 1.8 × 8.8, no 32 added: NIST SP 811, appendix B.9
    assert ">104.0\u00a0°F<" in condensing["value"]


def test_without_pressures_there_is_no_row():
    assert refrigerant_facts(None, Reader()) == []


def test_energy_stands_beside_the_limit_which_says_that_it_is_no_test():
    (fact,) = energy_facts(OUTPUT, Reader(units="us"))
    assert ">9.07\u00a0kWh/100 lb<" in fact["value"]
    assert ">11.34\u00a0kWh/100 lb<" in fact["note"]
    assert "not a certified test" in fact["note"]


def test_energy_that_was_not_logged_has_no_row():
    assert energy_facts(Output(), Reader()) == []


def test_a_spanish_page_says_it_in_spanish():
    assert refrigerant_facts(SIDE, Reader(language="es"))[0]["name"] == "Recalentamiento de aspiración"


@pytest.mark.parametrize("side", [SIDE, None])
def test_the_files_for_scripts_hold_the_same_numbers(side):
    unit, timeline, record, judgement = made_up(days=2, interval_s=60)
    judgement = replace(
        judgement, refrigerant_side=side, output=replace(judgement.output, limit_kwh_per_kg=0.25)
    )
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    told = json.loads(findings_json(timeline, judgement, offsets, Reader()))
    summary = json.loads(
        summarise(
            unit=unit,
            timeline=timeline,
            record=record,
            judgement=judgement,
            numbers=numbers_of(unit, timeline, record, judgement),
            problems=[],
            previous=None,
        ).to_json()
    )
    assert told["refrigerant_side"] == summary["refrigerant_side"]
    assert told["output"]["limit_kwh_per_kg"] == summary["limit_kwh_per_kg"] == 0.25
    if side is None:
        assert told["refrigerant_side"] is None
    else:
        assert told["refrigerant_side"]["superheat_k"] == {
            "middle": 8.8,
            "low": 7.1,
            "high": 10.4,
            "cycles": 120,
        }
        assert told["refrigerant_side"]["subcooling_k"] is None


def slabs_of(n, **more):
    share = np.linspace(0.9, 1.1, n)
    told = {"thin": (), "thick": (n,), "trend_pct": (14.0, 5.0, 24.0), "kg": 2.0}
    basis = Text(key="slabs.by.clamp", english="worked out from freeze length and current")
    return Slabs(share=share, low=0.95 * share, high=1.05 * share, basis=basis, **(told | more))


def test_slabs_are_told_with_their_interval_their_weight_and_their_trend():
    [fact] = slab_facts(slabs_of(101), Reader(units="si"))
    assert "91" in fact["value"]  # nine in ten of 90 to 110 %
    assert "109" in fact["value"]
    for words in ("± 5", "1.82", "probably thick: 1", "14", "thicker", "freeze length and current"):
        assert words in fact["note"].replace("\u00a0", " "), words
    [thinner] = slab_facts(slabs_of(101, trend_pct=(-8.0, -15.0, -2.0)), Reader(units="si"))
    assert "8\u00a0% thinner" in thinner["note"]
    assert "2\u00a0% to 15" in thinner["note"]
    [unclear] = slab_facts(slabs_of(101, trend_pct=(4.0, -3.0, 12.0), kg=None), Reader(units="si"))
    assert "third" not in unclear["note"]
    assert "kg" not in unclear["note"]
    assert slab_facts(None, Reader()) == []


def test_the_files_hold_the_slab_of_each_cycle_in_kilograms_once_one_was_weighed():
    _, timeline, record, judgement = made_up(days=0.5, interval_s=10)
    offsets = offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)
    known = replace(judgement, slabs=slabs_of(len(record.cycles)))
    first, *_ = csv.DictReader(io.StringIO(cycles_csv(record, known, offsets)))
    assert float(first["slab_share"]) == pytest.approx(0.9)
    assert float(first["slab_low_share"]) == pytest.approx(0.855)
    assert float(first["slab_high_kg"]) == pytest.approx(1.89)
    table = json.loads(findings_json(timeline, known, offsets, Reader()))["slabs"]
    assert table["thick"] == [len(record.cycles)]
    assert table["usual_kg"] == 2.0
    assert table["last_third_against_first"] == {"change_pct": 14.0, "low_pct": 5.0, "high_pct": 24.0}
    unknown = replace(judgement, slabs=None)
    assert json.loads(findings_json(timeline, unknown, offsets, Reader()))["slabs"] is None
    assert "slab" not in cycles_csv(record, unknown, offsets)
