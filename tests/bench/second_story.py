"""What the second machine does over a log: the order of its freezes, harvests, stops and faults, with their true times."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from tests.bench import second_physics as physics
from tests.bench.second_physics import Curve, Machine


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """One stretch of one state. `truth` is the phase as the public contract names it; `mode` what the parts do."""

    truth: str  # "freeze", "harvest", "idle", "unclear"
    mode: str  # "freeze", "harvest", "off", "wash"
    start_s: float
    curve: Curve
    fill: bool = False  # starts with a refill of the reservoir

    @property
    def end_s(self) -> float:
        return self.start_s + self.curve.length_s


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a log is to contain. Times as parts of the log's length unless named otherwise."""

    scenario: str = "steady"
    idle_at: tuple[float, ...] = ()  # full bin after the harvest nearest to these
    idle_s: tuple[float, ...] = ()
    wash_at: float | None = None
    power_cut_at: float | None = None
    power_cut_s: float = 1800.0
    slowing_per_h: float = 0.0  # growth of the freeze per hour (a condenser that clogs)
    start_off: bool = False  # the log begins with the machine off


@dataclass
class Teller:
    """Tells the story stretch by stretch; `now_s` is where it stands."""

    machine: Machine
    room_c: Callable[[float], float]
    rng: np.random.Generator
    slowing_per_h: float = 0.0
    now_s: float = 0.0
    plate_c: float = 15.0
    ice: float = 0.0
    marked: bool = False  # what a scenario has done once
    stretches: list[Stretch] = field(default_factory=list)

    def condensing(self) -> float:
        room = self.room_c(self.now_s)
        return 39.0 + 0.1 * (room - 25.0) if self.machine.water_cooled else room + self.machine.split_k

    def add(self, truth: str, mode: str, curve: Curve, **more) -> None:
        self.stretches.append(Stretch(truth=truth, mode=mode, start_s=self.now_s, curve=curve, **more))
        self.now_s = self.stretches[-1].end_s
        self.plate_c, self.ice = float(curve.plate_c[-1]), float(curve.ice[-1])

    def freeze(self, *, to_ice=1.0, slow=1.0, length_s=None, water_c=None, truth="freeze") -> None:
        spread = 1.0 + 0.012 * self.rng.standard_normal()
        fill = self.ice < 0.02
        water = self.machine.water_fill_c + 0.6 * self.rng.standard_normal() if water_c is None else water_c
        curve = physics.freeze(
            self.machine,
            condensing_c=self.condensing(),
            water_c=water if fill else 0.5,
            ice_0=self.ice,
            ice_1=max(to_ice * spread, self.ice + 0.02),
            slow=slow * (1.0 + self.slowing_per_h * self.now_s / 3600.0),
        )
        self.add(truth, "freeze", curve if length_s is None else physics.cut(curve, length_s), fill=fill)

    def harvest(self, *, film=None, truth="harvest", **how) -> None:
        film = float(np.exp(0.07 * self.rng.standard_normal())) if film is None else film
        from_c = self.plate_c
        curve = physics.harvest(self.machine, from_c=from_c, condensing_c=self.condensing(), film=film, **how)
        kept = self.ice if not how.get("lets_go", True) or "reaches_c" in how else 0.0
        self.add(truth, "harvest", replace(curve, ice=np.full(len(curve.time_s), kept)))

    def off(self, length_s: float, *, truth="idle", mode="off", room_c=None) -> None:
        room = self.room_c(self.now_s) - 3.0 if room_c is None else room_c
        self.add(
            truth,
            mode,
            physics.off(self.machine, length_s=length_s, from_c=self.plate_c, room_c=room, ice=self.ice),
            fill=False,
        )

    def cycle(self, *, after_off=False, **how) -> None:
        self.freeze(water_c=self.room_c(self.now_s) - 3.0 if after_off and self.ice < 0.02 else None, **how)
        self.harvest()


def tell(
    machine: Machine, plan: Plan, *, hours: float, room_c: Callable[[float], float], rng: np.random.Generator
) -> list[Stretch]:
    """The stretches that cover `hours`, touching, in order; the first begins before the log does (at or before 0 s)."""
    end_s = hours * 3600.0
    teller = Teller(machine=machine, room_c=room_c, rng=rng, slowing_per_h=plan.slowing_per_h)
    cycle_s = machine.freeze_s + machine.harvest_s
    teller.now_s = -cycle_s * rng.uniform(0.15, 1.0)
    after_off = plan.start_off
    if plan.start_off:
        teller.now_s = -600.0
        teller.plate_c = room_c(0.0) - 3.0
        teller.off(600.0 + rng.uniform(300.0, 3000.0))
    pending = sorted(zip(plan.idle_at, plan.idle_s, strict=True))
    washed, cut = plan.wash_at is None, plan.power_cut_at is None
    scenario = SCENARIOS[plan.scenario]
    number = 0
    while teller.now_s < end_s:
        if not cut and teller.now_s + cycle_s > plan.power_cut_at * end_s:
            cut = True
            teller.freeze(length_s=machine.freeze_s * rng.uniform(0.2, 0.9))
            teller.off(plan.power_cut_s)
            after_off = True
            continue
        scenario(teller, number, after_off)
        number += 1
        after_off = False
        if pending and teller.now_s > pending[0][0] * end_s:
            teller.off(pending.pop(0)[1])
            after_off = True
        elif not washed and teller.now_s > plan.wash_at * end_s:
            washed = True
            teller.off(rng.uniform(1200.0, 3000.0), mode="wash", room_c=rng.uniform(32.0, 45.0))
            teller.off(rng.uniform(200.0, 900.0), room_c=22.0)
            after_off = True
    return teller.stretches


# One function a scenario: what the cycle of this number is like. The pattern of numbers leaves healthy cycles between.


def _steady(teller: Teller, number: int, after_off: bool) -> None:
    teller.cycle(after_off=after_off)


def _stalled(teller: Teller, number: int, after_off: bool) -> None:
    """Each fourth harvest runs to its limit with the slab still on; the next freeze grows onto it."""
    if number % 4 != 2:
        return teller.cycle(after_off=after_off)
    teller.freeze()
    teller.harvest(lets_go=False, limit_s=max(3.2 * teller.machine.harvest_s, 240.0))
    teller.ice = 0.55
    return None


def _repeated(teller: Teller, number: int, after_off: bool) -> None:
    """Each fifth harvest runs out, a short freeze follows, and a second harvest lets the slab go."""
    if number % 5 != 2:
        return teller.cycle(after_off=after_off)
    teller.freeze()
    teller.harvest(lets_go=False, limit_s=max(2.6 * teller.machine.harvest_s, 200.0))
    teller.ice = 0.8
    teller.freeze(length_s=max(0.22 * teller.machine.freeze_s, 180.0))
    teller.harvest()
    return None


def _never_warm(teller: Teller, number: int, after_off: bool) -> None:
    """Each fourth harvest gets too little hot gas: the plate stays below 0 °C until the limit."""
    if number % 4 != 1:
        return teller.cycle(after_off=after_off)
    teller.freeze()
    teller.harvest(reaches_c=-4.0, limit_s=max(3.0 * teller.machine.harvest_s, 240.0))
    teller.ice = 0.6
    return None


def _slow_harvest(teller: Teller, number: int, after_off: bool) -> None:
    teller.freeze()
    teller.harvest(film=4.0 if number % 5 == 3 else None)


def _trips(teller: Teller, number: int, after_off: bool) -> None:
    """Each fourth freeze is broken once by a protector that resets after some minutes."""
    if number % 4 != 1:
        return teller.cycle(after_off=after_off)
    teller.freeze(length_s=teller.machine.freeze_s * teller.rng.uniform(0.35, 0.75))
    teller.off(teller.rng.uniform(180.0, 420.0))
    teller.cycle()
    return None


def _short_cycling(teller: Teller, number: int, after_off: bool) -> None:
    """Twice a log the compressor keeps stopping and starting in a freeze before it runs through."""
    if number not in (2, 6):
        return teller.cycle(after_off=after_off)
    rng = teller.rng
    teller.freeze(length_s=teller.machine.freeze_s * rng.uniform(0.3, 0.6))
    for _ in range(int(rng.integers(6, 12))):
        teller.off(rng.uniform(40.0, 150.0), truth="unclear")
        teller.freeze(length_s=rng.uniform(25.0, 110.0), truth="unclear")
    teller.off(rng.uniform(60.0, 150.0), truth="unclear")
    teller.cycle()
    return None


def _failed_starts(teller: Teller, number: int, after_off: bool) -> None:
    """A start that needs several attempts, each a second of starting current, after a stop in mid-freeze."""
    if number not in (2, 5):
        return teller.cycle(after_off=after_off)
    rng = teller.rng
    teller.freeze(length_s=teller.machine.freeze_s * rng.uniform(0.3, 0.6))
    for _ in range(int(rng.integers(4, 8))):
        teller.off(rng.uniform(60.0, 150.0), truth="unclear")
        teller.freeze(length_s=rng.uniform(2.0, 6.0), truth="unclear")
    teller.off(rng.uniform(60.0, 150.0), truth="unclear")
    teller.cycle()
    return None


def _never_ends(teller: Teller, number: int, after_off: bool) -> None:
    """After five cycles a freeze starts that nothing ends."""
    if number < 5:
        return teller.cycle(after_off=after_off)
    teller.freeze(length_s=40 * 3600.0, to_ice=1.15)
    return None


def _timeout(teller: Teller, number: int, after_off: bool) -> None:
    """Every freeze ends at the same time by the timer, well past a full slab."""
    teller.freeze(length_s=1.7 * teller.machine.freeze_s, to_ice=1.25)
    teller.harvest()


def _slow(teller: Teller, number: int, after_off: bool) -> None:
    """All freezes two and a half times as long as they should be."""
    teller.cycle(slow=2.5, after_off=after_off)


def _one_slow(teller: Teller, number: int, after_off: bool) -> None:
    teller.cycle(slow=1.8 if number in (3, 7) else 1.0, after_off=after_off)


def _starts_with_harvest(teller: Teller, number: int, after_off: bool) -> None:
    """After every stop the controller first opens the hot gas for a while."""
    if after_off:
        teller.harvest(film=0.3)
    teller.cycle(after_off=after_off)


def _two_harvests(teller: Teller, number: int, after_off: bool) -> None:
    """Each third cycle is harvested twice on principle, with a minute of freeze between."""
    teller.freeze()
    teller.harvest()
    if number % 3 == 1:
        teller.freeze(length_s=max(75.0, 0.05 * teller.machine.freeze_s))
        teller.harvest(film=0.1)


def _rests(teller: Teller, number: int, after_off: bool) -> None:
    """A bin that is nearly full: the machine rests a few minutes after every harvest."""
    teller.cycle(after_off=after_off or number > 0)
    teller.off(teller.rng.uniform(150.0, 500.0))


def _varied(teller: Teller, number: int, after_off: bool) -> None:
    """Freezes as uneven as water and load make them: each up to a quarter longer or shorter."""
    teller.cycle(
        slow=float(np.clip(np.exp(0.12 * teller.rng.standard_normal()), 0.75, 1.25)), after_off=after_off
    )


SCENARIOS: dict[str, Callable[[Teller, int, bool], None]] = {
    "steady": _steady,
    "stalled": _stalled,
    "repeated": _repeated,
    "never-warm": _never_warm,
    "slow-harvest": _slow_harvest,
    "trips": _trips,
    "short-cycling": _short_cycling,
    "failed-starts": _failed_starts,
    "never-ends": _never_ends,
    "timeout": _timeout,
    "slow": _slow,
    "one-slow": _one_slow,
    "starts-with-harvest": _starts_with_harvest,
    "two-harvests": _two_harvests,
    "rests": _rests,
    "varied": _varied,
}

EXPECTED_CODES: dict[str, tuple[frozenset[str], ...]] = {
    "stalled": (frozenset({"harvest-stalled"}),),
    "repeated": (frozenset({"harvest-stalled"}),),
    "never-warm": (frozenset({"harvest-stalled"}),),
    "slow-harvest": (frozenset({"harvest-long", "harvest-stalled"}),),
    "trips": (),
    "short-cycling": (frozenset({"short-cycling"}),),
    "failed-starts": (frozenset({"failed-start", "short-cycling"}),),
    "never-ends": (frozenset({"freeze-long", "no-ice"}),),
    "timeout": (frozenset({"freeze-at-timeout"}),),
    "slow": (),
    "one-slow": (frozenset({"freeze-long"}),),
}
"""Scenario -> sets of finding codes; of each set at least one must be found. A scenario that isn't here is healthy."""
