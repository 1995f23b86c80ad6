"""What the networks are taught with; the learning itself needs JAX and is run by hand."""

import numpy as np

from pipeline.cycles.boundary import weighing
from tests.bench.worlds import learn
from tests.bench.worlds.draw import draw


def test_a_clamp_on_a_clock_of_its_own_teaches_nothing():
    assert draw(200001, "worked").other_interval_s
    assert learn.logs_of_world(200001) == []


def test_the_truth_of_an_example_moves_with_what_is_seen():
    """Stretched and moved, the likeliest moment is where the act then is; as it is, where it is."""
    found = [e for log in learn.logs_of_plain(0) for e in learn.acts_of(*log)]
    assert {e.ending for e in found} == {True, False}
    for example in found[::5]:
        *_, told = learn.seen_of(example, None)
        assert abs(weighing.MOMENTS_S[told.argmax()] - example.true_s) <= 2.0
        one, other = (learn.seen_of(example, np.random.default_rng(seed)) for seed in (1, 2))
        assert one[-1].argmax() != other[-1].argmax()
        assert np.isclose(one[-1].sum(), 1.0)


def test_pieces_of_a_clamp_keep_their_phases():
    (example,) = [e for log in learn.logs_of_plain(2) for e in learn.phases_of(*log)]
    share = (example.state == learn.STATES["harvest"]).mean()
    pieces = [learn.cropped(example, np.random.default_rng(seed)) for seed in range(20)]
    assert all(seen.shape[0] == len(state) == learn.CROP for seen, state, _ in pieces)
    assert (
        abs(np.mean([(state == learn.STATES["harvest"]).mean() for _, state, _ in pieces]) - share)
        < 0.3 * share
    )
