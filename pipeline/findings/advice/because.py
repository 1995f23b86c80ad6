"""What speaks for a cause and against it, as sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping

from pipeline.findings.advice.pattern import Pattern
from pipeline.findings.phrase import Phrase, phrase
from pipeline.language.text import Text

_MEASURES = {
    # measure: (value in the sentence, more, less, the same)
    "freeze_pct": ("change_pct", "freezes are {change_pct} longer", "freezes are {change_pct} shorter", "freezes are as long as usual"),
    "harvest_pct": ("change_pct", "harvests are {change_pct} longer", "harvests are {change_pct} shorter", "harvests are as long as usual"),
    "cold_k": ("change_k", "the evaporator ends its freeze {change_k} warmer", "the evaporator ends its freeze {change_k} colder", "the evaporator ends its freeze as cold as usual"),
    "pull_pct": ("change_pct", "the first fall of the freeze is {change_pct} faster", "the first fall of the freeze is {change_pct} slower", "the first fall of the freeze is as fast as usual"),
    "current_pct": ("change_pct", "the current in freeze is {change_pct} higher", "the current in freeze is {change_pct} lower", "the current in freeze is as usual"),
    "gas_pct": ("change_pct", "the current in harvest is {change_pct} higher beside that in freeze", "the current in harvest is {change_pct} lower beside that in freeze", "the current in harvest is as usual beside that in freeze"),
    "peak_k": ("change_k", "the evaporator gets {change_k} warmer in harvest", "the evaporator stays {change_k} colder in harvest", "the evaporator gets as warm in harvest as usual"),
    "rise_pct": ("change_pct", "the evaporator begins to warm {change_pct} faster in harvest", "the evaporator begins to warm {change_pct} more slowly in harvest", "the evaporator begins to warm as fast as usual in harvest"),
    "plateau_min": ("change_min", "the evaporator hangs near freezing point for {change_min} more", "the evaporator hangs near freezing point for {change_min} less", "the evaporator passes freezing point as fast as usual in harvest"),
    "air_rise_k": ("change_k", "the air rises {change_k} more through the condenser", "the air rises {change_k} less through the condenser", "the air rises as much as usual through the condenser"),
    "discharge_k": ("change_k", "the discharge line is {change_k} hotter", "the discharge line is {change_k} cooler", "the discharge line is as hot as usual"),
    "over_air_k": ("change_k", "it condenses {change_k} higher above the air", "it condenses {change_k} less above the air", "it condenses as far above the air as usual"),
    "superheat_k": ("change_k", "the suction superheat is {change_k} higher", "the suction superheat is {change_k} lower", "the suction superheat is as usual"),
    "subcooling_k": ("change_k", "the subcooling is {change_k} higher", "the subcooling is {change_k} lower", "the subcooling is as usual"),
    "evaporating_k": ("change_k", "it evaporates {change_k} warmer", "it evaporates {change_k} colder", "it evaporates as cold as usual"),
    "air_k": ("change_k", "the air that it is given is {change_k} warmer", "the air that it is given is {change_k} colder", "the air that it is given is as warm as usual"),
    "water_k": ("change_k", "the supply water is {change_k} warmer", "the supply water is {change_k} colder", "the supply water is as warm as usual"),
    "spread_pct": ("change_pct", "freezes scatter more", "freezes scatter less", "freezes scatter as usual"),
    "begin_k": ("change_k", "early in the freeze the evaporator is {change_k} warmer", "early in the freeze the evaporator is {change_k} colder", "early in the freeze the evaporator is as cold as usual"),
    "mid_k": ("change_k", "in mid-freeze the evaporator is {change_k} warmer", "in mid-freeze the evaporator is {change_k} colder", "in mid-freeze the evaporator is as cold as usual"),
    "swing_k": ("change_k", "the line swings {change_k} more within a freeze", "the line swings {change_k} less within a freeze", "the line swings as usual within a freeze"),
}  # fmt: skip
_SIGNALS = {
    "freeze_pct": "freeze_pct", "cold_k": "freeze_end_shift_k", "current_pct": "current_pct", "peak_k": "harvest_peak_shift_k",
    "rise_pct": "harvest_rise_pct", "air_rise_k": "split_shift_k", "discharge_k": "discharge_shift_k", "air_k": "air_shift_k",
    "water_k": "water_shift_k",
}  # fmt: skip
"""Measure -> the number beside a finding that says the same of its own cycles."""
_WAYS = ("more", "less", "same")
_SAID: Mapping[str, Phrase] = {
    f"{m}.{way}": phrase(f"because.{m}.{way}", english)
    for m, (_, *sentences) in _MEASURES.items()
    for way, english in zip(_WAYS, sentences, strict=True)
}
_EVENTS: Mapping[str, Phrase] = {
    key: phrase(f"because.{key}", english)
    for key, english in {
        "stall-cold": "harvests in which the evaporator never warmed",
        "stall-blind": "the evaporator never warmed where a harvest was due; without a clamp a standing compressor looks the same",
        "stall-plateau": "harvests that hung near freezing point",
        "stall-limit": "harvests that ran into their limit",
        "stall-repeated": "harvests that had to be repeated",
        "ice-left": "ice that stayed on the plate, by the freezes after it",
        "ice-left-blind": "short freezes that stand alone, as after a harvest that left ice",
        "timeout": "freezes that a timer ended",
        "trips-high": "stops that take the time a high-pressure switch takes",
        "trips-low": "stops that take the time a low-pressure switch takes",
        "trips-overload": "stops that take the time a motor overload takes",
        "trips-chatter": "starts and stops within seconds",
        "trips-unknown": "stops whose length fits none of the switches",
        "failed-start": "locked-rotor current without a start",
        "stopped": "a long stop",
        "stopped-mid": "a long stop that began in mid-freeze",
        "stopped-on": "a fan or pump that ran on through the long stop",
        "broken": "stops within freezes",
        "no-ice": "a run without freezes and harvests",
        "no-ice-warm": "an evaporator that stays warm while no ice is made",
        "no-ice-cold": "an evaporator colder than a freeze ends while no ice is made",
        "hunting": "a suction line that swings in freeze",
        "voltage": "a voltage outside what the plate allows",
        "over-voltage": "a voltage above what the plate allows",
    }.items()
}
_NOT_SEEN = {key: phrase(f"because.not.{key}", f"not seen: {p.english}") for key, p in _EVENTS.items()}
_VIEWS = {
    "later": phrase(
        "because.view.later", "compared: what is usual in the later part of this log with its beginning"
    ),
    "odd": phrase("because.view.odd", "compared: the cycles that stand out with the others of this log"),
    "level": phrase(
        "because.view.level", "compared: this log with what is common for such machines; no source"
    ),
}
LEAST_NATS = 0.35  # that a sentence is worth
MOST = 3  # sentences for, and as many against


def sentences(
    votes: Mapping[str, float], pattern: Pattern, signals: Mapping[str, float]
) -> tuple[tuple[Text, ...], tuple[Text, ...]]:
    """(for, against) one cause, strongest first, each measure once; those of one comparison stand together and end with what was
    compared with what.

    votes: measure ("view:measure") or event -> nats, of `probabilities.Posterior.votes`. signals: what stands beside the finding, of
    `evidence.signals.Signals`: where it has the number of a sentence, the sentence says that one.
    """
    ranked = sorted(votes, key=lambda m: -abs(votes[m]))
    sides: dict[bool, list[tuple[str, Text]]] = {True: [], False: []}
    told = set()
    for name in ranked:
        side = votes[name] > 0
        said = _say(name, pattern, signals)
        view, _, measure = name.partition(":")
        if (
            abs(votes[name]) < LEAST_NATS
            or said is None
            or len(sides[side]) >= MOST
            or (measure and measure in told)
        ):
            continue
        sides[side].append((view if view in _VIEWS else "", said))
        told.add(measure)
    return _by_view(sides[True]), _by_view(sides[False])


def _by_view(told: list[tuple[str, Text]]) -> tuple[Text, ...]:
    out: list[Text] = []
    for view in dict.fromkeys(view for view, _ in told):
        out += [said for v, said in told if v == view]
        out += [_VIEWS[view]()] if view else []
    return tuple(out)


def _say(name: str, pattern: Pattern, signals: Mapping[str, float]) -> Text | None:
    if name in _EVENTS:
        return _EVENTS[name]() if name in pattern.events else _NOT_SEEN[name]()
    view, _, measure = name.partition(":")
    values = {"later": pattern.later, "odd": pattern.odd, "level": pattern.level}.get(view, {})
    if measure not in _MEASURES or measure not in values:
        return None
    value, sd = values[measure]
    if abs(value) < sd:
        return _SAID[f"{measure}.same"]()
    change = 100 * math.expm1(value / 100) if measure.endswith("_pct") else value
    beside = signals.get(_SIGNALS.get(measure, ""), change) if view != "level" else change
    shown = abs(beside if beside * change > 0 else change)
    if shown < (0.5 if measure.endswith("_pct") else 0.05):  # "0 % longer" says nothing
        return None
    return _SAID[f"{measure}.{'more' if value > 0 else 'less'}"](**{_MEASURES[measure][0]: round(shown, 1)})
