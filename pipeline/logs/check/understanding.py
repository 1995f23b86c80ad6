"""What the reader understood of some files, and what a report on them will and will not be able to tell.

Run on site before driving away: it reads and judges the channels, and counts their rises and steps; cycles are looked for where two loggers' clocks are put together alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import IceLogError, LogFileError
from pipeline.language.text import say
from pipeline.logs.alignment.shared_events import rises, steps
from pipeline.logs.assembly import assemble, of_one_time
from pipeline.logs.coarse_grid import overview_of
from pipeline.logs.read import read_file
from pipeline.logs.table import FileTable
from pipeline.logs.timeline import Channel, Timeline
from pipeline.unit import Unit

YES, PARTLY, NO = "yes", "partly", "no"


@dataclass(frozen=True, kw_only=True)
class FileUnderstood:
    """One file: what was read, or why it was not."""

    name: str
    error: str = ""
    rows: int = 0
    start: str = ""  # ISO 8601, in the unit's time zone
    end: str = ""
    interval_s: float | None = None
    dialect: Mapping[str, Any] | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ChannelUnderstood:
    """One column: what it was taken for, and how far it is trusted."""

    role: str
    label: str
    file: str
    unit_read: str
    unit: str
    role_by: str
    role_confidence: float
    used: bool
    lowest: float | None
    highest: float | None
    resolution: float
    trusted_pct: float
    objections: Mapping[str, int]


@dataclass(frozen=True, kw_only=True)
class Answer:
    """One question that a report may be asked. can: "yes", "partly" or "no"."""

    question: str
    can: str
    why: str


@dataclass(frozen=True, kw_only=True)
class Understanding:
    """All of it, ready for a terminal or for JSON."""

    unit: str
    time_zone: str
    files: tuple[FileUnderstood, ...]
    channels: tuple[ChannelUnderstood, ...]
    doubts: tuple[Mapping[str, Any], ...]
    answers: tuple[Answer, ...]
    error: str = ""  # why nothing could be made of the files together

    @property
    def complete(self) -> bool:
        """Every file could be read, and something can be used."""
        return not self.error and not any(f.error for f in self.files)


def understand(
    files: Sequence[Path], unit: Unit, *, clocks: Callable[[Timeline, Unit], Timeline] | None = None
) -> Understanding:
    """What the reader makes of `files`, taken as one unit. clocks: puts two loggers on one clock closer than the reader does."""
    tables: list[FileTable] = []
    failed: list[FileUnderstood] = []
    for path in files:
        try:
            tables += read_file(path, unit)
        except LogFileError as error:
            failed.append(FileUnderstood(name=error.file, error=str(error)))
    tables, far = of_one_time(tables, unit)
    failed += [FileUnderstood(name=error.file, error=str(error)) for error in far]
    try:
        timeline = assemble(tables, unit)
        timeline = timeline if clocks is None else clocks(timeline, unit)
    except IceLogError as error:
        return Understanding(
            unit=unit.name,
            time_zone=unit.time_zone,
            files=tuple(failed),
            channels=(),
            doubts=(),
            answers=(),
            error=str(error),
        )
    read = tuple(
        FileUnderstood(
            name=s.name,
            rows=s.rows,
            start=_local(s.start_ns, timeline),
            end=_local(s.end_ns, timeline),
            interval_s=s.interval_s if s.interval_s == s.interval_s else None,
            dialect=dict(s.dialect),
            notes=tuple(say(n) for n in s.notes),
        )
        for s in timeline.sources
    )
    return Understanding(
        unit=unit.name,
        time_zone=unit.time_zone,
        files=(*read, *failed),
        channels=tuple(_channel(c) for c in timeline.channels),
        doubts=tuple(
            {
                "code": d.code,
                "start": _local(d.start_ns, timeline),
                "end": _local(d.end_ns, timeline),
                "channel": d.label,
                "what": say(d.what),
                "evidence": dict(d.evidence),
            }
            for d in timeline.doubts
        ),
        answers=tuple(_answers(timeline, unit)),
    )


def as_json(understanding: Understanding) -> dict[str, Any]:
    """The same as plain lists and dictionaries, for `json.dumps`."""
    return asdict(understanding)


def _local(ns: int, timeline: Timeline) -> str:
    return datetime.fromtimestamp(ns // 10**9, UTC).astimezone(timeline.tz).isoformat()


def _channel(channel: Channel) -> ChannelUnderstood:
    good = channel.values[channel.trusted]
    return ChannelUnderstood(
        role=channel.role,
        label=channel.label,
        file=channel.file,
        unit_read=channel.unit_read,
        unit=channel.unit,
        role_by=channel.role_by,
        role_confidence=channel.role_confidence,
        used=channel.chosen,
        lowest=round(float(good.min()), 3) if len(good) else None,
        highest=round(float(good.max()), 3) if len(good) else None,
        resolution=channel.resolution,
        trusted_pct=round(100.0 * float(channel.trusted.mean()), 2),
        objections={name: int(mask.sum()) for name, mask in channel.masks.items()},
    )


def _answers(timeline: Timeline, unit: Unit) -> list[Answer]:
    """What the channels, the interval and the length of the log allow."""
    cold = timeline.get("evaporator", "suction")
    clamp = timeline.get("current_compressor", "current", "power")
    hours = (timeline.end_ns - timeline.start_ns) / 3600e9
    shown = [c for c in (cold, clamp) if c is not None]
    finest_s = min((c.interval_s for c in shown if c.interval_s == c.interval_s), default=float("nan"))
    coarse = any(d.code == "log-coarse" and d.label == "" for d in timeline.doubts)
    cycles = _cycles(cold, clamp, coarse, hours, timeline)
    answers = [cycles, _timing(finest_s, coarse, shown)]
    line = "clip a probe to the evaporator outlet or the suction line"
    clip = "clip the clamp round one conductor of the unit"
    short = "short stops fall between readings"
    answers.append(_needs("starts and short-cycling", clamp, clip, finest_s <= 30, short))
    answers.append(_needs("harvests that stall", cold, line, not coarse, "too coarse to time harvests"))
    if timeline.get("condenser_in") and timeline.get("condenser_out"):
        rejection = (YES, "condenser in and out were logged")
    elif timeline.get("discharge", "discharge_pressure") and timeline.get("condenser_in", "ambient"):
        rejection = (PARTLY, "from the discharge line and the air alone")
    else:
        rejection = (NO, "log condenser air (or water) in and out")
    answers.append(_answer("heat rejection (condenser)", *rejection))
    answers.append(_needs("cold enough freezes", cold, line))
    answers.append(_needs("warm supply water", timeline.get("water_in"), "log the supply water"))
    answers.append(_output(unit, cold or clamp))
    answers.append(_energy(timeline, unit, clamp))
    drift = (YES, f"the log is {hours / 24:.1f} days long")
    if hours < 47.5:
        drift = (NO, f"the log is {hours:.1f} h long; two days at least are needed")
    answers.append(_answer("drift over the log", *drift))
    if hours < 6:
        answers.append(
            _answer("what is usual for this unit", NO, f"{hours:.1f} h hold few cycles; log a day or more")
        )
    if cycles.can == NO:
        answers = [
            replace(a, can=NO, why=_NO_CYCLES) if a.question in _OF_CYCLES and a.can != NO else a
            for a in answers
        ]
    return answers


def _answer(question: str, can: str, why: str) -> Answer:
    return Answer(question=question, can=can, why=why)


def _timing(finest_s: float, coarse: bool, shown: Sequence[Channel]) -> Answer:
    """How well the ends of a harvest can be timed. finest_s: shortest interval of the channels shown [s]."""
    question, finer = "length of a harvest", "log every 10 s or faster"
    if not shown:
        return _answer(question, NO, f"clip a probe to the evaporator outlet or the suction line; {finer}")
    if isnan(finest_s):
        return _answer(question, NO, f"one reading times nothing; {finer}")
    if coarse:
        return _answer(question, NO, f"one reading every {finest_s:g} s is too coarse; {finer}")
    why = f"to about ± {finest_s:g} s: one reading every {finest_s:g} s"
    return _answer(question, YES if finest_s <= 20 else PARTLY, why)


_OF_CYCLES = ("length of a harvest", "harvests that stall", "cold enough freezes", "ice made, in kg")
_NO_CYCLES = "freezes and harvests cannot be told"


_FEW_CYCLES = 2
_TIME_ENOUGH_H = 3.0
"""A machine that works shows two cycles in that time. Common practice, no source."""


def _cycles(
    cold: Channel | None, clamp: Channel | None, coarse: bool, hours: float, timeline: Timeline
) -> Answer:
    """What the signal itself shows of freezes and harvests."""
    question = "freezes and harvests"
    doubted = [n.values["label"] for s in timeline.sources for n in s.notes if n.key == _DOUBTED_NOTE]
    if doubted:
        names = ", ".join(f'"{label}"' for label in doubted)
        return _answer(
            question, NO, f"the readings of {names} speak against their headers; set their roles in unit.toml"
        )
    if cold is None and clamp is None:
        return _answer(question, NO, "clip a probe to the evaporator outlet or the suction line")
    seen = harvests_seen(cold) if cold else starts_seen(clamp)
    if seen < _FEW_CYCLES and hours >= _TIME_ENOUGH_H and not coarse:
        shown = f'"{cold.label}" rises from cold to warm' if cold else f'the load of "{clamp.label}" changes'
        times = {0: "never", 1: "once"}[seen]
        return _answer(
            question, NO, f"{shown} {times} in {hours:.1f} h: it is switched off, or clipped on elsewhere"
        )
    if cold and coarse:
        return _answer(question, PARTLY, "too coarse to tell every one of them")
    if cold:
        names = "the temperatures and the clamp" if clamp else "the temperatures alone"
        return _answer(question, YES, f"from {names}; cycles seen: about {seen}")
    return _answer(
        question,
        PARTLY,
        f"from the clamp alone (its load rises this often: {seen}); no evaporator or suction probe",
    )


def harvests_seen(cold: Channel) -> int:
    """How often a cold line rises as at a harvest, by its trusted readings."""
    values = np.where(cold.trusted, cold.values, np.nan)
    return rises(
        cold.time_ns, values, overview_of([cold.time_ns], [cold.interval_s]), int(cold.time_ns[0])
    ).found


def starts_seen(clamp: Channel) -> int:
    """How often a load steps up by more than its noise, by the clamp's trusted readings."""
    values = np.where(clamp.trusted, clamp.values, np.nan)
    found = steps(clamp.time_ns, values, int(clamp.time_ns[0]), clamp.interval_s)
    return int(np.count_nonzero(found.change_a > 0))


_DOUBTED_NOTE = "logs.note.header_doubted"


def _needs(question: str, channel: Channel | None, remedy: str, fine: bool = True, limit: str = "") -> Answer:
    """remedy: what to log where the channel is missing; limit: what holds it back where it is not fine enough."""
    if channel is None:
        return _answer(question, NO, remedy)
    if not fine:
        return _answer(question, PARTLY, limit)
    trusted = float(channel.trusted.mean())
    if trusted < 0.95:
        return _answer(
            question, PARTLY, f'"{channel.label}" can be trusted {100 * trusted:.0f} % of the time'
        )
    return _answer(question, YES, f'from "{channel.label}"')


def _output(unit: Unit, seen: Channel | None) -> Answer:
    question = "ice made, in kg"
    if seen is None:
        return _answer(question, NO, "no cycles can be counted")
    if unit.measured.slab_kg:
        return _answer(question, YES, "a slab was weighed")
    why = "cycles a day only; weigh the ice of one cycle and set slab_kg in unit.toml"
    return _answer(question, NO, why)


def _energy(timeline: Timeline, unit: Unit, clamp: Channel | None) -> Answer:
    if timeline.get("power", "energy"):
        return _answer("energy", YES, "power or energy was logged")
    voltage = timeline.get("voltage") or unit.measured.voltage_v or unit.nameplate.voltage_v
    if clamp and voltage:
        return _answer("energy", PARTLY, "estimated from current, voltage and power factor")
    return _answer("energy", NO, "log power, or set the voltage in unit.toml")
