"""Machines of one model, by the user's own label, are held against each other: known only when all of them were reported once."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace

from pipeline.findings.evidence.elsewhere import Known, known_of
from pipeline.flow import UnitJob, UnitOutcome

_LEAST_CYCLES = 8
"""Whole cycles that make a unit's usual lengths (common practice, no source)."""

_MOST = 40
"""Sisters that a unit is held against: more tell no more, and a fleet may have thousands."""

_MOVED = 0.02
"""Share by which the sisters' usual freeze must move for a unit to be judged anew (common practice, no source)."""


def to_judge_beside_sisters(jobs: Iterable[UnitJob], outcomes: Sequence[UnitOutcome]) -> tuple[UnitJob, ...]:
    """The jobs of the units whose report does not rest on what their sister machines do now, with these.

    outcomes: of all units of the run, reported or standing from the last run.
    """
    known: dict[str, list[tuple[UnitOutcome, Known]]] = defaultdict(list)
    for outcome in outcomes:
        s = outcome.summary
        if s is None or not s.model or s.cycles < _LEAST_CYCLES:
            continue
        machine = known_of(s.unit, vars(s))
        if machine is not None:
            known[s.model].append((outcome, machine))
    anew = {}
    for machines in known.values():
        for outcome, machine in machines:
            others = [m for _, m in machines if m is not machine]
            sisters = tuple(others[:: -(-len(others) // _MOST) or 1])
            if sisters and _moved(outcome.summary.sisters_min, sisters):
                anew[outcome.name] = sisters
    return tuple(replace(job, sisters=anew[job.files.name]) for job in jobs if job.files.name in anew)


def _moved(sisters_min: float | None, sisters: Sequence[Known]) -> bool:
    now = statistics.median(m.freeze_min for m in sisters)
    return sisters_min is None or abs(now / sisters_min - 1) > _MOVED
