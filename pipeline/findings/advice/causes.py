"""Likely causes, each weighed by what the *other* signals say, never by the finding alone; `ranking` ranks them.

A cause starts with a plausibility (log-odds, common practice, no source) and gains or loses with each signal that
speaks for or against it. A signal that was not logged says nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from pipeline.findings.evidence.signals import Signals, near, ramp
from pipeline.findings.phrase import Phrase, phrase


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One cause. `weigh` is its log-odds under the signals; `because` says which signal speaks for it."""

    text: Phrase
    weigh: Callable[[Signals], float]
    checks: tuple[str, ...]
    because: tuple[tuple[str, float, float, Phrase], ...] = ()  # signal, range in which it speaks, sentence


def _normal(s: Signals) -> float:
    """How plainly heat rejection and cold side look as usual."""
    return (near(s.split_shift_k, 1.5) + near(s.freeze_end_shift_k, 1.5) + near(s.discharge_shift_k, 4)) / 3


_CONDENSER_DIRTY = "The condenser is dirty or its air is blocked"
_CHARGE_LOW = "The refrigerant charge is low"

CAUSES: dict[str, Cause] = {}


def _cause(
    key: str,
    english: str,
    weigh: Callable[[Signals], float],
    checks: tuple[str, ...],
    *because: tuple[str, float, float, str],
) -> None:
    joint = "; " if ":" in english else ": "
    CAUSES[key] = Cause(
        text=phrase(f"cause.{key}", english),
        weigh=weigh,
        checks=checks,
        because=tuple(
            (signal, low, high, phrase(f"cause.{key}.{signal}", f"{english}{joint}{reason}"))
            for signal, low, high, reason in because
        ),
    )


# Heat rejection
_cause(
    "condenser-dirty",
    _CONDENSER_DIRTY,
    lambda s: 0.3 + 2.5 * ramp(s.split_shift_k, 1.5, 5) + 1.5 * ramp(s.split_k, 17, 24)
    + 1.2 * ramp(s.discharge_shift_k, 4, 15) + ramp(s.current_pct, 4, 15) + ramp(s.condensing_over_air_k, 18, 28)
    - 1.5 * near(s.split_shift_k, 1.0) - 2 * ramp(s.split_shift_k, -1.5, -4) - ramp(s.freeze_end_shift_k, -1.5, -4),
    ("air-path", "clean-condenser", "pressures"),
    ("split_shift_k", 1.5, math.inf, "the condenser split is {split_shift_k} above the usual one"),
    ("split_k", 18.0, math.inf, "the condenser split is {split_k}"),
    ("discharge_shift_k", 5.0, math.inf, "the discharge line is {discharge_shift_k} hotter than usual"),
)  # fmt: skip
_cause(
    "condenser-fan",
    "The condenser fan is weak, slow or stopped",
    lambda s: -0.3 + 2 * ramp(s.split_shift_k, 3, 9) + 1.2 * ramp(s.discharge_shift_k, 6, 20) + ramp(s.split_k, 20, 30)
    - 1.5 * near(s.split_shift_k, 1.0),
    ("fan-runs", "air-path", "compressor-current"),
    ("split_shift_k", 4.0, math.inf, "the condenser split is {split_shift_k} above the usual one"),
)  # fmt: skip
_cause(
    "condenser-water",
    "The condenser gets too little water, or is scaled",
    lambda s: 0.2 + 2 * ramp(s.split_shift_k, 1.5, 5) + ramp(s.split_k, 12, 18),
    ("water-regulator", "water-filter", "pressures"),
)
_cause(
    "overcharge-or-air",
    "Too much refrigerant, or air in the circuit",
    lambda s: -1.0 + 2 * ramp(s.subcooling_k, 10, 16) + ramp(s.condensing_over_air_k, 20, 28),
    ("pressures", "weigh-charge"),
    ("subcooling_k", 10.0, math.inf, "the liquid is subcooled by {subcooling_k}"),
)
_cause(
    "room-hot",
    "The room is hot, or the machine breathes its own warm air",
    lambda s: -0.8 + 2 * ramp(s.air_c, 34, 42) + 1.5 * ramp(s.air_shift_k, 4, 10) - ramp(s.air_c, 28, 20),
    ("air-path", "control-settings"),
    ("air_c", 34.0, math.inf, "the condenser is given air at {air_c}"),
    ("air_shift_k", 4.0, math.inf, "the condenser's air is {air_shift_k} warmer than usual"),
)
# Charge and metering
_cause(
    "charge-low",
    _CHARGE_LOW,
    lambda s: 0.0 + 2.2 * ramp(s.freeze_end_shift_k, 1.5, 5) + 1.2 * ramp(s.freeze_end_c, -8, 0)
    + 1.2 * ramp(s.split_shift_k, -1, -4) + 0.8 * ramp(s.current_pct, -3, -12) + 1.5 * ramp(s.superheat_k, 10, 20)
    + ramp(s.subcooling_k, 2, 0) - 1.5 * near(s.freeze_end_shift_k, 1.0) - 1.5 * ramp(s.split_shift_k, 1.5, 4)
    - 2.0 * ramp(s.freeze_end_shift_k, -1, -3),
    ("look-at-slab", "pressures", "leak-test"),
    ("freeze_end_shift_k", 1.5, math.inf, "the evaporator ends its freeze {freeze_end_shift_k} warmer than usual"),
    ("freeze_end_c", -6.0, math.inf, "the evaporator is still at {freeze_end_c} when the freeze ends"),
    ("superheat_k", 12.0, math.inf, "the suction superheat is {superheat_k}"),
)  # fmt: skip
_cause(
    "metering",
    "The expansion valve or capillary feeds too little",
    lambda s: -0.4 + 2 * ramp(s.freeze_end_shift_k, 1.5, 5) + ramp(s.freeze_end_c, -8, 0) + 1.5 * ramp(s.superheat_k, 10, 20)
    + ramp(s.subcooling_k, 6, 12) - 1.5 * near(s.freeze_end_shift_k, 1.0) - ramp(s.split_shift_k, 1.5, 4),
    ("look-at-slab", "pressures"),
    ("superheat_k", 12.0, math.inf, "the suction superheat is {superheat_k}"),
)  # fmt: skip
_cause(
    "compressor-worn",
    "The compressor no longer pumps as it should",
    lambda s: -1.2 + 1.2 * ramp(s.freeze_end_shift_k, 2, 6) + 1.2 * ramp(s.current_pct, -6, -20),
    ("compressor-current", "compressor-pumping"),
    ("current_pct", -100.0, -5.0, "its current is {current_pct} against the usual one"),
)
_cause(
    "hot-gas-leaks",
    "The hot-gas valve leaks through in freeze",
    lambda s: -0.7 + 1.3 * ramp(s.freeze_end_shift_k, 1.5, 5) + 0.8 * ramp(s.freeze_end_c, -6, 2)
    + 0.6 * ramp(s.discharge_shift_k, -3, -10),
    ("feel-hot-gas-in-freeze", "pressures"),
    ("freeze_end_shift_k", 1.5, math.inf, "the evaporator ends its freeze {freeze_end_shift_k} warmer than usual"),
)  # fmt: skip
# Water
_cause(
    "water-warm",
    "The supply water is warm",
    lambda s: (
        -0.8 + 2.6 * ramp(s.water_c, 25, 34) + 2 * ramp(s.water_shift_k, 3, 10) - ramp(s.water_c, 22, 15)
    ),
    ("supply-temperature",),
    ("water_c", 27.0, math.inf, "it arrives at {water_c}"),
    ("water_shift_k", 3.0, math.inf, "it is {water_shift_k} warmer than usual"),
)
_cause(
    "water-leaks-in",
    "The water valve or float leaks in freeze, so that warm water must be frozen too",
    lambda s: (
        0.2
        + 1.6 * _normal(s)
        + 1.3
        * ramp(s.freeze_end_shift_k, -1.5, -5)  # a long freeze ends cold: nothing is wrong with the cold side
        - 0.5 * ramp(s.split_shift_k, 1.5, 5)
        - 0.5 * ramp(s.freeze_end_c, -4, 2)
    ),
    ("water-over-in-freeze", "look-at-slab"),
)
_cause(
    "water-short",
    "The machine is short of water: valve, filter, float or pressure",
    lambda s: 0.0 + ramp(-s.freeze_pct, 15, 40) + 0.6 * _normal(s),
    ("water-on", "water-filter", "look-at-slab"),
)
_cause(
    "water-spread",
    "Water does not run evenly over the plate: pump, strainer, distributor, scale",
    lambda s: -0.3 + 0.8 * _normal(s) + 1.2 * ramp(s.freeze_end_shift_k, -2, -6),
    ("water-spread", "clean-evaporator"),
    (
        "freeze_end_shift_k",
        -100.0,
        -1.5,
        "at the end of freeze the evaporator stands {freeze_end_shift_k} against the usual",
    ),
)
# Sensing
_cause(
    "end-of-freeze-sensing",
    "The end-of-freeze sensing (thickness, level or temperature) acts late or not at all",
    lambda s: 0.4 + 1.1 * _normal(s) + 1.5 * ramp(s.freeze_end_shift_k, -1.5, -5) - ramp(s.split_shift_k, 1.5, 5)
    - ramp(s.freeze_end_shift_k, 2, 5),
    ("look-at-slab", "control-settings", "clean-sensor", "sensor-resistance"),
    ("freeze_end_shift_k", -100.0, -1.5, "at the end of freeze the evaporator stands {freeze_end_shift_k} against the usual"),
)  # fmt: skip
_cause(
    "end-of-freeze-early",
    "The end-of-freeze sensing acts too early: set too thin, scaled, or splashed",
    lambda s: 0.6 + 1.2 * ramp(s.freeze_end_shift_k, 1, 5) + 0.4 * _normal(s),
    ("look-at-slab", "control-settings", "clean-sensor"),
    (
        "freeze_end_shift_k",
        1.0,
        math.inf,
        "the evaporator ends its freeze {freeze_end_shift_k} warmer than usual",
    ),
)
_cause(
    "capacity-short",
    "The machine has lost so much capacity that no freeze finishes before the limit",
    lambda s: (
        -0.4
        + 1.5 * ramp(s.freeze_end_c, -9, -3)
        + 1.2 * ramp(s.split_k, 17, 24)
        + 1.5 * ramp(s.superheat_k, 10, 20)
    ),
    ("look-at-slab", "clean-condenser", "pressures"),
    ("freeze_end_c", -8.0, math.inf, "the evaporator is still at {freeze_end_c} when the freeze ends"),
)
_cause(
    "ice-left",
    "Ice was left on the plate by the harvest before",
    lambda s: -0.4 + 1.5 * ramp(s.harvest_peak_c, 4, 0),
    ("watch-cycle", "clean-evaporator"),
)
# Harvest
_cause(
    "hot-gas-shut",
    "The hot-gas valve does not open: coil, wiring, control or a stuck valve",
    lambda s: (
        0.2
        + 2.5 * ramp(s.harvest_peak_c, 2, -3)
        + ramp(-s.harvest_peak_shift_k, 8, 14)
        + ramp(-s.harvest_rise_pct, 50, 90)
        - 2.0 * ramp(s.plateau_min, 1.5, 4)
    ),
    ("feel-hot-gas", "control-settings", "valve-coil"),
    (
        "harvest_peak_shift_k",
        -100.0,
        -4.0,
        "the evaporator's peak is {harvest_peak_shift_k} against a usual harvest",
    ),
)
_cause(
    "hot-gas-weak",
    "The hot gas is weak: low charge, low head pressure or a valve that opens in part",
    lambda s: 0.2 + 1.2 * ramp(s.plateau_min, 1.5, 4) + 0.8 * ramp(s.air_c, 15, 7) + 0.8 * ramp(s.discharge_shift_k, -3, -10)
    + 0.6 * ramp(s.freeze_end_shift_k, 1.5, 5) + 1.6 * ramp(-s.harvest_rise_pct, 15, 45) - ramp(s.harvest_peak_c, 0, -4),
    ("feel-hot-gas", "valve-coil", "pressures"),
    ("harvest_rise_pct", -100.0, -15.0, "the evaporator begins to warm slowly, {harvest_rise_pct} against the usual"),
    ("plateau_min", 1.5, math.inf, "the evaporator hangs near freezing point for {plateau_min}"),
)  # fmt: skip
_cause(
    "slab-sticks",
    "The slab sticks: scale or wear on the evaporator, or too thick a bridge",
    lambda s: (
        0.4
        + 1.6 * ramp(s.plateau_min, 1.5, 4)
        + 0.6 * ramp(s.freeze_pct, 10, 30)
        + 0.5 * near(s.harvest_rise_pct, 12)  # the gas is as hot as ever
        - ramp(-s.harvest_rise_pct, 15, 45)
        - 1.5 * ramp(s.harvest_peak_c, 1, -3)
    ),
    ("watch-cycle", "look-at-slab", "clean-evaporator"),
    ("plateau_min", 1.5, math.inf, "the evaporator hangs near freezing point for {plateau_min}"),
)
_cause(
    "harvest-end-sensing",
    "The harvest's end is not noticed: curtain, ice switch or harvest probe",
    lambda s: (
        0.0
        + 1.5 * ramp(s.harvest_peak_shift_k, 2, 8)
        + 1.0 * ramp(s.harvest_peak_c, 10, 20)
        - ramp(s.plateau_min, 2, 5)
        - ramp(-s.harvest_rise_pct, 15, 45)
        - 2.0 * ramp(s.harvest_peak_shift_k, -1, -4)  # a missed end needs a warm plate
    ),
    ("curtain", "control-settings", "sensor-resistance"),
    (
        "harvest_peak_shift_k",
        2.0,
        math.inf,
        "the evaporator gets {harvest_peak_shift_k} warmer than in a usual harvest",
    ),
)
_cause(
    "room-cold",
    "The room is cold, so that there is little head pressure for hot gas",
    lambda s: -1.0 + 2.5 * ramp(s.air_c, 14, 6),
    ("air-path", "pressures"),
    ("air_c", -50.0, 14.0, "the condenser's air is at {air_c}"),
)
# Compressor and electrics: the rule narrows these by the pattern of on and off times
_cause("high-pressure-cut", "The high-pressure switch stops it: fan, dirty condenser, overcharge",
       lambda s: 0.6 + ramp(s.split_k, 17, 24) + ramp(s.discharge_c, 90, 110), ("fan-runs", "air-path", "clean-condenser", "pressures"))  # fmt: skip
_cause("low-pressure-cut", "The low-pressure switch stops it: liquid valve shut, charge gone, feed blocked",
       lambda s: 0.4 + ramp(s.superheat_k, 10, 20), ("control-settings", "contactor", "pressures", "leak-test"))  # fmt: skip
_cause("overload-trips", "The motor overload opens: weak start gear, low voltage, hot compressor",
       lambda s: 0.4 + ramp(s.discharge_c, 95, 115) + ramp(s.current_pct, 5, 20), ("fan-runs", "line-voltage", "start-gear", "compressor-current"))  # fmt: skip
_cause("control-chatters", "Control or bin sensor chatters: a loose contact, a sensor at its edge",
       lambda s: 0.0, ("bin-control", "contactor"))  # fmt: skip
_cause("start-gear", "Start capacitor or start relay is worn", lambda s: 0.8, ("start-gear",))
_cause("voltage-low", "The voltage sags while it starts", lambda s: 0.3, ("line-voltage",))
_cause("pressures-unequal", "It is started again before the pressures have equalised",
       lambda s: 0.1, ("control-settings", "pressures"))  # fmt: skip
_cause(
    "compressor-stuck",
    "The compressor is stuck or its winding is failing",
    lambda s: -0.3,
    ("compressor-current", "start-gear"),
)
# No ice, probes, output
_cause("no-water", "No water reaches the plate", lambda s: 0.6, ("water-on", "water-spread"))
_cause("hot-gas-stuck-open", "The hot-gas valve is stuck open", lambda s: 0.1 + 1.2 * ramp(s.freeze_end_c, -2, 6), ("feel-hot-gas-in-freeze",))  # fmt: skip
_cause(
    "control-stuck",
    "The control is in cleaning mode or waits for a fault to be cleared",
    lambda s: 0.2,
    ("control-settings",),
)
_cause(
    "probe-off-pipe", "The probe has come off its pipe, or its wire is broken", lambda s: 0.8, ("probe-seat",)
)
_cause("clamp-open", "The clamp is open, round both conductors, or unplugged", lambda s: 0.8, ("clamp-seat",))
_cause(
    "logger-stopped",
    "The logger stopped: battery, memory or cable",
    lambda s: 0.6,
    ("probe-seat", "logger-interval"),
)
_cause("logger-slow", "The logging interval is long for this machine", lambda s: 0.8, ("logger-interval",))
_cause("clocks-differ", "The loggers were started by clocks that differ", lambda s: 0.8, ("logger-clock",))
_cause("conditions", "Warm water or a hot room alone would take a part of the output",
       lambda s: -0.2 + ramp(s.water_c, 24, 34) + ramp(s.air_c, 32, 42), ("supply-temperature", "air-path"))  # fmt: skip
_cause(
    "slab-thin",
    "The slab is lighter than it should be",
    lambda s: 0.2,
    ("look-at-slab", "weigh-slab", "clean-sensor"),
)
_cause("fouling", "Something builds up: dirt on the condenser, scale in the water circuit",
       lambda s: 0.5 + 2 * ramp(s.split_shift_k, 1.5, 5) - ramp(s.split_shift_k, -1, -4), ("air-path", "clean-condenser", "clean-evaporator"))  # fmt: skip
_cause("slow-leak", "Refrigerant is being lost slowly",
       lambda s: 0.1 + 1.8 * ramp(s.freeze_end_shift_k, 1.5, 5) + ramp(s.split_shift_k, -1, -4) + 0.6 * ramp(s.current_pct, -3, -12),
       ("look-at-slab", "pressures", "leak-test"))  # fmt: skip
_cause("season", "Room or water grew warmer over the log",
       lambda s: -0.6 + 2 * ramp(s.air_shift_k, 4, 10) + 2 * ramp(s.water_shift_k, 3, 8), ("supply-temperature",))  # fmt: skip


# What one cause brings about elsewhere: where a log shows the one on the right plainly, the one on the left follows.
FOLLOWS: dict[str, tuple[str, ...]] = {
    "hot-gas-weak": ("charge-low", "slow-leak"),
    "low-pressure-cut": ("charge-low",),
    "high-pressure-cut": ("condenser-dirty", "condenser-fan", "condenser-water"),
    "overload-trips": ("condenser-dirty", "condenser-fan"),
    "capacity-short": ("charge-low", "condenser-dirty"),
    "slow-leak": ("charge-low",),
    "charge-low": ("slow-leak",),
    "fouling": ("condenser-dirty", "condenser-water"),
    "condenser-dirty": ("fouling",),
    "slab-thin": ("end-of-freeze-early",),
    "season": ("water-warm", "room-hot"),
    "conditions": ("water-warm", "room-hot"),
}
