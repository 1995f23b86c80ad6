"""The further channel, or reading on site, that would part the likeliest causes best.

Each candidate shows one measure of the machine as it is now. What each cause lets it read is a normal distribution: what is
common for such machines, or what a like unit showed, plus the cause's own change; the expected information is that between the
cause and the reading (C. E. Shannon 1948), summed over a grid.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from pipeline.findings.advice.causes import CAUSES, SOMETHING_ELSE
from pipeline.findings.advice.checks import HAZARDS
from pipeline.findings.advice.pattern import COMMON
from pipeline.findings.advice.probabilities import Posterior, one_thing
from pipeline.findings.evidence.case import Case
from pipeline.findings.finding import NextClip, Speaks
from pipeline.findings.phrase import Phrase, phrase

LEAST_BITS = 0.06  # for its price, under which nothing is advised
_LEAST_GAIN = 0.015  # and by so much the likeliest cause must be right more often
_LEAST_CAUSE = 0.05  # probability under which a cause is left out of the sum
_SAID = 3  # causes whose readings are told
_GRID = 160
_BETTER = 1.35  # times as likely as the next: from there on a reading speaks for a cause
_SPOKEN = 0.3  # chance that a cause makes such a reading at all
_ALIKE = 0.65  # share that two distributions have in common, from which on a reading can't part them
_RARE = 0.02  # of the likeliest reading: what is rarer bounds no range
_NOW = 0.9  # severity of a fault that was found


@dataclass(frozen=True, kw_only=True)
class _Candidate:
    """A channel that may be added. `unit`: ending of the values in its sentences."""

    channel: str
    measure: str
    lacking: tuple[str, ...]  # it is a candidate where none of these roles was logged
    text: Phrase
    unit: str = "c"
    hazard: str | None = None
    price: float = 1.0  # information is divided by it: what takes a licence comes last
    level: tuple[float, float] | None = None  # usual reading and its spread, where `COMMON` has no row


_CANDIDATES = (
    _Candidate(channel="discharge", measure="discharge_k", lacking=("discharge",), hazard="hot",
               text=phrase("clip.discharge", "Clip a probe to the discharge line for a few cycles, and look at its highest reading")),
    _Candidate(channel="evaporator", measure="cold_k", lacking=("evaporator", "suction"), hazard="moving",
               text=phrase("clip.evaporator", "Clip a probe to the evaporator's outlet, and look at its reading as the freeze ends")),
    _Candidate(channel="condenser_out", measure="air_rise_k", lacking=("condenser_out",), unit="k", hazard="moving",
               text=phrase("clip.condenser_out", "Hang probes in the air into and out of the condenser, and look at what lies between them late in the freeze")),
    _Candidate(channel="water_in", measure="water_k", lacking=("water_in",),
               text=phrase("clip.water_in", "Clip a probe to the water inlet, and look at its reading while it fills")),
    _Candidate(channel="ambient", measure="air_k", lacking=("ambient", "condenser_in"),
               text=phrase("clip.ambient", "Hang a probe in the air before the condenser")),
    _Candidate(channel="hot-gas-line", measure="rise_pct", lacking=("evaporator", "suction"), unit="k_per_min", hazard="hot", level=(18.0, 0.35),
               text=phrase("clip.hot-gas-line", "Clip a probe to the evaporator, and look at how fast it warms in the first half minute of a harvest")),
    _Candidate(channel="suction_pressure", measure="superheat_k", lacking=("suction_pressure",), unit="k", hazard="licence", price=4.0,
               text=phrase("clip.suction_pressure", "Where there are service ports, have the suction superheat read as the freeze ends")),
    _Candidate(channel="discharge_pressure", measure="subcooling_k", lacking=("discharge_pressure",), unit="k", hazard="licence", price=4.0,
               text=phrase("clip.discharge_pressure", "Where there are service ports, have the subcooling read as the freeze ends")),
)  # fmt: skip

_UNITS = ("c", "k", "k_per_min")
_OVER = {u: phrase(f"clip.over.{u}", f"over {{low_{u}}}") for u in _UNITS}
_UNDER = {u: phrase(f"clip.under.{u}", f"under {{high_{u}}}") for u in _UNITS}
_WITHIN = {u: phrase(f"clip.within.{u}", f"{{low_{u}}} to {{high_{u}}}") for u in _UNITS}


def next_clip(case: Case, posterior: Posterior, told: Collection[str]) -> NextClip | None:
    """The candidate with the most expected information for its price; None where none is worth it, or where what it parts are no
    causes `told` of a finding.
    """
    odds = {k: p for k, p in posterior.marginal.items() if p >= _LEAST_CAUSE or k == SOMETHING_ELSE}
    if len(odds) < 2:
        return None
    total = sum(odds.values())
    odds = {k: p / total for k, p in odds.items()}
    found = []
    for candidate in _CANDIDATES:
        if any(case.timeline.get(role) is not None for role in candidate.lacking):
            continue
        if candidate.measure == "air_rise_k" and case.unit.cooling == "water":
            continue
        x, rows = _predicted(candidate, odds, case)
        bits, then = information(np.array(list(odds.values())), rows)
        found.append((bits / candidate.price, bits, then, candidate, x, rows))
    for worth, bits, then, candidate, x, rows in sorted(found, key=lambda f: -f[0]):
        speaks = _speaks(candidate, odds, x, rows, told)
        if worth < LEAST_BITS or then - max(odds.values()) < _LEAST_GAIN:
            return None
        if speaks:
            return NextClip(
                channel=candidate.channel,
                text=candidate.text(),
                caution=HAZARDS[candidate.hazard]() if candidate.hazard else None,
                bits=round(bits, 2),
                first_right=round(max(odds.values()), 3),
                first_right_then=round(then, 3),
                speaks=speaks,
            )
    return None


def information(odds: np.ndarray, rows: np.ndarray) -> tuple[float, float]:
    """(bits between cause and reading, expected probability of the likeliest cause once it is read).

    odds: probability of each cause (causes,), adding up to 1; rows: each cause's distribution over the grid (causes, grid), each adding up to 1.
    """
    joint = odds[:, None] * rows
    whole = joint.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.where(joint > 0, np.log2(joint / (odds[:, None] * whole)), 0.0)
    return float((joint * log).sum()), float(joint.max(axis=0).sum())


def _predicted(c: _Candidate, odds: dict[str, float], case: Case) -> tuple[np.ndarray, np.ndarray]:
    """(readings on a grid, each cause's distribution over it)."""
    middle, spread = c.level or COMMON[c.measure]
    scale = 100.0 if c.measure.endswith("_pct") else 1.0
    if c.measure.endswith("_pct"):
        middle, spread = 100 * math.log(middle), 100 * spread
    air = float(np.nanmedian(case.air_c)) if np.isfinite(case.air_c).any() else math.nan
    if c.measure == "discharge_k" and math.isfinite(air):
        middle, spread = middle + case.thresholds["discharge_k_per_k"] * (air - 25.0), 0.85 * spread
    if c.measure == "water_k" and case.unit.measured.water_in_c is not None:
        middle, spread = case.unit.measured.water_in_c, 2.0
    x = (
        np.linspace(middle - 4 * spread - 25, middle + 4 * spread + 25, _GRID)
        if scale == 1
        else np.linspace(middle - 260, middle + 160, _GRID)
    )
    rows = []
    for key in odds:
        size, sd = CAUSES[key].effects.get(c.measure, (0.0, 0.0))
        sd = math.hypot(spread, sd, abs(size) * 0.35)
        if key == SOMETHING_ELSE:
            sd = math.hypot(spread, spread)
        row = np.exp(-0.5 * ((x - middle - _NOW * size) / sd) ** 2)
        rows.append(row / row.sum())
    return x, np.array(rows)


def _speaks(
    c: _Candidate, odds: dict[str, float], x: np.ndarray, rows: np.ndarray, told: Collection[str]
) -> tuple[Speaks, ...]:
    """For the likeliest of the causes `told` the readings that make each the likeliest by far, () where they make but one thing so.

    Causes that are one thing by degrees, or that this reading can't part, share their readings; those of others never overlap, and in
    between nothing is told.
    """
    things: list[list[int]] = []
    keys = list(odds)

    def one(i: int, j: int) -> bool:
        return one_thing(keys[i], keys[j]) or float(np.minimum(rows[i], rows[j]).sum()) > _ALIKE

    for i in sorted(range(len(keys)), key=lambda i: -odds[keys[i]]):
        alike = next((thing for thing in things if one(thing[0], i)), None)
        if keys[i] == SOMETHING_ELSE:
            continue
        if alike is not None:
            alike.append(i)
        else:
            things.append([i])
    joint = np.array(list(odds.values()))[:, None] * rows
    seen = np.flatnonzero(joint.sum(axis=0) > _RARE * joint.sum(axis=0).max())
    shares = np.array([joint[thing].sum(axis=0) for thing in things])
    out = []
    for k, share in enumerate(shares):
        best = share > _BETTER * np.delete(shares, k, axis=0).max(axis=0, initial=0.0)
        first, last = _heaviest(share, best)
        if share[first:last].sum() < _SPOKEN * share.sum():
            continue
        low = None if first <= seen[0] else _as_read(c, x[first])
        high = None if last > seen[-1] else _as_read(c, x[last - 1])
        said = _OVER if high is None else _UNDER if low is None else _WITHIN
        values = {n: v for n, v in ((f"low_{c.unit}", low), (f"high_{c.unit}", high)) if v is not None}
        for key in [keys[i] for i in things[k] if keys[i] in told][:2]:
            text = CAUSES[key].text()
            out.append((k, Speaks(cause=key, text=text, reading=said[c.unit](**values), low=low, high=high)))
    out = [(k, s) for k, s in out if s.low is not None or s.high is not None]
    return tuple(s for _, s in out[:_SAID]) if len({k for k, _ in out[:_SAID]}) > 1 else ()


def _heaviest(share: np.ndarray, best: np.ndarray) -> tuple[int, int]:
    """(first, one after last) of the run of True in `best` (grid,) that holds most of `share` (grid,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], best, [False]]).astype(int)))
    runs = list(zip(edges[::2], edges[1::2], strict=True)) or [(0, 0)]
    return max(runs, key=lambda run: share[run[0] : run[1]].sum())


def _as_read(c: _Candidate, value: float) -> float:
    return float(round(math.exp(value / 100) if c.measure.endswith("_pct") else value, 0))
