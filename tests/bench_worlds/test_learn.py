"""What the networks are taught with; the learning itself needs JAX and is run by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cycles.boundary import weighing
from tests.bench.worlds.draw import draw
from tests.bench.worlds.learn import taught, varied


def test_a_clamp_on_a_clock_of_its_own_teaches_nothing():
    assert draw(200001, "worked").other_interval_s
    assert taught.logs_of_world(200001) == []


def test_the_truth_of_an_example_moves_with_what_is_seen():
    """Stretched and moved, the likeliest moment is where the act then is; as it is, where it is."""
    found = [e for log in taught.logs_of_plain(0) for e in taught.acts_of(*log)]
    assert {e.ending for e in found} == {True, False}
    for example in found[::5]:
        *_, told = varied.seen_of(example, None)
        assert abs(weighing.MOMENTS_S[told.argmax()] - example.true_s) <= 2.0
        one, other = (varied.seen_of(example, np.random.default_rng(seed)) for seed in (1, 2))
        assert one[-1].argmax() != other[-1].argmax()
        assert np.isclose(one[-1].sum(), 1.0)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_pieces_of_a_log_keep_their_phases(number):
    (example,) = [e for log in taught.logs_of_plain(number) for e in taught.phases_of(*log)]
    share = (example.state == taught.STATES["harvest"]).mean()
    pieces = [
        p for seed in range(30) if (p := varied.cropped(example, varied.SLOTS, np.random.default_rng(seed)))
    ]
    assert len(pieces) > 20
    inputs = sum(varied.INPUTS[kind] * slots for kind, slots in varied.SLOTS.items())
    assert all(seen.shape == (varied.CROP, inputs) and len(state) == varied.CROP for seen, state in pieces)
    assert np.mean([(state == taught.STATES["harvest"]).mean() for _, state in pieces]) == pytest.approx(
        share, rel=0.3
    )


def test_what_is_no_batch_machine_holds_no_harvest():
    found = [
        e for seed in range(40000, 40006) for log in taught.logs_of_none(seed) for e in taught.phases_of(*log)
    ]
    assert found
    assert not any((e.state == taught.STATES["harvest"]).any() for e in found)


def whole(number):
    """All of a plain log: its channels, and its phases."""
    (example,) = [e for log in taught.logs_of_plain(number) for e in taught.phases_of(*log)]
    courses = [replace(c, values=c.values.astype(float)) for c in example.stretch.courses]
    return courses, example.state.copy()


def test_a_trip_that_is_made_up_is_idle_in_a_freeze_and_warms_the_line():
    courses, state = whole(1)
    before = state.copy()
    stopped = varied.with_stops(courses, state, np.random.default_rng(1))
    changed = state != before
    assert changed.any()
    assert set(before[changed]) == {taught.STATES["freeze"]}
    assert set(state[changed]) == {taught.STATES["idle"]}
    line, current = stopped
    assert (line.kind, current.kind) == ("line", "current")
    assert current.off[changed].all()
    assert not np.isfinite(current.values[changed]).any()
    assert (line.values - courses[0].values)[changed].mean() > 1.0


def test_a_hand_on_a_clip_changes_no_phase():
    courses, state = whole(1)
    before = state.copy()
    line, current = varied.touched(courses, state, np.random.default_rng(4))
    assert (state == before).all()
    assert (line.values - courses[0].values).max() > 1.0
    assert current is courses[1]
    lone = varied.touched(courses[:1], state, np.random.default_rng(4))
    assert lone[0] is courses[0]  # nothing would tell it from a harvest


def test_a_current_may_do_anything_in_a_harvest_and_little_else_changes():
    courses, state = whole(2)
    harvests = state == taught.STATES["harvest"]
    changed = varied.of_another_machine(courses[0], harvests, False, np.random.default_rng(2))["values"]
    apart = np.abs(changed / courses[0].values - 1.0)
    assert np.nanmedian(apart[harvests]) > 0.05
    assert np.nanmedian(apart[~harvests]) == 0.0
