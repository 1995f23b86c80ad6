import re
from dataclasses import replace

import numpy as np
import pytest

from pipeline.findings.finding import Shows
from pipeline.report.charts import svg
from pipeline.report.charts.evidence import evidence
from pipeline.report.charts.overlay import overlay
from pipeline.report.clock import offsets_between
from pipeline.report.numbers.columns import columns_of
from pipeline.report.wording import Reader
from tests.report.made_up import made_up

READER = Reader()


@pytest.fixture(scope="module")
def made():
    return made_up(days=4, interval_s=10)


def picture_of(finding, timeline, record, reader=READER):
    odd = set(finding.cycles)
    return evidence(
        finding,
        timeline=timeline,
        record=record,
        freezes=overlay(timeline, record, "freeze", abnormal=odd),
        harvests=overlay(timeline, record, "harvest", abnormal=odd),
        offsets=offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns),
        reader=reader,
    )


def shown_cycle(picture) -> int:
    return int(re.search(r"(?:Freeze|Harvest) (\d+):", picture.caption)[1])


def test_a_long_freeze_is_shown_by_the_longest_over_the_band_of_the_usual_ones(made):
    _, timeline, record, judgement = made
    long = next(f for f in judgement.findings if f.code == "freeze-long")
    got = picture_of(long, timeline, record)
    lengths = record.cycles.set_index("cycle").freeze_min
    assert shown_cycle(got) == lengths[list(long.cycles)].idxmax()
    assert f"of {lengths.notna().sum() - len(long.cycles)} usual ones" in got.caption
    assert 'class="band"' in got.svg
    assert 'class="odd"' in got.svg


def test_a_short_freeze_is_shown_by_the_shortest(made):
    _, timeline, record, judgement = made
    cycles = tuple(int(n) for n in record.cycles.cycle[:9])
    short = replace(judgement.findings[0], cycles=cycles, shows=Shows(about="freeze", telling="shortest"))
    expected = record.cycles.set_index("cycle").freeze_min[list(cycles)].idxmin()
    assert shown_cycle(picture_of(short, timeline, record)) == expected


def test_a_gap_is_shown_with_what_lies_around_it_and_no_line_across(made):
    _, timeline, record, judgement = made
    gap = next(f for f in judgement.findings if f.code == "log-gap")
    got = picture_of(gap, timeline, record)
    line = re.search(r'class="odd" d="([^"]+)"', got.svg)[1]
    assert line.count("M") == 2
    assert 'class="meant"' in got.svg
    assert "phase-gap" in got.svg


def test_a_probe_fault_is_shown_by_the_very_readings_that_cannot_be_trusted(made):
    _, timeline, record, judgement = made
    channel = timeline.get("discharge")
    wild = channel.values.copy()
    wild[2000:2040] = 327.0
    trusted = channel.trusted.copy()
    trusted[2000:2040] = False
    others = tuple(c for c in timeline.channels if c is not channel)
    spoiled = replace(timeline, channels=(*others, replace(channel, values=wild, trusted=trusted)))
    start, end = int(channel.time_ns[2000]), int(channel.time_ns[2040])
    fault = replace(
        judgement.findings[0],
        code="probe-fault",
        shows=Shows(doubted=True),
        cycles=(),
        start_ns=start,
        end_ns=end,
        evidence={"role": "discharge"},
    )
    got = picture_of(fault, spoiled, record)
    assert "discharge line" in got.caption
    assert "300°" in got.svg


def test_where_nothing_was_read_there_is_no_picture(made):
    _, timeline, record, judgement = made
    blank = tuple(
        replace(c, values=np.full(len(c.values), np.nan), trusted=np.zeros(len(c.values), bool))
        for c in timeline.channels
    )
    for finding in judgement.findings:
        assert picture_of(finding, replace(timeline, channels=blank), record) is None


def test_a_picture_has_both_units_and_says_what_it_shows(made):
    _, timeline, record, judgement = made
    got = picture_of(judgement.findings[0], timeline, record, Reader(units="us"))
    assert re.search(r'class="tick q"[^>]*data-si="0°" data-us="32°">32°<', got.svg)
    assert f'aria-label="{got.caption}"' in got.svg


def test_text_in_a_picture_is_escaped():
    assert "<b>" not in svg.picture(1, 1, [svg.label(0, 0, "<b>")], title="<b>")


def test_ticks_are_round_figures_inside_the_range():
    assert svg.nice_ticks(-12.3, 11.8, 5) == [-10, -5, 0, 5, 10]
    assert svg.nice_ticks(0, 1, 4) == [0, 0.5, 1]


def test_a_change_of_a_measure_is_shown_by_that_measure_cycle_by_cycle(made):
    _, timeline, record, judgement = made
    cycles = record.cycles.copy()
    cycles["freeze_current_a"] = np.linspace(8.0, 9.0, len(cycles))
    moved = replace(judgement.findings[0], evidence={"measure": "freeze_current_a"})
    got = picture_of(moved, timeline, replace(record, cycles=cycles))
    assert (
        got.caption
        == "Cycle by cycle, as logged: current in freeze. From 8.0\N{NO-BREAK SPACE}A to 9.0\N{NO-BREAK SPACE}A."
    )
    line = re.search(r'class="odd" d="([^"]+)"', got.svg)[1]
    heights = [float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", line)]
    assert heights == sorted(heights, reverse=True)  # up is up


def test_after_a_visit_a_change_is_told_from_that_visit_on(made):
    _, timeline, record, judgement = made
    cycles = record.cycles.copy()
    cycles["freeze_current_a"] = np.linspace(8.0, 9.0, len(cycles))
    span = timeline.end_ns - timeline.start_ns
    moved = replace(
        judgement.findings[0], evidence={"measure": "freeze_current_a"},
        start_ns=timeline.start_ns + round(0.6 * span), end_ns=timeline.end_ns,
    )  # fmt: skip
    got = evidence(
        moved, timeline=timeline, record=replace(record, cycles=cycles), reader=READER, visits=[0.5],
        freezes=None, harvests=None, offsets=offsets_between(timeline.tz, timeline.start_ns, timeline.end_ns),
    )  # fmt: skip
    then, now = re.search(r"From ([\d.]+).A to ([\d.]+).A\.$", got.caption).groups()
    assert float(then) == pytest.approx(8.5, abs=0.11)
    assert float(now) == pytest.approx(9.0, abs=0.11)


def test_a_change_at_once_is_told_by_the_middles_before_and_after_it(made):
    _, timeline, record, judgement = made
    cycles, half = record.cycles.copy(), len(record.cycles) // 2
    cycles["freeze_current_a"] = np.where(np.arange(len(cycles)) < half, 8.0, 7.0)
    cycles.loc[cycles.index[-3:], "freeze_current_a"] = (
        6.0  # what the log ends with is not what is usual since
    )
    start_ns = int(columns_of(record)["freeze_start_ns"][half])
    moved = replace(
        judgement.findings[0], start_ns=start_ns, evidence={"measure": "freeze_current_a", "how": "step"}
    )
    got = picture_of(moved, timeline, replace(record, cycles=cycles))
    assert got.caption.replace("\N{NO-BREAK SPACE}", " ").endswith(
        "Before the change half were under 8.0 A, since then under 7.0 A."
    )


def test_a_rate_is_labelled_with_its_unit_and_cycles_after_rests_do_not_flatten_it(made):
    _, timeline, record, judgement = made
    cycles = record.cycles.copy()
    rate = np.where(np.arange(len(cycles)) < len(cycles) // 2, 1.2, 0.8)
    rate[::14] = -5.0  # one in fourteen: more than a hundredth
    cycles["pull_down_k_per_min"] = rate
    moved = replace(judgement.findings[0], evidence={"measure": "pull_down_k_per_min"})
    got = picture_of(moved, timeline, replace(record, cycles=cycles))
    labels = re.findall(r'data-si="([^"]+)"', got.svg)
    assert len(labels) >= 2
    assert all(label.endswith("K/min") for label in labels)
    heights = [
        float(y)
        for y in re.findall(r"[ML][\d.]+ ([\d.]+)", re.search(r'class="odd" d="([^"]+)"', got.svg)[1])
    ]
    assert max(heights) - min(heights) > 60.0  # of 188 px
