"""The blockwise programme against the plain one."""

import itertools

import numpy as np
import pytest

from pipeline.cycles.label.course import cheapest, least_costs


def plainly(costs, changes, begin):
    least = begin + costs[0]
    out = [least]
    for cost, change in zip(costs[1:], changes[1:], strict=True):
        least = (least[:, None] + change).min(axis=0) + cost
        out.append(least)
    return np.array(out)


@pytest.mark.parametrize("k", [1, 2, 3, 7, 50, 333])
def test_blocks_give_the_same_costs_as_one_step_after_another(k):
    rng = np.random.default_rng(k)
    costs, changes, begin = (
        rng.exponential(size=(2, k, 3)),
        rng.exponential(size=(2, k, 3, 3)),
        rng.exponential(size=(2, 3)),
    )
    plain = [plainly(*row) for row in zip(costs, changes, begin, strict=True)]
    assert np.allclose(least_costs(costs, changes, begin), plain)


@pytest.mark.parametrize("seed", range(5))
def test_the_course_is_the_cheapest_of_all_courses(seed):
    rng = np.random.default_rng(seed)
    costs, changes, begin = (
        rng.exponential(size=(6, 3)),
        rng.exponential(size=(6, 3, 3)),
        rng.exponential(size=3),
    )

    def price(path):
        return (
            begin[path[0]]
            + sum(costs[i, s] for i, s in enumerate(path))
            + sum(changes[i, path[i - 1], path[i]] for i in range(1, 6))
        )

    best = min(itertools.product(range(3), repeat=6), key=price)
    course, margin, cost = cheapest(costs, changes, begin)
    assert tuple(course) == best
    assert cost == pytest.approx(price(best), abs=1e-5)
    for i in range(6):
        other = min((p for p in itertools.product(range(3), repeat=6) if p[i] != best[i]), key=price)
        assert margin[i] == pytest.approx(price(other) - price(best), abs=1e-5)
