"""What to clip next."""

import itertools

import numpy as np
import pytest
from scipy import stats

from pipeline.findings.advice.causes import CAUSES, SOMETHING_ELSE
from pipeline.findings.advice.next_clip import information, next_clip
from pipeline.findings.advice.pattern import COMMON
from pipeline.findings.advice.probabilities import Posterior, one_thing
from pipeline.findings.evidence.case import Case
from pipeline.findings.thresholds import resolve
from pipeline.unit import Unit
from tests.findings.made_up import judged, made_up, noisy

N = 90
LATE = np.arange(N) >= 45


def slower(**measures):
    return made_up(
        np.where(LATE, 29.0, 20.0) + noisy(0.2, N, share=1),
        noisy(2.5, N),
        roles=("evaporator", "current"),
        **measures,
    )


def test_information_is_that_of_a_binary_channel():
    # C. E. Shannon 1948: a symmetric channel that errs with probability 0.1 carries 1 - H(0.1) bits of an even source
    rows = np.array([[0.9, 0.1], [0.1, 0.9]])
    bits, right = information(np.array([0.5, 0.5]), rows)
    assert bits == pytest.approx(1 - stats.entropy([0.1, 0.9], base=2))
    assert right == pytest.approx(0.9)


def test_a_reading_that_is_the_same_for_all_tells_nothing():
    bits, right = information(np.array([0.7, 0.3]), np.array([[0.5, 0.5], [0.5, 0.5]]))
    assert bits == pytest.approx(0.0)
    assert right == pytest.approx(0.7)


def test_the_next_clip_is_a_channel_that_is_not_there_yet_and_says_what_speaks_for_whom():
    clip = judged(slower(freeze_current_a=5.0, freeze_end_c=-15.0)).next_clip
    assert clip is not None
    assert clip.channel not in ("evaporator", "current")
    assert clip.bits > 0
    assert clip.first_right <= clip.first_right_then <= 1
    assert clip.speaks
    assert all(s.low is not None or s.high is not None for s in clip.speaks)


def test_a_machine_that_works_needs_no_further_clip():
    assert judged(made_up(noisy(20, 60))).next_clip is None


def asked(told: set[str] | None = None, **odds: float):
    """What is offered where these causes are left, the rest something else."""
    hypotheses = {(k.replace("_", "-"),): p for k, p in odds.items()} | {(): 1 - sum(odds.values())}
    log = slower(freeze_current_a=5.0, freeze_end_c=-15.0)
    case = Case(timeline=log[0], record=log[1], unit=Unit(name="x"), thresholds=resolve(Unit(name="x")))
    return next_clip(case, Posterior(hypotheses=hypotheses, votes={}), {*CAUSES} if told is None else told)


LEFT = (
    {"condenser_dirty": 0.5, "charge_low": 0.3, "water_leaks_in": 0.15},
    {"water_leaks_in": 0.5, "condenser_dirty": 0.3, "condenser_fan": 0.15},
    {"metering": 0.5, "charge_low": 0.35, "water_leaks_in": 0.1},
    {"room_hot": 0.4, "condenser_dirty": 0.4, "overcharge_or_air": 0.15},
    {"water_warm": 0.45, "end_of_freeze_sensing": 0.45},
)


@pytest.mark.parametrize("odds", LEFT, ids="+".join)
def test_readings_told_are_the_same_or_never_overlap(odds):
    clip = asked(**odds)
    assert clip is not None
    ranges = {
        s.cause: (s.low if s.low is not None else -np.inf, s.high if s.high is not None else np.inf)
        for s in clip.speaks
    }
    assert len(ranges) > 1
    assert SOMETHING_ELSE not in ranges
    assert len(set(ranges.values())) > 1
    for one, other in itertools.combinations(ranges, 2):
        a, b = ranges[one], ranges[other]
        assert a == b or not one_thing(one, other)
        assert a == b or a[1] <= b[0] or b[1] <= a[0], (one, a, other, b)


def test_at_a_reading_those_told_for_it_are_likelier_than_those_told_for_another():
    odds = LEFT[0]
    clip = asked(**odds)
    assert clip.channel == "condenser_out"
    middle, spread = COMMON["air_rise_k"]

    def joint(cause: str, reading: float) -> float:
        """Bayes' rule over normal densities (scipy.stats.norm as reference), each cause's own change on what is common."""
        size, sd = CAUSES[cause].effects.get("air_rise_k", (0.0, 0.0))
        wide = np.sqrt(spread**2 + sd**2 + (0.35 * size) ** 2)
        return odds[cause.replace("-", "_")] * stats.norm.pdf(reading, middle + 0.9 * size, wide)

    for said in clip.speaks:
        ends = [e for e in (said.low, said.high) if e is not None]
        inside = np.mean(ends) if len(ends) == 2 else ends[0] + (1 if said.high is None else -1)
        for_it = sum(joint(s.cause, inside) for s in clip.speaks if s.reading == said.reading)
        assert for_it > 1.2 * sum(joint(s.cause, inside) for s in clip.speaks if s.reading != said.reading)


def test_readings_speak_for_no_cause_that_the_page_does_not_tell():
    assert {s.cause for s in asked(**LEFT[0]).speaks} == {"condenser-dirty", "charge-low", "water-leaks-in"}
    assert asked(told={"charge-low"}, **LEFT[0]) is None
    clip = asked(told={"condenser-dirty", "charge-low"}, **LEFT[0])
    assert {s.cause for s in clip.speaks} == {"condenser-dirty", "charge-low"}


def test_what_no_reading_can_part_is_not_asked_for():
    assert asked(condenser_dirty=0.6, condenser_fan=0.35) is None
