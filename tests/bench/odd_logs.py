"""Logs that are no healthy batch machine, or hardly a machine at all: nothing may be made up of them.

    python -m tests.bench.odd_logs

Each maker gives a `Timeline`, and the most whole cycles and false harvest starts that may be found in it. Where there is a
truth for one of the channels, harvests found there are checked against it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.logs.timeline import Channel, Timeline
from pipeline.unit import Unit
from tests.bench.second_machine import DAY_0_NS, Case, TruePhase, make_log, to_timeline
from tests.bench.second_physics import first_order
from tests.scoring import score


@dataclass(frozen=True, kw_only=True)
class OddLog:
    """A log and what may be found in it at most."""

    timeline: Timeline
    most_cycles: int = 0
    most_false_harvests: int = 0
    truth: Sequence[TruePhase] = ()
    allowed: frozenset[str] = frozenset(
        {"freeze", "harvest", "idle", "unclear", "gap"}
    )  # labels that may take over 5 % of the time


def channel(role: str, values: np.ndarray, *, interval_s: float = 10.0, resolution: float = 0.1) -> Channel:
    values = np.asarray(values, float)
    values = np.round(values / resolution) * resolution
    return Channel(
        role=role,
        label=role,
        file="odd.csv",
        unit="A" if role.startswith("current") else "°C",
        unit_read="A" if role.startswith("current") else "°C",
        time_ns=DAY_0_NS + round(interval_s * 1e9) * np.arange(len(values), dtype=np.int64),
        values=values,
        trusted=np.isfinite(values),
        interval_s=interval_s,
        resolution=resolution,
        chosen=True,
        role_by="header",
        role_confidence=1.0,
    )


def timeline(*channels: Channel) -> Timeline:
    with_readings = [c for c in channels if len(c.time_ns)] or channels
    start = min((int(c.time_ns[0]) for c in with_readings if len(c.time_ns)), default=DAY_0_NS)
    end = max((int(c.time_ns[-1]) for c in with_readings if len(c.time_ns)), default=DAY_0_NS)
    return Timeline(unit_name="odd", time_zone="UTC", start_ns=start, end_ns=end, channels=tuple(channels))


def _n(hours: float, interval_s: float = 10.0) -> int:
    return int(hours * 3600 / interval_s)


def refrigerator(rng) -> OddLog:
    """A cold room: the compressor comes and goes with a thermostat, the coil falls and rises, no ice is made."""
    on = (np.arange(_n(20)) * 10 % 1100) < 620
    coil = first_order(np.where(on, -9.0, 5.0), 150.0, 10.0, 5.0) + 0.1 * rng.standard_normal(len(on))
    return OddLog(
        timeline=timeline(
            channel("evaporator", coil),
            channel("current", on * 5.0 + 0.1 + 0.03 * rng.standard_normal(len(on))),
        )
    )


def continuous_maker(rng) -> OddLog:
    """A machine that freezes and scrapes at the same time: steady cold, steady current."""
    n = _n(20)
    sway = first_order(rng.standard_normal(n), 300.0, 10.0, 0.0) * 6
    return OddLog(
        timeline=timeline(
            channel("evaporator", -11 + 0.5 * sway),
            channel("current", 6.2 + 0.03 * sway + 0.04 * rng.standard_normal(n)),
        )
    )


def room_only(rng) -> OddLog:
    """A probe that lies in the room: a day's swing and nothing else."""
    hours = np.arange(_n(60)) * 10 / 3600
    return OddLog(
        timeline=timeline(
            channel(
                "evaporator", 23 + 4 * np.sin(hours / 24 * 2 * np.pi) + 0.1 * rng.standard_normal(len(hours))
            )
        ),
        allowed=frozenset({"idle", "unclear"}),
    )


def white_noise(rng) -> OddLog:
    return OddLog(timeline=timeline(channel("evaporator", 5 + 8 * rng.standard_normal(_n(20)))))


def slow_wander(rng) -> OddLog:
    """A reading that wanders without any order."""
    return OddLog(
        timeline=timeline(channel("suction", 8 + 0.15 * np.cumsum(rng.standard_normal(_n(20))))),
        most_cycles=2,
    )


def off_all_along(rng) -> OddLog:
    n = _n(40)
    return OddLog(
        timeline=timeline(
            channel("evaporator", 21 + 0.1 * rng.standard_normal(n)),
            channel("current", np.abs(0.02 * rng.standard_normal(n))),
        ),
        allowed=frozenset({"idle", "unclear"}),
    )


def off_all_along_by_current_alone(rng) -> OddLog:
    return OddLog(
        timeline=timeline(channel("current", np.abs(0.03 * rng.standard_normal(_n(40))))),
        allowed=frozenset({"idle", "unclear"}),
    )


def one_long_freeze(rng) -> OddLog:
    """Runs all along and never harvests."""
    n = _n(9)
    fall = 12 * np.exp(-np.arange(n) / 60) - 16 + 0.2 * rng.standard_normal(n)
    return OddLog(
        timeline=timeline(channel("evaporator", fall), channel("current", 7 + 0.05 * rng.standard_normal(n)))
    )


def hot_gas_line(rng) -> OddLog:
    """The clip sits on the hot-gas line by mistake: hot in harvest, at room temperature in freeze. Right, or silent."""
    log = make_log(Case(seed=31, channels=("suction",), interval_s=10))
    t = log.readings[0].time_ns
    hot = np.zeros(len(t))
    for p in log.truth:
        if p.kind == "harvest":
            hot[(t >= p.start_ns) & (t < p.end_ns)] = 1.0
    values = first_order(26 + 38 * hot, 40.0, 10.0, 26.0) + 0.1 * rng.standard_normal(len(t))
    base = to_timeline(log)
    return OddLog(
        timeline=replace(base, channels=(replace(base.channels[0], values=np.round(values, 1)),)),
        most_cycles=10**6,
        truth=log.truth,
    )


def two_on_one_clamp(rng) -> OddLog:
    """One clamp on a branch that feeds two machines; the probe is on the first."""
    first = make_log(Case(seed=32, kind="slab24", channels=("evaporator", "current")))
    second = make_log(Case(seed=33, kind="cube33", channels=("current",)))
    base = to_timeline(first)
    n = min(len(base.channels[1].values), len(second.readings[0].values))
    other = np.zeros(len(base.channels[1].values))
    other[:n] = second.readings[0].values[:n]
    both = replace(base.channels[1], values=base.channels[1].values + other)
    return OddLog(
        timeline=replace(base, channels=(base.channels[0], both)), most_cycles=10**6, truth=first.truth
    )


def two_evaporators(rng) -> OddLog:
    """Two evaporators half a cycle apart share a compressor; the clip is on the common suction line."""
    log = make_log(Case(seed=34, kind="cube33", channels=("suction", "current")))
    base = to_timeline(log)
    half = round(985 / base.channels[0].interval_s)
    mixed = tuple(replace(c, values=0.5 * (c.values + np.roll(c.values, half))) for c in base.channels)
    return OddLog(timeline=replace(base, channels=mixed), most_cycles=10**6, most_false_harvests=10**6)


def touched_by_hand(rng) -> OddLog:
    """Somebody warms the clip with a hand for a minute or two, five times in mid-freeze; the current knows better."""
    log = make_log(Case(seed=35, channels=("evaporator", "current"), interval_s=5))
    base = to_timeline(log)
    values = base.channels[0].values.copy()
    freezes = [p for p in log.truth if p.kind == "freeze" and p.end_ns - p.start_ns > 9e11]
    for p in freezes[3::6][:5]:
        i = int(np.searchsorted(base.channels[0].time_ns, p.start_ns + 5e11))
        values[i : i + 18] += 25 * np.sin(np.linspace(0, np.pi, 18))
    return OddLog(
        timeline=replace(base, channels=(replace(base.channels[0], values=values), base.channels[1])),
        most_cycles=10**6,
        truth=log.truth,
    )


def nothing_read(rng) -> OddLog:
    return OddLog(
        timeline=timeline(
            channel("evaporator", np.full(2000, np.nan)), channel("current", np.full(2000, np.nan))
        )
    )


def one_reading(rng) -> OddLog:
    return OddLog(timeline=timeline(channel("evaporator", np.array([4.0]))))


def three_readings(rng) -> OddLog:
    return OddLog(
        timeline=timeline(
            channel("evaporator", np.array([4.0, -3.0, 9.0])), channel("current", np.array([5.0, 0.0, 5.0]))
        )
    )


def no_channels(rng) -> OddLog:
    return OddLog(timeline=timeline())


def stuck_probe(rng) -> OddLog:
    """A probe that repeats one value for a day."""
    return OddLog(timeline=timeline(channel("evaporator", np.full(_n(24), -4.5))))


def only_side_channels(rng) -> OddLog:
    """Nothing that shows phases: room air and supply water alone."""
    n = _n(24)
    return OddLog(
        timeline=timeline(
            channel("ambient", 24 + 0.1 * rng.standard_normal(n)),
            channel("water_in", 15 + 0.1 * rng.standard_normal(n)),
        )
    )


ODD_LOGS: tuple[Callable[..., OddLog], ...] = (
    refrigerator,
    continuous_maker,
    room_only,
    white_noise,
    slow_wander,
    off_all_along,
    off_all_along_by_current_alone,
    one_long_freeze,
    hot_gas_line,
    two_on_one_clamp,
    two_evaporators,
    touched_by_hand,
    nothing_read,
    one_reading,
    three_readings,
    no_channels,
    stuck_probe,
    only_side_channels,
)


def objections(odd: OddLog) -> list[str]:
    """What the segmentation made up of this log; empty where it is honest."""
    from pipeline.cycles import find_cycles

    record = find_cycles(odd.timeline, Unit(name="odd"))
    out = []
    whole = int(record.cycles["complete"].sum()) if len(record.cycles) else 0
    if whole > odd.most_cycles:
        out.append(f"{whole} whole cycles (at most {odd.most_cycles})")
    total = max(odd.timeline.end_ns - odd.timeline.start_ns, 1)
    for kind in sorted({str(p.kind) for p in record.phases} - odd.allowed):
        share = sum(p.end_ns - p.start_ns for p in record.phases if str(p.kind) == kind) / total
        if share > 0.05:
            out.append(f"{100 * share:.0f} % of the time is called {kind}")
    for before, after in zip(record.phases[:-1], record.phases[1:], strict=True):
        if before.end_ns != after.start_ns:
            out.append(f"a hole after {before.kind}")
            break
    if odd.truth and record.pattern:
        met = score(odd.truth, record.phases, interval_s=10.0)
        if met.cycles_false > odd.most_false_harvests:
            out.append(
                f"{met.cycles_false} harvests where there was none, {met.hits} boundaries right, {met.missed} missed"
            )
    return out


def main() -> int:
    for maker in ODD_LOGS:
        try:
            said = objections(maker(np.random.default_rng(5)))
        except Exception as problem:  # the next one must be tried too
            said = [f"{type(problem).__name__}: {problem}"]
        print(f"{maker.__name__:32} {'; '.join(said) or 'honest'}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
