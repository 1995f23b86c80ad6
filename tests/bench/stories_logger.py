"""Stories of the verdict bench that any place can tell by its own sound logs: what loggers and clamps do, what a log cannot carry, and the ice of a unit
that rests with a full bin. Those of the loggers go through files and the reading room."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.findings.finding import Judgement
from pipeline.logs import assemble, read_file
from pipeline.logs.timeline import Channel
from pipeline.unit import Unit
from tests.bench.second_machine import HEADERS
from tests.bench.stories import Drawn, Story, codes

Sound = Callable[[int], Drawn | None]
"""The log of a line and a clamp, by seed, of a machine in order."""
_CLAMPS = ("current", "current_compressor")
_OFF_LOGGER = codes("clamp-dead probe-loose probe-fault")
_SLAB_KG, _OFF = 2.0, 0.06  # of a weighed slab; part by which ice may differ from the truth's


def _through_files(loggers: Sequence[Sequence[Channel]], unit: Unit):
    """The timeline of `loggers`, a file each."""
    with tempfile.TemporaryDirectory() as folder:
        tables = []
        for number, channels in enumerate(loggers, start=1):
            table = pd.DataFrame({"Time": pd.DatetimeIndex(channels[0].time_ns.view("M8[ns]")).strftime("%Y-%m-%d %H:%M:%S.%f").str[:-3]})  # fmt: skip
            for c in channels:
                table[HEADERS[c.role]] = [f"{v:.2f}" if np.isfinite(v) else "" for v in c.values]
            table.to_csv(path := Path(folder) / f"logger-{number}.csv", index=False)
            tables += read_file(path, unit)
        return assemble(tables, unit)


def _read(plain: Sound, change: Callable[..., Sequence[Sequence[Channel]]], *, by_truth: bool = False):
    """The log of `plain` read from files. change: (seed, line, clamp) -> channels by logger; by_truth: it is also given the usual harvest [s]."""

    def made(seed: int, *, sound: bool = False) -> Drawn | None:
        drawn = plain(seed)
        if drawn is None or sound:
            return drawn
        line = next(c for c in drawn.timeline.channels if c.role in ("evaporator", "suction"))
        clamp = next(c for c in drawn.timeline.channels if c.role in _CLAMPS)
        harvests = [b - a for a, b, kind in drawn.truth if kind == "harvest"] if by_truth else []
        told = [float(np.median(harvests)) / 1e9] if by_truth else []
        return replace(drawn, timeline=_through_files(change(seed, line, clamp, *told), drawn.unit))

    return made


def _part(channel: Channel, keep: np.ndarray) -> Channel:
    return replace(
        channel, time_ns=channel.time_ns[keep], values=channel.values[keep], trusted=channel.trusted[keep]
    )


def _begins(seed: int, channel: Channel) -> int:
    """The moment of a seed at which something happens to a channel, between 0.4 and 0.7 of the log [ns UTC]."""
    part = float(np.random.default_rng([seed, 61]).uniform(0.4, 0.7))
    return int(channel.time_ns[0] + part * (channel.time_ns[-1] - channel.time_ns[0]))


def _dies(seed: int, line: Channel, clamp: Channel):
    dead = clamp.time_ns >= _begins(seed, clamp)
    return [[line, replace(clamp, values=np.where(dead, 0.0, clamp.values))]]


def _ends_early(seed: int, line: Channel, clamp: Channel):
    return [[line], [_part(clamp, clamp.time_ns < _begins(seed, clamp))]]


def _round_both(seed: int, line: Channel, clamp: Channel):
    noise = np.random.default_rng([seed, 62]).normal(0, 0.01, len(clamp.values))
    return [[line, replace(clamp, values=np.abs(noise))]]


def _turned(seed: int, line: Channel, clamp: Channel):
    return [[line, replace(clamp, values=-clamp.values)]]


def _of_another(plain: Sound):
    """The clamp of another machine, logged over the same time or three hours before."""

    def change(seed: int, line: Channel, clamp: Channel):
        other = next((d for k in range(1, 9) if (d := plain(seed + 7919 * k)) is not None), None)
        theirs = next(c for c in other.timeline.channels if c.role in _CLAMPS)
        later = int(line.time_ns[0] - theirs.time_ns[0] - (seed % 2) * 3 * 3600e9)
        return [[line], [replace(theirs, role=clamp.role, time_ns=theirs.time_ns + later)]]

    return change


def _dated(drawn: Drawn, judgement: Judgement) -> str:
    """A dead clamp is dated to the hour, and ends after it begins."""
    found = next((f for f in judgement.findings if f.code == "clamp-dead"), None)
    if found is None:
        return ""
    return "" if found.start_ns < found.end_ns <= drawn.timeline.end_ns else "ends before it begins"


def _too_slow(seed: int, line: Channel, clamp: Channel, harvest_s: float):
    """Read only once in one and a half harvests, which nobody can time."""
    step = max(round(1.5 * harvest_s / line.interval_s), 1)
    return [[_part(c, np.arange(len(c.values)) % step == 0) for c in (line, clamp)]]


def _weighed(resting: Sound):
    """A unit that rests with a full bin, whose slab was weighed and whose plate does not say for which air and water it holds."""

    def made(seed: int, *, sound: bool = False) -> Drawn | None:
        drawn = resting(seed)
        if drawn is None or sound:
            return drawn
        known: dict = {
            "measured": {"slab_kg": _SLAB_KG},
            "nameplate": {"ice_kg_per_day": round(1.1 * _SLAB_KG * _rates(drawn)[0])},
        }
        return replace(drawn, unit=Unit(name="bench", cooling=drawn.unit.cooling, **known))

    return made


def _rates(drawn: Drawn) -> tuple[float, float, int]:
    """(cycles in a day of running, in a day of the log, cycles in the log), by the truth."""
    spans = {k: [b - a for a, b, kind in drawn.truth[1:-1] if kind == k] for k in ("freeze", "harvest")}
    day = 86_400e9
    running = day / (np.mean(spans["freeze"]) + np.mean(spans["harvest"]))
    logged = drawn.timeline.end_ns - drawn.timeline.start_ns
    count = sum(kind == "harvest" for _, _, kind in drawn.truth)
    return running, count * day / logged, count


def _ice(drawn: Drawn, judgement: Judgement) -> str:
    """Ice made and ice while running are what the truth says, the one never over the other; what is expected says for which conditions."""
    out, (running, made, count) = judgement.output, _rates(drawn)
    if out.ice_kg_per_day is None or out.made_ice_kg_per_day is None or out.made_cycles_per_day is None:
        return "no ice a day"
    days = (drawn.timeline.end_ns - drawn.timeline.start_ns) / 86_400e9
    wrong = [
        ("running", abs(out.ice_kg_per_day / (_SLAB_KG * running) - 1) > _OFF),
        ("made", abs(out.made_ice_kg_per_day / (_SLAB_KG * made) - 1) > _OFF),
        ("cycles", abs(out.made_cycles_per_day * days - count) > max(2.0, 0.03 * count)),
        ("made over running", out.made_ice_kg_per_day > 1.02 * out.ice_kg_per_day),
        ("demand", out.demand is None),
        ("expected", out.expected_basis is None or out.expected_basis.key != "output.expected.unknown"),
    ]
    return ", ".join(name for name, is_wrong in wrong if is_wrong)


def stories(plain: Sound, resting: Sound) -> Mapping[str, Story]:
    """The stories by name. resting: six days of a line and a clamp, with rests after harvests of some hours a day."""
    return {
        "clamp-dies": Story(
            made=_read(plain, _dies), due=codes("clamp-dead"), never=codes("probe-loose probe-fault ice-stopped"),
            act=False, holds=_dated,
        ),
        "clamp-round-both-conductors": Story(
            made=_read(plain, _round_both), due=codes("clamp-dead"), never=codes("probe-loose probe-fault ice-stopped"),
            act=False, holds=_dated,
        ),
        "clamp-turned": Story(made=_read(plain, _turned), never=_OFF_LOGGER, act=False, well=True),
        "clamp-logger-ends-early": Story(made=_read(plain, _ends_early), never=_OFF_LOGGER, act=False, well=True),
        "another-machines-clamp": Story(
            made=_read(plain, _of_another(plain)), due=codes("clock-offset"), never=_OFF_LOGGER, act=False
        ),
        "read-as-it-was": Story(
            made=_read(plain, lambda seed, line, clamp: [[line], [clamp]]), never=_OFF_LOGGER | codes("clock-offset"),
            act=False, well=True,
        ),
        "too-slow-to-be-read": Story(
            made=_read(plain, _too_slow, by_truth=True), never=codes("no-ice ice-stopped short-cycling harvest-stalled"), act=False
        ),
        "full-bin": Story(
            made=_weighed(resting), never=codes("output-low ice-stopped"), act=False, well=True, holds=_ice
        ),
    }  # fmt: skip
