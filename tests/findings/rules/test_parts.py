"""Parts with a clamp of their own: what they tell where they draw nothing."""

import numpy as np
import pytest

from pipeline.findings.finding import Severity
from tests.findings.made_up import (
    BEGIN_NS,
    MIN_NS,
    channel,
    codes,
    finding,
    judged,
    made_up,
    noisy,
    not_judged,
)

CYCLES, FREEZE, HARVEST = 40, 20.0, 2.0


def part(role: str, amps: float, *, off=(), in_harvest=False, interval_s=10.0):
    """A log whose part runs in every freeze, or for half a minute of every harvest, but in the cycles `off`."""
    minutes = CYCLES * (FREEZE + HARVEST)
    at = np.arange(0, minutes, interval_s / 60)
    into = at % (FREEZE + HARVEST)
    runs = (into > FREEZE) & (into < FREEZE + 0.5) if in_harvest else into < FREEZE
    runs &= ~np.isin((at // (FREEZE + HARVEST)).astype(int), off)
    rng = np.random.default_rng(1)
    values = np.abs(np.where(runs, amps, 0.0) + rng.normal(0, 0.005, len(at)))
    line = channel(role, BEGIN_NS, BEGIN_NS + round(minutes * MIN_NS), values=values, interval_s=interval_s)
    return made_up(np.full(CYCLES, FREEZE), HARVEST, channels=(line,))


@pytest.mark.parametrize(
    ("role", "amps", "in_harvest"),
    [("current_fan", 0.6, False), ("current_pump", 0.4, False), ("current_grid", 2.5, False), ("current_dump", 0.15, True)],
)  # fmt: skip
def test_a_part_that_stops_for_good_is_found_with_its_cycles_and_one_that_runs_is_not(role, amps, in_harvest):
    assert "part-off" not in codes(judged(part(role, amps, in_harvest=in_harvest)))
    found = finding(judged(part(role, amps, off=range(25, 40), in_harvest=in_harvest)), "part-off")
    assert (found.severity, found.cycles[0], len(found.cycles)) == (Severity.ACT, 26, 15)
    assert found.title.key == f"finding.part-off.{role}"


def test_what_came_back_is_looked_at_and_a_few_cycles_are_chance():
    assert finding(judged(part("current_pump", 0.4, off=range(8, 14))), "part-off").severity is Severity.WATCH
    assert "part-off" not in codes(judged(part("current_pump", 0.4, off=(8, 9))))


def test_a_part_that_never_ran_may_also_be_an_open_clamp():
    found = finding(judged(part("current_grid", 0.0)), "part-off")
    assert (found.severity, found.title.key) == (Severity.WATCH, "finding.part-off.current_grid.never")
    assert "the clamp is open" in found.title.english


def test_nobody_can_tell_without_such_a_clamp_or_by_one_too_slow_for_a_valve():
    assert "part-off" in not_judged(judged(made_up(noisy(20, 30))))
    slow = part("current_dump", 0.15, in_harvest=True, interval_s=30.0)
    assert "part-off" in not_judged(judged(slow))
