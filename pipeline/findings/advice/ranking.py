"""Ranks the causes of every finding of a log: by its own signals, and so that the findings agree with each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.findings.advice.causes import CAUSES, FOLLOWS
from pipeline.findings.advice.checks import CHECKS
from pipeline.findings.evidence.signals import Signals
from pipeline.findings.rule import Rule, Seen
from pipeline.language.text import Text

# Common practice, no source.
_SHOWN = 4
_TOO_UNLIKELY = 0.06  # share of the likeliest cause's odds under which one is left out
_CHECKED = 3  # causes whose checks are taken
_NAMED_FIRST = 0.8  # log-odds by which a rule's own first guess leads the next
_AGREES = 0.9  # log-odds that a cause gains for each other finding that it would explain as well


@dataclass(frozen=True, kw_only=True)
class Heard:
    """A finding with what the other channels say of it."""

    rule: Rule
    seen: Seen
    signals: Signals

    @property
    def keys(self) -> tuple[str, ...]:
        return self.seen.causes or self.rule.causes

    def odds(self) -> dict[str, float]:
        """Log-odds of each cause. A rule that named its causes itself named the likeliest first: signals correct it."""
        step = _NAMED_FIRST if self.seen.causes is not None else 0.0
        return {k: CAUSES[k].weigh(self.signals) - step * i for i, k in enumerate(self.keys)}


def rank(heard: Sequence[Heard]) -> list[tuple[tuple[Text, ...], tuple[Text, ...]]]:
    """For each finding: likely causes, likeliest first, and next checks in a technician's order.

    Raises KeyError for a cause that is not in `CAUSES`.
    """
    own = [h.odds() for h in heard]
    leading = [max(odds, key=lambda k: odds[k]) if odds else "" for odds in own]
    ranked = []
    for i, (h, odds) in enumerate(zip(heard, own, strict=True)):
        others = [leading[j] for j in range(len(heard)) if j != i and _same_time(h.seen, heard[j].seen)]
        agreed = {
            k: v + _AGREES * sum(o == k or o in FOLLOWS.get(k, ()) for o in others) for k, v in odds.items()
        }
        ranked.append(_told(agreed, h))
    return ranked


def _same_time(a: Seen, b: Seen) -> bool:
    return a.start_ns <= b.end_ns and b.start_ns <= a.end_ns


def _told(odds: dict[str, float], h: Heard) -> tuple[tuple[Text, ...], tuple[Text, ...]]:
    if not odds:
        return (), ()
    order = sorted(odds, key=lambda k: (-odds[k], h.keys.index(k)))
    kept = [k for k in order if math.exp(odds[k] - odds[order[0]]) >= _TOO_UNLIKELY][:_SHOWN]
    place: dict[str, int] = {}
    for k in kept[:_CHECKED]:
        for check in CAUSES[k].checks:
            place.setdefault(check, len(place))
    checks = sorted(place, key=lambda c: (CHECKS[c].step, place[c]))
    return tuple(_say(k, h.signals) for k in kept), tuple(CHECKS[c].text() for c in checks)


def _say(key: str, signals: Signals) -> Text:
    known = signals.known()
    for signal, low, high, sentence in CAUSES[key].because:
        if signal in known and low <= known[signal] <= high:
            return sentence(**{signal: known[signal]})
    return CAUSES[key].text()
