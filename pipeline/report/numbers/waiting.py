"""What it costs to leave a machine as the log shows it: time, ice and electricity of a batch against the usual ones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.cycles.record import CycleRecord, PhaseKind
from pipeline.findings.finding import Finding, Judgement, Severity
from pipeline.report.numbers.columns import columns_of

LEAST_CYCLES = 5  # usual ones, and others, for a middle of each (common practice, no source)
LEAST_H = 0.5  # without ice (common practice, no source)
LEAST_PCT = 5.0  # what is lost less than that is not cost: it may be the weather (common practice, no source)
_WITHOUT_ICE = ("stopped_h", "tripping_h", "without_cycles_h", "running_h")
"""Evidence that says for how long no ice was made."""
_LOST = (
    ("whole_kg", "ice_lost_low_kg_per_day", "ice_lost_high_kg_per_day"),
    ("kwh", "energy_lost_low_kwh_per_day", "energy_lost_high_kwh_per_day"),
)
"""What a finding costs a day, at least and at most: see `findings.production`."""


def waiting_of(record: CycleRecord, judgement: Judgement) -> dict[str, float]:
    """What waiting costs, by name, as far as the log tells: `now_min` and `usual_min` of a batch (`kind_min`: the most that its kind
    should take for a freeze of `freeze_now_min`), `less_pct` of the ice where it is needed all day, `more_pct` of the electricity of
    a batch, `low_whole_kg` to `high_whole_kg` of ice and `low_kwh` to `high_kwh` lost a day by the dearest finding, and `none_h`
    without ice; `of_the_logger` where nothing is wrong but the logger.
    """
    grave = [f for f in judgement.findings if f.severity != Severity.NOTE]
    of_machine = [f for f in grave if not f.shows.doubted]
    if grave and not of_machine:
        return {"of_the_logger": 1.0}
    grave, cost = of_machine, {}
    hours = [
        float(f.evidence[name])
        for f in grave
        for name in _WITHOUT_ICE
        if isinstance(f.evidence.get(name), int | float)
    ]
    if hours:
        cost["none_h"] = round(max(hours), 1)
    elif (unclear_h := _unclear_h(record, of_machine)) >= LEAST_H:
        cost["none_h"] = round(unclear_h, 1)
    marked = {int(c) for f in grave if f.flag_cycles for c in f.cycles}
    cost |= _slower(record, marked) or _slower_than_its_kind(grave)
    for unit, lowest, highest in _LOST:
        dear = max(grave, key=lambda f: f.evidence.get(highest, 0.0), default=None)
        if dear is not None and highest in dear.evidence:
            cost |= {f"low_{unit}": dear.evidence[lowest], f"high_{unit}": dear.evidence[highest]}
    return cost


def _unclear_h(record: CycleRecord, findings: Sequence[Finding]) -> float:
    """Hours of unclear phases within the findings that are shown by their densest stretch: there the compressor trips and
    restarts."""
    spans = [(f.start_ns, f.end_ns) for f in findings if f.shows.worst_stretch]
    unclear = [p for p in record.phases if p.kind is PhaseKind.UNCLEAR]
    return sum(
        p.end_ns - p.start_ns for p in unclear if any(p.start_ns < b and p.end_ns > a for a, b in spans)
    ) / (3600 * 1_000_000_000)


def _slower(record: CycleRecord, marked: set[int]) -> dict[str, float]:
    """A batch since the first cycle in `marked` against the others of the log; {} where too few are left, or little is lost."""
    table = columns_of(record)
    if not marked or not len(table["cycle"]) or not record.harvests_timed:
        return {}
    numbers = table["cycle"]
    whole = table["complete"] & ~table["broken"]
    whole &= ~table["after_idle"]
    usual, now = whole & ~np.isin(numbers, list(marked)), whole & (numbers >= min(marked))
    if min(usual.sum(), now.sum()) < LEAST_CYCLES:
        return {}
    length = table["freeze_min"] + table["harvest_min"]
    usual_min, now_min = float(np.nanmedian(length[usual])), float(np.nanmean(length[now]))
    less_pct = 100 * (1 - usual_min / now_min)
    if less_pct < LEAST_PCT:
        return {}
    cost = {
        "usual_min": round(usual_min, 2),
        "now_min": round(now_min, 2),
        "less_pct": round(less_pct, 1),
    }
    drawn = table["charge_ah"] if "charge_ah" in table else np.full(len(table["cycle"]), np.nan)
    if min(np.isfinite(drawn[usual]).sum(), np.isfinite(drawn[now]).sum()) >= LEAST_CYCLES:
        more_pct = 100 * (float(np.nanmean(drawn[now])) / float(np.nanmedian(drawn[usual])) - 1)
        if more_pct >= LEAST_PCT:
            cost["more_pct"] = round(more_pct, 1)
    return cost


def _slower_than_its_kind(grave: Sequence[Finding]) -> dict[str, float]:
    """A freeze against the most that its kind should take, where a finding rests on that."""
    for finding in grave:
        found, most = finding.evidence.get("found_min"), finding.evidence.get("expected_high_min")
        if finding.shows.about == "freeze" and found and most and found > most:
            less_pct = 100 * (1 - most / found)
            if less_pct >= LEAST_PCT:
                return {"freeze_now_min": found, "kind_min": most, "less_pct": round(less_pct, 1)}
    return {}
