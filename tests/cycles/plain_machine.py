"""The plainest batch machine that tests can reason about: exponential courses, current by steps, a clip with one lag.

`machine(...)` gives a `Timeline` and the true phases. Everything is invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal import features, signals
from pipeline.logs.timeline import Channel, Timeline

START_NS = 1_767_600_000_000_000_000
FREEZE_A, HARVEST_A = 8.0, 6.0


@dataclass(frozen=True, kw_only=True)
class PlainLog:
    """A log and its truth: (kind, start [s], end [s])."""

    timeline: Timeline
    truth: tuple[tuple[str, float, float], ...]

    def starts(self, kind: str) -> np.ndarray:
        """When each true phase of a kind began, the first of the log left out [s]."""
        return np.array([start for name, start, _ in self.truth[1:] if name == kind])


def machine(
    story: Sequence[tuple[str, float]],
    *,
    interval_s: float = 5.0,
    roles: Sequence[str] = ("evaporator", "current"),
    lag_s: float = 15.0,
    noise_k: float = 0.1,
    noise_a: float = 0.03,
    seed: int = 1,
    shift_k: float = 0.0,
    contrast: float = 1.0,
    inrush_a: float = 32.0,
) -> PlainLog:
    """A log of the phases of `story` in turn, each (kind, minutes): "freeze", "harvest", "idle", "stall" (a harvest
    that stays at 0 °C), "opening" (one of a plate without ice), "nudge" (one that finds the line all but as warm as hot gas
    makes it) or "lull" (an idle in which the line warms quickly)."""
    temperature, current, truth = [], [], []
    level, now = 10.0, 0.0
    for kind, minutes in story:
        count = round(minutes * 60)
        since = np.arange(1, count + 1)
        target, slowness = {
            "freeze": (-14.0, count / 3.0),
            "harvest": (14.0, count / 2.0),
            "stall": (0.2, 40.0),
            "opening": (34.0, count / 2.0),
            "nudge": (23.5, count / 2.0),
            "idle": (22.0, 1500.0),
            "lull": (14.0, 120.0),
        }[kind]
        course = target + (level - target) * np.exp(-since / slowness)
        level = course[-1]
        temperature.append(course)
        amps = {"freeze": FREEZE_A, "idle": 0.0, "lull": 0.0}.get(kind, HARVEST_A) * np.ones(count)
        if kind == "freeze":
            amps *= 1.0 - 0.1 * (1.0 - np.exp(-since / 400.0))
        if truth and truth[-1][0] == "idle" and kind != "idle":
            amps[:2] = inrush_a
        current.append(amps)
        truth.append(
            (
                {"stall": "harvest", "opening": "harvest", "nudge": "harvest", "lull": "idle"}.get(
                    kind, kind
                ),
                now,
                now + count,
            )
        )
        now += count
    line, amps = np.concatenate(temperature), np.concatenate(current)
    lagged = line.copy()
    if lag_s:
        keep = np.exp(-1.0 / lag_s)
        for i in range(1, len(line)):
            lagged[i] = keep * lagged[i - 1] + (1 - keep) * line[i]
    rng = np.random.default_rng(seed)
    at = np.arange(0, len(line), interval_s).astype(int)
    values = {
        "evaporator": contrast * lagged[at] + shift_k + noise_k * rng.standard_normal(len(at)),
        "current": np.maximum(amps[at] + noise_a * rng.standard_normal(len(at)), 0.0),
    }
    values["suction"] = values["evaporator"]
    channels = tuple(channel(role, at * 1_000_000_000 + START_NS, values[role], interval_s) for role in roles)
    return PlainLog(timeline=timeline(channels), truth=tuple(truth))


def channel(
    role: str, time_ns: np.ndarray, values: np.ndarray, interval_s: float, *, resolution: float = 0.01
) -> Channel:
    """One channel as the reading room hands it on."""
    return Channel(
        role=role,
        label=role,
        file="plain.csv",
        unit="A" if role.startswith("current") else "W" if role == "power" else "°C",
        unit_read="",
        time_ns=np.asarray(time_ns, dtype=np.int64),
        values=np.asarray(values, dtype=float),
        trusted=np.isfinite(values),
        interval_s=float(interval_s),
        resolution=resolution,
        chosen=True,
        role_by="header",
        role_confidence=1.0,
    )


def trace_of(
    role: str,
    values: np.ndarray,
    interval_s: float,
    *,
    at_s: np.ndarray | None = None,
    resolution: float = 0.01,
) -> signals.Trace:
    """`values` (n,), one every `interval_s` from START_NS on, or `at_s` (n,) after it, as the room takes a channel up."""
    since_s = np.arange(len(values)) * interval_s if at_s is None else at_s
    time_ns = START_NS + np.round(since_s * 1e9).astype(np.int64)
    return signals.trace_of(channel(role, time_ns, values, interval_s, resolution=resolution))


@dataclass(frozen=True, kw_only=True)
class Laid:
    """A trace in cells, and what the room reads off it."""

    trace: signals.Trace
    cells: signals.Cells

    @cached_property
    def course(self) -> features.LevelCells:
        return features.course_of(self.trace, self.cells)

    @cached_property
    def draw(self) -> features.DrawCells:
        return features.draw_cells(self.trace, self.cells)

    @cached_property
    def running(self) -> features.LevelCells:
        return features.running_course(self.draw, self.cells)


def laid(trace: signals.Trace, cell_s: float | None = None) -> Laid:
    """`trace` in cells of `cell_s`, or of one reading each."""
    return Laid(trace=trace, cells=signals.cells_of_width([trace], cell_s or trace.interval_s))


def timeline(channels: Sequence[Channel]) -> Timeline:
    """Channels as one log."""
    filled = [c for c in channels if len(c.time_ns)]
    return Timeline(
        unit_name="plain",
        time_zone="UTC",
        start_ns=min((int(c.time_ns[0]) for c in filled), default=0),
        end_ns=max((int(c.time_ns[-1]) for c in filled), default=0),
        channels=tuple(channels),
    )


def without(log: PlainLog, start_s: float, end_s: float) -> PlainLog:
    """The log with no readings from `start_s` to `end_s`."""
    cut = []
    for c in log.timeline.channels:
        since = (c.time_ns - START_NS) * 1e-9
        keep = (since < start_s) | (since > end_s)
        cut.append(replace(c, time_ns=c.time_ns[keep], values=c.values[keep], trusted=c.trusted[keep]))
    return replace(log, timeline=timeline(cut))


def cycles(count: int, *, freeze_min: float = 20.0, harvest_min: float = 2.0) -> list[tuple[str, float]]:
    """`count` healthy cycles, a little uneven."""
    story = []
    for i in range(count):
        story += [
            ("freeze", freeze_min * (1 + 0.02 * ((i * 7) % 5 - 2))),
            ("harvest", harvest_min * (1 + 0.03 * (i % 3 - 1))),
        ]
    return story


def offsets_s(record, kind: str, log: PlainLog) -> np.ndarray:
    """For each true start of a kind, how far the nearest found one is off [s]."""
    found = np.array([(p.start_ns - START_NS) * 1e-9 for p in record.phases[1:] if p.kind == kind])
    return (
        np.array([found[np.argmin(np.abs(found - t))] - t for t in log.starts(kind)])
        if len(found)
        else np.array([])
    )


def runs_of(parts: Sequence[tuple[int, int]]) -> Runs:
    """Touching runs of so many cells and this state, in turn."""
    stop = np.cumsum([cells for cells, _ in parts])
    return Runs(
        state=np.array([state for _, state in parts]),
        first=np.r_[0, stop[:-1]],
        stop=stop,
        margin=np.ones(len(stop)),
        opens_span=np.arange(len(stop)) == 0,
    )


STOP_S, REST_S = 200, 2400


def standing_machine(rng, *, runs=40, run_s=1080, scatter=0.02, falls=0.1, interval_s=10, means=False):
    """(log of a compressor's clamp, true starts of the stops [s]): a current that `falls` by that part over every run, and stops of STOP_S;
    after every ninth run the machine rests as well."""
    amps, stops, now = [], [], 0
    for i in range(runs):
        on, off = round(run_s * (1 + scatter * rng.standard_normal())), STOP_S + REST_S * (i % 9 == 8)
        amps += [8.0 * (1 - falls * np.linspace(0, 1, on)), np.zeros(off)]
        stops.append(now + on)
        now += on + off
    amps = np.concatenate(amps)
    n = len(amps) // interval_s
    parts = amps[: n * interval_s].reshape(n, interval_s)
    values = (parts.mean(axis=1) if means else parts[:, -1]) + rng.normal(0, 0.01, n)
    time_ns = START_NS + (np.arange(1, n + 1) * interval_s - 1) * 10**9
    return timeline([channel("current_compressor", time_ns, values, float(interval_s))]), np.array(stops)
