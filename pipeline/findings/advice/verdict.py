"""One sentence for the client, one for the technician."""

from __future__ import annotations

import numpy as np

from pipeline.cycles.record import NoBatches, PhaseKind
from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.evidence.standards import freeze_standard
from pipeline.findings.finding import AfterVisit, Finding, Severity, Verdict
from pipeline.findings.phrase import phrase
from pipeline.language.text import Text

_NOTE = phrase(
    "verdict.note.client",
    "Nothing that needs a visit was seen in what was logged; it leaves something open.",
)
_WELL = phrase(
    "verdict.well.client", "This machine works as it should: nothing abnormal was seen in what was logged."
)
_STEADY = phrase(
    "verdict.steady.client",
    "Nothing abnormal was seen: this machine ran evenly. Whether it makes as much ice as it should, this log alone cannot tell.",
)
_BETTER = phrase(
    "verdict.better.client",
    "This machine works better since the last visit, and nothing abnormal was seen since then.",
)
_PARTLY = phrase(
    "verdict.partly.client",
    "Nothing abnormal was seen in the part of the log that could be read; {unread_h} of it could not.",
)
_CANNOT = phrase(
    "verdict.cannot-tell.client", "This log does not show how the machine works. It should be logged again."
)
_NO_BATCHES = {
    NoBatches.THERMOSTAT: (
        phrase(
            "verdict.thermostat.client",
            "This log repeats like a thermostat (fridge, freezer, air conditioner), not like a machine that makes ice in batches.",
        ),
        phrase(
            "verdict.thermostat.technician",
            "This log repeats like a thermostat (fridge, freezer, air conditioner), not like a machine that makes ice in batches: no second part of "
            "a cycle in which gas warms the evaporator. See where probe and clamp sit.",
        ),
    ),
    NoBatches.TOO_COARSE: (
        _CANNOT,
        phrase(
            "verdict.too-coarse.technician",
            "Too few readings to tell one freeze or harvest from the next: log every 10 s or faster.",
        ),
    ),
    NoBatches.NOT_SHOWN: (
        _CANNOT,
        phrase(
            "verdict.not-shown.technician",
            "No freeze and harvest in the log, and nothing in it shows a compressor at work: see where probe and clamp sit.",
        ),
    ),
}


_SINCE = phrase(
    "verdict.since",
    "First seen {after_h} into the log. Of the {cycles} whole cycles, half froze in under {freeze_min} and half harvested in under {harvest_min}",
)
_SINCE_VISIT = phrase(
    "verdict.since-visit",
    "First seen {after_h} into the log. Of the {cycles} whole cycles after the visit, half froze in under {freeze_min} and half harvested in under {harvest_min}",
)
_SINCE_NO_CYCLES = phrase(
    "verdict.since-no-cycles", "First seen {after_h} into the log; no whole cycle was seen"
)
_WITHIN = {
    basis: phrase(
        f"verdict.well.technician.{key}",
        f"{{cycles}} whole cycles, freeze {{freeze_min}}, harvest {{harvest_min}}: steady, and within {words}.",
    )
    for basis, key, words in (
        ("service sheet", "sheet", "what the service sheet asks for"),
        ("earlier visits", "earlier", "what it did at earlier visits"),
        ("sister machines", "sisters", "what its sister machines do"),
        ("nameplate and slab", "plate", "what nameplate and weighed slab ask for"),
        ("kind, narrow", "slab", "the band of the small slab machine"),
    )
}
_STEADY_TECH = phrase(
    "verdict.steady.technician",
    "{cycles} whole cycles, freeze {freeze_min}, harvest {harvest_min}: steady over the log. Whether it was already slow cannot be told without "
    'the service sheet\'s lengths ([expected]), an earlier log, a sister machine (model), or kind = "slab" where it is a small slab machine.',
)
_STANDING = phrase(
    "verdict.standing.technician",
    "{cycles} whole cycles, freeze {freeze_min}, harvest {harvest_min}: steady over the log. Read by its clamp alone as a machine without hot gas, "
    "whose compressor stands while the ice lets go. A thermostat can look the same to a clamp: a probe on the evaporator tells the two apart.",
)
_CANNOT_TECH = phrase(
    "verdict.cannot-tell.technician", "{cycles} whole cycles in the log: too few to judge lengths by."
)

# What a client is told of each code, in plain words. A code that is not here is told as "something unusual".
_PLAIN = {
    "freeze-long": "it takes too long to make ice",
    "freeze-short": "it ends its freezes too early",
    "freeze-at-timeout": "it seems to end its freezes by the clock, whether the ice is ready or not",
    "harvest-long": "the ice comes off late",
    "harvest-stalled": "the ice does not come off as it should",
    "short-cycling": "its compressor starts and stops too often",
    "failed-start": "its compressor has trouble starting",
    "no-ice": "it runs without making ice",
    "condenser-hot": "it has trouble getting rid of its heat",
    "weak-freeze": "it does not get as cold as it should",
    "ice-stopped": "it has stood still and made no ice for long",
    "freeze-broken": "it stops while it makes ice and starts again",
    "valve-hunting": "the feed of its refrigerant swings to and fro",
    "supply-voltage": "its mains voltage is not what it is made for",
    "room-temperature": "it stands in air that is too warm or too cold for it",
    "running-current": "it draws another current than it should",
    "part-off": "one of its parts does not run",
    "warm-water": "its supply water is warm",
    "output-low": "it makes less ice than it should",
    "drift": "it does not run as it did when the logging began",
    "probe-fault": "a probe of the logger gave false readings",
    "probe-loose": "a probe of the logger came loose",
    "clamp-dead": "the logger's current clamp did not read",
    "other": "something unusual was seen",
}
_OF_THE_LOGGER = ("probe-fault", "probe-loose", "clamp-dead")
_CLIENT = {
    (level, code): phrase(f"verdict.{level}.client.{code}", pattern.format(plain=plain, what=what))
    for level, pattern in (
        ("act", "{what} needs a technician now: {plain}."),
        ("watch", "{what} should be looked at on the next visit: {plain}."),
    )
    for code, plain in _PLAIN.items()
    for what in ("The logger on this machine" if code in _OF_THE_LOGGER else "This machine",)
}

_ALSO = {code: phrase(f"verdict.also.{code}", plain) for code, plain in _PLAIN.items()}
# What a finding that sends nobody leaves open, in the client's words.
_OPEN = {
    code: phrase(f"verdict.open.{code}", words)
    for code, words in {
        "freeze-long": "why some freezes took longer",
        "freeze-short": "why some freezes were shorter",
        "harvest-long": "why some ice came off late",
        "harvest-stalled": "whether all the ice came off",
        "weak-freeze": "whether it gets as cold as it should",
        "warm-water": "how much its warm supply water costs",
        "ice-stopped": "why it stood when the logging ended",
        "freeze-broken": "why it stopped while it made ice",
        "drift": "why it changed while it was logged",
        "probe-fault": "what a faulty probe of the logger did not show",
        "probe-loose": "what a loose probe of the logger did not show",
        "clamp-dead": "what the current clamp did not show",
        "log-gap": "what happened while nothing was logged",
        "log-coarse": "what lies between readings so far apart",
        "clock-offset": "how far apart the clocks of the loggers were",
        "other": "something unusual, told on the technician's page",
    }.items()
}


def verdict(
    case: Case, findings: tuple[Finding, ...], visits: tuple[AfterVisit, ...], *, log_start_ns: int
) -> Verdict:
    """The verdict on a log, or its last part where visits split it: as grave as its worst finding; "cannot-tell" where too few cycles were seen and nothing
    was found; "well" where nothing was."""
    whole = int(case.steady.sum())
    complete = case.flag("complete") & ~case.flag("broken")
    values = {  # the same figures as at the top of the page
        "cycles": int(complete.sum()),
        "freeze_min": round(case.level("freeze_min", complete), 3),
        "harvest_min": round(case.level("harvest_min", complete & case.record.harvests_timed), 3),
    }
    grave = [f for f in findings if f.severity is not Severity.NOTE]
    if (why := case.record.no_batches) is not None and (why is NoBatches.THERMOSTAT or not grave):
        client, technician = _NO_BATCHES[why]
        return Verdict(level="cannot-tell", client=client(), technician=technician())
    if not grave and whole < case.thresholds["band_cycles"]:
        return Verdict(level="cannot-tell", client=_CANNOT(), technician=_CANNOT_TECH(cycles=whole))
    change = visits[-1].sentence if visits else None
    standard = freeze_standard(case)
    if not findings or (visits and not grave and all(f.part == "before" for f in findings)):
        better = bool(visits) and visits[-1].better is True
        unread_h = case.hours(PhaseKind.UNCLEAR)
        partly = unread_h >= case.thresholds["unread_pct"] / 100 * case.hours(*PhaseKind)
        client = _PARTLY(unread_h=round(unread_h, 1)) if partly else None
        standing = case.record.harvests_standing
        told = standard.tells and not standing
        client = client or (_BETTER() if better else _WELL() if told else _STEADY())
        technician = (_WITHIN[standard.basis] if told else _STANDING if standing else _STEADY_TECH)(**values)
        return Verdict(level="note" if partly else "well", client=client, technician=technician, since=change)
    worst = findings[0]
    values["after_h"] = round(max(worst.start_ns - log_start_ns, 0) / NS_PER_H, 1)
    seen = _SINCE_VISIT if visits else _SINCE
    since = (
        seen(**values) if np.isfinite(values["freeze_min"]) else _SINCE_NO_CYCLES(after_h=values["after_h"])
    )
    if change is not None and (not grave or worst.part == "before"):
        since = change
    level = worst.severity.value
    client = _CLIENT[level, _codes_said(grave)[0]]() if grave else _NOTE()
    return Verdict(
        level=level,
        client=client,
        technician=worst.title,
        since=since,
        likeliest=worst.likely_causes[0] if worst.likely_causes else None,
        first_check=worst.next_checks[0] if worst.next_checks else None,
        also=tuple(_ALSO[code]() for code in _codes_said(grave)[1:]) if grave else _left_open(findings),
    )


def _left_open(findings: tuple[Finding, ...]) -> tuple[Text, ...]:
    """What findings that send nobody leave open, each once; of those before a visit nothing."""
    codes = [f.code if f.code in _OPEN else "other" for f in findings if f.part != "before"]
    return tuple(_OPEN[code]() for code in dict.fromkeys(codes))


def _codes_said(findings: list[Finding]) -> list[str]:
    """The codes that a client is told of, worst first, each once."""
    return list(dict.fromkeys(f.code if f.code in _PLAIN else "other" for f in findings))
