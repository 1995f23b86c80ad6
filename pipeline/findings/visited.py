"""A log that visits split: the machine is judged as it was left, and each visit reported with what it changed."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import numpy as np

from pipeline.findings.evidence.case import NS_PER_MIN, Case
from pipeline.findings.evidence.elsewhere import Elsewhere, Known
from pipeline.findings.evidence.parts import part_of_record, part_of_timeline
from pipeline.findings.finding import AfterVisit, Finding, Severity
from pipeline.findings.methods import statistics
from pipeline.findings.methods.conditions import at_same_conditions
from pipeline.findings.methods.statistics import middle
from pipeline.findings.phrase import phrase

_SHORTER = phrase(
    "visit.shorter",
    "Since then freezes take {after_min}, {shorter_pct} less than the {before_min} before: for the better",
)
_THINNER = phrase(
    "visit.shorter-warmer",
    "Since then freezes take {after_min}, {shorter_pct} less than the {before_min} before, and end {warmer_k} warmer",
)
_LONGER = phrase(
    "visit.longer", "Since then freezes take {after_min}, {longer_pct} more than the {before_min} before"
)
_SAME = phrase("visit.same", "Since then freezes take {after_min}, as before it: {before_min}")
_UNTOLD = phrase("visit.untold", "There are too few whole cycles on one side of it to tell what it changed")


def split(case: Case) -> list[Case]:
    """`case` cut at the visits that lie in it; itself alone where there are none, or a part would hold nothing to judge.

    What a part was judged good at stands as the standard of the next one.
    """
    if not case.visits:
        return [case]
    bounds = [case.timeline.start_ns]
    cuts = []
    for visit in case.visits:
        cuts.append((bounds[-1], visit.from_ns))
        bounds.append(visit.until_ns)
    cuts.append((bounds[-1], case.timeline.end_ns + NS_PER_MIN))
    parts = []
    for start, end in cuts:
        timeline = part_of_timeline(case.timeline, start, end) if end > start else None
        if timeline is None:
            return [case]
        part = replace(case, timeline=timeline, record=part_of_record(case.record, start, end))
        if part.steady.sum() < case.thresholds["band_cycles"]:
            return [case]
        parts.append(part)
    return parts


def until(whole: Case, part: Case) -> Case:
    """`whole` up to the end of one of its parts."""
    start, end = whole.timeline.start_ns, part.timeline.end_ns + 1
    timeline = part_of_timeline(whole.timeline, start, end) or whole.timeline
    return replace(whole, timeline=timeline, record=part_of_record(whole.record, start, end))


def grave(found: Iterable[Finding]) -> frozenset[str]:
    """The codes of all that is more than a note."""
    return frozenset(f.code for f in found if f.severity is not Severity.NOTE)


def going_on(
    everything: Iterable[Finding], part: Case, *, among: Collection[str], unjudged: Collection[str]
) -> frozenset[str]:
    """The codes of `among` that the log up to the end of `part`, judged in one piece, shows to be there in most cycles of `part` as well.

    A fault that fills a part is not seen in that part alone: its freezes are then as long as each other. everything: the
    findings of that piece. unjudged: codes that `part` could not be judged by, and which are not reported as mended therefore.
    """
    here = set(part.numbers(part.steady))
    return frozenset(
        f.code
        for f in everything
        if f.code in among
        and f.severity is not Severity.NOTE
        and (f.code in unjudged or 2 * len(here.intersection(f.cycles)) >= len(here))
    )


def with_mended(found: tuple[Finding, ...], earlier: Sequence[tuple[Finding, ...]]) -> tuple[Finding, ...]:
    """The findings of the last part, dated back where a part before shows them as well, and those of the parts before that are no
    longer there, as notes."""
    now = {f.code: i for i, f in enumerate(found)}
    reported, mended = list(found), {}
    for finding in (f for part in earlier for f in part):
        if finding.code in now:
            i = now[finding.code]
            reported[i] = replace(
                reported[i],
                start_ns=min(reported[i].start_ns, finding.start_ns),
                cycles=tuple(sorted({*reported[i].cycles, *finding.cycles})),
            )
        else:
            mended[finding.code] = replace(finding, severity=Severity.NOTE, part="before")
    return (*reported, *mended.values())


def after_visits(whole: Case, parts: Sequence[Case]) -> tuple[AfterVisit, ...]:
    """Each visit with what it changed; none where visits did not split the log."""
    if len(parts) < 2:
        return ()
    said = []
    for i, visit in enumerate(whole.visits):
        sentence, better = _change(parts[i], parts[i + 1])
        said.append(
            AfterVisit(
                from_ns=visit.from_ns,
                until_ns=visit.until_ns,
                what=visit.what,
                sentence=sentence,
                better=better,
            )
        )
    return tuple(said)


def _change(before: Case, after: Case):
    """The sentence on the freezes before and after a visit, at the same air and water where both were logged; whether it is better."""
    t = before.thresholds
    logs = [(np.where(c.steady, c.freeze_min, np.nan), c.air_c, c.water_c) for c in (before, after)]
    pair = at_same_conditions(*logs, thresholds=t) or tuple(f[np.isfinite(f)] for f, _, _ in logs)
    if min(len(pair[0]), len(pair[1])) < t["own_cycles"]:
        return _UNTOLD(), None
    x, y = (_thin(values) for values in pair)
    moved = statistics.hodges_lehmann(x, y)
    was, now = (float(np.median(values)) for values in pair)
    pct = 100 * (now / was - 1)
    lengths = {"before_min": round(was, 2), "after_min": round(now, 2)}
    if abs(pct) < t["visit_changed_pct"] or moved.p > t["visit_p"]:
        return _SAME(**lengths), None
    if pct > 0:
        return _LONGER(longer_pct=round(pct, 1), **lengths), False
    warmer = after.level("freeze_end_c", after.steady) - before.level("freeze_end_c", before.steady)
    if warmer > t["freeze_end_rise_k"]:  # thinner ice, or the clip sits elsewhere
        return _THINNER(shorter_pct=round(-pct, 1), warmer_k=round(warmer, 1), **lengths), None
    return _SHORTER(shorter_pct=round(-pct, 1), **lengths), True


def as_known(case: Case, name: str) -> Known:
    """The usual lengths of a part of a log at its conditions."""
    return Known(
        name=name,
        freeze_min=case.level("freeze_min", case.steady),
        harvest_min=case.level("harvest_min", case.harvests),
        air_c=middle(case.air_c),
        water_c=middle(case.water_c),
    )


def knowing(case: Case, earlier: Known) -> Case:
    """`case` with an earlier part, judged good, as a standard."""
    if not math.isfinite(earlier.freeze_min):
        return case
    elsewhere = Elsewhere(earlier=(*case.elsewhere.earlier, earlier), sisters=case.elsewhere.sisters)
    return replace(case, elsewhere=elsewhere)


def _thin(values: np.ndarray, most: int = 300) -> np.ndarray:
    return values if len(values) <= most else values[:: math.ceil(len(values) / most)]
