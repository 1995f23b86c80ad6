import re
from dataclasses import replace

import numpy as np
import pytest

from pipeline.report.charts.one_cycle import one_cycle
from pipeline.report.wording import Reader
from tests.report.made_up import made_up


@pytest.fixture(scope="module")
def made():
    return made_up(days=3, interval_s=20)


def test_the_cycle_shown_is_a_usual_one_and_each_step_has_its_fault(made):
    _, timeline, record, judgement = made
    odd = {c for f in judgement.findings for c in f.cycles}
    got = one_cycle(timeline, record, odd, Reader())
    assert got.number not in odd
    usual = record.cycles[~record.cycles.cycle.isin(odd)]
    row = record.cycles.loc[got.number]
    assert row.freeze_min == pytest.approx(usual.freeze_min.median(), rel=0.05)
    assert len(got.steps) == 7
    assert all(what.endswith(".") and fault.endswith(".") for what, fault in got.steps)
    assert re.findall(r'class="number"[^>]*>(\d)<', got.svg) == list("1234567")


def test_the_numbers_stand_in_the_order_of_time(made):
    _, timeline, record, _ = made
    got = one_cycle(timeline, record, set(), Reader())
    x = [float(v) for v in re.findall(r'<circle class="mark" cx="([\d.]+)"', got.svg)]
    assert x == sorted(x)


def test_without_a_cold_line_or_with_too_few_cycles_there_is_none(made):
    _, timeline, record, _ = made
    warm = tuple(c for c in timeline.channels if c.role not in ("evaporator", "suction"))
    assert one_cycle(replace(timeline, channels=warm), record, set(), Reader()) is None
    few = replace(record, cycles=record.cycles.iloc[:3])
    assert one_cycle(timeline, few, set(), Reader()) is None


def test_where_next_to_none_is_usual_the_middle_one_of_all_is_shown_and_said_so(made):
    _, timeline, record, _ = made
    shown = one_cycle(timeline, record, set(np.asarray(record.cycles.cycle).tolist()), Reader())
    assert "as next to none is usual" in shown.said
