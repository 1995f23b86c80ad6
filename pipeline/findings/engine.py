"""Runs the rules. It finds them in the modules of `rules/` (each has a `RULES`) and knows none by name."""

from __future__ import annotations

import functools
import importlib
import pkgutil
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

import pipeline.findings.rules as room
from pipeline.cycles.record import CycleRecord
from pipeline.findings import thresholds
from pipeline.findings.advice.cautions import cautions
from pipeline.findings.advice.ranking import Advice, RuleResult, advise
from pipeline.findings.advice.verdict import verdict
from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.elsewhere import Elsewhere
from pipeline.findings.evidence.refrigerant import side_of
from pipeline.findings.evidence.signals import signals
from pipeline.findings.finding import Finding, Judgement, NextClip, NotJudged, Severity, Step
from pipeline.findings.methods.statistics import middle
from pipeline.findings.production import loss_of, output
from pipeline.findings.rule import BATCHES, CannotTell, Rule
from pipeline.findings.slabs import slabs
from pipeline.findings.visited import (
    after_visits,
    as_known,
    going_on,
    grave,
    knowing,
    split,
    until,
    with_mended,
)
from pipeline.logs.timeline import Timeline
from pipeline.unit import Unit

_WORST_FIRST = {Severity.ACT: 0, Severity.WATCH: 1, Severity.NOTE: 2}


@functools.cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule of every module below `rules/`, in the order of the modules' own names."""
    names = (m.name for m in pkgutil.walk_packages(room.__path__, f"{room.__name__}."))
    modules = map(importlib.import_module, sorted(names, key=lambda name: name.rpartition(".")[2]))
    return tuple(rule for module in modules for rule in getattr(module, "RULES", ()))


def judge(
    timeline: Timeline, record: CycleRecord, unit: Unit, elsewhere: Elsewhere | None = None
) -> Judgement:
    """Everything that is to be said of one log: findings worst first, what could not be judged, output and verdict.

    elsewhere: what is known of earlier visits and of sister machines. Visits that unit.toml names split the log: it is the machine as it was
    left that is judged, with what goes on from before; what was found before and is not there after is reported as mended.
    Raises UnitConfigError where `unit.thresholds` names a threshold that does not exist.
    """
    whole = Case(
        timeline=timeline,
        record=record,
        unit=unit,
        thresholds=thresholds.resolve(unit),
        elsewhere=elsewhere or Elsewhere(),
    )
    cases = split(whole)
    by_part = _by_part(whole, cases)
    case, found = cases[-1], by_part[-1]
    earlier = [part.findings for part in by_part[:-1]]
    visits = after_visits(whole, cases)
    reported = with_mended(found.findings, earlier)
    worst_first = tuple(
        sorted(reported, key=lambda f: (_WORST_FIRST[f.severity], -f.confidence, f.start_ns, f.code))
    )
    codes = {f.code for f in worst_first}
    marked = {c for f in worst_first if f.shows.about == "freeze" and f.flag_cycles for c in f.cycles}
    return Judgement(
        findings=worst_first,
        not_judged=tuple(n for code, n in found.not_judged.items() if code not in codes),
        output=output(whole),
        slabs=slabs(whole, marked) if record.no_batches is None else None,
        verdict=verdict(case, worst_first, visits, log_start_ns=timeline.start_ns),
        thresholds=whole.thresholds.rows(),
        cautions=cautions(unit, worst_first),
        visits=visits,
        steps=found.steps,
        next_clip=found.next_clip,
        air_c=middle(whole.air_c),
        water_c=middle(whole.water_c),
        sisters_min=middle(np.array([m.freeze_min for m in whole.elsewhere.sisters])),
        refrigerant_side=side_of(unit.nameplate.refrigerant, case.refrigeration, case.steady),
    )


@dataclass(frozen=True, kw_only=True)
class _FoundInPart:
    """What the rules found in one part of a log."""

    findings: tuple[Finding, ...]
    not_judged: dict[str, NotJudged]
    steps: tuple[Step, ...]
    next_clip: NextClip | None


def _by_part(whole: Case, cases: Sequence[Case]) -> list[_FoundInPart]:
    """What was found in each part of a log that visits split: a part with nothing grave is a standard for the next one, and
    what was grave before a visit and goes on after it is found in both."""
    by_part: list[_FoundInPart] = []
    standard = None
    for i, part in enumerate(cases):
        last = i == len(cases) - 1
        case = part if standard is None else knowing(part, standard)
        over = whole if last else until(whole, part)
        found = _found(case, over, of_the_log=last)
        lost = grave(by_part[-1].findings) - {f.code for f in found.findings} if by_part else frozenset()
        if lost:
            everything = _found(over, over, of_the_log=last).findings
            stays = going_on(everything, part, among=lost, unjudged=found.not_judged.keys())
            if stays:
                found = _found(case, over, of_the_log=last, also=stays)
        by_part.append(found)
        standard = None if grave(found.findings) else as_known(part, str(i + 1))
    return by_part


def _found(
    case: Case, whole: Case, *, of_the_log: bool = True, also: frozenset[str] = frozenset()
) -> _FoundInPart:
    """The findings of `case`, those of rules that judge the whole log by `whole`, and what could not be judged.

    also: codes that are judged by `whole` too, for a fault that fills `case` and shows only beside what was before it.
    """
    seen_by_rules: list[RuleResult] = []
    not_judged: dict[str, NotJudged] = {}
    by_whole = {rule.code for rule in all_rules() if rule.of_the_log} | also
    for rule in all_rules():
        if rule.of_the_log and not of_the_log:
            continue
        by = whole if rule.code in by_whole else case
        outcome = _apply(rule, by)
        if isinstance(outcome, CannotTell):
            not_judged.setdefault(rule.code, NotJudged(code=rule.code, needs=outcome.needs))
            continue
        seen = outcome if isinstance(outcome, tuple) else (outcome,) if outcome else ()
        seen_by_rules += [RuleResult(rule=rule, seen=s, signals=signals(by, s.cycles, s.usual)) for s in seen]
    codes = {h.rule.code for h in seen_by_rules}
    seen_by_rules = [h for h in seen_by_rules if not codes & set(h.rule.quiet_when)]
    advised_by = whole if also else case  # what fills a part shows its pattern only beside what was before
    here = [
        h if (whole if h.rule.code in by_whole else case) is advised_by else _without_cycles(h)
        for h in seen_by_rules
    ]
    advised = advise(advised_by, here)
    findings = (
        _finding(h, advice, whole if h.rule.code in by_whole else case)
        for h, advice in zip(seen_by_rules, advised.advice, strict=True)
    )
    return _FoundInPart(
        findings=tuple(findings), not_judged=not_judged, steps=advised.steps, next_clip=advised.next_clip
    )


def _without_cycles(h: RuleResult) -> RuleResult:
    """What a rule found over a log, or a part of it, for advice on another one, whose cycles are others."""
    return replace(h, seen=replace(h.seen, cycles=None, usual=None))


def _apply(rule: Rule, case: Case):
    if rule.of_cycles and case.record.no_batches is not None:
        return CannotTell(needs=BATCHES())
    for need in rule.needs:
        if not need.met(case):
            return CannotTell(needs=need.text)
    return rule.test(case)


def _finding(h: RuleResult, advice: Advice, case: Case) -> Finding:
    seen = h.seen
    return Finding(
        code=h.rule.code,
        severity=seen.severity,
        title=seen.title,
        start_ns=seen.start_ns,
        end_ns=seen.end_ns,
        cycles=() if seen.cycles is None else case.numbers(np.asarray(seen.cycles)),
        evidence={k: v for k, v in seen.evidence.items() if v is not None} | loss_of(case, seen),
        signals=h.signals.known(),
        likely_causes=advice.likely,
        next_checks=advice.checks,
        causes=advice.causes,
        steps=advice.steps,
        # that readings are false is no less certain where many are
        confidence=round(
            min(max(seen.confidence, 0.0), 1.0) * (1.0 if h.rule.shows.doubted else case.trust), 3
        ),
        flag_cycles=seen.flag_cycles and seen.cycles is not None,
        shows=h.rule.shows,
    )
