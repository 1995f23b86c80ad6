"""Runs the rules. It finds them in the modules of `rules/` (each has a `RULES`) and knows none by name."""

from __future__ import annotations

import functools
import importlib
import pkgutil
from dataclasses import dataclass, replace

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
from pipeline.findings.evidence.standards import Elsewhere
from pipeline.findings.finding import Finding, Judgement, NextClip, NotJudged, Severity, Step
from pipeline.findings.rule import CannotTell, Rule
from pipeline.findings.rules.output import output
from pipeline.findings.visited import after_visits, as_known, knowing, split, with_mended
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

_WORST_FIRST = {Severity.ACT: 0, Severity.WATCH: 1, Severity.NOTE: 2}


@functools.cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule of every module of `rules/`, in the order of the modules' names."""
    names = sorted(m.name for m in pkgutil.iter_modules(room.__path__))
    modules = (importlib.import_module(f"{room.__name__}.{name}") for name in names)
    return tuple(rule for module in modules for rule in getattr(module, "RULES", ()))


def judge(
    timeline: Timeline, record: CycleRecord, unit: Unit, elsewhere: Elsewhere | None = None
) -> Judgement:
    """Everything that is to be said of one log: findings worst first, what could not be judged, output and verdict.

    elsewhere: what is known of earlier visits and of sister machines. Visits that unit.toml names split the log: it is the machine as it was
    left that is judged, and what was found before and not after is told as mended. Raises UnitConfigError where `unit.thresholds`
    names a threshold that does not exist.
    """
    whole = Case(
        timeline=timeline,
        record=record,
        unit=unit,
        thresholds=thresholds.resolve(unit),
        elsewhere=elsewhere or Elsewhere(),
    )
    cases, earlier = split(whole), []
    for i, part in enumerate(cases[:-1]):
        earlier.append(_found(part, part, of_the_log=False).findings)
        if not any(f.severity is not Severity.NOTE for f in earlier[-1]):
            cases[i + 1] = knowing(cases[i + 1], as_known(part, str(i + 1)))
    case = cases[-1]
    found = _found(case, whole if len(cases) > 1 else case)
    visits = after_visits(whole, cases, [*earlier, found.findings])
    told = with_mended(found.findings, earlier)
    worst_first = tuple(
        sorted(told, key=lambda f: (_WORST_FIRST[f.severity], -f.confidence, f.start_ns, f.code))
    )
    codes = {f.code for f in worst_first}
    return Judgement(
        findings=worst_first,
        not_judged=tuple(n for code, n in found.not_judged.items() if code not in codes),
        output=output(whole),
        verdict=verdict(case, worst_first, visits),
        thresholds=whole.thresholds.rows(),
        cautions=cautions(unit, worst_first),
        visits=visits,
        steps=found.steps,
        next_clip=found.next_clip,
        refrigerant_side=side_of(unit.nameplate.refrigerant, case.refrigeration, case.steady),
    )


@dataclass(frozen=True, kw_only=True)
class _Found:
    """What the rules found in one part of a log."""

    findings: tuple[Finding, ...]
    not_judged: dict[str, NotJudged]
    steps: tuple[Step, ...]
    next_clip: NextClip | None


def _found(case: Case, whole: Case, *, of_the_log: bool = True) -> _Found:
    """The findings of `case`, those of rules that judge the whole log by `whole`, and what could not be judged."""
    heard: list[Heard] = []
    not_judged: dict[str, NotJudged] = {}
    for rule in all_rules():
        if rule.of_the_log and not of_the_log:
            continue
        by = whole if rule.of_the_log else case
        outcome = _apply(rule, by)
        if isinstance(outcome, CannotTell):
            not_judged.setdefault(rule.code, NotJudged(code=rule.code, needs=outcome.needs))
            continue
        seen = outcome if isinstance(outcome, tuple) else (outcome,) if outcome else ()
        heard += [Heard(rule=rule, seen=s, signals=signals(by, s.cycles, s.usual)) for s in seen]
    codes = {h.rule.code for h in heard}
    heard = [h for h in heard if not codes & set(h.rule.quiet_when)]
    here = heard if case is whole else [_without_cycles(h) if h.rule.of_the_log else h for h in heard]
    advised = advise(case, here)
    findings = (
        _finding(h, advice, whole if h.rule.of_the_log else case)
        for h, advice in zip(heard, advised.advice, strict=True)
    )
    return _Found(
        findings=tuple(findings), not_judged=not_judged, steps=advised.steps, next_clip=advised.next_clip
    )


def _without_cycles(h: Heard) -> Heard:
    """What a rule found over the whole log, for advice on a part of it, whose cycles are others."""
    return replace(h, seen=replace(h.seen, cycles=None, usual=None))


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
