"""From what the rules found to causes with probabilities and checks in order, all findings of a log together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.advice.because import sentences
from pipeline.findings.advice.causes import CAUSES, SOMETHING_ELSE, TABLE
from pipeline.findings.advice.checks import CHECKS, fitting, step_of
from pipeline.findings.advice.next_clip import next_clip
from pipeline.findings.advice.pattern import Pattern, read
from pipeline.findings.advice.probabilities import Posterior, posterior_of
from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.signals import Signals
from pipeline.findings.finding import NextClip, Odds, Severity, Step
from pipeline.findings.rule import Rule, Seen
from pipeline.language.text import Text

# Common practice, no source.
_SHOWN = 4  # causes that are named
_LIKELY = 0.05  # probability from which on one is named
_CHECKED = 3  # causes whose checks are taken
_CATCH_EVERY = 4  # cycles from which on a fault is waited for rather than looked for
_CATCH_TIMES = 2.3  # waiting for this many times the mean interval meets nine in ten: 1 - exp(-2.3)


@dataclass(frozen=True, kw_only=True)
class RuleResult:
    """A finding with what the other channels say of it."""

    rule: Rule
    seen: Seen
    signals: Signals

    @property
    def keys(self) -> tuple[str, ...]:
        """The rows of the table of causes that may lie behind it."""
        return self.seen.causes or self.rule.causes


@dataclass(frozen=True, kw_only=True)
class Advice:
    """What is to be said of one finding."""

    causes: tuple[Odds, ...]
    likely: tuple[Text, ...]
    steps: tuple[Step, ...]

    @property
    def checks(self) -> tuple[Text, ...]:
        """What to check, best first."""
        return tuple(s.text for s in self.steps)


@dataclass(frozen=True, kw_only=True)
class Whole:
    """What is to be said of one log."""

    advice: tuple[Advice, ...]  # in the order of the findings
    steps: tuple[Step, ...]
    next_clip: NextClip | None


def advise(case: Case, results: Sequence[RuleResult]) -> Whole:
    """Causes, checks and the next channel for the findings of one log. Raises KeyError for a cause that is not in the table."""
    of_the_logger = frozenset(code for key in CAUSES for code in CAUSES[key].logger)
    pattern = posterior = None
    if any(h.rule.code not in of_the_logger for h in results):
        pattern = read(case, [(h.rule, h.seen) for h in results], of_the_logger=of_the_logger)
        posterior = posterior_of(pattern, cooling=case.unit.cooling)
    advice = []
    for h in results:
        named = tuple(dict.fromkeys(k for key in h.keys for k in TABLE.standing_for(key)))
        if posterior is None or h.rule.code in of_the_logger:
            odds = _by_logger(h.rule.code, named)
        else:
            odds = posterior.of_finding(h.rule.code, named)
        advice.append(_advice(odds, posterior, pattern, h, case))
    together = {s.check: s for a in advice for s in reversed(a.steps)}
    steps = sorted(together.values(), key=lambda s: CHECKS[s.check].rank)
    grave = any(h.seen.severity is not Severity.NOTE for h in results if h.rule.code not in of_the_logger)
    told = {o.cause for a in advice for o in a.causes if o.probability >= _LIKELY}
    clip = next_clip(case, posterior, told) if posterior is not None and grave else None
    return Whole(advice=tuple(advice), steps=tuple(steps), next_clip=clip)


def _by_logger(code: str, named: tuple[str, ...]) -> dict[str, float]:
    """The causes of a finding on the loggers, by their own table."""
    odds = {
        k: CAUSES[k].prior * CAUSES[k].logger.get(code, 0.02)
        for k in CAUSES
        if CAUSES[k].of_the_logger or k in named
    }
    odds = {k: p for k, p in odds.items() if k in named or CAUSES[k].logger.get(code, 0) >= 0.05}
    rest = CAUSES[SOMETHING_ELSE].prior * 0.05
    total = sum(odds.values()) + rest
    return {k: odds[k] / total for k in sorted(odds, key=lambda k: -odds[k])} | {SOMETHING_ELSE: rest / total}


def _advice(
    odds: Mapping[str, float], posterior: Posterior | None, pattern: Pattern | None, h: RuleResult, case: Case
) -> Advice:
    named = [k for k in odds if k != SOMETHING_ELSE]
    kept = [k for k in named if odds[k] >= _LIKELY][:_SHOWN] or named[:1]
    shown = []
    for key in (*named, SOMETHING_ELSE):
        because, against = (), ()
        told = key in kept or key == SOMETHING_ELSE
        if posterior is not None and pattern is not None and told and not CAUSES[key].of_the_logger:
            because, against = sentences(posterior.votes.get(key, {}), pattern, h.signals.known())
        shown.append(
            Odds(cause=key, text=CAUSES[key].text(), probability=odds[key], because=because, against=against)
        )
    asked: dict[str, float] = {}
    logged = {c.role for c in case.timeline.channels if c.chosen and 2 * c.trusted.sum() > len(c.trusted)}
    for key in kept[:_CHECKED]:
        for check in fitting(CAUSES[key].checks, case.unit, logged):
            asked[check] = asked.get(check, 0.0) + odds[key]
    if not asked:
        asked = dict.fromkeys(CAUSES[SOMETHING_ELSE].checks, 1.0)
    order = sorted(asked, key=lambda c: (CHECKS[c].rank[0], -asked[c] / CHECKS[c].minutes))
    steps = [step_of(c, case.unit) for c in order]
    catching = _catching(h, case)
    if catching is not None:  # looking needs no waiting; what is measured in a good cycle clears nothing
        steps.insert(sum(CHECKS[c].step == "look" for c in order), catching)
    return Advice(
        causes=_rounded(shown),
        likely=tuple(CAUSES[k].text() for k in kept or [SOMETHING_ELSE]),
        steps=tuple(steps),
    )


def _rounded(shown: Sequence[Odds]) -> tuple[Odds, ...]:
    """Probabilities to three decimals that still add up to 1; rows that come to nothing are left out."""
    out = [replace(o, probability=round(o.probability, 3)) for o in shown]
    out = [o for o in out if o.probability > 0 or o.cause == SOMETHING_ELSE]
    over = round(1 - sum(o.probability for o in out), 3)
    first = max(range(len(out)), key=lambda i: out[i].probability)
    out[first] = replace(out[first], probability=round(out[first].probability + over, 3))
    return tuple(out)


def _catching(h: RuleResult, case: Case) -> Step | None:
    """For a fault that shows in few cycles: how long to wait for the next one. None where it is there all the time."""
    if h.seen.cycles is None or case.n == 0 or not h.seen.flag_cycles:
        return None
    hit = np.asarray(h.seen.cycles)
    at = np.flatnonzero(hit)
    if len(at) < 2 or hit[at[0] :].mean() > 1 / _CATCH_EVERY:
        return None
    begun_ns, over_ns = h.seen.start_ns, h.seen.end_ns
    spells = sum(
        p.kind is PhaseKind.UNCLEAR and p.start_ns < over_ns and p.end_ns > begun_ns
        for p in case.record.phases
    )
    times = max(len(at), spells)  # trips leave no cycle that they could be counted by
    every = int((case.end_ns > begun_ns).sum()) / times
    if every < _CATCH_EVERY:
        return None
    hours = (case.end_ns[-1] - begun_ns) / 3.6e12 / times
    seconds = case.thresholds["failed_start_s"] if h.rule.code == "failed-start" else 10.0
    return step_of(
        "catch-it", case.unit, count=round(every), wait_h=round(_CATCH_TIMES * hours, 1), interval_s=seconds
    )
