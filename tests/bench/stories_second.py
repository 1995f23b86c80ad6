"""The stories of the verdict bench in the second simulator, whose equations are others than the demo's, and its healthy weeks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from pipeline.unit import Unit, Visit
from tests.bench.second_machine import CHANNEL_SETS, DAY_0_NS, KINDS, Case, SecondLog, make_log, to_timeline
from tests.bench.second_probes import Clip, Meter, Reading
from tests.bench.second_story import SCENARIOS, Plan, Teller
from tests.bench.stories import HIGH_PRESSURE, Drawn, Made, Story, codes
from tests.bench.stories_logger import stories

_BOTH = ("evaporator+current", "suction+compressor", "five")
_ANY = (*_BOTH, "evaporator", "current", "suction", "compressor")
_DAYS = 3.0
_NS = 1_000_000_000
_STARTS_H = 6.0  # of the day, at which its logs begin


@dataclass(frozen=True, kw_only=True)
class _Told:
    """A cycle's teller with what a story needs beside it."""

    teller: Teller
    day: float
    number: int
    after_off: bool
    rng: np.random.Generator

    @property
    def hour(self) -> float:
        return (24 * self.day + _STARTS_H) % 24


Tell = Callable[[_Told], None]


def _drawn(
    seed: int, channels: tuple[str, ...], days: float, tell: Tell | None, name: str, **more
) -> SecondLog:
    rng = np.random.default_rng([seed, 47])
    kind = list(KINDS)[seed % len(KINDS)]
    state = np.random.default_rng([seed, 48])

    def scenario(teller: Teller, number: int, after_off: bool) -> None:
        told = _Told(teller=teller, day=teller.now_s / 86_400, number=number, after_off=after_off, rng=state)
        tell(told)

    key = f"verdicts: {name}"
    if tell is not None:
        SCENARIOS[key] = scenario
    rests = tuple(sorted(rng.uniform(0.1, 0.9, int(rng.integers(0, 5)))))
    case = Case(
        seed=seed,
        kind=kind,
        water_cooled=bool(rng.random() < 0.2),
        steps=bool(rng.random() < 0.8),
        interval_s=float(rng.choice([5, 10, 15, 30] if KINDS[kind].freeze_s > 800 else [5, 10])),
        channels=CHANNEL_SETS[channels[(seed // len(KINDS)) % len(channels)]],
        hours=24 * days,
        room_c=float(rng.uniform(19, 29)),
        swing_k=float(rng.uniform(1, 4)),
        clip=Clip(lag_s=float(rng.uniform(5, 40)), noise_k=float(rng.uniform(0.03, 0.15))),
        plan=Plan(
            scenario=key if tell else "steady",
            idle_at=rests,
            idle_s=tuple(rng.uniform(900, 7200, len(rests))),
        ),
    )
    case = replace(case, **more)
    return make_log(case)


def _out(log: SecondLog, known: dict) -> Drawn:
    return Drawn(
        name=f"{log.case.seed} {log.case.kind} {'+'.join(log.case.channels)} {log.case.interval_s:g} s",
        timeline=to_timeline(log),
        truth=tuple((p.start_ns, p.end_ns, p.kind) for p in log.truth),
        unit=Unit(name="bench", cooling="water" if log.case.water_cooled else "air", **known),
    )


def _story(
    tell: Tell, name: str, *, channels=_ANY, days: float = _DAYS, known: Callable[[SecondLog], dict] | None = None, **more
) -> Made:  # fmt: skip
    def made(seed: int, *, sound: bool = False) -> Drawn:
        log = _drawn(
            seed, channels, days, *((None, "") if sound else (tell, name)), **({} if sound else more)
        )
        return _out(log, known(log) if known else {})

    return made


def _plain(told: _Told) -> None:
    told.teller.cycle(after_off=told.after_off)


def _stopped(from_day: float, to_day: float) -> Tell:
    def tell(told):
        if from_day <= told.day < to_day:
            if told.rng.random() < 0.5:
                told.teller.freeze(length_s=told.teller.machine.freeze_s * 0.5)
            told.teller.off((to_day - told.day) * 86_400)
            return
        _plain(told)

    return tell


def _slower(times: Callable[[float], float]) -> Tell:
    """Freezes so many times as long, by the day."""
    return lambda told: told.teller.cycle(slow=times(told.day), after_off=told.after_off)


def _hot_afternoons(told: _Told) -> None:
    """Cooling water that fails on three afternoons."""
    fails = 12 <= told.hour < 17 and told.day < 3
    told.teller.cycle(slow=1.35 if fails else 1.0, after_off=told.after_off)


def _harvests(times: float, days: float) -> Tell:
    """Harvests that grow by and by to `times` what they were: the film that must melt grows."""

    def tell(told):
        told.teller.freeze()
        told.teller.harvest(film=1 + (times - 1) * np.clip(told.day / days, 0, 1))

    return tell


def _mended(slow: float, day: float, *, mended_s: float = 1500.0) -> Tell:
    def tell(told):
        if told.day >= day and not told.teller.marked:
            told.teller.marked = True
            told.teller.freeze(length_s=told.teller.machine.freeze_s * 0.3)
            told.teller.off(mended_s)
            told.teller.ice = 0.0
            return
        told.teller.cycle(slow=slow if told.day < day else 1.0, after_off=told.after_off)

    return tell


def _visit(day: float) -> Callable[[SecondLog], dict]:
    moment = datetime.fromtimestamp(DAY_0_NS / 1e9 + day * 86_400, UTC)
    return lambda log: {"visits": (Visit(on=moment.date(), at=moment.time(), what="mended"),)}


def _sheet(log: SecondLog) -> dict:
    usual = log.machine.freeze_s / 60
    return {"expected": {"freeze_min": (0.8 * usual, 1.22 * usual)}}


def _trips(chance: Callable[[_Told], float]) -> Tell:
    def tell(told):
        if told.rng.random() >= chance(told):
            return _plain(told)
        told.teller.freeze(length_s=told.teller.machine.freeze_s * told.rng.uniform(0.35, 0.75))
        told.teller.off(told.rng.uniform(360.0, 420.0))
        told.teller.cycle()
        return None

    return tell


def _trips_again_and_again(told: _Told) -> None:
    """On each afternoon, for an hour or two, the compressor runs for some minutes at a time and comes back when the pressure has fallen."""
    if not 13 <= told.hour < 15:
        return _plain(told)
    for _ in range(int(told.rng.integers(7, 12))):
        told.teller.freeze(length_s=told.rng.uniform(150.0, 280.0), truth="unclear")
        told.teller.off(told.rng.uniform(240.0, 420.0), truth="unclear")
    told.teller.cycle(after_off=True)
    return None


def _once(day: float, times: float) -> Tell:
    def tell(told):
        hit = told.day >= day and not told.teller.marked and not told.after_off
        told.teller.marked |= hit
        told.teller.cycle(slow=times if hit else 1.0, after_off=told.after_off)

    return tell


def _timer(day: float) -> Tell:
    def tell(told):
        if told.day < day:
            return _plain(told)
        told.teller.freeze(length_s=1.35 * told.teller.machine.freeze_s, to_ice=1.6)
        told.teller.harvest()
        return None

    return tell


def _one_in_four(told: _Told) -> None:
    if told.rng.random() < 0.25:
        told.teller.freeze(length_s=1.4 * told.teller.machine.freeze_s, to_ice=1.7)
        told.teller.harvest()
        return
    _plain(told)


def _thin(part: Callable[[_Told], float]) -> Tell:
    return lambda told: told.teller.cycle(to_ice=part(told), after_off=told.after_off)


def _endless(to_ice: float) -> Tell:
    def tell(told):
        if told.day < 1.0:
            return _plain(told)
        told.teller.freeze(length_s=40 * 3600.0, to_ice=to_ice)
        return None

    return tell


def _changed(change: Callable[[SecondLog, np.random.Generator], SecondLog], *, channels, days=_DAYS, known=None, tell: Tell | None = None, name="") -> Made:  # fmt: skip
    """The plain log, or one in which something is told, with its readings changed."""

    def altered(seed: int, *, sound: bool = False) -> Drawn:
        log = _drawn(seed, channels, days, None if sound else tell, name)
        log = log if sound else change(log, np.random.default_rng([seed, 49]))
        return _out(log, known(log) if known else {})

    return altered


def _with(log: SecondLog, role: str, change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> SecondLog:
    readings = tuple(
        replace(r, values=change((r.time_ns - DAY_0_NS) / 86_400e9, r.values.copy())) if r.role == role else r
        for r in log.readings
    )
    return replace(log, readings=readings)


def _slips(log: SecondLog, rng) -> SecondLog:
    line = next(r.role for r in log.readings if r.role in ("evaporator", "suction"))

    def change(day, values):
        share = np.clip((day - 0.3) / 2.5, 0, 1) * 0.75
        return values * (1 - share) + log.case.room_c * share

    return _with(log, line, change)


def _swings(log: SecondLog, rng) -> SecondLog:
    freezing = np.array([(p.start_ns, p.end_ns) for p in log.truth if p.kind == "freeze"])
    freezing = (freezing - DAY_0_NS) / 86_400e9
    period = min(float(rng.uniform(150, 240)), log.machine.freeze_s / 6) / 86_400

    def change(day, values):
        i = np.clip(np.searchsorted(freezing[:, 0], day) - 1, 0, None)
        inside = (day > freezing[i, 0] + 0.002) & (day < freezing[i, 1]) & (day > 1.0)
        return values + np.where(inside, 4.0 * np.sin(2 * np.pi * day / period), 0.0)

    return _with(log, "suction", change)


def _low_voltage(log: SecondLog, rng) -> SecondLog:
    first = log.readings[0]
    late = (first.time_ns - DAY_0_NS) / 86_400e9 > 0.7
    volts = np.where(late, 97.0, 114.0) + rng.normal(0, 0.4, len(late))
    volt = Reading(role="voltage", time_ns=first.time_ns, values=volts, interval_s=first.interval_s, resolution=0.1, unit="V")  # fmt: skip
    return replace(log, readings=(*log.readings, volt))


def _no_cycle(line_c: float) -> Callable:
    """The compressor runs on from the first day, and the line stands at one temperature, give or take."""

    def change(log: SecondLog, rng) -> SecondLog:
        for reading in log.readings:
            level = (
                line_c
                if reading.role in ("evaporator", "suction")
                else float(np.quantile(reading.values, 0.6))
            )
            log = _with(log, reading.role, lambda day, values, level=level: np.where(day < 1.0, values, level + rng.normal(0, 0.1, len(day))))  # fmt: skip
        return log

    return change


def _charged(log: SecondLog, rng) -> SecondLog:
    """A line that is 3 K warmer in freeze until it is mended."""
    line = next((r.role for r in log.readings if r.role in ("evaporator", "suction")), "")
    return _with(log, line, lambda day, values: values + np.where((day < 1.5) & (values < 0), 3.0, 0.0))


def _clipped_anew(log: SecondLog, rng) -> SecondLog:
    """A line that reads otherwise from a visit on: nearer to the room, and a little off."""
    line = next(r.role for r in log.readings if r.role in ("evaporator", "suction"))
    touch, off_k = float(rng.uniform(0.75, 0.95)), float(rng.uniform(-2, 2))
    anew = lambda values: touch * values + (1 - touch) * log.case.room_c + off_k  # noqa: E731
    return _with(log, line, lambda day, values: np.where(day < 1.5, values, anew(values)))


def _bin_light(log: SecondLog, rng) -> SecondLog:
    idles = [(p.start_ns, p.end_ns) for p in log.truth if p.kind == "idle"]
    lights = [(t, t + rng.uniform(8, 40) * _NS) for a, b in idles for t in np.sort(rng.uniform(a, b, int((b - a) / (400 * _NS))))]  # fmt: skip
    on = (np.array(lights).reshape(-1, 2) - DAY_0_NS) / 86_400e9

    def change(day, values):
        if len(on):
            i = np.clip(np.searchsorted(on[:, 0], day) - 1, 0, None)
            values = values + np.where((day >= on[i, 0]) & (day < on[i, 1]), 0.22, 0.0)
        return values

    return _with(log, "current", change)


STORIES: dict[str, Story] = {
    "stopped-for-good": Story(
        made=_story(_stopped(_DAYS - 22 / 24, 9.0), "stopped"), due=codes("ice-stopped")
    ),
    "stopped-and-came-back": Story(
        made=_story(_stopped(1.1, 1.1 + 20 / 24), "came back"), due=codes("ice-stopped")
    ),
    "harvests-doubled": Story(
        made=_story(_harvests(4.0, 6.0), "doubled", days=6.0), due=codes("harvest-long drift harvest-stalled")
    ),
    "harvests-a-third-longer": Story(
        made=_story(_harvests(1.9, 6.0), "a third longer", days=6.0), due=codes("harvest-long drift")
    ),
    "slow-from-the-start": Story(
        made=_story(_slower(lambda day: 1.55), "slow", known=_sheet), due=codes("freeze-long")
    ),
    "slowing": Story(
        made=_story(_slower(lambda day: 1 + 0.1 * day), "slowing", days=5.0), due=codes("drift freeze-long")
    ),
    "mended-at-a-visit": Story(
        made=_story(_mended(1.6, 1.5), "mended", known=_visit(1.5)),
        never=codes("freeze-short harvest-stalled"),
        act=False,
        well=True,
    ),
    "mended-and-nobody-said-so": Story(
        made=_story(_mended(1.6, 1.5), "mended silently"), never=codes("harvest-stalled"), act=False, well=True
    ),
    "trips-in-freeze": Story(
        made=_story(_trips(lambda told: 0.2), "trips", channels=_BOTH),
        due=codes("freeze-broken"),
        first=HIGH_PRESSURE,
    ),
    "trips-that-a-line-shows": Story(
        made=_story(_trips(lambda told: 0.2), "trips by a line", channels=("evaporator", "suction")),
        due=codes("freeze-broken short-cycling"),
        never=codes("harvest-stalled"),
    ),
    "trips-on-hot-afternoons": Story(
        made=_story(_trips(lambda told: float(13 <= told.hour < 17)), "hot trips", channels=_BOTH),
        due=codes("freeze-broken"),
        first=HIGH_PRESSURE,
    ),
    "trips-on-high-pressure": Story(
        made=_story(_trips_again_and_again, "again and again", channels=_BOTH),
        due=codes("short-cycling"),
        first=HIGH_PRESSURE,
    ),
    "one-long-freeze": Story(
        made=_story(_once(1.4, 1.64), "one", channels=("evaporator+current", "suction+compressor", "five", "evaporator")),
        due=codes("freeze-long"),
        act=False,
    ),
    "timer-from-20-h": Story(made=_story(_timer(20 / 24), "timer"), due=codes("freeze-at-timeout")),
    "timed-by-design": Story(
        made=_story(_timer(-9.0), "timed"), due=codes("freeze-at-timeout"), act=False
    ),
    "one-in-four-missed": Story(
        made=_story(_one_in_four, "one in four"), due=codes("freeze-long"), never=codes("harvest-stalled")
    ),
    "a-quarter-shorter": Story(
        made=_story(_thin(lambda told: 1 - 0.06 * told.day), "shorter", days=5.0),
        due=codes("drift freeze-short"),
        never=codes("freeze-long"),
    ),
    "thin-in-the-evenings": Story(
        made=_story(_thin(lambda told: 0.68 if 17 <= told.hour < 22 else 1.0), "evenings", days=4.0),
        due=codes("freeze-short"),
    ),
    "cooling-fails-in-the-afternoons": Story(
        made=_story(_hot_afternoons, "afternoons", days=4.0), due=codes("condenser-hot freeze-long")
    ),
    "no-ice": Story(made=_story(_endless(1.15), "endless"), due=codes("no-ice")),
    "no-ice-dry": Story(
        made=_changed(_no_cycle(-37.0), channels=("evaporator+current", "suction+compressor")), due=codes("no-ice"),
        first=codes("no-water control-stuck"),
    ),
    "no-ice-gas-open": Story(
        made=_changed(_no_cycle(15.0), channels=("evaporator+current", "suction+compressor")), due=codes("no-ice"),
        first=codes("hot-gas-stuck-open"),
    ),
    "charged-at-a-visit": Story(
        made=_changed(_charged, channels=("evaporator+current", "suction+compressor"), known=_visit(1.5), tell=_mended(1.4, 1.5), name="charged"),
        never=codes("freeze-short harvest-stalled"),
        act=False,
        well=True,
    ),
    "clipped-anew-at-a-visit": Story(
        made=_changed(_clipped_anew, channels=_BOTH, known=_visit(1.5), tell=_mended(1.0, 1.5), name="clipped anew"),
        never=codes("weak-freeze harvest-stalled freeze-short"),
        act=False,
        well=True,
    ),
    "probe-slips": Story(
        made=_changed(_slips, channels=("evaporator+current",)),
        due=codes("probe-loose probe-fault"),
        act=False,
    ),
    "valve-hunts": Story(
        made=_changed(_swings, channels=("suction+compressor", "five")), due=codes("valve-hunting")
    ),
    "low-voltage": Story(
        made=_changed(_low_voltage, channels=_BOTH, known=lambda log: {"nameplate": {"voltage_v": 115.0}}),
        due=codes("supply-voltage"),
    ),
    "bin-light": Story(
        made=_changed(_bin_light, channels=("current", "evaporator+current")),
        never=codes("short-cycling failed-start freeze-broken"),
        act=False,
        well=True,
    ),
    "cold-room": Story(
        made=_story(_plain, "cold", channels=("five",), room_c=6.0, swing_k=1.0, water_cooled=False),
        due=codes("room-temperature"),
    ),
    "hot-room": Story(
        made=_story(_plain, "hot", channels=("five",), room_c=39.5, swing_k=1.0, water_cooled=False),
        due=codes("room-temperature"),
    ),
    **stories(
        _story(_plain, "sound", channels=_BOTH[:2]),
        _story(_plain, "resting", channels=_BOTH[:2], days=6.0, plan=Plan(
            scenario="verdicts: resting", idle_at=tuple(np.linspace(0.06, 0.94, 12)), idle_s=(9000.0,) * 12)),
    ),
}  # fmt: skip


def healthy(seed: int, *, days: float = 7.0) -> Drawn:
    """A healthy unit-week with strong innocent change: a day swing of up to 15 K, rests, a cleaning, a power cut."""
    rng = np.random.default_rng([seed, 50])
    plan = {
        "wash_at": float(rng.uniform(0.1, 0.9)) if rng.random() < 0.3 else None,
        "power_cut_at": float(rng.uniform(0.1, 0.9)) if rng.random() < 0.4 else None,
        "power_cut_s": float(rng.uniform(600, 10_000)),
    }
    rests = tuple(sorted(rng.uniform(0.05, 0.95, int(rng.integers(0, 20)))))
    log = _drawn(
        seed,
        _ANY,
        days,
        None,
        "",
        room_c=float(rng.uniform(19, 27)),
        swing_k=float(rng.choice([2.0, 5.0, 7.5])),
        plan=Plan(idle_at=rests, idle_s=tuple(rng.uniform(600, 14_000, len(rests))), **plan),
        meter=Meter(sag=float(rng.choice([0.0, 0.02]))),
    )
    drawn = _out(log, {})
    return replace(drawn, name=f"healthy {seed} {drawn.name} swing {2 * log.case.swing_k:g} K {plan}")
