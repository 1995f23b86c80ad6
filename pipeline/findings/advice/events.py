"""Which kinds of events a log holds, and which its channels could show: the other half of a log's pattern beside its measures."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.findings.evidence.case import Case
from pipeline.findings.evidence.stops import clamp_of
from pipeline.findings.rule import Rule, Seen

_WARM_C, _DEEP_C = 2.0, -18.0  # a plate with hot gas on it, a plate without water: common practice, no source

_STALLS = {
    "never-warmed": "stall-cold",
    "plateau": "stall-plateau",
    "at-limit": "stall-limit",
    "repeated": "stall-repeated",
}
_TRIPS = {
    "high-pressure": "trips-high", "low-pressure": "trips-low", "overload": "trips-overload", "chatter": "trips-chatter",
    "unknown": "trips-unknown",
}  # fmt: skip
_PLAIN = {
    "freeze-at-timeout": "timeout", "failed-start": "failed-start", "ice-stopped": "stopped", "freeze-broken": "broken",
    "no-ice": "no-ice", "valve-hunting": "hunting",
}  # fmt: skip


def events_of(case: Case, seen: Sequence[tuple[Rule, Seen]]) -> frozenset[str]:
    """The events that a log holds, by what the rules found (`seen`)."""
    found = set(_without_ice(case, seen))
    for rule, what in seen:
        kind = str(what.evidence.get("kind") or "")
        if rule.code == "harvest-stalled" and kind in _STALLS:
            found.add("stall-blind" if kind == "never-warmed" and clamp_of(case) is None else _STALLS[kind])
        if rule.code == "harvest-stalled" and 2 * what.evidence.get("ice_left_count", 0) >= count(what):
            blind = case.timeline.get("evaporator", "suction") is None
            found.add("ice-left-blind" if blind else "ice-left")
        if rule.code == "short-cycling" or (rule.code == "freeze-broken" and kind):
            found.add("trips-unknown" if clamp_of(case) is None else _TRIPS.get(kind, "trips-unknown"))
        elif rule.code == "supply-voltage":
            found.add("over-voltage" if what.causes == ("voltage-high",) else "voltage")
        elif rule.code in _PLAIN:
            found.add(_PLAIN[rule.code])
        if rule.code == "ice-stopped":
            found |= {"stopped-mid"} if what.evidence.get("came") == "in mid-freeze" else set()
            found |= {"stopped-on"} if what.evidence.get("runs_on") else set()
    return frozenset(found)


def _without_ice(case: Case, seen: Sequence[tuple[Rule, Seen]]) -> frozenset[str]:
    """How the evaporator stood while no ice was made."""
    found = set()
    cold = case.timeline.get("evaporator", "suction")
    usual = case.level("freeze_end_c", case.steady)
    for rule, what in seen:
        if rule.code != "no-ice" or cold is None:
            continue
        within = (cold.time_ns >= what.start_ns) & (cold.time_ns <= what.end_ns) & cold.trusted
        if within.any():
            stood = float(np.median(cold.values[within]))
            if stood > _WARM_C:
                found.add("no-ice-warm")
            elif stood < (usual if math.isfinite(usual) else _DEEP_C):
                found.add("no-ice-cold")
    return frozenset(found)


def count(what: Seen) -> int:
    """Of how many cycles a finding tells, one at the least."""
    return 1 if what.cycles is None else max(int(np.sum(what.cycles)), 1)


def observable(case: Case, events: frozenset[str]) -> frozenset[str]:
    """Events that these channels could show, so that their absence says something. A stop that nobody looked for, or that another
    finding has already, says nothing; nor do other kinds of trips beside one that was told (`events`)."""
    clamp = clamp_of(case)
    cold = case.timeline.get("evaporator", "suction")
    shown = {"timeout", "no-ice", "ice-left"}
    if cold is not None:
        shown |= {"stall-plateau", "stall-limit", "stall-repeated", "hunting", "trips-unknown"}
        shown.add("stall-blind" if clamp is None else "stall-cold")
    if clamp is not None:
        shown |= {"trips-high", "trips-low", "trips-overload", "trips-chatter"}
        if clamp.interval_s <= 5:
            shown.add("failed-start")
    elif "stopped" in events:  # by its line alone, a machine that harvests without an end stands
        shown.discard("no-ice")
    if "stopped" in events:
        shown |= (
            {"stopped-mid"}
            if clamp is None or clamp.role == "current_compressor"
            else {"stopped-mid", "stopped-on"}
        )
    trips = frozenset(_TRIPS.values())
    return frozenset(shown) - (trips if trips & events else frozenset())
