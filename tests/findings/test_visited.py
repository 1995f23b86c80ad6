"""A log that a visit splits: the machine is judged as it was left; an improvement is no fault, what grew worse since is one."""

from datetime import UTC, datetime

import numpy as np

from pipeline.findings.finding import Severity
from tests.findings.made_up import BEGIN_NS, codes, finding, judged, made_up, noisy

DAY = datetime.fromtimestamp(BEGIN_NS / 1e9, UTC).date()


def log(before_min: float, after_min: float, *, stop_min: float = 45.0, n: int = 25, **measures):
    freeze = np.concatenate([noisy(before_min, n), noisy(after_min, n, seed=2)])
    return made_up(
        freeze, 2.0, idle_after={n: stop_min, 8: 20.0}, roles=("evaporator", "current"), **measures
    )


def visit_of(timeline_and_record, **more):
    """The visit, named by its day, of the long stop in the middle."""
    _, record = timeline_and_record
    stop = max((p for p in record.phases if p.kind == "idle"), key=lambda p: p.end_ns - p.start_ns)
    return {"on": datetime.fromtimestamp(stop.start_ns / 1e9, UTC).date(), "what": "condenser cleaned"} | more


def test_a_cleaned_condenser_is_no_fault():
    mended = log(34, 22)
    found = judged(mended, visits=[visit_of(mended)])
    assert "freeze-short" not in codes(found)
    assert not [f for f in found.findings if f.severity is Severity.ACT]
    (visit,) = found.visits
    assert visit.better is True
    assert visit.sentence.values["shorter_pct"] > 30
    assert found.verdict.client.key == "verdict.better.client"


def test_what_was_wrong_before_a_visit_and_is_not_after_it_is_a_note():
    mended = log(58, 22)
    found = judged(mended, kind="slab", visits=[visit_of(mended)])
    before = finding(found, "freeze-long")
    assert (before.severity, before.part) == (Severity.NOTE, "before")
    assert found.visits[0].mended == ("freeze-long",)


def test_what_became_worse_after_a_visit_is_found_against_the_time_before_it():
    worse = log(22, 30)
    found = judged(worse, visits=[visit_of(worse)])
    assert finding(found, "freeze-long").evidence["judged_against"] == "earlier visits"
    assert found.visits[0].better is False
    assert found.visits[0].new == ("freeze-long",)


def test_a_visit_that_changed_nothing_says_so():
    same = log(22, 22)
    found = judged(same, visits=[visit_of(same)])
    assert found.visits[0].better is None
    assert found.visits[0].sentence.key == "visit.same"


def test_a_visit_outside_the_log_splits_nothing():
    found = judged(log(22, 22), visits=[{"on": "2019-05-04"}])
    assert found.visits == ()


def test_shorter_freezes_since_a_stop_that_nobody_named_are_asked_about_and_send_nobody():
    found = finding(judged(log(34, 22, n=40)), "freeze-short")
    assert found.severity is Severity.WATCH
    assert found.title.key == "finding.freeze-short.since-a-stop"
    assert found.evidence["after_a_stop_at"].startswith(str(DAY)[:7])
