"""What the findings room hands on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np

from pipeline.language.text import Text

SOMETHING_ELSE = "something-else"
"""The cause that none of the table is; it is in the table too, for its words."""


class Severity(StrEnum):
    """How soon somebody must do something, worst first."""

    ACT = "act"  # ice is being lost or a part is being hurt: go and mend it
    WATCH = "watch"  # outside what is normal: look at it on the next visit
    NOTE = "note"  # worth knowing; above all what the log cannot tell


@dataclass(frozen=True, kw_only=True)
class Odds:
    """One cause of a finding with its probability. `cause` is public: a key of the table of causes, or "something-else"."""

    cause: str
    text: Text
    probability: float  # those of one finding add up to 1
    because: tuple[Text, ...] = ()  # what speaks for it in this log, strongest first
    against: tuple[Text, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Step:
    """One check as a step: what to do with what, the number to expect, and what each answer means."""

    check: str  # a key of the table of checks
    text: Text
    instrument: Text
    expect: Text
    basis: Text  # where the number is from
    if_so: Text
    if_not: Text
    cautions: tuple[Text, ...] = ()
    minutes: int = 0  # of work, about
    bring: tuple[tuple[Text, int], ...] = ()  # what to take along for it, and how many
    licensed: bool = False  # the refrigerant circuit is opened
    live: bool = False  # a live panel


@dataclass(frozen=True, kw_only=True)
class Speaks:
    """The readings of a further channel that would speak for a cause: between `low` and `high`, None where there is no such end."""

    cause: str
    text: Text
    reading: Text
    low: float | None
    high: float | None


@dataclass(frozen=True, kw_only=True)
class NextClip:
    """The further channel, or reading on site, that would part the likeliest causes best."""

    channel: str  # a role of a channel, or a check
    text: Text
    caution: Text | None  # what can hurt while it is put there
    bits: float  # expected information on the causes
    first_right: float  # probability of the likeliest cause as it is
    first_right_then: float  # the same, expected once it is read
    speaks: tuple[Speaks, ...]  # for the likeliest causes, likeliest first


@dataclass(frozen=True, kw_only=True)
class Shows:
    """How a finding is best shown: what a page needs to know of its rule, so that no page knows a code by name."""

    about: str = (
        "span"  # "freeze" or "harvest": by a cycle's; "span": by the stretch of the log that it speaks of
    )
    roles: tuple[str, ...] = (
        "evaporator",
        "suction",
    )  # of the channels that show it, the first that was logged
    telling: str = "longest"  # of its cycles the one to show: "longest", "shortest", "middle" or "warmest"
    doubted: bool = False  # its point is the readings that are not trusted
    worst_stretch: bool = False  # a finding over days is shown by its densest stretch


SPAN = Shows()


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing that is off, with its proof. `code` is public: never renamed."""

    code: str
    severity: Severity
    title: Text
    start_ns: int
    end_ns: int
    cycles: tuple[int, ...] = ()  # numbers of the cycles meant
    evidence: Mapping[str, Any] = field(default_factory=dict)  # numbers, named with their unit
    signals: Mapping[str, float] = field(default_factory=dict)  # what the other channels say
    likely_causes: tuple[Text, ...] = ()  # likeliest first
    next_checks: tuple[Text, ...] = ()  # in the order a technician would do them
    causes: tuple[Odds, ...] = ()  # likeliest first, something-else last; probabilities add up to 1
    steps: tuple[Step, ...] = ()  # `next_checks` with instrument, number and answers
    confidence: float  # 0…1, derived from the evidence
    flag_cycles: bool = True  # False: a finding on the whole log, not written into the flags of single cycles
    shows: Shows = SPAN
    part: str = (
        ""  # where visits split the log: "before" or "after" the visit that it is told of; "" otherwise
    )


@dataclass(frozen=True, kw_only=True)
class NotJudged:
    """A rule that could not be applied, and what it would need."""

    code: str
    needs: Text


@dataclass(frozen=True, kw_only=True)
class Output:
    """Ice made, as far as the log can say. None: could not be said.

    `made_…`: in the time that the log covers, rests included; the others: what running without a rest would make.
    """

    cycles_per_day: float | None = None
    ice_kg_per_day: float | None = None
    ice_kg_per_day_low: float | None = None
    ice_kg_per_day_high: float | None = None
    made_cycles_per_day: float | None = None
    made_ice_kg_per_day: float | None = None
    made_ice_kg_per_day_low: float | None = None
    made_ice_kg_per_day_high: float | None = None
    demand: Text | None = (
        None  # said where it rested: demand was met; where it never did: it may not have been
    )
    basis: Text | None = None  # what the figure rests on
    expected_kg_per_day: float | None = None  # running, by the nameplate; see `expected_basis`
    expected_basis: Text | None = None  # the conditions for which that holds
    energy_kwh_per_kg: float | None = None
    energy_basis: Text | None = None  # measured, or worked out from current and what was given
    limit_kwh_per_kg: float | None = None  # published limit of the class, for comparison only
    limit_basis: Text | None = None


@dataclass(frozen=True, kw_only=True)
class Typical:
    """A quantity over the steady cycles, in the unit that its name says."""

    middle: float  # median
    low: float  # nine in ten cycles lie between `low` and `high`
    high: float
    cycles: int  # steady cycles that have it


@dataclass(frozen=True, kw_only=True)
class RefrigerantSide:
    """What logged pressures say, over the last third of the steady freezes. None: a channel for it was not logged."""

    refrigerant: str
    evaporating_c: Typical | None = None
    superheat_k: Typical | None = None
    condensing_c: Typical | None = None
    condensing_over_air_k: Typical | None = None
    subcooling_k: Typical | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Slabs:
    """How thick each slab was. Arrays have one value a cycle (n,): its share of the usual slab, NaN where it was not told."""

    share: np.ndarray
    low: np.ndarray  # nine in ten lie between `low` and `high`
    high: np.ndarray
    thin: tuple[int, ...]  # numbers of the cycles that are probably thinner than usual
    thick: tuple[int, ...]
    trend_pct: tuple[float, float, float] | None  # (last third against the first, low, high)
    kg: float | None  # what the usual slab weighs; None: none was weighed
    basis: Text


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """One sentence for the client, one for the technician. `level` is "act", "watch", "note" or "well"; "cannot-tell"
    where the log does not carry a judgement."""

    level: str
    client: Text
    technician: Text  # what is the matter, how often
    since: Text | None = None  # since when, among how many cycles: a sentence of its own
    likeliest: Text | None = None  # the likeliest cause of the worst finding
    first_check: Text | None = None  # what to do first about it
    also: tuple[
        Text, ...
    ] = ()  # what else asks for somebody, or, where nothing does, what is left open, in the client's words


@dataclass(frozen=True, kw_only=True)
class AfterVisit:
    """What a visit changed."""

    from_ns: int
    until_ns: int
    what: str  # as unit.toml says
    sentence: Text  # better, worse or as before, with the freezes before and after
    better: bool | None  # None: nothing changed, or it cannot be told


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """Everything that is said of one log."""

    findings: tuple[Finding, ...]  # worst first
    not_judged: tuple[NotJudged, ...]
    output: Output
    verdict: Verdict
    thresholds: tuple[
        tuple[str, float, str, str], ...
    ] = ()  # (name, value in force, unit, source), for the page
    cautions: tuple[Text, ...] = ()
    visits: tuple[AfterVisit, ...] = ()
    steps: tuple[Step, ...] = ()  # of all findings together, safest and cheapest first
    next_clip: NextClip | None = None  # None: nothing to part, or nothing that would part it
    refrigerant_side: RefrigerantSide | None = (
        None  # None: no pressure was logged, or its refrigerant is not known
    )
    slabs: Slabs | None = None  # None: too few freezes that can be compared, or nothing that tells of them
    air_c: float = (
        math.nan
    )  # what the condenser was given, and the supply water: medians, NaN where not known
    water_c: float = math.nan
    sisters_min: float = math.nan  # the usual freeze of the sister machines that it was held against [min]
