"""Runs the rules. It finds them in the modules of `rules/` (each has a `RULES`) and knows none by name."""

from __future__ import annotations

import functools
import importlib
import pkgutil

import numpy as np

import pipeline.findings.rules as room
from pipeline.cycles.record import CycleRecord
from pipeline.findings import thresholds
from pipeline.findings.advice.cautions import cautions
from pipeline.findings.advice.ranking import Advice, Heard, advise
from pipeline.findings.advice.verdict import verdict
from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.refrigerant import side_of
from pipeline.findings.evidence.signals import signals
from pipeline.findings.finding import Finding, Judgement, NotJudged, Severity
from pipeline.findings.rule import CannotTell, Rule
from pipeline.findings.rules.output import output
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

_WORST_FIRST = {Severity.ACT: 0, Severity.WATCH: 1, Severity.NOTE: 2}


@functools.cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule of every module of `rules/`, in the order of the modules' names."""
    names = sorted(m.name for m in pkgutil.iter_modules(room.__path__))
    modules = (importlib.import_module(f"{room.__name__}.{name}") for name in names)
    return tuple(rule for module in modules for rule in getattr(module, "RULES", ()))


def judge(timeline: Timeline, record: CycleRecord, unit: Unit) -> Judgement:
    """Everything that is to be said of one log: findings worst first, what could not be judged, output and verdict.

    Raises UnitConfigError where `unit.thresholds` names a threshold that does not exist.
    """
    case = Case(timeline=timeline, record=record, unit=unit, thresholds=thresholds.resolve(unit))
    heard: list[Heard] = []
    not_judged: dict[str, NotJudged] = {}
    for rule in all_rules():
        outcome = _apply(rule, case)
        if isinstance(outcome, CannotTell):
            not_judged.setdefault(rule.code, NotJudged(code=rule.code, needs=outcome.needs))
            continue
        seen = outcome if isinstance(outcome, tuple) else (outcome,) if outcome else ()
        heard += [Heard(rule=rule, seen=s, signals=signals(case, s.cycles, s.usual)) for s in seen]
    codes = {h.rule.code for h in heard}
    heard = [h for h in heard if not codes & set(h.rule.quiet_when)]
    whole = advise(case, heard)
    findings = (_finding(h, advice, case) for h, advice in zip(heard, whole.advice, strict=True))
    worst_first = tuple(
        sorted(findings, key=lambda f: (_WORST_FIRST[f.severity], -f.confidence, f.start_ns, f.code))
    )
    return Judgement(
        findings=worst_first,
        not_judged=tuple(n for code, n in not_judged.items() if code not in codes),
        output=output(case),
        verdict=verdict(case, worst_first),
        thresholds=case.thresholds.rows(),
        cautions=cautions(unit, worst_first),
        steps=whole.steps,
        next_clip=whole.next_clip,
        refrigerant_side=side_of(unit.nameplate.refrigerant, case.refrigeration, case.steady),
    )


def _apply(rule: Rule, case: Case):
    for need in rule.needs:
        if not need.met(case):
            return CannotTell(needs=need.text)
    return rule.test(case)


def _finding(h: Heard, advice: Advice, case: Case) -> Finding:
    seen = h.seen
    return Finding(
        code=h.rule.code,
        severity=seen.severity,
        title=seen.title,
        start_ns=seen.start_ns,
        end_ns=seen.end_ns,
        cycles=() if seen.cycles is None else case.numbers(np.asarray(seen.cycles)),
        evidence={k: v for k, v in seen.evidence.items() if v is not None},
        signals=h.signals.known(),
        likely_causes=advice.likely,
        next_checks=advice.checks,
        causes=advice.causes,
        steps=advice.steps,
        confidence=round(min(max(seen.confidence, 0.0), 1.0) * case.trust, 3),
        flag_cycles=seen.flag_cycles and seen.cycles is not None,
        shows=h.rule.shows,
    )
