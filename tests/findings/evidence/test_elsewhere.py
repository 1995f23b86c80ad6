"""What earlier reports of a unit tell of it, and which of them count."""

from datetime import UTC, datetime

import pytest

from pipeline.findings.engine import judge
from pipeline.findings.evidence.elsewhere import elsewhere_of
from pipeline.findings.finding import Severity
from pipeline.unit import Unit
from tests.findings.made_up import finding, made_up, noisy

START_NS = int(datetime(2026, 5, 10, tzinfo=UTC).timestamp()) * 10**9


def past(log_end="2026-05-01T12:00:00+02:00", level="well", **figures):
    return {"log_end": log_end, "level": level, "freeze_min": 20.0, "harvest_min": 2.0} | figures


@pytest.mark.parametrize(
    ("report", "counts"),
    [
        pytest.param(past(), True, id="a good one before"),
        pytest.param(past(level="act"), False, id="one that found a fault"),
        pytest.param(past(log_end="2026-05-12T00:00:00+02:00"), False, id="of a log that goes on into this one"),
        pytest.param(past(freeze_min=None), False, id="without a length"),
    ],
)  # fmt: skip
def test_earlier_reports_count_where_they_were_good_and_over(report, counts):
    earlier = elsewhere_of([report], (), start_ns=START_NS).earlier
    assert [k.freeze_min for k in earlier] == ([20.0] if counts else [])
    assert [k.name for k in earlier] == (["2026-05-01"] if counts else [])


@pytest.mark.parametrize(
    ("then", "now", "freeze", "severity"),
    [
        pytest.param(24.0, 24.0, 26.0, Severity.ACT, id="the same air, 30 % longer"),
        pytest.param(24.0, 24.0, 22.0, None, id="the same air, 10 % longer"),
        pytest.param(24.0, 36.0, 22.8, None, id="warmer by what lengthens freezes so far"),
        pytest.param(None, None, 24.5, None, id="air not known: the weather may do that"),
        pytest.param(None, None, 28.0, Severity.WATCH, id="air not known, longer than weather makes it"),
    ],
)
def test_a_unit_is_held_against_what_it_did_at_like_air(then, now, freeze, severity):
    known = {} if now is None else {"condenser_in_c": now, "water_in_c": 15.0}
    timeline, record = made_up(noisy(freeze, 60), 2.0, **known)
    earlier = elsewhere_of(
        [past(log_end="2020-01-01T00:00:00+00:00", air_c=then, water_c=15.0)], (), start_ns=timeline.start_ns
    )
    found = judge(timeline, record, Unit(name="unit"), earlier)
    if severity is None:
        assert found.verdict.technician.key == "verdict.well.technician.earlier"
    else:
        told = finding(found, "freeze-long")
        assert (told.severity, told.evidence["judged_against"]) == (severity, "earlier visits")
