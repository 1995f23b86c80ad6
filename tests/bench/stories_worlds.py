"""The stories of the verdict bench in machines whose structure is drawn at random (`worlds`), and their healthy weeks.

A world is drawn until its structure can tell the story, and until the truth shows that it did: a freeze that should be a fifth longer is.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from pipeline.unit import Unit, Visit
from tests.bench.stories import HIGH_PRESSURE, Drawn, Made, Story, codes
from tests.bench.stories_logger import stories
from tests.bench.worlds.draw import CHANNEL_SETS, Change, World, draw
from tests.bench.worlds.simulate import DAY_0_NS, DAY_S, Reading, Twist, WorldLog, simulate, timeline

_LINE_AND_CLAMP = (
    "evaporator+current",
    "suction+compressor",
    "many",
    "evaporator+compressor",
    "suction+current",
)
_TWO = tuple(name for name in _LINE_AND_CLAMP if name != "many")
_ANY = (*_LINE_AND_CLAMP, "evaporator", "current", "suction", "compressor")
_TRIES = 60


class _CannotTell(Exception):
    """This world does not show the story."""


def _sound(world: World) -> bool:
    s = world.structure
    return s.hot_gas in ("full", "two valves") and s.fresh_water == "each cycle" and world.interval_s <= 30


def healthy_world(seed: int, attempt: int, channels: tuple[str, ...], days: float, **more) -> World:
    """A sound world without changes, mishaps or clocks that disagree, logged for `days` by one of `channels`."""
    names = list(CHANNEL_SETS)
    first = (
        9_000_000 + len(names) * 400 * (_TRIES * seed + attempt) + names.index(channels[seed % len(channels)])
    )
    base = next((w for k in range(20) if _sound(w := draw(first + len(names) * k))), None)
    if base is None:
        raise _CannotTell
    return replace(
        base,
        days=days,
        changes=(),
        service_day=float("nan"),
        clips_after=base.clips,
        mishaps_per_day=0.0,
        other_interval_s=0.0,
        offset_s=0.0,
        drift_s_per_day=0.0,
        **more,
    )


Make = Callable[[World, np.random.Generator], tuple[WorldLog, dict]]


def _story(
    make: Make,
    channels: tuple[str, ...] = _ANY,
    days: float = 3.0,
    fit: Callable[[World], bool] = lambda w: True,
) -> Made:
    """The log of a seed: of the first world that fits and shows the story. make: (world, chance) -> (log, what unit.toml says)."""

    def made(seed: int, *, sound: bool = False) -> Drawn | None:
        for attempt in range(_TRIES):
            rng = np.random.default_rng([seed, attempt, 41])
            try:
                world = healthy_world(seed, attempt, channels, days)
                if not fit(world):
                    continue
                _need(_frees_its_slabs(_lengths(simulate(world), "freeze")[1]))
                log, known = make(world, rng)
            except _CannotTell:
                continue
            return _drawn(simulate(world) if sound else log, known)
        return None  # no world of this seed shows the story

    return made


def _drawn(log: WorldLog, known: dict) -> Drawn:
    w = log.world
    cooling = "water" if w.structure.fan == "none, water-cooled" else "air"
    truth = tuple((DAY_0_NS + round(a * 1e9), DAY_0_NS + round(b * 1e9), kind) for a, b, kind in log.phases)
    return Drawn(
        name=f"{w.seed} {w.channels} {w.interval_s:g} s {w.structure.freeze_end} {w.structure.rest}",
        timeline=timeline(log),
        truth=truth,
        unit=Unit(name="bench", cooling=cooling, **known),
    )


def _lengths(log: WorldLog, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """(starts [days], lengths [min]) of the phases of a kind, those cut off by the log's ends left out."""
    inner = [(a, b) for a, b, k in log.phases[1:-1] if k == kind]
    return np.array([a for a, _ in inner]) / DAY_S, np.array([b - a for a, b in inner]) / 60


def _frees_its_slabs(freeze_min: np.ndarray) -> bool:
    """Whether hardly any of these freezes (n,) is short by ice that the harvest before it left: harvests of a fixed time that leave some are
    a fault, whatever was drawn."""
    return bool(np.mean(freeze_min < 0.75 * np.median(freeze_min)) < 0.003)


def _need(shown: bool) -> None:
    if not shown:
        raise _CannotTell


def _cycle_at(world: World, first: float, day: float) -> int:
    """About the number of the cycle at a day of the log."""
    return int(first + day * DAY_S / (world.machine.freeze_s + 180))


# Stops ----------------------------------------------------------------------------------------------------------------


def _stopped(hours: float, before_end: float | None) -> Make:
    def make(world, rng):
        at = world.days - before_end / 24 if before_end else float(rng.uniform(0.8, 1.2))
        rests = int(rng.integers(2))

        def plan(p, first):
            rest = p.rest_s.copy()
            rest[_cycle_at(world, first, at)] = hours * 3600
            return p._replace(rest_s=rest)

        world = replace(world, machine=world.machine._replace(rest_in_freeze=rests))
        log = simulate(world, twist=Twist(plan=plan))
        idle = max((b - a for a, b, k in log.phases if k == "idle"), default=0.0)
        _need(idle > 15 * 3600)
        return log, {}

    return make


def _trips(share: float, hours: tuple[float, float] | None) -> Make:
    def make(world, rng):
        def plan(p, first):
            n = len(p.rest_s)
            day = (np.arange(n) - first) * (world.machine.freeze_s + 180) / DAY_S
            hit = (
                rng.random(n) < share
                if hours is None
                else (24 * (day % 1) > hours[0]) & (24 * (day % 1) < hours[1])
            )
            return p._replace(
                rest_s=np.where(hit & (day > 0.2), rng.uniform(360, 420, n), 0.0),
                rest_at=rng.uniform(0.25, 0.7, n),
            )

        world = replace(world, rests_per_day=0.0, machine=world.machine._replace(rest_in_freeze=1))
        log = simulate(world, twist=Twist(plan=plan))
        _need(sum(k == "idle" for _, _, k in log.phases) >= 3)
        return log, {}

    return make


# Lengths ----------------------------------------------------------------------------------------------------------------


def _changed(subject: str, size: float, shape: str, low: float, high: float, kind: str) -> Make:
    """A change of the machine; the last phases of a kind over the first ones lie between `low` and `high`."""

    def make(world, rng):
        change = Change(subject=subject, size=size, shape=shape, from_day=0.1 * world.days, to_day=world.days)
        log = simulate(replace(world, changes=(change,)))
        at, length = _lengths(log, kind)
        _need(len(at) > 20)
        first, last = (
            np.median(length[at < 0.1 * world.days + 0.1]) if (at < 0.1 * world.days + 0.1).any() else np.nan,
            np.median(length[at > 0.95 * world.days]) if (at > 0.95 * world.days).any() else np.nan,
        )
        _need(low <= last / first <= high)
        return log, {}

    return make


def _bad_from_the_start(subject: str, size: float) -> Make:
    """Bad from the first reading; the service sheet says what the healthy twin does."""

    def make(world, rng):
        _, healthy = _lengths(simulate(replace(world, days=1.0)), "freeze")
        change = Change(subject=subject, size=size, shape="step", from_day=-9.0, to_day=world.days)
        log = simulate(replace(world, changes=(change,)))
        _, length = _lengths(log, "freeze")
        _need(len(length) > 10 and len(healthy) > 3)
        usual = float(np.median(healthy))
        _need(np.median(length) / usual > 1.22)
        return log, {"expected": {"freeze_min": (0.85 * usual, 1.12 * usual)}}

    return make


def _repaired(subject: str, size: float, *, said: bool, clip: bool = False) -> Make:
    def make(world, rng):
        day = float(rng.uniform(0.4, 0.6)) * world.days
        changes = (
            () if clip else (Change(subject=subject, size=size, shape="repaired", from_day=-9.0, to_day=day),)
        )
        after = {
            role: replace(c, level_k=c.level_k + float(rng.choice([-3.0, 3.0])), lag_s=c.lag_s + 20.0)
            for role, c in world.clips.items()
        }
        log = simulate(
            replace(
                world,
                changes=changes,
                service_day=day,
                service_min=float(rng.uniform(15, 40)),
                clips_after=after if clip else world.clips,
            )
        )
        if not clip:
            at, length = _lengths(log, "freeze")
            _need(np.median(length[at < day]) / np.median(length[at > day + 0.05]) > 1.15)
        on = datetime.fromtimestamp(DAY_0_NS / 1e9 + day * DAY_S, UTC)
        visit = {
            "visits": (Visit(on=on.date(), at=on.time() if rng.random() < 0.5 else None, what="worked on"),)
        }
        return log, visit if said else {}

    return make


def _freeze_factor(
    pick: Callable[[np.ndarray, np.random.Generator], np.ndarray], factor: float, least: int
) -> Make:
    """Some freezes are `factor` times as long. pick: (day of each cycle, chance) -> bool (n,)."""

    def make(world, rng):
        hit_days = []

        def plan(p, first):
            day = (np.arange(len(p.freeze)) - first) * (world.machine.freeze_s + 180) / DAY_S
            hit = pick(day, rng) & (day > 0.05) & (day < world.days - 0.1)
            hit_days.extend(day[hit])
            return p._replace(freeze=np.where(hit, factor, 1.0) * p.freeze)

        world = replace(world, freeze_scatter=min(world.freeze_scatter, 0.02))
        log = simulate(world, twist=Twist(plan=plan))
        _, length = _lengths(log, "freeze")
        usual = np.median(length)
        odd = length > 1.25 * usual if factor > 1 else length < 0.85 * usual
        _need(least <= odd.sum() <= 0.5 * len(length))
        return log, {}

    return make


def _sensing_fails(day: float) -> Make:
    """From a day on nothing but the control's longest freeze ends one."""

    def make(world, rng):
        def plan(p, first):
            late = np.arange(len(p.freeze)) >= _cycle_at(world, first, day)
            return p._replace(freeze=np.where(late, 9.0, 1.0) * p.freeze)

        log = simulate(world, twist=Twist(plan=plan))
        at, length = _lengths(log, "freeze")
        early, late = length[at < day - 0.1], length[at > day + 0.2]
        _need(len(early) > 8 and len(late) > 12 and np.median(late) > 1.2 * np.median(early))
        return log, {}

    return make


def _daily(row: str, factor: float, hours: tuple[float, float], days: int, low: float, high: float) -> Make:
    """A drive is `factor` times what it was in a window of the day, on the first `days` of them."""

    def make(world, rng):
        def inside(day):
            return (24 * (day % 1) >= hours[0]) & (24 * (day % 1) < hours[1]) & (day >= 0) & (day < days)

        def drive(rows, day):
            rows[row][inside(day)] *= factor

        world = replace(world, freeze_scatter=min(world.freeze_scatter, 0.02))
        log = simulate(world, twist=Twist(drive=drive))
        at, length = _lengths(log, "freeze")
        odd = inside(at) & inside(at + length / 1440)
        _need(odd.sum() >= 6 and (~odd).sum() >= 12)
        _need(low <= np.median(length[odd]) / np.median(length[~inside(at)]) <= high)
        return log, {}

    return make


# Channels ---------------------------------------------------------------------------------------------------------------


def _with(log: WorldLog, role: str, change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> WorldLog:
    """`log` with a channel's values (n,) at its times [days] changed."""
    return replace(
        log,
        readings=tuple(
            replace(r, values=change(r.time_s / DAY_S, r.values.copy())) if r.role == role else r
            for r in log.readings
        ),
    )


def _slips(world, rng):
    log = simulate(world)
    room = world.sink_c

    def change(day, values):
        share = np.clip((day - 0.3) / 2.5, 0, 1) * 0.75
        return values * (1 - share) + room * share

    line = next(r.role for r in log.readings if r.role in ("evaporator", "suction"))
    return _with(log, line, change), {}


def _swings(world, rng):
    log = simulate(world)
    freezing = np.array([(a, b) for a, b, k in log.phases if k == "freeze"]) / DAY_S
    period = float(rng.uniform(150, 280)) / DAY_S

    def change(day, values):
        i = np.clip(np.searchsorted(freezing[:, 0], day) - 1, 0, None)
        inside = (day > freezing[i, 0] + 240 / DAY_S) & (day < freezing[i, 1]) & (day > 1.0)
        return values + np.where(inside, 4.0 * np.sin(2 * np.pi * day / period), 0.0)

    _need(world.machine.freeze_s > 5 * period * DAY_S and world.clips["suction"].lag_s < 60)
    return _with(log, "suction", change), {}


def _no_cycle(line_c: float) -> Make:
    """The compressor runs on from the first day, and the line stands at one temperature, give or take."""

    def make(world, rng):
        log = simulate(world)
        for r in log.readings:
            level = line_c if r.role in ("evaporator", "suction") else float(np.nanquantile(r.values, 0.6))
            log = _with(log, r.role, lambda day, values, level=level: np.where(day < 1.0, values, level + rng.normal(0, 0.1, len(day))))  # fmt: skip
        return log, {}

    return make


def _low_voltage(world, rng):
    log = simulate(world)
    first = log.readings[0]
    volts = np.where((first.time_s / DAY_S > 0.7), 97.0, 114.0) + rng.normal(0, 0.4, len(first.time_s))
    reading = Reading(
        role="voltage",
        label="Mains (V)",
        logger=1,
        time_s=first.time_s,
        values=volts,
        interval_s=first.interval_s,
        resolution=0.1,
    )
    return replace(log, readings=(*log.readings, reading)), {"nameplate": {"voltage_v": 115.0}}


def _bin_light(world, rng):
    world = replace(world, rests_per_day=6.0, machine=world.machine._replace(rest_in_freeze=0))
    log = simulate(world)
    idles = [(a, b) for a, b, k in log.phases if k == "idle"]
    _need(len(idles) > 3)
    lights = [
        (t, t + rng.uniform(8, 40)) for a, b in idles for t in np.sort(rng.uniform(a, b, int((b - a) / 400)))
    ]
    starts = np.array([a for a, _ in lights]) / DAY_S
    ends = np.array([b for _, b in lights]) / DAY_S
    _need(len(lights) > 8)

    def change(day, values):
        i = np.clip(np.searchsorted(starts, day) - 1, 0, None)
        return values + np.where((day >= starts[i]) & (day < ends[i]), 0.22, 0.0)

    return _with(log, "current", change), {}


def _room(air_c: float) -> Make:
    def make(world, rng):
        log = simulate(replace(world, sink_c=air_c, swing_k=1.0))
        _need(sum(k == "harvest" for _, _, k in log.phases) > 20)
        return log, {}

    return make


def _plain(world, rng):
    return simulate(world), {}


def _rests(world, rng):
    """Rests after harvests, of two hours and a half, with a full bin."""

    def plan(p, first):
        n = len(p.rest_s)
        every = max(round(DAY_S / 2 / (world.machine.freeze_s + 180)), 2)
        return p._replace(rest_s=np.where(np.arange(n) % every == 0, 9000.0, 0.0))

    world = replace(world, rests_per_day=0.0, machine=world.machine._replace(rest_in_freeze=0))
    return simulate(world, twist=Twist(plan=plan)), {}


def _level(world: World) -> bool:
    return world.structure.freeze_end == "level"


def _untimed(world: World) -> bool:
    return world.structure.freeze_end != "timer"


def _melts(world: World) -> bool:
    return world.structure.harvest_end != "time"


def _air(world: World) -> bool:
    return world.structure.fan != "none, water-cooled"


STORIES: dict[str, Story] = {
    "stopped-for-good": Story(made=_story(_stopped(40, 22)), due=codes("ice-stopped")),
    "stopped-and-came-back": Story(made=_story(_stopped(20, None)), due=codes("ice-stopped")),
    "harvests-doubled": Story(
        made=_story(_changed("harvest length", 3.2, "ramp", 1.7, 3.2, "harvest"), days=6.0, fit=_melts),
        due=codes("harvest-long drift harvest-stalled"),
    ),
    "harvests-a-third-longer": Story(
        made=_story(_changed("harvest length", 1.7, "ramp", 1.28, 1.7, "harvest"), days=6.0, fit=_melts),
        due=codes("harvest-long drift"),
    ),
    "dirty-from-the-start": Story(
        made=_story(_bad_from_the_start("condenser", 5.0), fit=lambda w: _air(w) and _level(w)),
        due=codes("freeze-long condenser-hot"),
    ),
    "low-from-the-start": Story(
        made=_story(_bad_from_the_start("charge", 1.1), fit=_untimed), due=codes("freeze-long weak-freeze")
    ),
    "cleaned-at-a-visit": Story(
        made=_story(_repaired("condenser", 5.0, said=True), fit=lambda w: _air(w) and _level(w), days=4.0),
        never=codes("freeze-short harvest-stalled"),
        act=False,
        well=True,
    ),
    "cleaned-and-nobody-said-so": Story(
        made=_story(_repaired("condenser", 5.0, said=False), fit=lambda w: _air(w) and _level(w), days=4.0),
        never=codes("harvest-stalled"),
        act=False,
        well=True,
    ),
    "charged-at-a-visit": Story(
        made=_story(_repaired("charge", 1.1, said=True), fit=_untimed, days=4.0),
        never=codes("freeze-short harvest-stalled"),
        act=False,
        well=True,
    ),
    "clipped-anew-at-a-visit": Story(
        made=_story(_repaired("", 0.0, said=True, clip=True), channels=_LINE_AND_CLAMP),
        never=codes("weak-freeze harvest-stalled freeze-short"),
        act=False,
        well=True,
    ),
    "trips-in-freeze": Story(
        made=_story(_trips(0.2, None), channels=_LINE_AND_CLAMP), due=codes("freeze-broken"), first=HIGH_PRESSURE
    ),
    "trips-that-a-line-shows": Story(
        made=_story(_trips(0.2, None), channels=("evaporator", "suction")),
        due=codes("freeze-broken short-cycling"),
        never=codes("harvest-stalled"),
    ),
    "trips-on-hot-afternoons": Story(
        made=_story(_trips(1.0, (12.0, 16.0)), channels=_LINE_AND_CLAMP),
        due=codes("freeze-broken"),
        first=HIGH_PRESSURE,
    ),
    "one-long-freeze": Story(
        made=_story(
            _freeze_factor(lambda day, rng: np.arange(len(day)) == np.searchsorted(day, rng.uniform(0.9, 2.1)), 1.64, 1),
            channels=("evaporator+current", "suction+compressor", "many", "evaporator"),
            fit=_level,
        ),
        due=codes("freeze-long"),
        act=False,
    ),
    "one-in-four-missed": Story(
        made=_story(_freeze_factor(lambda day, rng: rng.random(len(day)) < 0.25, 1.5, 4), fit=_level),
        due=codes("freeze-long"),
        never=codes("harvest-stalled"),
    ),
    "timer-from-20-h": Story(
        made=_story(_sensing_fails(20 / 24), fit=_level), due=codes("freeze-at-timeout freeze-long")
    ),
    "timed-by-design": Story(
        made=_story(_plain, fit=lambda w: w.structure.freeze_end == "timer"), act=False, well=True
    ),
    "a-quarter-shorter": Story(
        made=_story(_changed("freeze length", 0.72, "ramp", 0.6, 0.8, "freeze"), fit=_level, days=5.0),
        due=codes("drift freeze-short"),
        never=codes("freeze-long"),
    ),
    "thin-in-the-evenings": Story(
        made=_story(_daily("ice", 0.68, (17.0, 22.0), 9, 0.5, 0.8), fit=_level, days=4.0),
        due=codes("freeze-short"),
    ),
    "cooling-fails-in-the-afternoons": Story(
        made=_story(
            _daily("fouling", 5.0, (12.0, 17.0), 3, 1.2, 3.0), channels=("many",), fit=lambda w: _air(w) and _level(w), days=4.0
        ),
        due=codes("condenser-hot freeze-long"),
    ),
    "no-ice-dry": Story(
        made=_story(_no_cycle(-37.0), channels=("evaporator+current", "suction+compressor")),
        due=codes("no-ice"),
        first=codes("no-water control-stuck"),
    ),
    "no-ice-gas-open": Story(
        made=_story(_no_cycle(15.0), channels=("evaporator+current", "suction+compressor")),
        due=codes("no-ice"),
        first=codes("hot-gas-stuck-open"),
    ),
    "probe-slips": Story(
        made=_story(_slips, channels=("evaporator+current", "evaporator+compressor")),
        due=codes("probe-loose probe-fault"),
        act=False,
    ),
    "valve-hunts": Story(
        made=_story(_swings, channels=("suction+compressor", "suction+current", "many")),
        due=codes("valve-hunting"),
    ),
    "low-voltage": Story(made=_story(_low_voltage, channels=_LINE_AND_CLAMP), due=codes("supply-voltage")),
    "bin-light": Story(
        made=_story(_bin_light, channels=("current", "evaporator+current", "suction+current")),
        never=codes("short-cycling failed-start freeze-broken"),
        act=False,
        well=True,
    ),
    "cold-room": Story(made=_story(_room(6.0), channels=("many",), fit=_air), due=codes("room-temperature")),
    "hot-room": Story(made=_story(_room(39.0), channels=("many",), fit=_air), due=codes("room-temperature")),
    **stories(_story(_plain, channels=_TWO, fit=_untimed), _story(_rests, channels=_TWO, fit=_untimed, days=6.0)),
}  # fmt: skip


def healthy(seed: int, *, days: float = 7.0) -> Drawn:
    """A healthy unit-week with strong innocent change: a day swing of up to 15 K, water of 8 to 19 °C, a machine moved into another room,
    usage, a cleaning, a power cut."""
    for attempt in range(_TRIES):
        with suppress(_CannotTell):
            return _healthy_week(seed, attempt, days)
    raise RuntimeError(f"seed {seed}: no healthy world")


def _healthy_week(seed: int, attempt: int, days: float) -> Drawn:
    rng = np.random.default_rng([seed, attempt, 43])
    world = healthy_world(seed, attempt, _ANY, days)
    _need(_untimed(world))  # timed by design: a log alone does not tell that from a failed sensor
    swing = float(rng.choice([2.0, 5.0, 7.5]))
    world = replace(world, sink_c=float(rng.uniform(19, 27)), water_c=13.5, swing_k=0.0)
    moved = float(rng.choice([-7, -4, 4, 7])) if rng.random() < 0.4 else 0.0
    moved_day = float(rng.uniform(0.2, 0.8)) * days
    water = float(rng.choice([0.5, 2.0, 5.5]))
    cleaning = (
        (float(rng.uniform(0.1, 0.9)) * days, float(rng.uniform(20, 90))) if rng.random() < 0.3 else None
    )
    cut = (float(rng.uniform(0.1, 0.9)) * days, float(rng.uniform(10, 170))) if rng.random() < 0.4 else None
    phase = float(rng.uniform(-0.1, 0.1))

    def drive(rows, day):
        wave = np.sin(2 * np.pi * (day - 0.38 - phase))
        rows["sink_c"] += swing * wave + moved * (day >= moved_day)
        rows["water_c"] += water * np.sin(2 * np.pi * (day - 0.45))
        for stop in (cleaning, cut):
            if stop is not None:
                rows["service"][(day >= stop[0]) & (day < stop[0] + stop[1] / 1440)] = 1.0

    log = simulate(world, twist=Twist(drive=drive))
    _, length = _lengths(log, "freeze")
    _need(_frees_its_slabs(length))
    # Freezes that now and then last far longer, but for those after a rest, are a fault.
    rests = sum(kind == "idle" for _, _, kind in log.phases)
    _need((length > 1.4 * np.median(length)).sum() <= rests)
    if cut is not None:  # the logger of the mains stands as well

        def gone(day, values):
            values[(day >= cut[0]) & (day < cut[0] + cut[1] / 1440)] = np.nan
            return values

        for r in log.readings:
            log = _with(log, r.role, gone)
    drawn = _drawn(log, {})
    what = f"swing {2 * swing:g} K, moved {moved:+g} K, water ±{water:g} K{', cleaned' if cleaning else ''}{', power cut' if cut else ''}"
    return replace(drawn, name=f"healthy {seed} {drawn.name} {what}")
