"""How thick the slab of each cycle was against the usual one of its log, with the interval that holds nine in ten.

A slab is the heat that its freeze took out: its length, times a capacity that changes with what the machine condenses and evaporates at, of
which the current tells, or the cold trace. How much each change says, and how far off it leaves the slab, was learned from
simulated machines whose slabs are known (`python -m tests.bench.slabs --learn`; numbers in `slabs.json`): the natural log of the slab
against the usual one is their weighted sum, off by Student's t with four degrees of freedom, whose scale grows with each change.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Collection, Mapping
from importlib.resources import files

import numpy as np

from pipeline.findings.evidence.case import Case
from pipeline.findings.finding import Slabs
from pipeline.findings.methods.statistics import middle
from pipeline.findings.phrase import phrase

NUMBERS = files("pipeline.findings").joinpath("slabs.json")
DEGREES = 4.0
# Quantiles of Student's t with four degrees of freedom, two-sided 90 % and one-sided 80 %: any table of it
T_90, T_80 = 2.132, 0.941
MEASURES = ("freeze_min", "freeze_end_c", "freeze_current_a")
"""Columns that tell of a slab: lengths and currents by the log of their ratio to the usual, temperatures by their difference [K]."""
SETS: Mapping[str, tuple[str, ...]] = {
    "clamp": (
        "freeze_min",
        "freeze_current_a",
    ),  # a cold trace beside it tells nothing more: it was worth under 0.1 % a kelvin
    "line": ("freeze_min", "freeze_end_c"),
}
_BASIS = {
    "clamp": phrase("slabs.by.clamp", "worked out from freeze length and current; much longer freezes are left out, as water that leaks in lengthens them too"),
    "line": phrase("slabs.by.line", "worked out from freeze length and cold trace; a clamp would tell it closer; much longer freezes are left out, as water that leaks in lengthens them too"),
}  # fmt: skip


def changes(
    case: Case, columns: tuple[str, ...], usual: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """(change of each of `columns` against the usual freeze (n, columns), the cycles whose slab may be told (n,)).

    usual: the cycles whose middle is the usual one, bool (n,); left out: all steady ones.
    """
    usual = case.steady if usual is None else usual
    out = np.full((case.n, len(columns)), np.nan)
    for i, name in enumerate(columns):
        values = case.column(name)
        if not name.endswith("_c"):
            values = np.log(np.where(values > 0, values, np.nan))
        out[:, i] = values - middle(values[usual])
    whole = case.stalls_aside & ~case.flag("after_idle") & np.isfinite(out).all(axis=1)
    return out, whole


def told(x: np.ndarray, by: str) -> tuple[np.ndarray, np.ndarray]:
    """(log of the slab's share, half of its 90 % interval), (n,) each, for the changes `x` (n, columns) of one set of channels."""
    known = numbers()[by]
    columns = SETS[by]
    weights = np.array([known["weights"][c] for c in columns])
    spreads = np.array([known["spreads"][c] for c in columns])
    return x @ weights, T_90 * np.sqrt(known["least"] ** 2 + ((x * spreads) ** 2).sum(axis=1))


def channels_of(case: Case) -> str | None:
    """The key of `SETS` that a log's channels allow; None where it has neither a current nor a line."""
    return next((by for by, columns in SETS.items() if all(case.has(c) for c in columns)), None)


def slabs(case: Case, marked: Collection[int] = ()) -> Slabs | None:
    """The slabs of one log; None where too few of its freezes can be compared.

    marked: numbers of the cycles whose freeze a finding calls unusual: the others are the usual ones, where there are enough.
    """
    by, least = channels_of(case), case.thresholds["own_cycles"]
    if by is None or case.steady.sum() < least:
        return None
    plain_ones = case.steady & ~np.isin(case.number, list(marked))
    x, whole = changes(case, SETS[by], plain_ones if plain_ones.sum() >= least else None)
    # What lengthens a freeze so much may be water that leaks in, or weak cooling, as well as a thicker slab.
    whole &= x[:, SETS[by].index("freeze_min")] <= np.log1p(case.thresholds["freeze_out_pct"] / 100)
    if not whole.any():
        return None
    value, half = (np.where(whole, v, np.nan) for v in told(x, by))
    plain = np.log1p(case.thresholds["slab_odd_pct"] / 100)
    # Four in five that it is thinner, or thicker, than usual at all
    sure = np.abs(value) > T_80 / T_90 * half
    return Slabs(
        share=np.exp(value),
        low=np.exp(value - half),
        high=np.exp(value + half),
        thin=case.numbers((value < -plain) & sure),
        thick=case.numbers((value > plain) & sure),
        trend_pct=_trend(value[whole], half[whole], int(case.thresholds["own_cycles"])),
        kg=case.unit.measured.slab_kg,
        basis=_BASIS[by](),
    )


def _trend(value: np.ndarray, half: np.ndarray, least: int) -> tuple[float, float, float] | None:
    """Neighbouring slabs are told wrong alike, so that many are told no closer than one."""
    third = len(value) // 3
    if third < least:
        return None
    change = float(np.median(value[-third:]) - np.median(value[:third]))
    off = float(np.hypot(np.median(half[-third:]), np.median(half[:third])))
    low, middle_, high = (100 * np.expm1(v) for v in (change - off, change, change + off))
    return float(middle_), float(low), float(high)


@functools.cache
def numbers() -> Mapping[str, dict]:
    """By each key of `SETS`: `weights` and `spreads` by column, and `least`, the scale where nothing changed."""
    return json.loads(NUMBERS.read_text(encoding="utf-8"))["numbers"]
