"""Machines of one model, by the user's own label, are held against each other: known only when all of them were reported once."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.findings.evidence.elsewhere import Known, known_of
from pipeline.findings.thresholds import InForce
from pipeline.flow import UnitJob, UnitOutcome

if TYPE_CHECKING:
    from pipeline.report.summary import UnitSummary


def to_judge_beside_sisters(jobs: Iterable[UnitJob], outcomes: Sequence[UnitOutcome]) -> tuple[UnitJob, ...]:
    """The jobs of the units whose report does not rest on what their sister machines do now, with these.

    outcomes: of all units of the run, reported or standing from the last run.
    """
    known: dict[str, list[tuple[UnitSummary, Known, InForce]]] = defaultdict(list)
    for s in (outcome.summary for outcome in outcomes):
        if s is None or not s.model:
            continue
        machine, t = known_of(s.unit, vars(s)), InForce(s.thresholds)
        if machine is not None and s.cycles >= t["own_cycles"]:
            known[s.model].append((s, machine, t))
    anew = {}
    for machines in known.values():
        for s, machine, t in machines:
            others = [m for _, m, _ in machines if m is not machine]
            sisters = tuple(others[:: math.ceil(len(others) / t["sisters_most"]) or 1])
            if sisters and _moved(s.sisters_min, sisters, least=t["sisters_moved_pct"] / 100):
                anew[s.unit] = sisters
    return tuple(replace(job, sisters=anew[job.files.name]) for job in jobs if job.files.name in anew)


def _moved(sisters_min: float | None, sisters: Sequence[Known], *, least: float) -> bool:
    now = statistics.median(m.freeze_min for m in sisters)
    return sisters_min is None or abs(now / sisters_min - 1) > least
