"""Measures → what is off, why, and what to check next.

`methods` (over arrays), `masks` (which cycles tell what), `evidence` (the `Case`), `rules` (what is off), `advice` (why, and what next);
`engine` runs them, `comparison` holds two logs against each other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.cycles.record import CycleRecord
    from pipeline.findings.comparison import Comparison, Log
    from pipeline.findings.evidence.elsewhere import Elsewhere
    from pipeline.findings.finding import Judgement
    from pipeline.logs.timeline import Timeline
    from pipeline.unit import Unit


def judge(
    timeline: Timeline, record: CycleRecord, unit: Unit, elsewhere: Elsewhere | None = None
) -> Judgement:
    """Everything that is to be said of one log: findings worst first, what could not be judged, output and verdict.

    elsewhere: what is known of earlier visits and of sister machines. Raises UnitConfigError where `unit.thresholds` names a
    threshold that does not exist.
    """
    from pipeline.findings.engine import judge

    return judge(timeline, record, unit, elsewhere)


def compare(earlier: Log, later: Log, unit: Unit) -> Comparison:
    """What changed from one log of a unit to a later one: each measure's shift with its interval, and a sentence."""
    from pipeline.findings.comparison import compare

    return compare(earlier, later, unit)


def all_texts() -> dict[str, str]:
    """Every sentence that this room can say: key -> English pattern. A translation must have every key."""
    from importlib import import_module
    from pkgutil import walk_packages

    from pipeline.findings.phrase import entered

    for module in walk_packages(__path__, f"{__name__}."):
        import_module(module.name)
    return entered()
