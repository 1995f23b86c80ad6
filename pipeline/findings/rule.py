"""A rule: data, and one short test.

The engine runs rules without knowing any by name. A test is shown a `Case` and answers with a `Seen` (found), None
(not found) or a `CannotTell` (with what it would need).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.findings.evidence.case import Case
from pipeline.findings.finding import SPAN, Severity, Shows
from pipeline.findings.phrase import phrase
from pipeline.language.text import Text


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What a test found."""

    severity: Severity
    title: Text
    start_ns: int
    end_ns: int
    evidence: Mapping[str, Any]  # numbers, named with their unit
    confidence: float  # 0…1, before the trust in the readings is taken into account
    cycles: np.ndarray | None = None  # bool (n,): the cycles meant
    usual: np.ndarray | None = (
        None  # bool (n,): the cycles that they are compared with, for the ranking of causes
    )
    flag_cycles: bool = True
    causes: tuple[str, ...] | None = None  # narrower than the rule's, where the test can tell


@dataclass(frozen=True, kw_only=True)
class CannotTell:
    """A test that the log does not carry, and what it would need."""

    needs: Text


Outcome = Seen | CannotTell | None | tuple[Seen, ...]


@dataclass(frozen=True, kw_only=True)
class Need:
    """Something without which a rule cannot be applied."""

    met: Callable[[Case], bool]
    text: Text


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One thing that can be off, and how it is recognised."""

    code: str
    test: Callable[[Case], Outcome]
    needs: tuple[Need, ...] = ()
    causes: tuple[
        str, ...
    ] = ()  # rows of the table of causes that may lie behind it, beside those that name its code
    quiet_when: tuple[str, ...] = ()  # codes whose finding already says it
    shows: Shows = SPAN  # how a page shows it best
    of_the_log: bool = False  # judged over the whole log, whatever visits split it
    of_cycles: bool = True  # not applied to a log that is not read as one of a batch machine


_CYCLES = phrase("needs.cycles", "at least {cycles} whole cycles; this log has {found}")
_CURRENT = phrase(
    "needs.current", "a clamp on the compressor or on the whole unit, or a probe on the evaporator"
)
_COLD = phrase("needs.cold", "a probe on the evaporator or on the suction line")
_SPLIT = phrase(
    "needs.split", "probes in the air (or water) into and out of the condenser, or on the discharge line"
)
_REFRIGERANT = phrase(
    "needs.refrigerant",
    "for the logged pressure a refrigerant in unit.toml that is known here, the refrigerant extra, and the condenser's air",
)
_WATER = phrase("needs.water", "a probe in the supply water, or its temperature in unit.toml")
READABLE = phrase(
    "needs.readable-cycles",
    "a probe on the evaporator, or a faster log: readings rise and fall as in freezes and harvests, but could not be told apart",
)
BATCHES = phrase("needs.batches", "a log that shows how freezes and harvests follow each other")
PHASES = phrase("needs.phases", "a log that shows when the compressor runs")
CONTACT = phrase(
    "needs.probe-contact",
    "a probe clipped firmly to the evaporator and insulated: this one reads part of the room's air",
)
TIMED = phrase("needs.timed-harvests", "a shorter logging interval: harvests cannot be timed at this one")


def cycles_needed(threshold: str) -> Callable[[Case], CannotTell | None]:
    """A check that enough whole cycles were seen; `threshold` names the row with the number."""

    def check(case: Case) -> CannotTell | None:
        least, found = int(case.thresholds[threshold]), int(case.steady.sum())
        return CannotTell(needs=_CYCLES(cycles=least, found=found)) if found < least else None

    return check


def _has_channel(*roles: str) -> Callable[[Case], bool]:
    return lambda case: case.timeline.get(*roles) is not None


NEEDS_STARTS = Need(
    met=_has_channel("current_compressor", "current", "power", "evaporator", "suction"), text=_CURRENT()
)
NEEDS_COLD = Need(met=_has_channel("evaporator", "suction"), text=_COLD())
NEEDS_REJECTION = Need(
    met=lambda case: case.has("condenser_split_k") or case.has("discharge_peak_c") or _pressure_logged(case),
    text=_SPLIT(),
)
NEEDS_REFRIGERANT = Need(
    met=lambda case: case.has("condenser_split_k") or case.has("discharge_peak_c") or _condensing_known(case),
    text=_REFRIGERANT(),
)
NEEDS_WATER = Need(met=lambda case: bool(np.isfinite(case.water_c).any()), text=_WATER())
NEEDS_PHASES = Need(met=lambda case: bool(case.record.phases), text=PHASES())
NEEDS_TIMED_HARVESTS = Need(met=lambda case: case.record.harvests_timed, text=TIMED())


def _pressure_logged(case: Case) -> bool:
    return case.timeline.get("discharge_pressure") is not None


def _condensing_known(case: Case) -> bool:
    return bool(np.isfinite(case.refrigeration.condensing_over_air_k).any())
