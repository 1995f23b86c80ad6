"""What changed in a log, over all measures at once: the adapter between the cycles and the table of causes.

Three views, each a set of measures with their uncertainty: the later part of the log against its beginning, the cycles that
stand out against the others, and the steady cycles against what is common for such machines. And the events: which kinds of
findings there are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from pipeline.findings.advice.events import count, events_of, observable
from pipeline.findings.evidence.case import NS_PER_MIN, Case
from pipeline.findings.evidence.standards import Standard, freeze_standard, harvest_standard
from pipeline.findings.methods.statistics import MAD_TO_SIGMA, median
from pipeline.findings.rule import Rule, Seen

Values = Mapping[str, tuple[float, float]]
"""Measure -> (value, standard deviation)."""

# How far a sound machine wanders within a log, one standard deviation, beyond the scatter of its cycles: lengths, current, discharge and
# water as the sound logs of the bench of causes show, the rest twice that, for real clips are worse than the bench's.
WANDERS: Mapping[str, float] = MappingProxyType(
    {
        "freeze_pct": 4.0, "harvest_pct": 6.0, "cold_k": 0.5, "pull_pct": 7.0, "current_pct": 1.8, "gas_pct": 1.0, "peak_k": 0.7,
        "rise_pct": 12.0, "plateau_min": 0.15, "air_rise_k": 0.6, "discharge_k": 3.5, "over_air_k": 1.5, "superheat_k": 1.5,
        "subcooling_k": 1.5, "evaporating_k": 1.0, "air_k": 2.5, "water_k": 1.2, "spread_pct": 35.0, "swing_k": 0.2, "begin_k": 0.5, "mid_k": 0.5,
    }
)  # fmt: skip
# What healthy machines of all kinds show, and how far they differ, one standard deviation: common practice, no source.
COMMON: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "cold_k": (-14.0, 4.0), "gas_pct": (0.0, 25.0), "peak_k": (10.0, 5.0), "plateau_min": (0.5, 0.5), "air_rise_k": (9.0, 2.5),
        "discharge_k": (72.0, 9.0), "over_air_k": (14.0, 4.0), "superheat_k": (6.0, 3.0), "subcooling_k": (6.0, 3.0),
        "evaporating_k": (-15.0, 4.0), "air_k": (24.0, 5.0), "water_k": (16.0, 5.0), "freeze_pct": (0.0, 45.0), "harvest_pct": (0.0, 45.0),
    }
)  # fmt: skip
_COMMON_AIR_C = 25.0
_AGAINST_FREEZE = 0.105  # a usual harvest over a usual freeze, in the middle: common practice, no source
_CURRENT_PCT = (-25.0, 18.0)  # current in freeze against the nameplate's, 100 ln: common practice, no source
_SHEET_CURRENT_PCT = (
    6.0  # by which a good machine's current differs from its service sheet's: common practice, no source
)
_FIXED: Mapping[str, float] = MappingProxyType({"begin_k": 0.1, "mid_k": 0.6})  # parts of the usual freeze
_OFTEN = 0.5  # share of cycles from which on what stands out is the rule
_FEW = 6  # cycles that a hand at the machine or a lost supply may touch in a log: common practice, no source
_SPLITS = 24


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """One log. `later`, `odd`, `level`: see the module; empty where there is no such view."""

    later: Values = field(default_factory=dict)
    odd: Values = field(default_factory=dict)
    level: Values = field(default_factory=dict)
    sudden: float = 0.0  # nats by which a step explains the change better than a ramp
    events: frozenset[str] = frozenset()
    observable: frozenset[str] = frozenset()  # events that this log could show
    codes: frozenset[str] = frozenset()  # findings on the machine
    many: frozenset[str] = frozenset()  # those of them that mean more than a few cycles
    slopes: Mapping[str, float] = field(default_factory=dict)  # measure -> change for a kelvin of air


def read(case: Case, seen: Sequence[tuple[Rule, Seen]], *, of_the_logger: frozenset[str]) -> Pattern:
    """The pattern of one log. `seen`: what the rules found; `of_the_logger`: codes that are no fault of the machine."""
    events = events_of(case, seen)
    codes = frozenset(rule.code for rule, _ in seen) - of_the_logger
    base = {
        "events": events,
        "observable": observable(case, events),
        "codes": codes,
        "many": frozenset(rule.code for rule, what in seen if count(what) > _FEW),
        "slopes": _slopes(case),
    }
    if case.n == 0:
        return Pattern(**base)
    series = series_of(case)
    odd = _odd(case)
    share = float(odd.any.mean())
    usual = ~odd.any if share < _OFTEN else np.ones(case.n, bool)
    later, sudden, early = _later(case, series, usual)
    t = case.thresholds
    rare = 0 < share < _OFTEN and usual.sum() >= t["level_cycles"]
    rare &= "stall-blind" not in events  # what stands out may be no cycle, but a compressor that stood
    return Pattern(
        **base,
        later=later,
        sudden=sudden,
        odd=_of_odd(series, odd, usual) if rare else {},
        level=_level(case, series, early),
    )


def _slopes(case: Case) -> dict[str, float]:
    t = case.thresholds
    return {
        "freeze_pct": t["air_pct_per_k"],
        "current_pct": t["current_pct_per_k"],
        "discharge_k": t["discharge_k_per_k"],
        "cold_k": t["freeze_end_k_per_k"],
        "begin_k": t["freeze_end_k_per_k"],
        "mid_k": t["freeze_end_k_per_k"],
        "harvest_pct": -t["air_pct_per_k"],
    }


def series_of(case: Case) -> dict[str, np.ndarray]:
    """Each measure of every cycle (n,), NaN where it was not seen or must not be compared."""

    def log(values: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore", invalid="ignore"):
            return 100 * np.log(np.where(values > 0, values, np.nan))

    steady, harvests, swings = case.stalls_aside, np.isfinite(case.harvest_min), case.swing
    whole = ~case.flag("after_idle") & steady
    side = case.refrigeration
    current, gas = case.column("freeze_current_a"), case.column("harvest_current_a")
    air = case.air_c if case.unit.cooling == "air" else np.full(case.n, np.nan)
    series = {
        "freeze_pct": np.where(whole, log(case.freeze_min), np.nan),
        "harvest_pct": np.where(harvests, log(case.harvest_min), np.nan),
        "cold_k": np.where(steady, case.column("freeze_end_c"), np.nan),
        "pull_pct": np.where(whole, log(case.column("pull_down_k_per_min")), np.nan),
        "current_pct": np.where(steady, log(current), np.nan),
        "gas_pct": log(gas) - log(current),
        "peak_k": case.column("harvest_peak_c"),
        "rise_pct": np.maximum(log(np.maximum(case.harvest_rise_k, 0.3)), log(np.array([0.3]))),
        "plateau_min": case.column("harvest_plateau_min"),
        "air_rise_k": case.column("condenser_split_k"),
        "discharge_k": case.column("discharge_peak_c"),
        "over_air_k": side.condensing_over_air_k,
        "superheat_k": side.superheat_k,
        "subcooling_k": side.subcooling_k,
        "evaporating_k": side.evaporating_c,
        "air_k": air,
        "water_k": case.column("water_in_c"),
        "spread_pct": log(
            np.maximum(np.abs(_beside(np.where(whole, log(case.freeze_min), np.nan))), _LEAST_SPREAD_PCT)
        ),
        "swing_k": np.full(case.n, np.nan) if swings is None else swings.swing_k,
        **{name: np.where(whole, values, np.nan) for name, values in _at_fixed_times(case).items()},
    }
    series["rise_pct"] = np.where(np.isfinite(case.harvest_rise_k), series["rise_pct"], np.nan)
    return series


def _at_fixed_times(case: Case) -> dict[str, np.ndarray]:
    """The cold trace of every freeze (n,) [°C] at fixed times after its begin, NaN where it was over by then: what ends a freeze sooner or
    later moves no reading before its end, what gives it more to freeze or less to freeze it with does."""
    cold, usual = case.timeline.get("evaporator", "suction"), case.usual_freeze_min
    if cold is None or not cold.trusted.any() or not math.isfinite(usual):
        return {}
    time_ns, values = cold.readings()
    out = {}
    for name, part in _FIXED.items():
        at_ns = case.start_ns + int(part * usual * NS_PER_MIN)
        last = np.maximum(np.searchsorted(time_ns, at_ns, side="right") - 1, 0)
        seen = (case.freeze_min >= part * usual) & (time_ns[last] > case.start_ns) & (at_ns <= time_ns[-1])
        near = np.unique(
            np.concatenate([last, np.minimum(last + 1, len(time_ns) - 1)])
        )  # of a long log a few
        out[name] = np.where(seen, np.interp(at_ns, time_ns[near], values[near]), np.nan)
    return out


@dataclass(frozen=True, kw_only=True)
class _Odd:
    """Cycles that stand out, bool (n,) each."""

    harvest: np.ndarray  # it stalled, or was long
    freeze: np.ndarray  # its length is out of all proportion to its neighbours'

    @property
    def any(self) -> np.ndarray:
        return self.harvest | self.freeze

    def of(self, measure: str) -> np.ndarray:
        """Where a measure is looked at: a harvest's in the odd harvests, a freeze's in the odd freezes, if there are such."""
        first, then = (self.harvest, self.freeze) if measure in _OF_HARVESTS else (self.freeze, self.harvest)
        return first if first.any() else then


_OF_HARVESTS = ("harvest_pct", "gas_pct", "peak_k", "rise_pct", "plateau_min")
_BESIDE = 10  # cycles on each side that a freeze is held against
_LEAST_SPREAD_PCT = 0.3  # under which freezes are as even as a logger can tell


def _odd(case: Case) -> _Odd:
    s, least = case.stalls, int(case.thresholds["level_cycles"])
    harvest = s.stalled | s.long
    whole = case.stalls_aside & (case.freeze_min > 0) & ~case.flag("after_idle")
    away = np.abs(_beside(np.log(np.where(whole, case.freeze_min, np.nan))))
    freeze = np.zeros(case.n, bool)
    if whole.sum() >= least:
        spread = max(MAD_TO_SIGMA * float(np.nanmedian(away)), 0.03)
        freeze = np.isfinite(away) & (away > max(5 * spread, 0.2))
    after = np.concatenate([[False], harvest[:-1]])
    return _Odd(harvest=harvest, freeze=freeze & ~after)


def _of_odd(series: Mapping[str, np.ndarray], odd: _Odd, usual: np.ndarray) -> Values:
    """Each measure in the odd cycles against the usual ones. A single cycle has no scatter; what it leaves behind of water and cold, the
    freeze after it begins with."""
    after = np.concatenate([[False], odd.any[:-1]])
    out: dict[str, tuple[float, float]] = {}
    for name, values in series.items():
        here, there = (after, usual & ~after) if name == "begin_k" else (odd.of(name), usual)
        out |= _against({name: values}, here, there, 1)
    out.pop("spread_pct", None)
    return out


def _beside(values: np.ndarray) -> np.ndarray:
    """Each value (n,) minus the middle of the known ones around it, NaN where it is not known."""
    out = np.full(len(values), np.nan)
    at = np.flatnonzero(np.isfinite(values))
    y, width = values[at], 2 * _BESIDE + 1
    middle = np.empty(len(y))
    inner = slice(_BESIDE, max(len(y) - _BESIDE, _BESIDE))
    if len(y) >= width:
        middle[inner] = np.median(np.lib.stride_tricks.sliding_window_view(y, width), axis=1)
    for i in (*range(len(y))[: inner.start], *range(len(y))[max(inner.stop, inner.start) :]):
        middle[i] = median(y[max(i - _BESIDE, 0) : i + _BESIDE + 1])
    out[at] = y - middle
    return out


def _middle(values: np.ndarray) -> tuple[float, float, int]:
    """(median, standard error of it, number) of what is known."""
    known = values[np.isfinite(values)]
    if len(known) == 0:
        return math.nan, math.nan, 0
    middle = median(known)
    spread = MAD_TO_SIGMA * median(np.abs(known - middle))
    return middle, 1.25 * spread / math.sqrt(len(known)), len(known)


def _against(series: Mapping[str, np.ndarray], here: np.ndarray, there: np.ndarray, least: int = 2) -> Values:
    """Each measure in the cycles `here` against those `there`."""
    out = {}
    for name, values in series.items():
        (a, sa, na), (b, sb, nb) = _middle(values[here]), _middle(values[there])
        if na >= min(least, max(int(here.sum()), 1)) and nb >= least:
            out[name] = (a - b, math.sqrt(sa**2 + sb**2 + WANDERS[name] ** 2))
    return out


def _later(
    case: Case, series: Mapping[str, np.ndarray], usual: np.ndarray
) -> tuple[Values, float, np.ndarray]:
    """(the later part against the beginning, nats for a step over a ramp, the cycles before the change).

    One moment for all measures: where their squared changes, in units of their own wandering, are the largest; a step or
    a ramp, whichever leaves less.
    """
    n, least = case.n, int(case.thresholds["level_cycles"])
    every = np.ones(n, bool)
    if n < 2 * least:
        return {}, 0.0, every
    at = np.arange(n)
    splits = np.unique(np.linspace(least, n - least, min(_SPLITS, n - 2 * least + 1)).astype(int))
    rows = {
        k: np.where(usual, v, np.nan) for k, v in series.items() if np.isfinite(v[usual]).sum() >= 2 * least
    }
    after = at - splits[:, None]
    ramps = np.clip(after / np.maximum(n - 1 - splits, 1)[:, None], 0, 1)
    shapes = np.array([after >= 0, ramps], float)
    scores = np.zeros((2, len(splits)))  # of a step and of a ramp at each split
    for name, values in rows.items():
        known = np.isfinite(values)
        y = values[known]
        steps = np.diff(y)
        noise = max(1.0483 * median(np.abs(steps)), WANDERS[name])  # MAD of differences / sqrt 2
        y = np.clip((y - median(y)) / noise, -12, 12)
        weight = 1 / (1 + len(y) / 20)  # neighbours wander together: a long log proves no more than so much
        z = shapes[:, :, known]
        z = z - z.mean(axis=2, keepdims=True)
        power = np.einsum("ijk,ijk->ij", z, z)
        scores += np.where(power > 1e-9, weight * (z @ y) ** 2 / np.maximum(power, 1e-9), 0.0)
    best = np.unravel_index(int(np.argmax(scores)), scores.shape)
    split = int(splits[best[1]])
    sudden = 0.5 * float(scores[0].max() - scores[1].max())
    early = at < split
    late = ~early
    if best[0] == 1:  # a ramp is told by its end, and its beginning by what lies before it
        late = at >= split + int(0.7 * (n - split))
        early = at < max(split, least)
    return _against(rows, late, early & usual, least=min(least, 3)), float(np.clip(sudden, -4, 4)), early


def _band(standard: Standard) -> tuple[float, float]:
    """(middle, standard deviation) of a standard's band, 100 times natural logs: nine in ten good machines lie in it."""
    low, high = 100 * math.log(standard.low), 100 * math.log(standard.high)
    return (low + high) / 2, max((high - low) / 3.29, 5.0)


def _level(case: Case, series: Mapping[str, np.ndarray], early: np.ndarray) -> Values:
    """The steady cycles before any change against what is common; lengths against the best standard there is."""
    out = {}
    air = _middle(series["air_k"][early])[0]
    warmer = 0.0 if math.isnan(air) else air - _COMMON_AIR_C
    slopes = _slopes(case)
    for name, (middle, spread) in COMMON.items():
        values = series.get(name)
        if values is None:
            continue
        value, error, count = _middle(values[early])
        if count < 3 or (name == "air_rise_k" and case.unit.cooling == "water"):
            continue
        if name in ("freeze_pct", "harvest_pct"):
            standard = freeze_standard(case) if name == "freeze_pct" else harvest_standard(case)
            middle, spread = _band(standard)
            freeze = _middle(series["freeze_pct"][early])[0]
            if name == "harvest_pct" and not standard.tells and not math.isnan(freeze):
                middle, spread = freeze + 100 * math.log(_AGAINST_FREEZE), COMMON[name][1]
        elif name == "cold_k" and case.unit.expected.freeze_end_c is not None:
            low, high = case.unit.expected.freeze_end_c
            middle, spread = (low + high) / 2, max((high - low) / 3.29, 1.0)
        elif name == "cold_k" and case.timeline.get("evaporator") is None:
            middle, spread = middle + 4.0, spread + 2.0  # a suction line stands warmer
        elif name in slopes:
            middle += slopes[name] * warmer
        out[name] = (value - middle, math.hypot(error, spread))
    sheet, plate = case.unit.expected.current_a, case.unit.nameplate.current_a
    current, error, count = _middle(series["current_pct"][early])
    if count >= 3 and sheet is not None:
        out["current_pct"] = (current - 100 * math.log(sheet), math.hypot(error, _SHEET_CURRENT_PCT))
    elif count >= 3 and plate is not None:
        away = current - 100 * math.log(plate) - _CURRENT_PCT[0]
        out["current_pct"] = (away, math.hypot(error, _CURRENT_PCT[1]))
    return out
