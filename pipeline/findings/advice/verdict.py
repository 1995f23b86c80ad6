"""One sentence for the client, one for the technician."""

from __future__ import annotations

import numpy as np

from pipeline.findings.evidence.case import NS_PER_H, Case
from pipeline.findings.finding import Finding, Severity, Verdict
from pipeline.findings.phrase import phrase

_NOTE = phrase(
    "verdict.note.client",
    "This machine works as it should: nothing abnormal was seen in what was logged; it leaves something open.",
)
_WELL = phrase(
    "verdict.well.client", "This machine works as it should: nothing abnormal was seen in what was logged."
)
_CANNOT = phrase(
    "verdict.cannot-tell.client", "This log does not show how the machine works. It should be logged again."
)

READS = ("band_cycles",)

_SINCE = phrase(
    "verdict.since",
    "First seen {after_h} into the log; {cycles} whole cycles in all, a usual freeze {freeze_min}, a usual harvest {harvest_min}",
)
_SINCE_NO_CYCLES = phrase(
    "verdict.since-no-cycles", "First seen {after_h} into the log; no whole cycle was seen"
)
_WELL_TECH = phrase(
    "verdict.well.technician",
    "{cycles} whole cycles, freeze {freeze_min}, harvest {harvest_min}: within the unit's own limits and its kind's band.",
)
_WELL_NO_KIND = phrase(
    "verdict.well-no-kind.technician",
    "{cycles} whole cycles, freeze {freeze_min}, harvest {harvest_min}: steady. Without the kind of machine in unit.toml a unit "
    "that is slow throughout would not show.",
)
_CANNOT_TECH = phrase(
    "verdict.cannot-tell.technician", "{cycles} whole cycles in the log: too few to judge lengths by."
)

# What a client is told of each code, in plain words. A code that is not here is told as "something unusual".
_PLAIN = {
    "freeze-long": "it takes too long to make ice",
    "freeze-short": "it ends its freezes too early",
    "freeze-at-timeout": "it no longer notices when the ice is ready",
    "harvest-long": "the ice comes off late",
    "harvest-stalled": "the ice does not come off as it should",
    "short-cycling": "its compressor starts and stops too often",
    "failed-start": "its compressor has trouble starting",
    "no-ice": "it runs without making ice",
    "condenser-hot": "it has trouble getting rid of its heat",
    "weak-freeze": "it does not get as cold as it should",
    "warm-water": "its supply water is warm",
    "output-low": "it makes less ice than it should",
    "drift": "it is slowly changing",
    "probe-fault": "a probe of the logger gave false readings",
    "probe-loose": "a probe of the logger came loose",
    "clamp-dead": "the logger's current clamp did not read",
    "other": "something unusual was seen",
}
_CLIENT = {
    (level, code): phrase(f"verdict.{level}.client.{code}", pattern.format(plain=plain))
    for level, pattern in (
        ("act", "This machine needs a technician now: {plain}."),
        ("watch", "This machine should be looked at on the next visit: {plain}."),
    )
    for code, plain in _PLAIN.items()
}


def verdict(case: Case, findings: tuple[Finding, ...]) -> Verdict:
    """The verdict on a log: as grave as its worst finding; "cannot-tell" where too few cycles were seen and nothing
    was found; "well" where nothing was."""
    whole = int(case.steady.sum())
    values = {
        "cycles": int((case.flag("complete") & ~case.broken).sum()),
        "freeze_min": round(case.level("freeze_min", case.steady), 2),
        "harvest_min": round(case.level("harvest_min", case.harvests), 2),
    }
    grave = [f for f in findings if f.severity is not Severity.NOTE]
    if not grave and whole < case.thresholds["band_cycles"]:
        return Verdict(level="cannot-tell", client=_CANNOT(), technician=_CANNOT_TECH(cycles=whole))
    if not findings:
        told = (
            _WELL_NO_KIND
            if case.unit.kind == "unspecified" and case.unit.expected.freeze_min is None
            else _WELL_TECH
        )
        return Verdict(level="well", client=_WELL(), technician=told(**values))
    worst = findings[0]
    values["after_h"] = round(max(worst.start_ns - case.timeline.start_ns, 0) / NS_PER_H, 1)
    since = (
        _SINCE(**values) if np.isfinite(values["freeze_min"]) else _SINCE_NO_CYCLES(after_h=values["after_h"])
    )
    level = worst.severity.value
    client = _CLIENT[level, worst.code if worst.code in _PLAIN else "other"]() if grave else _NOTE()
    return Verdict(
        level=level,
        client=client,
        technician=worst.title,
        since=since,
        likeliest=worst.likely_causes[0] if worst.likely_causes else None,
        first_check=worst.next_checks[0] if worst.next_checks else None,
    )
