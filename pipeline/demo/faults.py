"""Faults that can be switched on, what each does to the machine or to the log, and which findings it ought to raise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any


@dataclass(frozen=True, kw_only=True)
class FaultKind:
    """What a fault is and what a good report says of it."""

    does: str
    expect: tuple[str, ...]  # finding codes that must come up
    may: tuple[str, ...] = ()  # codes that are true as well, as side effects
    options: Mapping[str, float | str] = field(default_factory=dict)  # defaults


KINDS: Mapping[str, FaultKind] = MappingProxyType(
    {
        "stalled-harvest": FaultKind(
            does="hot gas is weak or the slab sticks: the plate stays near 0 °C and the harvest runs into its limit",
            expect=("harvest-stalled",),
            may=("harvest-long", "freeze-short", "freeze-long", "output-low", "drift"),
            options={"chance": 0.3, "hot_gas": 0.45, "stick": 8.0, "retry": 0.0},
        ),
        "cold-harvest": FaultKind(
            does="the hot-gas valve does not open: the plate never warms; the control gives up after two in a row",
            expect=("harvest-stalled",),
            may=("harvest-long", "freeze-short", "freeze-long", "output-low", "drift"),
            options={"chance": 0.3, "rest_s": 3000.0},
        ),
        "slow-harvest": FaultKind(
            does="hot gas is somewhat weak: the slab releases late but does release",
            expect=("harvest-long",),
            may=("output-low", "drift"),
            options={"chance": 0.1, "hot_gas": 0.42},
        ),
        "water-leak": FaultKind(
            does="the water valve leaks in freeze: warm water keeps the level up or brings heat, freezes are long "
            "(not where a timer ends them)",
            expect=("freeze-long",),
            may=("harvest-long", "output-low", "freeze-at-timeout", "weak-freeze", "drift"),
            # inflow over what the freeze uses, where the level ends it; where it does not, only a flood that
            # runs off again is felt, by its heat
            options={"part": 0.3, "flood": 1.8},
        ),
        "dirty-condenser": FaultKind(
            does="the condenser clogs from day to day: condensing temperature, discharge and freezes rise",
            expect=("condenser-hot",),
            may=("drift", "freeze-long", "output-low", "weak-freeze"),
            options={
                "left": 0.42,
                "over_days": 0.0,
            },  # part of the conductance left; 0: over the rest of the log
        ),
        "low-charge": FaultKind(
            does="too little refrigerant: capacity falls, the evaporator outlet stays warm, the condenser air rise shrinks",
            expect=("weak-freeze",),
            may=("freeze-long", "freeze-at-timeout", "output-low", "drift", "harvest-long"),
            options={"left": 0.62, "starved_k": 7.0, "over_days": 0.0001},
        ),
        "slow-leak": FaultKind(
            does="refrigerant is lost from day to day",
            expect=("drift",),
            may=("weak-freeze", "freeze-long", "output-low", "harvest-long", "freeze-at-timeout"),
            options={"left": 0.68, "starved_k": 6.0, "over_days": 0.0},
        ),
        "thin-slabs": FaultKind(
            does="the end-of-freeze sensing acts too early: short freezes, thin slabs",
            expect=("freeze-short",),
            may=("output-low",),
            options={"part": 0.5, "chance": 1.0, "from_h": 0.0, "to_h": 24.0},  # hours of the day, UTC
        ),
        "weeping-valve": FaultKind(
            does="the water valve weeps during one freeze, which takes far longer",
            expect=("freeze-long",),
            may=(),
            options={"part": 0.45},
        ),
        "scale": FaultKind(
            does="scale grows on the plate: the slab comes off later from day to day",
            expect=("harvest-long",),
            may=("drift", "output-low", "harvest-stalled"),
            options={
                "times": 6.0,
                "over_days": 0.0,
            },  # times as much must melt in the end; 0: over the rest of the log
        ),
        "dies": FaultKind(
            does="the compressor stands; the fan may run on",
            expect=("ice-stopped",),
            may=(),
            options={"fan": 0.0},
        ),
        "visit": FaultKind(
            does="somebody stops the machine and works on it: line and plate come to room temperature",
            expect=(),
            may=(),
            options={"minutes": 50.0},
        ),
        "cooling-fails": FaultKind(
            does="the condenser gets little air or water in a part of each day",
            expect=("condenser-hot",),
            may=("freeze-long", "output-low", "harvest-long", "harvest-stalled"),
            options={"left": 0.45, "from_h": 13.0, "to_h": 18.0},
        ),
        "valve-hunts": FaultKind(
            does="the metering of refrigerant hunts: the suction line swings to and fro in freeze",
            expect=("valve-hunting",),
            may=("weak-freeze",),
            options={"swing_k": 4.0, "period_s": 150.0},
        ),
        "low-voltage": FaultKind(
            does="the supply is far under the plate's voltage",
            expect=("supply-voltage",),
            may=("drift",),
            options={"part": 0.84},
        ),
        "probe-slips": FaultKind(
            does="the clip slips off its pipe little by little and reads more and more of the room",
            expect=("probe-loose",),
            may=("probe-fault", "drift", "weak-freeze"),
            options={"role": "evaporator", "touch": 0.25},  # what is left of the contact in the end
        ),
        "timer-ends-freeze": FaultKind(
            does="the end-of-freeze sensing has failed: every freeze runs to the timer",
            expect=("freeze-at-timeout",),
            may=("freeze-long", "output-low", "harvest-long", "drift"),
            options={"timer_s": 0.0},  # 0: 1.45 times a normal freeze
        ),
        "high-pressure-trips": FaultKind(
            does="the condenser fan stands still: the pressure switch stops the compressor and lets it start again",
            expect=("short-cycling",),
            may=("condenser-hot", "no-ice", "output-low", "freeze-long", "failed-start"),
            options={"hours": 5.0, "every_hours": 14.0, "cut_out_c": 63.0, "cut_in_c": 46.0},
        ),
        "low-pressure-trips": FaultKind(
            does="no liquid reaches the evaporator: the low-pressure switch stops the compressor within a minute",
            expect=("short-cycling",),
            may=("no-ice", "output-low", "weak-freeze", "freeze-long", "failed-start"),
            options={"hours": 5.0, "every_hours": 14.0, "on_s": 40.0, "off_s": 110.0},
        ),
        "overload-trips": FaultKind(
            does="the motor overload opens about a minute after each start",
            expect=("short-cycling",),
            may=("no-ice", "output-low", "freeze-long", "failed-start"),
            options={"hours": 5.0, "every_hours": 14.0, "on_s": 55.0, "off_s": 280.0},
        ),
        "trip-in-freeze": FaultKind(
            does="now and then the compressor stops for some minutes in mid-freeze and goes on",
            expect=("freeze-broken",),
            may=("short-cycling", "freeze-long", "freeze-short", "output-low", "failed-start"),
            options={"chance": 0.08, "off_s": 360.0},
        ),
        "failed-start": FaultKind(
            does="the compressor hums at starting current, drops out, and starts only after some attempts",
            expect=("failed-start",),
            may=("short-cycling", "output-low", "freeze-long"),
            options={"chance": 0.8, "attempts": 3.0, "hum_s": 5.0, "wait_s": 150.0},
        ),
        "no-ice": FaultKind(
            does="no water, or hot gas that never shuts: the compressor runs, but there is no cycle",
            expect=("no-ice",),
            may=("output-low", "weak-freeze", "log-coarse", "freeze-at-timeout"),
            options={"how": "no-water"},  # or "hot-gas-open"
        ),
        "warm-water": FaultKind(
            does="the supply water is warm",
            expect=("warm-water",),
            may=("freeze-long", "output-low", "drift"),
            options={"plus_k": 15.0},
        ),
        "moved": FaultKind(
            does="the machine is moved to a warmer or cooler room, or its door stands open: no fault",
            expect=(),
            may=(),
            options={"plus_k": 7.0},
        ),
        "power-cut": FaultKind(
            does="mains off for a while; the logger runs on",
            expect=(),
            may=("freeze-long", "freeze-short"),
            options={"minutes": 50.0},
        ),
        "cleaning": FaultKind(
            does="somebody stops the machine and circulates warm water",
            expect=(),
            may=("freeze-long", "freeze-short"),
            options={"minutes": 45.0},
        ),
        "probe-loose": FaultKind(
            does="the clip falls off its pipe and hangs in the air",
            expect=("probe-loose",),
            may=("log-coarse", "probe-fault"),
            options={"role": "evaporator", "touch": 0.05},
        ),
        "probe-open": FaultKind(
            does="the probe's wire is broken: open-circuit readings, in bursts and then for good",
            expect=("probe-fault",),
            may=("log-gap", "probe-loose"),
            options={"role": "evaporator", "reads": float("nan"), "bursts": 6.0},
        ),
        "clamp-off": FaultKind(
            does="the clamp is open or round both conductors: no current while the machine cycles",
            expect=("clamp-dead",),
            may=(),
            options={"role": "current"},
        ),
        "gap": FaultKind(
            does="the logger misses some hours",
            expect=("log-gap",),
            may=(),
            options={"minutes": 300.0},
        ),
    }
)
"""Every fault by name. `expect` and `may` are what the simulated machine shows, not what any program says of it."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A fault switched on from `from_day` to `to_day` (None: the log's end), days after the log's start."""

    kind: str
    from_day: float = 0.0
    to_day: float | None = None
    options: Mapping[str, float | str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f'no such fault: "{self.kind}"; there are {", ".join(KINDS)}')
        unknown = set(self.options) - set(KINDS[self.kind].options)
        if unknown:
            raise ValueError(f'fault "{self.kind}" has no option {", ".join(sorted(unknown))}')

    def __getitem__(self, option: str) -> Any:
        """The option as given, else its default: a number, or a word for `how` and `role`."""
        return self.options.get(option, KINDS[self.kind].options[option])
