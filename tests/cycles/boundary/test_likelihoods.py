"""What is quick is equal to what is plain."""

import numpy as np

from pipeline.cycles.boundary.likelihoods import evidence, mixture, pooled_evidence, with_blunders

RNG = np.random.default_rng(5)
LIKELY = -0.5 * RNG.uniform(0, 40, (6, 4, 50)) ** 2  # (trials, k, t0)
SHOWN = -0.5 * ((np.arange(50) - RNG.uniform(0, 50, (6, 1))) / 6.0) ** 2
KNOWN = -RNG.uniform(0, 60, (4, 50))


def test_the_evidence_of_many_trials_equals_each_by_itself():
    plain = evidence(with_blunders(LIKELY) + SHOWN[:, None] + KNOWN)
    assert np.allclose(pooled_evidence(LIKELY, SHOWN, KNOWN), plain, rtol=0, atol=1e-9)


def test_a_mixture_is_the_mean_of_what_each_trial_says():
    share = np.array([0.5, 0.2, 0.1, 0.1, 0.06, 0.04])
    each = with_blunders(LIKELY) + SHOWN[:, None]
    each -= evidence(each)[..., None]
    plain = np.log(np.einsum("l,lkt->kt", share, np.exp(each)))
    assert np.allclose(mixture(LIKELY, SHOWN, share), plain, rtol=0, atol=1e-9)


def test_a_prior_that_excludes_what_is_likely_leaves_a_number():
    far = np.where(np.arange(50) < 25, 0.0, -1e4)
    near = np.broadcast_to(far[::-1], (4, 50))
    assert np.isfinite(pooled_evidence(LIKELY, np.tile(far, (6, 1)), near)).all()
    assert np.isfinite(mixture(LIKELY, np.full((6, 50), -1e4), np.full(6, 1 / 6))).all()
