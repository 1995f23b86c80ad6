"""Which structures there are, and that those only ever scored stay apart."""

from __future__ import annotations

from dataclasses import asdict
from functools import cache

import numpy as np
import pytest

from tests.bench.worlds.draw import CHANNEL_SETS, COURSES, draw
from tests.bench.worlds.structure import CHOICES, SCORED_ONLY, Structure, drawn, split


@cache
def structures() -> tuple[tuple[Structure, str], ...]:
    """Structures drawn at random, and of which part each is."""
    rng = np.random.default_rng(1)
    return tuple((structure, split(structure)) for structure in (drawn(rng) for _ in range(1500)))


def test_the_split_is_the_same_in_every_release():
    # Written down once: whoever changes a choice's name moves structures between the parts, and has to say so here.
    parts = "".join(part[0] for _, part in structures()[:40])
    assert parts == "sssswwwsswsssswwsswwsswswsswsssswsswssss"


def test_no_structure_is_in_both_parts_and_both_hold_many():
    parts = {part: {s for s, of in structures() if of == part} for part in ("worked", "scored")}
    assert not parts["worked"] & parts["scored"]
    assert min(len(p) for p in parts.values()) > 300


@pytest.mark.parametrize("choice", SCORED_ONLY)
def test_some_values_are_only_ever_scored(choice):
    seen = {
        part: {getattr(s, choice) for s, of in structures() if of == part} for part in ("worked", "scored")
    }
    assert seen["scored"] == set(CHOICES[choice])
    assert seen["worked"] == set(CHOICES[choice]) - SCORED_ONLY[choice]


def test_a_world_asked_of_a_part_is_of_that_part_and_always_the_same():
    for part in ("worked", "scored"):
        world = draw(5, part)
        assert world.part == split(world.structure) == part
        again = draw(5, part)
        assert (again.structure, again.clips, again.changes) == (world.structure, world.clips, world.changes)


def test_any_run_of_seeds_holds_every_channel_set_and_course():
    worlds = [draw(seed, "worked") for seed in range(200, 254)]
    assert {w.channels for w in worlds} == set(CHANNEL_SETS)
    assert {w.structure.course for w in worlds} == set(COURSES) == set(CHOICES["course"])


def test_a_value_that_no_machine_has_is_refused():
    with pytest.raises(ValueError, match="hot_gas"):
        Structure(**(asdict(structures()[0][0]) | {"hot_gas": "steam"}))
