import csv
import io
import itertools
import json
import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from pipeline.cycles.record import CYCLE_COLUMNS, PhaseKind
from pipeline.findings.engine import all_rules
from pipeline.findings.finding import Shows
from pipeline.report import machine_files
from pipeline.report.clock import offsets_between
from pipeline.report.machine_files import (
    column_names,
    cycles_csv,
    findings_json,
    phases_csv,
    plain,
    spreadsheet_safe,
    write_timeline,
)
from pipeline.report.numbers.flags import cycle_flags, odd_cycles
from pipeline.report.wording import Reader
from tests.report.made_up import made_up


@pytest.fixture(scope="module")
def made():
    return made_up(days=6.5, interval_s=30)


@pytest.fixture(scope="module")
def offsets(made):
    timeline = made[1]
    return offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns)


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_phases_touch_and_cover_the_log_in_local_time(made, offsets):
    _, timeline, record, _ = made
    text = phases_csv(record, offsets)
    assert text.splitlines()[0] == "start,end,phase"
    table = rows(text)
    assert all(a["end"] == b["start"] for a, b in itertools.pairwise(table))
    assert {row["phase"] for row in table} <= {k.value for k in PhaseKind}
    first, last = datetime.fromisoformat(table[0]["start"]), datetime.fromisoformat(table[-1]["end"])
    assert round(first.timestamp() * 1e9) == timeline.start_ns
    assert round(last.timestamp() * 1e9) == timeline.end_ns
    # clocks went forward on 29 March 2026: the log starts in winter time and ends in summer time
    assert (table[0]["start"][-6:], table[-1]["end"][-6:]) == ("+01:00", "+02:00")


def test_cycles_begin_with_the_columns_of_the_contract_and_hold_every_measure(made, offsets):
    _, _, record, judgement = made
    table = rows(cycles_csv(record, judgement, offsets))
    contract = [
        "cycle",
        "freeze_start",
        "harvest_start",
        "harvest_end",
        "freeze_min",
        "harvest_min",
        "uncertainty_min",
        "complete",
        "flags",
    ]
    assert list(table[0])[: len(contract)] == contract
    assert {name.removesuffix("_ns") for name in CYCLE_COLUMNS} <= set(table[0])
    assert len(table) == len(record.cycles)
    assert {row["complete"] for row in table} == {"true", "false"}


def test_a_row_says_what_the_record_says(made, offsets):
    _, _, record, judgement = made
    table = rows(cycles_csv(record, judgement, offsets))
    for row, (_, cycle) in zip(table, record.cycles.iterrows(), strict=True):
        assert int(row["cycle"]) == cycle["cycle"]
        begun = datetime.fromisoformat(row["freeze_start"]).timestamp()
        assert begun == pytest.approx(cycle["freeze_start_ns"] / 1e9, abs=1e-3)
        if np.isfinite(cycle["freeze_min"]):
            assert float(row["freeze_min"]) == pytest.approx(cycle["freeze_min"], abs=5e-4)
        else:
            assert row["freeze_min"] == ""
    assert table[-1]["harvest_end"] == ""  # the log ends inside the last cycle


def test_flags_are_codes_of_the_findings_that_mean_the_very_cycle(made, offsets):
    _, _, record, judgement = made
    table = {int(row["cycle"]): row["flags"].split() for row in rows(cycles_csv(record, judgement, offsets))}
    for finding in judgement.findings:
        flagged = {n for n, codes in table.items() if finding.code in codes}
        assert flagged == (set(finding.cycles) if finding.flag_cycles else set())


def test_a_finding_on_the_whole_log_flags_no_cycle(made):
    finding = replace(made[3].findings[0], flag_cycles=False)
    assert cycle_flags((finding,)) == {}


def test_two_codes_of_one_cycle_stand_side_by_side_worst_first(made):
    first, second = made[3].findings[:2]
    assert cycle_flags(
        (replace(first, cycles=(3,)), replace(second, cycles=(3,)), replace(first, cycles=(3,)))
    ) == {3: [first.code, second.code]}


def test_a_finding_about_the_machine_makes_no_freeze_abnormal_in_itself(made):
    hot, weak, long = (
        replace(made[3].findings[0], cycles=cycles, shows=Shows(about=phase))
        for cycles, phase in (((1,), "span"), ((2, 3), "freeze"), ((2,), "harvest"))
    )
    assert odd_cycles((hot, weak, long), "freeze") == {2, 3}
    assert odd_cycles((hot, weak, long), "harvest") == {2}


@pytest.mark.parametrize(
    ("code", "phase"),
    [
        ("freeze-long", "freeze"),
        ("weak-freeze", "freeze"),
        ("harvest-stalled", "harvest"),
        ("condenser-hot", "span"),
    ],
)
def test_a_rule_says_itself_what_it_is_about(code, phase):
    assert {rule.shows.about for rule in all_rules() if rule.code == code} == {phase}


def test_findings_have_the_keys_of_the_contract_and_si_units_whatever_the_page_shows(made, offsets):
    _, timeline, _, judgement = made
    texts = [findings_json(timeline, judgement, offsets, Reader(units=units)) for units in ("si", "us")]
    told, output = json.loads(texts[0])["output"], judgement.output
    assert (told["made_cycles_per_day"], told["running_cycles_per_day"]) == (51.1, 64.0)
    assert told["made_ice_kg_per_day"] == output.made_ice_kg_per_day
    assert told["running_ice_kg_per_day"] == told["ice_kg_per_day"] == output.ice_kg_per_day
    assert texts[0] == texts[1]
    table = json.loads(texts[0])
    assert {"unit", "log_start", "log_end", "verdict", "findings"} <= table.keys()
    keys = {
        "code",
        "severity",
        "title",
        "start",
        "end",
        "cycles",
        "evidence",
        "likely_causes",
        "next_checks",
        "confidence",
    }
    assert all(keys <= f.keys() for f in table["findings"])
    assert [f["code"] for f in table["findings"]] == [f.code for f in judgement.findings]
    assert "0.4\N{NO-BREAK SPACE}°C" in table["findings"][0]["title"]
    assert datetime.fromisoformat(table["log_start"]).utcoffset() is not None


def test_a_moment_reads_the_same_in_phases_cycles_and_findings_so_that_scripts_can_join_them(made, offsets):
    _, timeline, record, judgement = made
    begun, let_in = (int(record.cycles[f"{name}_start_ns"].iloc[3]) for name in ("freeze", "harvest"))
    # one finding alone, on whole seconds: its text must not depend on what else stands in the file
    one = replace(judgement.findings[0], start_ns=begun, end_ns=let_in)
    found = json.loads(
        findings_json(timeline, replace(judgement, findings=(one,)), offsets, Reader())
    )["findings"][0]  # fmt: skip
    row = rows(cycles_csv(record, judgement, offsets))[3]
    assert (found["start"], found["end"]) == (row["freeze_start"], row["harvest_start"])
    assert found["start"] in {phase["start"] for phase in rows(phases_csv(record, offsets))}
    assert re.search(r":\d\d\.\d{3}[+-]", found["start"])


def test_numbers_that_json_cannot_hold_become_plain_ones():
    odd = {
        "a": np.float64("nan"),
        "b": np.int64(3),
        "c": [np.float32(0.5), float("inf")],
        "d": np.array([1, 2]),
        "e": True,
        5: None,
    }
    assert plain(odd) == {"a": None, "b": 3, "c": [0.5, None], "d": [1, 2], "e": True, "5": None}


@pytest.mark.parametrize("rows_a_group", [1 << 20, 1000])
def test_the_timeline_holds_the_trusted_readings_on_one_clock(
    made, tmp_path: Path, monkeypatch, rows_a_group
):
    _, timeline, _, _ = made
    monkeypatch.setattr(machine_files, "ROWS_A_GROUP", rows_a_group)
    slow = replace(
        timeline.channels[1],
        role="ambient",
        time_ns=timeline.channels[1].time_ns[::7] + 11,
        values=timeline.channels[1].values[::7],
        trusted=timeline.channels[1].trusted[::7],
    )
    doubted = timeline.channels[0].trusted.copy()
    doubted[100:200] = False
    timeline = replace(
        timeline,
        channels=(
            replace(timeline.channels[0], trusted=doubted),
            *timeline.channels[1:],
            slow,
            replace(slow, chosen=False),
        ),
    )
    write_timeline(tmp_path / "t.parquet", timeline)
    table = pq.read_table(tmp_path / "t.parquet")
    groups = pq.ParquetFile(tmp_path / "t.parquet").num_row_groups
    assert groups == -(-len(table) // rows_a_group)
    assert str(table.schema.field("time").type) == "timestamp[ns, tz=Europe/Madrid]"
    assert table.column_names == ["time", "evaporator", "discharge", "condenser_in", "current", "ambient"]
    expected = timeline.frame()  # the reading room's own table of the same
    got = table.to_pandas().set_index("time")
    assert (got.index.astype("int64") == expected.index.astype("int64")).all()
    for role in expected.columns:
        np.testing.assert_array_equal(got[role].to_numpy(), expected[role].to_numpy())
    assert table.schema.field("evaporator").metadata[b"label"] == b"Ch 1 evaporator"


def test_a_second_channel_of_a_role_gets_a_column_of_its_own(made):
    channels = list(made[1].channels)
    assert column_names([channels[0], channels[1], channels[0]]) == [
        "evaporator",
        "discharge",
        "evaporator_2",
    ]


@pytest.mark.parametrize("text", ["=1+1", "+34 600", "-5", "@name", "\tx", "\rx"])
def test_text_that_a_spreadsheet_would_run_is_defused(text):
    assert spreadsheet_safe(text) == "'" + text


def test_other_text_stays_as_it_is():
    assert spreadsheet_safe("Café del Mar, 2") == "Café del Mar, 2"
