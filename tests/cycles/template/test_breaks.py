"""Where a harvest begins and ends in a shape that all cycles have in common."""

import numpy as np
import pytest

from pipeline.cycles.template import breaks

STEP_S = 10.0
BEFORE, HARVEST, AFTER = 60, 18, 60  # bins of freeze, harvest and next freeze


def shape(climb, fall, *, fan=0.0):
    """A freeze that flattens out, `climb` over the harvest, `fall` after it, both (n,) from 0 and from the climb's last value.
    fan: what the fan takes off during the harvest."""
    freeze = 0.6 * np.exp(-np.arange(BEFORE) / 25.0) - 0.6 * np.exp(-BEFORE / 25.0)
    return np.r_[freeze, climb - fan, climb[-1] + fall]


def climbs(*slopes):
    """A climb whose slope is each of `slopes` [1/bin] in turn, for equally long, (HARVEST,)."""
    each = HARVEST // len(slopes)
    return np.cumsum(np.repeat(slopes, each))


AFTER_BINS = np.arange(1, AFTER + 1)
FALLS = 0.8 * np.expm1(-AFTER_BINS / 12.0)
ROUND_TOP = (
    0.35 * (1 - np.exp(-AFTER_BINS / 4.0)) - 0.012 * AFTER_BINS
)  # the head pressure goes on, and then all falls


@pytest.mark.parametrize(
    ("climb", "fall"),
    [
        (climbs(0.08), FALLS),
        (climbs(0.2, 0.01, 0.06), FALLS),  # the ice melts loose in between
        (climbs(0.05, 0.0, 0.16), ROUND_TOP),
        (climbs(0.24, -0.02, 0.1), FALLS),  # it even falls a little on the way
        (climbs(0.2, 0.01, 0.08), FALLS + 0.5 * (AFTER_BINS >= 6)),  # a fan that comes a minute late
    ],
    ids=["falls at once", "rests on the way", "goes on climbing", "dips on the way", "late fan"],
)
def test_a_harvest_ends_where_the_climb_is_over(climb, fall):
    mean = shape(climb, fall)
    begin, end = breaks.of_shape(mean, STEP_S, 40, current=True)
    assert abs(begin - BEFORE) <= 4  # about; `departure` finds it
    assert abs(end - (BEFORE + HARVEST - 1)) <= 1


def test_a_short_climb_gains_speed_within_a_few_bins():
    """Two minutes at 15 s, most of it in the first half minute, with no fan and no pump that stop for it."""
    climb = np.cumsum([0.35, 0.6, 0.75, 0.16, 0.13, 0.11, 0.24, 0.25, 0.17, 0.19])
    fall = 1.6 * np.expm1(-AFTER_BINS / 16.0)
    begin, end = breaks.of_shape(shape(climb, fall), 15.0, 40, current=True)
    assert abs(begin - BEFORE) <= 1
    assert abs(end - (BEFORE + len(climb) - 1)) <= 1


def test_a_round_top_is_later_than_the_end():
    """What the test above holds for is not what a search for the highest bin would say."""
    mean = shape(climbs(0.05, 0.0, 0.16), ROUND_TOP)
    assert np.argmax(mean) >= BEFORE + HARVEST + 4
    assert abs(breaks.of_shape(mean, STEP_S, 40, current=False)[1] - np.argmax(mean)) <= 1


def test_the_end_moves_no_further_than_two_bins():
    mean = shape(climbs(0.08), FALLS)
    for off in (-2, -1, 0, 1, 2):
        middle = BEFORE + HARVEST - 1 - off
        found = breaks.end_of(mean[middle - 40 : middle + 41], HARVEST, STEP_S)
        assert abs(found - 40 - off) <= 0.5


def test_a_jump_up_is_the_end_with_its_bin():
    fan = 0.6
    mean = shape(climbs(0.04), FALLS, fan=fan)
    middle = BEFORE + HARVEST
    assert breaks.end_of(mean[middle - 40 : middle + 41], HARVEST, STEP_S) == 40


@pytest.mark.parametrize("fan", [0.0, 0.5])
def test_a_harvest_begins_where_the_current_departs_from_the_freeze(fan):
    """With a fan that stops it dips first, and crosses the freeze's line on its way up."""
    mean = shape(climbs(0.12, 0.02, 0.08), FALLS, fan=fan)
    rng = np.random.default_rng(3)
    off = []
    for _ in range(50):
        noisy = mean + 0.01 * rng.standard_normal(len(mean))
        off.append(breaks.departure(noisy[BEFORE - 59 : BEFORE + 60], HARVEST, STEP_S) - 59)
    assert np.mean(np.abs(off) <= 1) > 0.9


def test_a_freeze_that_flattens_out_is_no_departure():
    """A line through the end of a freeze runs below it further on; that alone is not a harvest."""
    mean = (
        shape(climbs(0.12), FALLS) + np.r_[0.5 * np.exp(-np.arange(BEFORE) / 18.0), np.zeros(HARVEST + AFTER)]
    )
    assert breaks.departure(mean[BEFORE - 59 : BEFORE + 60], HARVEST, STEP_S) >= 59 - 2


def test_a_harvest_of_two_bins_is_not_made_one():
    """A fan that stops takes off in the first bin what the gas adds."""
    mean = np.r_[-0.03 * np.arange(20), -0.58, -0.3, 0.1, np.linspace(0.0, -0.2, 18)]
    assert breaks.departure(mean, 2, 30.0) <= len(mean) // 2
    assert breaks.departure(mean, 12, 30.0) > len(mean) // 2


def test_short_shapes_have_an_end_too():
    assert breaks.of_shape(np.r_[np.zeros(6), 1.0, 0.9, 0.8, 0.7, 0.6, 0.5], 60.0, 3, current=True)[1] in (
        6,
        7,
    )


@pytest.mark.parametrize(("after", "longer"), [((0.30, 0.14), 1), ((0.27, 0.15), 0)])
def test_of_two_bins_about_as_high_the_later_one_ends_the_harvest(after, longer):
    mean = np.r_[-0.11, -0.12, -0.13, -0.14, -0.15, -0.16, -0.17, -0.18, -0.19, 0.21, 0.31, after, 0.07, 0.05, 0.03, 0.02, 0.01, 0.0]  # fmt: skip
    begin, end = breaks.of_shape(mean, 30.0, 8, current=True)
    assert (begin, end) == (9, 10 + longer)


@pytest.mark.parametrize(("slow", "bins"), [(True, 0), (False, 2)])
def test_a_compressors_current_departs_upwards_only(slow, bins):
    """A freeze that falls by a step of the logger's just before its end is not yet a harvest; fan and pump do stop."""
    freeze = np.r_[np.linspace(0.10, 0.02, 18), -0.10, -0.10]
    mean = np.r_[freeze, 0.35, 0.50, 0.37, 0.13, 0.05, np.linspace(0.0, -0.02, 15)]
    assert breaks.departure(mean, 3, 30.0, slow=slow) == 20 - bins
