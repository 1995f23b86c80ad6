"""What the file does not say: the unit of a temperature, the kind of a nameless column, its role by how it behaves.

Physics decides. Water freezes at 0 °C and at 32 °F: a trace that cycles through freezes and harvests goes below freezing
and comes back above it, on one of the two scales only. A room is 10 to 45 °C. A discharge line is hot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.logs.clock.stamp_parser import SECOND_NS
from pipeline.logs.coarse_grid import swing, turns
from pipeline.logs.limits import USUAL
from pipeline.logs.trust.sample_checks import resolution_of
from pipeline.logs.vocabulary.units import ZERO_C_IN_K

# Where each temperature lives on a working machine [°C], 5th to 95th percentile. Common practice, no source.
_RANGES_C = {
    "suction": (-32.0, 32.0),
    "discharge": (28.0, 125.0),
    "liquid": (12.0, 60.0),
    "condenser_in": (2.0, 48.0),
    "condenser_out": (6.0, 70.0),
    "ambient": (2.0, 48.0),
    "water_in": (1.0, 36.0),
    "reservoir": (-2.0, 32.0),
    "bin": (-6.0, 22.0),
}
_COLD_STORE_C = (-2.0, 10.0)
"""A room at 28 to 50 °C may as well be a cold store in °F. Common practice, no source."""
_FREEZING_C = -1.0  # colder than this at the end of each freeze
_THAWED_C = 1.0  # warmer than this at the end of each harvest


@dataclass(frozen=True, kw_only=True)
class UnitGuess:
    """confidence 0…1; at 0.3 nothing speaks for either scale."""

    unit: str
    confidence: float


def possible_c(values: np.ndarray) -> np.ndarray:
    """Readings `values` (n,) [°C] without what no probe of a machine can read: an input that nothing is plugged into."""
    with np.errstate(invalid="ignore"):
        wild = (values < USUAL["probe_coldest_c"]) | (values > USUAL["probe_hottest_c"])
    return np.where(wild, np.nan, values) if wild.any() else values


def possible_reading(values: np.ndarray) -> np.ndarray:
    """The same for `values` (n,) in °C, °F or K."""
    with np.errstate(invalid="ignore"):
        wild = (values < -80.0) | (values > 450.0)
    return np.where(wild, np.nan, values) if wild.any() else values


def temperature_unit(role: str, values: np.ndarray) -> UnitGuess:
    """ "°C", "°F" or "K" for a column that does not say, by its own readings `values` (m,) on the coarse grid; role: or "other"."""
    values = possible_reading(values)
    for_c, for_f = _plausible(role, values), _plausible(role, (values - 32.0) / 1.8)
    for_k = _plausible(role, values - ZERO_C_IN_K)
    low, high = swing((values - 32.0) / 1.8)
    if role == "other" and _COLD_STORE_C[0] <= low and high <= _COLD_STORE_C[1]:
        for_f = max(for_f, 0.5)
    if for_k > 2.0 * max(for_c, for_f):
        return UnitGuess(unit="K", confidence=0.9)
    if for_c == for_f:
        return UnitGuess(unit="°C", confidence=0.3)
    best, other = max(for_c, for_f), min(for_c, for_f)
    return UnitGuess(
        unit="°C" if for_c > for_f else "°F",
        confidence=float(min(0.95, 0.5 + 0.45 * (best - other) / max(best, 1e-9))),
    )


def _plausible(role: str, celsius: np.ndarray) -> float:
    """0…1: how well readings taken as °C fit the role; without one, the best of what a machine has."""
    low, high = swing(celsius)
    if np.isnan(low):
        return 0.0
    if role in ("evaporator", "other") and (fits := freezes_and_thaws(celsius, low, high)):
        return fits
    if role == "evaporator":
        return 0.1 if low > -35 and high < 45 else 0.0
    if role in _RANGES_C:
        floor, top = _RANGES_C[role]
        outside = max(floor - low, 0.0) + max(high - top, 0.0)
        fit = float(np.exp(-outside / 6.0))
        if role == "suction":
            return fit * (1.0 if low < 8.0 else 0.3)
        return fit
    if low >= 8.0 and high <= 42.0:
        return 0.6
    return 0.3 if high > 45 and high < 120 and low > 5 else 0.0


def freezes_and_thaws(celsius: np.ndarray, low: float, high: float) -> float:
    """Whether a trace `celsius` (m,) again and again goes well below freezing and comes back above it, within what a machine can do."""
    if not (-35.0 < low < _FREEZING_C and high > _THAWED_C and high < 50.0):
        return 0.0
    passes = len(turns(celsius, low=_FREEZING_C, high=_THAWED_C))
    if passes < 2:
        return 0.2
    cold = float(np.nanmean(celsius < 0.0))
    # a freeze spends most of its time below 0 °C; a trace that is there for a moment only is on the other scale
    return float(np.clip(0.4 + 1.2 * min(cold, 0.5), 0.0, 1.0)) * (1.0 if low > -26.0 else 0.6)


_MOST_AMPERES_WITHOUT_A_STOP = 24.0
"""Above it a steady trace may as well be warm air in °C; a clamp that also shows the machine off is recognised by that."""


_STEPS_SEEN_TO_S = 60.0
"""Between readings farther apart a temperature moves as far as a current does. Common practice, no source."""


def looks_like_current(values: np.ndarray, interval_s: float) -> float:
    """0…1: how far a nameless column behaves like a clamp's: never below zero, sudden steps, steady in between, or off.

    values: readings (n,) at the logger's own rate, a stretch of some thousand. Where the machine never stops in it, the band must
    be narrow and its steps sudden: hot gas and fans change a current within seconds, and a temperature within minutes.
    """
    seen = values[~np.isnan(values)]
    if len(seen) < 30:
        return 0.0
    low, usual_high, high = np.percentile(seen, (0.5, 98.0, 99.5))
    top = float(np.percentile(seen, 90))
    if low < -0.3 or high > 80.0 or top < 0.2:
        return 0.0
    running = seen[seen > 0.35 * top]
    quartiles = np.percentile(running, (25, 75))
    if float((quartiles[1] - quartiles[0]) / np.median(running)) > 0.4:
        return 0.0
    apart = max(1, round(20.0 / interval_s)) if interval_s > 0 else 1
    if len(seen) < 4 * apart:
        return 0.0
    step = float(np.percentile(np.abs(seen[apart:] - seen[:-apart]), 99.5))
    off = float(np.mean(seen < 0.08 * top))
    if 0.005 < off < 0.98:
        if 1.0 - off - len(running) / len(seen) > max(off + 0.02, 0.12):  # no gap between off and running
            return 0.0
        return 0.5 + 0.45 * min(1.0, step / (0.3 * float(high - low)))
    spread = max(float(usual_high - low), 1e-9)
    if top > _MOST_AMPERES_WITHOUT_A_STOP or not 0.1 <= spread / top <= 0.7:
        return 0.0
    if interval_s > _STEPS_SEEN_TO_S:
        return 0.0
    if step < 4.0 * resolution_of(seen):  # the flicker of a coarse probe
        return 0.0
    return 0.6 if step >= (0.17 if spread >= 0.25 * top else 0.27) * spread else 0.0


@dataclass(frozen=True, kw_only=True)
class Nameless:
    """A temperature whose header says nothing. `values` (m,) are °C at grid_ns (m,), its logger's coarse grid."""

    key: int
    grid_ns: np.ndarray
    values: np.ndarray


def roles_by_behaviour(nameless: Sequence[Nameless], taken: frozenset[str]) -> dict[int, tuple[str, float]]:
    """key -> (role, confidence) for temperatures that are recognised by how they behave; the rest are left out.

    The one that freezes and thaws is the evaporator; of two that do, the one that turns first at the harvest (the hot gas
    comes to the plate before it comes to the suction line), else the colder. The hot one is the discharge line.
    """
    result: dict[int, tuple[str, float]] = {}
    swings = {c.key: swing(c.values) for c in nameless}
    cold = [c for c in nameless if freezes_and_thaws(c.values, *swings[c.key]) >= 0.4]
    cold.sort(key=lambda c: swings[c.key][0])
    if len(cold) > 1 and _turns_first(cold[1], cold[0]):
        cold[0], cold[1] = cold[1], cold[0]
    names = [r for r in ("evaporator", "suction") if r not in taken]
    if "evaporator" in taken and not cold:
        names = []
    for channel, role in zip(cold, names, strict=False):
        result[channel.key] = (role, 0.8 if len(cold) == 1 else 0.65)
    rest = [c for c in nameless if c.key not in {k.key for k in cold}]
    rest = [c for c in rest if np.isfinite(c.values).any()]
    hot = [c for c in rest if np.nanmedian(c.values) > 42.0 and swings[c.key][1] > 48.0]
    if hot and "discharge" not in taken:
        hottest = max(hot, key=lambda c: swings[c.key][1])
        result[hottest.key] = ("discharge", 0.75)
    if not cold and "evaporator" not in taken and "suction" not in taken:
        line = [
            c
            for c in rest
            if swings[c.key][0] < 12.0 and swings[c.key][1] - swings[c.key][0] > 6.0 and c.key not in result
        ]
        if line:
            result[min(line, key=lambda c: swings[c.key][0]).key] = ("suction", 0.55)
    air = [c for c in rest if c.key not in result and swings[c.key][0] > 12.0 and swings[c.key][1] < 48.0]
    air = [c for c in air if np.nanmax(c.values) > np.nanmin(c.values)]  # a limit, or a value that was set
    air.sort(key=lambda c: float(np.nanmedian(c.values)))
    if len(air) == 1 and not taken & {"ambient", "condenser_in"}:
        result[air[0].key] = ("ambient", 0.45)
    return result


_NEAR_S = 240.0
"""Turns of two traces that lie no farther apart are of one harvest. Common practice, no source."""


def _turns_first(a: Nameless, b: Nameless) -> bool:
    """Whether trace `a` passes the middle of its swing upwards before `b` does, at most harvests."""
    crossings_s = []
    for one in (a, b):
        low, high = swing(one.values)
        at = turns(one.values, low=low + 0.35 * (high - low), high=low + 0.6 * (high - low))
        crossings_s.append((one.grid_ns[at] - a.grid_ns[0]) / SECOND_NS)
    leads_s = []
    for point in crossings_s[0]:
        near = crossings_s[1][np.abs(crossings_s[1] - point) < _NEAR_S]
        if len(near):
            leads_s.append(near[np.argmin(np.abs(near - point))] - point)
    return len(leads_s) >= 3 and float(np.median(leads_s)) > 0.0
