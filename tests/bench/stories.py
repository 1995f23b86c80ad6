"""What a story of the verdict bench is, and what all places that make them share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from pipeline.findings.finding import Judgement
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One log: readings, truth, what is known of the unit."""

    name: str
    timeline: Timeline
    truth: tuple[tuple[int, int, str], ...]
    unit: Unit


class Made(Protocol):
    """The log of a seed, the same each time; None: none shows the story. sound: its healthy twin, the same machine logged alike."""

    def __call__(self, seed: int, *, sound: bool = False) -> Drawn | None: ...


@dataclass(frozen=True, kw_only=True)
class Story:
    """What happens, and what must be said of it."""

    made: Made
    due: frozenset[str] = frozenset()  # one of these at least, as `act` or `watch`; none: nothing is due
    never: frozenset[str] = frozenset()  # codes that must not come as `act` or `watch`
    first: frozenset[str] = (
        frozenset()
    )  # one of these causes must be the likeliest of what is due; none: whichever
    act: bool = True  # whether an `act` may come
    well: bool = False  # whether it may be said that all is well
    holds: Callable[[Drawn, Judgement], str] = lambda drawn, judgement: ""  # what else is wrong, "": nothing


HIGH_PRESSURE = frozenset({"high-pressure-cut", "condenser-dirty", "condenser-fan", "condenser-water"})
"""What trips after a run of minutes, at a draw no higher than usual, may be put down to."""


def codes(text: str) -> frozenset[str]:
    """Finding codes, separated by spaces."""
    return frozenset(text.split())
