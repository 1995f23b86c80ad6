"""Parts that draw no current where they should: fan, pump, dump valve and cutter grid, each by a clamp of its own: `part-off`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.findings.evidence.case import Case
from pipeline.findings.finding import Severity, Shows
from pipeline.findings.methods import statistics
from pipeline.findings.phrase import Phrase, phrase
from pipeline.findings.rule import CannotTell, Need, Rule, Seen, cycles_needed


@dataclass(frozen=True, kw_only=True)
class _Part:
    """A part by the role of its clamp: in which stretch of every cycle it runs, and what is said where it does not."""

    role: str
    through: str  # "freeze", "cycle"
    since: Phrase
    never: Phrase
    causes: tuple[str, ...]
    slowest_s: float = 60.0  # logger that shows it


def _part(role: str, through: str, name: str, effect: str, *causes: str, slowest_s: float = 60.0) -> _Part:
    since = f"{name} stopped drawing current for {{count}} cycles; {effect}"
    return _Part(
        role=role,
        through=through,
        since=phrase(f"finding.part-off.{role}", since),
        never=phrase(
            f"finding.part-off.{role}.never",
            f"{name} drew no current in {{count}} cycles: it stands, or the clamp is open; where it stands, {effect}",
        ),
        causes=causes,
        slowest_s=slowest_s,
    )


_PARTS = (
    _part("current_fan", "freeze", "The condenser fan", "the heat stays in the condenser", "condenser-fan"),
    _part("current_pump", "freeze", "The water pump", "no water runs over the plate", "no-water", "water-spread"),
    _part("current_dump", "cycle", "The dump valve", "minerals gather in the water", "dump-valve", "scale", slowest_s=15.0),
    _part("current_grid", "cycle", "The cutter grid", "slabs stack up uncut"),
)  # fmt: skip
_ROLES = tuple(p.role for p in _PARTS)
_NEEDS = phrase("needs.part-clamp", "a clamp of its own on fan, pump, dump valve or cutter grid")
_FASTER = phrase("needs.part-faster", "a faster logger on the dump valve: it opens for seconds")


def _part_off(case: Case):
    short_of = cycles_needed("band_cycles")(case)
    if short_of:
        return short_of
    found = [(part, outcome) for part in _PARTS if (outcome := _of(case, part)) is not None]
    seen = tuple(outcome for _, outcome in found if isinstance(outcome, Seen))
    return seen or (found[0][1] if found else None)


def _of(case: Case, part: _Part) -> Seen | CannotTell | None:
    t, channel = case.thresholds, case.timeline.get(part.role)
    if channel is None or not channel.trusted.any():
        return None
    if channel.interval_s > part.slowest_s:
        return CannotTell(needs=_FASTER())
    values, time_ns = channel.values[channel.trusted], channel.time_ns[channel.trusted]
    usual = float(np.quantile(values, 0.995))
    ran = values > max(t["part_on_pct"] / 100 * usual, t["part_least_a"])
    until = case.harvest_ns if part.through == "freeze" else case.end_ns
    first, stop = np.searchsorted(time_ns, case.start_ns), np.searchsorted(time_ns, until)
    counted = np.concatenate([[0], np.cumsum(ran)])
    known = case.flag("complete") & (stop - first >= 3) & ~case.broken
    off = known & (counted[stop] == counted[first])
    if not ran.any() or usual < t["part_least_a"]:
        return (
            _seen(case, part, known, part.never, usual, ever=False)
            if known.sum() >= t["part_cycles"]
            else None
        )
    at = np.flatnonzero(known)
    runs = [r for r in statistics.episodes(off[at]) if r[1] - r[0] + 1 >= t["part_cycles"]]
    if not runs:
        return None
    out = np.zeros(case.n, bool)
    for a, b in runs:
        out[at[a : b + 1]] = True
    return _seen(case, part, out, part.since, usual, ever=True)


def _seen(case: Case, part: _Part, out: np.ndarray, title: Phrase, usual_a: float, *, ever: bool) -> Seen:
    at = np.flatnonzero(out)
    lasts = at[-1] >= np.flatnonzero(case.flag("complete"))[-1]
    return Seen(
        severity=Severity.ACT if ever and lasts else Severity.WATCH,
        title=title(count=len(at)),
        start_ns=int(case.start_ns[at[0]]),
        end_ns=int(case.end_ns[at[-1]]),
        cycles=out,
        usual=case.steady & ~out if ever else None,
        evidence={
            "role": part.role,
            "count": len(at),
            "usual_a": round(usual_a, 2),
            "at_the_end": "yes" if lasts else None,
        },
        confidence=1 - 0.7 ** len(at) if ever else 0.6,
        causes=part.causes,
    )


RULES = (
    Rule(
        code="part-off",
        test=_part_off,
        needs=(Need(met=lambda case: case.timeline.get(*_ROLES) is not None, text=_NEEDS()),),
        thresholds=("part_on_pct", "part_least_a", "part_cycles", "band_cycles"),
        causes=("condenser-fan", "no-water", "dump-valve"),
        shows=Shows(roles=_ROLES),
    ),
)
