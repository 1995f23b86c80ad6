"""The choices that make up a machine and the way it is logged, and the split of their combinations in two parts."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np

Part = Literal["worked", "scored"]

CHOICES: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        # What carries ice, and how a freeze runs.
        "evaporators": {"one": 0.7, "two": 0.3},  # two: one compressor, unequal shares, harvested together
        "sub_cooling": {"none": 0.65, "dip and jump": 0.35},  # water below 0 °C before the first ice
        "freeze_end": {"level": 0.45, "temperature": 0.3, "timer": 0.25},
        "refill": {"in harvest": 0.4, "as the freeze begins": 0.35, "all along": 0.25},
        "refill_warms_line": {"no": 0.6, "yes": 0.4},
        "fresh_water": {"each cycle": 0.85, "every second cycle": 0.15},  # odd and even cycles differ
        # The harvest.
        "hot_gas": {
            "full": 0.53,
            "half open": 0.12,
            "leaking": 0.12,
            "two valves": 0.16,  # the second opens later
            "none, off cycle": 0.045,  # the compressor stops, warm water loosens the ice
            "none, heater": 0.045,  # the compressor stops, an electric heater loosens the ice
        },
        "slab": {
            "jump": 0.45,  # lets go at once
            "piecemeal": 0.3,  # falls a piece at a time
            "loose": 0.25,  # hardly holds: no plateau
        },
        "harvest_end": {"temperature": 0.35, "time": 0.25, "flap": 0.25, "two flaps": 0.15},
        # What the current is made of.
        "hot_gas_current": {"up": 0.35, "down": 0.35, "nothing": 0.15, "spike then dip": 0.15},
        "fan": {
            "always": 0.2,
            "pressure switch": 0.2,
            "timer": 0.2,  # stops with the freeze's end
            "two speeds": 0.15,
            "none, water-cooled": 0.25,
        },
        "head_pressure_control": {"no": 0.7, "yes": 0.3},  # the fan comes and goes within a freeze
        "pump_drive": {"mains": 0.7, "direct current": 0.3},
        "pump_stop": {"at harvest": 0.45, "early": 0.15, "late": 0.15, "never": 0.25},
        "pump_start": {"at freeze": 0.7, "later": 0.3},
        "valve_current": {"none": 0.5, "seen": 0.5},  # the solenoid of the refill
        # The clip.
        "clip_at": {
            "outlet": 0.4,
            "inlet": 0.2,
            "plate": 0.4,
        },  # of the evaporator; a suction line has its own
        "clip_lags": {"none": 0.25, "one": 0.45, "two": 0.3},
        "clip_wet": {"no": 0.75, "yes": 0.25},  # water about it freezes and thaws
        # What else goes on.
        "rest": {"none": 0.35, "after harvest": 0.45, "at any moment": 0.2},  # a full bin
        "mishaps": {"none": 0.75, "stalled harvests": 0.15, "repeated harvests": 0.1},
        "day_swing": {"no": 0.5, "yes": 0.5},
        "course": {
            "none": 0.25,
            "step": 0.15,
            "ramp": 0.2,
            "comes and goes": 0.15,
            "repaired": 0.15,
            "two at once": 0.1,
        },
    }
)
"""Choice -> its values with their weights. Which are met how often is a judgement: common practice, no source."""

SCORED_ONLY: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "pump_stop": frozenset({"late"}),
        "hot_gas": frozenset({"none, heater"}),
        "harvest_end": frozenset({"two flaps"}),
        "hot_gas_current": frozenset({"spike then dip"}),
        "fan": frozenset({"two speeds"}),
        "fresh_water": frozenset({"every second cycle"}),
    }
)
"""Values that no world to be worked on holds."""


@dataclass(frozen=True, kw_only=True)
class Structure:
    """One value of each of `CHOICES`; the interval, the channels and all numbers are no part of it."""

    evaporators: str
    sub_cooling: str
    freeze_end: str
    refill: str
    refill_warms_line: str
    fresh_water: str
    hot_gas: str
    slab: str
    harvest_end: str
    hot_gas_current: str
    fan: str
    head_pressure_control: str
    pump_drive: str
    pump_stop: str
    pump_start: str
    valve_current: str
    clip_at: str
    clip_lags: str
    clip_wet: str
    rest: str
    mishaps: str
    day_swing: str
    course: str

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if value not in CHOICES[name]:
                raise ValueError(f"{name}: no such value {value!r}; one of {', '.join(CHOICES[name])}")


def drawn(rng: np.random.Generator, **fixed: str) -> Structure:
    """A structure with every choice drawn by its weight, and made possible: see `possible`. `fixed`: choices that are given."""
    values = {}
    for name, weights in CHOICES.items():
        odds = np.array(list(weights.values()))
        values[name] = list(weights)[int(rng.choice(len(odds), p=odds / odds.sum()))]
    return possible(values | fixed)


def possible(values: Mapping[str, str]) -> Structure:
    """The structure nearest to `values` that a machine can have. Raises ValueError for an unknown value."""
    v = dict(values)
    if v["hot_gas"].startswith("none"):
        v["hot_gas_current"] = "down"  # the compressor stops
    if v["fan"] in ("none, water-cooled", "always", "timer"):
        v["head_pressure_control"] = "no"  # by a water valve that no clamp sees, or not at all
    if v["refill"] == "all along":
        v["refill_warms_line"] = "no"
        v["valve_current"] = "none"
    return Structure(**v)


def split(structure: Structure) -> Part:
    """The part that a structure belongs to: by a hash of its choices, and by `SCORED_ONLY`. The same in every release of Python."""
    values = asdict(structure)
    if any(values[name] in only for name, only in SCORED_ONLY.items()):
        return "scored"
    text = ";".join(f"{name}={values[name]}" for name in sorted(values))
    return "worked" if hashlib.blake2s(text.encode()).digest()[0] % 4 else "scored"
