"""What to clip next."""

import numpy as np
import pytest
from scipy import stats

from pipeline.findings.advice.next_clip import information, parted
from pipeline.findings.finding import Speaks
from pipeline.language.text import Text
from tests.findings.made_up import judged, made_up, noisy

N = 90
LATE = np.arange(N) >= 45
TEXT = Text(key="-", english="-")


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


def speaks(low, high):
    return Speaks(cause="-", text=TEXT, reading=TEXT, low=low, high=high)


@pytest.mark.parametrize(
    ("first", "second", "apart"),
    [
        pytest.param((None, 5.0), (9.0, None), True, id="under 5, over 9"),
        pytest.param((1.0, 9.0), (3.0, 7.0), False, id="one within the other"),
        pytest.param((None, 9.0), (3.0, None), False, id="both where they overlap"),
    ],
)
def test_readings_that_speak_for_two_causes_alike_do_not_part_them(first, second, apart):
    one, other = speaks(*first), speaks(*second)
    assert (parted(one, other) or parted(other, one)) is apart
