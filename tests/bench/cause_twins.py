"""The sound twin of a log with a cause: the same machine, site, probes and seed, without the cause. By it the bench of causes tells whether a log of which
nothing was said held anything to be seen, and what a service sheet of that machine would say."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from pipeline.findings import thresholds
from pipeline.findings.advice.pattern import Pattern, read
from pipeline.findings.evidence.case import Case
from pipeline.findings.methods.statistics import middle
from pipeline.unit import Expected
from tests.bench.cause_logs import CauseLog, cause_log, told_of
from tests.findings.from_truth import record_of

_NEVER_S = 1e12
PLAIN = 3.0
"""Standard deviations, over all measures together (root of the summed squares), from which on a cause is there to be seen."""
_SHEET_PCT = {"freeze_min": 10.0, "harvest_min": 25.0}
"""By how much a service sheet's band exceeds what the machine does, on each side: common practice, no source."""
_SHEET_K = {"freeze_end_c": 2.0, "discharge_peak_c": 8.0, "condenser_split_k": 4.0}


def twin_of(cause: str, seed: int, channels: str, *, days: float = 2.5) -> CauseLog:
    """The log of `cause_log` with these arguments, as it is where the cause never begins."""
    told = replace(told_of(cause, seed, days), from_s=_NEVER_S)
    return cause_log(cause, seed, channels, days=days, told=told)


def _case(log: CauseLog) -> Case:
    record = record_of(log.timeline, log.simulation.phases, log.unit)
    return Case(timeline=log.timeline, record=record, unit=log.unit, thresholds=thresholds.resolve(log.unit))


def same_readings(log: CauseLog, twin: CauseLog) -> bool:
    """Whether the cause left no mark at all: a start that fails never came in a machine that never rested."""
    pairs = zip(log.timeline.channels, twin.timeline.channels, strict=True)
    return all(len(a.values) == len(b.values) and np.array_equal(a.values, b.values) for a, b in pairs)


def to_be_seen(log: CauseLog, twin: CauseLog) -> dict[str, float]:
    """View of `pattern` -> by how many standard deviations the log differs from its twin, over all measures: as a change within the log ("later"), or
    against what is common for such machines from the first reading on ("level"). By the simulator's phases."""
    patterns: list[Pattern] = [read(_case(x), [], of_the_logger=frozenset()) for x in (log, twin)]
    out = {}
    for view in ("later", "level"):
        here, there = (getattr(p, view) for p in patterns)
        away = [(here[m][0] - there[m][0]) / math.hypot(here[m][1], there[m][1] if view == "later" else 0.0)
                for m in here.keys() & there.keys()]  # fmt: skip
        out[view] = math.sqrt(sum(x * x for x in away))
    return out


def sheet_of(twin: CauseLog) -> Expected:
    """What a service sheet of this machine would say: bands about what its sound twin does, by the channels that were logged."""
    case = _case(twin)
    whole = case.flag("complete") & ~case.flag("after_idle")

    def usual(column: str) -> float:
        return middle(np.where(whole, case.column(column), np.nan))

    said: dict[str, object] = {}
    for name, pct in _SHEET_PCT.items():
        if math.isfinite(value := usual(name)):
            said[name] = (value * (1 - pct / 100), value * (1 + pct / 100))
    if math.isfinite(value := usual("freeze_end_c")):
        said["freeze_end_c"] = (value - _SHEET_K["freeze_end_c"], value + _SHEET_K["freeze_end_c"])
    if math.isfinite(value := usual("discharge_peak_c")):
        said["discharge_c"] = value + _SHEET_K["discharge_peak_c"]
    if math.isfinite(value := usual("condenser_split_k")) and twin.unit.cooling == "air":
        said["split_k"] = value + _SHEET_K["condenser_split_k"]
    if math.isfinite(value := usual("freeze_current_a")):
        said["current_a"] = value
    return Expected(**said)
