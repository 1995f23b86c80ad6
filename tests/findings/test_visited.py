"""A log that a visit splits: the machine is judged as it was left; an improvement is no fault, what grew worse since is one."""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from tests.findings.made_up import BEGIN_NS, MIN_NS, channel, codes, finding, judged, made_up, noisy

DAY = datetime.fromtimestamp(BEGIN_NS / 1e9, UTC).date()


def log(before_min: float, after_min: float, *, stop_min: float = 45.0, n: int = 25, **measures):
    freeze = np.concatenate([noisy(before_min, n), noisy(after_min, n, seed=2)])
    return made_up(
        freeze, 2.0, idle_after={n: stop_min, 8: 20.0}, roles=("evaporator", "current"), **measures
    )


def log_of(lengths, *, visit_after: int, and_after: int | None = None):
    """A log of these freezes [min] with a stop after the cycle `visit_after`, and after another one."""
    stops = {visit_after: 45.0} | ({} if and_after is None else {and_after: 45.0})
    end_ns = BEGIN_NS + round((lengths.sum() + 3 * len(lengths) + sum(stops.values())) * MIN_NS)
    read = tuple(channel(r, BEGIN_NS, end_ns, values=np.zeros(5000)) for r in ("evaporator", "current"))
    return made_up(lengths, 3.0, idle_after=stops, channels=read)


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


def test_what_became_worse_after_a_visit_is_found_against_the_time_before_it():
    worse = log(22, 30)
    found = judged(worse, visits=[visit_of(worse)])
    assert finding(found, "freeze-long").evidence["judged_against"] == "earlier visits"
    assert found.visits[0].better is False
    assert found.verdict.since.key == "verdict.since-visit"
    assert found.verdict.since.values["cycles"] < 30  # of the 50 in the log


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


def test_a_fault_that_goes_on_after_a_visit_is_not_hidden_by_it():
    lengths = np.concatenate([noisy(34, 25), noisy(64, 10, seed=2), noisy(64, 40, seed=3)])
    before = log_of(lengths, visit_after=35)
    unsplit = finding(judged(before), "freeze-long")
    found = judged(before, visits=[visit_of(before)])
    told = finding(found, "freeze-long")
    assert (told.severity, told.part) == (Severity.ACT, "")
    assert told.cycles == unsplit.cycles
    assert told.start_ns == unsplit.start_ns
    assert found.verdict.level == "act"
    hours = (told.start_ns - BEGIN_NS) / 3.6e12
    assert found.verdict.since.values["after_h"] == pytest.approx(hours, abs=0.1)


def test_a_fault_that_a_visit_mended_in_part_is_still_told():
    lengths = np.concatenate([noisy(34, 25), noisy(64, 10, seed=2), noisy(46, 40, seed=3)])
    half = log_of(lengths, visit_after=35)
    found = judged(half, visits=[visit_of(half)])
    assert finding(found, "freeze-long").severity is not Severity.NOTE


def test_a_fault_that_ended_with_a_visit_is_a_note_although_the_log_in_one_piece_shows_it():
    lengths = np.concatenate([noisy(34, 25), noisy(64, 10, seed=2), noisy(34, 40, seed=3)])
    mended = log_of(lengths, visit_after=35)
    found = judged(mended, visits=[visit_of(mended)])
    before = finding(found, "freeze-long")
    assert (before.severity, before.part) == (Severity.NOTE, "before")
    assert found.verdict.level == "well"


def test_a_fault_that_outlives_two_visits_is_no_standard_for_what_came_later():
    lengths = np.concatenate([noisy(34, 25), noisy(64, 40, seed=2), noisy(64, 40, seed=3)])
    twice = log_of(lengths, visit_after=35, and_after=60)
    stops = sorted((p for p in twice[1].phases if p.kind == "idle"), key=lambda p: p.start_ns)
    visits = [
        {"on": at.date(), "at": at.time().replace(microsecond=0)}
        for at in (datetime.fromtimestamp(p.start_ns / 1e9, UTC) for p in stops)
    ]
    found = judged(twice, visits=visits)
    assert len(found.visits) == 2
    assert finding(found, "freeze-long").severity is Severity.ACT
