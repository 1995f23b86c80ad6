"""A finding as the page tells it: its numbers named and in the reader's units, its causes, its checks."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.findings.finding import SOMETHING_ELSE, Finding, NextClip, Step
from pipeline.report.charts.evidence import Evidence
from pipeline.report.clock import Offsets
from pipeline.report.wording import Reader, certainty

MOST_CYCLES = 24  # numbers of cycles that are written out
LEAST_CHANCE = 0.05  # a probability under this is not shown for something else
_PRACTICE = "check.by-practice"


def finding_view(
    n: int, finding: Finding, picture: Evidence | None, offsets: Offsets, reader: Reader
) -> dict[str, Any]:
    """Everything that the template's article of the `n`-th finding needs."""
    first, last = reader.moment(finding.start_ns, offsets), reader.moment(finding.end_ns, offsets)
    return {
        "n": n,
        "severity": finding.severity.value,
        "title": _capital(reader.say_html(finding.title)),
        "when": _capital(reader.t_html("findings.when", first=first, last=last)),
        "cycles": [int(c) for c in finding.cycles[:MOST_CYCLES]],
        "more": max(len(finding.cycles) - MOST_CYCLES, 0),
        "numbers": _numbers(finding.evidence, reader),
        "signals": _numbers(finding.signals, reader),
        "causes": _causes(finding, reader),
        "checks": [_step(s, reader) for s in finding.steps]
        or [{"text": reader.say_html(c), "instrument": None} for c in finding.next_checks],
        "sure": reader.t(f"findings.sure_{certainty(finding.confidence)}"),
        "picture": picture,
    }


def with_shared_advice(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """`findings`, as `finding_view` has them, each knowing whose causes and checks it shares: they are told with the first alone."""
    first: dict[tuple, Markup] = {}
    for finding in findings:
        key = (tuple(c["text"] for c in finding["causes"]), tuple(c["text"] for c in finding["checks"]))
        finding["same_as"] = first.get(key) if finding["causes"] else None
        first.setdefault(key, finding["title"])
    return findings


def named(code: str, reader: Reader) -> str:
    """What a finding's code stands for, in words: codes stand in files only."""
    return reader.words.get(f"named.{code}") or code.replace("-", " ")


def _causes(finding: Finding, reader: Reader) -> list[dict[str, Any]]:
    """The causes that are named, with their chances; something else last, where it is worth a word."""
    if not finding.causes:
        bare = {"chance": None, "because": None, "against": None}
        return [{"text": reader.say_html(c), **bare} for c in finding.likely_causes]
    named = {text.key for text in finding.likely_causes}
    shown = [
        o
        for o in finding.causes
        if o.text.key in named or (o.cause == SOMETHING_ELSE and o.probability >= LEAST_CHANCE)
    ]
    return [
        {
            "text": reader.say_html(o.text),
            "chance": chance(o.probability, reader),
            # what speaks for something else speaks for nothing that could be named
            "because": Markup("; ").join(reader.say_html(t) for t in o.because if o.cause != SOMETHING_ELSE),
            "against": Markup("; ").join(reader.say_html(t) for t in o.against if o.cause != SOMETHING_ELSE),
        }
        for o in shown
    ]


def chance(probability: float, reader: Reader) -> str:
    """A probability in words: "7 in 10"."""
    tenths = round(10 * probability)
    key = "chance_least" if tenths < 1 else "chance_most" if tenths > 9 else "chance"
    return reader.t(f"findings.{key}", tenths=min(max(tenths, 1), 9))


def _step(step: Step, reader: Reader) -> dict[str, Any]:
    return {
        "text": reader.say_html(step.text),
        "instrument": reader.say_html(step.instrument),
        "expect": reader.say_html(step.expect, short=True),
        "basis": reader.say_html(step.basis),
        "practice": step.basis.key == _PRACTICE,
        "if_so": reader.say_html(step.if_so),
        "if_not": reader.say_html(step.if_not),
        "cautions": [reader.say_html(c) for c in step.cautions],
    }


def clip_view(clip: NextClip | None, reader: Reader) -> dict[str, Any] | None:
    """What to clip next, as the page says it; None where there is nothing to say."""
    if clip is None:
        return None
    speaks: dict[Markup, list[Markup]] = {}  # reading -> the causes that it speaks for
    for s in clip.speaks:
        speaks.setdefault(_capital(reader.say_html(s.reading, short=True)), []).append(
            reader.say_html(s.text)
        )
    return {
        "text": reader.say_html(clip.text),
        "caution": reader.say_html(clip.caution) if clip.caution else None,
        "speaks": [(reading, Markup("; ").join(causes)) for reading, causes in speaks.items()],
    }


def _capital(sentence: Markup) -> Markup:
    """With a capital first letter, where it starts with a word of ours (and not with a name or a mark-up tag)."""
    return Markup(sentence[:1].upper() + sentence[1:]) if sentence[:1].isalpha() else sentence


_INTERNAL = frozenset({"how", "measure", "kind", "check", "proof", "role"})
"""Words of ours that say how a rule came to it: for scripts."""


def _numbers(evidence: Mapping[str, Any], reader: Reader) -> list[tuple[str, Markup]]:
    shown = [
        (name, value)
        for name, value in evidence.items()
        if name not in _INTERNAL and not isinstance(value, Mapping) and not _is_nothing(value)
    ]
    values = {name: _evidence_value(name, value, reader) for name, value in shown}
    for name in list(values):  # an interval and a rate stand beside what they are of
        low, high, daily = _beside(name, "low"), _beside(name, "high"), f"{name}_per_day"
        if low in values and high in values:
            interval = reader.t_html("findings.interval", low=values.pop(low), high=values.pop(high))
            values[name] += Markup(" ({})").format(interval)
        if daily in values:
            values[name] += Markup("; ") + values.pop(daily)
    return [(number_name(name, reader), value) for name, value in values.items()]


def _is_nothing(value: Any) -> bool:
    return value is None or (isinstance(value, list | tuple) and not value)


def _beside(name: str, end: str) -> str:
    """The name of the lower or the upper end of a number's interval: "rise_low_k" of "rise_k"."""
    unit = _UNIT_ENDING.search(name)
    return f"{name[: unit.start()]}_{end}{unit[0]}" if unit else f"{name}_{end}"


_UNIT_ENDING = re.compile(
    r"(?<=[a-z])_(c|k|a|ah|w|v|kwh|kwh_per_day|kwh_per_kg|kpa|kg|kg_per_day|s|s_per_day|min|min_per_day|h|days|per_hour|per_day|pct|k_per_(min|day)|pct_per_day)$"
)


def number_name(name: str, reader: Reader) -> str:
    """What a number is, for people: from the catalogue, else its name without the unit."""
    return reader.words.get(f"evidence.{name}") or _UNIT_ENDING.sub("", name).replace("_", " ")


def _evidence_value(name: str, value: Any, reader: Reader) -> Markup:
    if isinstance(value, list | tuple | np.ndarray):
        return Markup(", ").join(_evidence_value(name, v, reader) for v in list(value)[:12])
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, str):
        value = reader.words.get(f"evidence.value.{value}", value)
    return reader.show_html(name, value)
