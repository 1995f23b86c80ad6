"""Each example otherwise each time it is looked at: as another clip, clamp, logger or machine would show it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.signal import lfilter

from pipeline.cycles.boundary import weighing
from pipeline.cycles.label import shown
from tests.bench.worlds.learn.taught import STATES, ActExample, PhaseExample

LONE = {"current": 1}  # of a clamp that is alone
SLOTS = {
    "line": 2,
    "current": 1,
    "other": 3,
}  # channels of a kind that are looked at together, while learning
INPUTS = {"line": 12, "current": 10, "other": 15}  # what is seen of each
CROP, BESIDE = 2048, 400  # steps of a piece, and of what lies on either side of it
ALONE = 0.35  # how often a clamp is learned from alone, and how often a line
STOPPED, TOUCHED = 0.35, 0.1  # how often a machine trips within freezes, and a hand warms a clip
OTHERWISE = 0.3  # how often a harvest does something else to a current than in the log
# How often a load comes and goes by itself, for how long, also where there is no harvest, and how much of the running current it is.
WITH_LOAD, LOAD_S, LONG_LOAD_S, LOAD_PART = 0.4, (40.0, 500.0), 1500.0, (0.02, 0.25)
TOLD = (3.0, 0.15)  # the truth of an act is told no sharper than so many seconds, or so many intervals
MOST_LINES = 5
WITHOUT = 0.2  # how often the line is left out of a template, and how often the current


def seen_of(example: ActExample, rng: np.random.Generator | None) -> tuple[np.ndarray, ...]:
    """(inputs (m, l, k), what lies within the template (l,), which of them (m,) are of lines, and of currents, that show anything, and the
    truth (l,)) of an example; `rng`: it is stretched, moved, turned and made noisier."""
    stretch = 1.0 if rng is None else float(np.exp(rng.normal(0, 0.15)))
    moved_s = 0.0 if rng is None else float(rng.normal(0, 12.0))
    offsets = example.offsets * stretch - moved_s
    inputs, of_line, of_current = [], np.zeros(MOST_LINES), np.zeros(MOST_LINES)
    for i, (values, noise) in enumerate(zip(example.values[:MOST_LINES], example.noise, strict=False)):
        kind = example.kinds[i]
        if rng is not None:
            values = values + rng.normal(0, noise * rng.uniform(0, 1), len(values))
            values = values if kind == "line" or rng.random() < 0.5 else -values
        seen, shows = weighing.described(
            offsets, values[None], noise, example.intervals_s[i] * stretch, example.harvest_s * stretch, kind
        )
        inputs.append(seen[0])
        (of_line if kind == "line" else of_current)[i] = shows[0]
    if rng is not None and of_line.any() and of_current.any():  # each must be right by itself too
        draw = rng.random()
        of_line, of_current = of_line * (draw > WITHOUT), of_current * (draw < 1.0 - WITHOUT)
    inputs += [np.zeros_like(inputs[0])] * (MOST_LINES - len(inputs))
    moments = weighing.MOMENTS_S
    inside = (moments >= offsets[0]) & (moments <= offsets[-1])
    sharp = max(TOLD[0], TOLD[1] * max(example.intervals_s) * stretch)
    away = moments - (example.true_s * stretch - moved_s)
    told = (np.exp(-0.5 * (away / sharp) ** 2) + 1e-3 * np.exp(-np.abs(away) / 20.0) + 1e-12) * inside
    return np.array(inputs), inside, of_line, of_current, told / max(told.sum(), 1e-9)


def cropped(
    example: PhaseExample, slots: Mapping[shown.Kind, int], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray] | None:
    """(inputs (CROP, k), state (CROP,)) of a piece of an example: some of its channels, each changed as another clip, clamp or logger would
    show it; stretched."""
    courses, size = some_of(example.stretch.courses, slots, rng), len(example.state)
    length = min(int(CROP / np.exp(rng.normal(0, 0.28))), size)
    first = int(rng.integers(0, size - length + 1))
    beside = BESIDE if rng.random() < 0.7 else 0  # as within a log, or as at its ends
    begin = max(0, first - beside)
    part = slice(begin, first + length + beside)
    state = example.state[part].copy()
    courses = [
        replace(c, values=c.values[part].astype(float), off=c.off[part].copy(), known=c.known[part])
        for c in courses
    ]
    if rng.random() < STOPPED:
        courses = with_stops(courses, state, rng)
    if rng.random() < TOUCHED:
        courses = touched(courses, state, rng)
    harvests = state == STATES["harvest"]
    seen, any_seen = [], False
    beside_line = any(c.kind == "line" for c in courses)
    for kind, count in slots.items():
        mine = [c for c in courses if c.kind == kind][:count]
        for i in range(count):
            told = None
            if i < len(mine):
                told = shown.described(*otherwise(mine[i], harvests, beside_line, rng))
            any_seen |= told is not None
            seen.append(np.zeros((len(state), INPUTS[kind]), np.float32) if told is None else told)
    if not any_seen:
        return None
    at = np.minimum((np.arange(CROP) * length / CROP).astype(int), length - 1)
    return np.concatenate(seen, axis=1)[first - begin + at], state[first - begin + at]


def some_of(
    courses: Sequence[shown.Course], slots: Mapping[shown.Kind, int], rng: np.random.Generator
) -> list[shown.Course]:
    """Some of the channels of these kinds, so that each set of them is learned from; mixed."""
    courses = [c for c in courses if c.kind in slots]
    lines, currents, others = ([c for c in courses if c.kind == kind] for kind in SLOTS)
    draw = rng.random()
    if currents and draw < ALONE:
        return currents
    if lines and draw > 1.0 - ALONE:
        return [lines[int(rng.integers(len(lines)))]]
    kept = [c for c in (*lines, *others) if rng.random() < 0.7] + [c for c in currents if rng.random() < 0.8]
    return [kept[i] for i in rng.permutation(len(kept))]


def with_stops(
    courses: Sequence[shown.Course], state: np.ndarray, rng: np.random.Generator
) -> list[shown.Course]:
    """`courses` of a machine that trips within freezes: it stands for some minutes, and the line creeps towards the room, or to the ice's 0 °C.
    `state` (n,) becomes idle there."""
    freezes = np.flatnonzero(np.diff((state == STATES["freeze"]).astype(int), prepend=0, append=0)).reshape(
        -1, 2
    )
    if len(freezes) == 0:
        return list(courses)
    often, where, lasts = rng.uniform(0.1, 1.0), rng.uniform(0.05, 0.9), rng.uniform(5, 100)
    room, slow, back = rng.uniform(12.0, 32.0), rng.uniform(25.0, 250.0), rng.uniform(3.0, 25.0)
    melts = rng.normal(0.0, 1.0) if rng.random() < 0.5 else np.inf
    courses = [replace(c, values=c.values.copy(), off=c.off.copy()) for c in courses]
    for begin, end in freezes.tolist():
        first = begin + int((end - begin) * np.clip(where + rng.normal(0, 0.15), 0.02, 0.95))
        count = int(lasts * np.exp(rng.normal(0, 0.2)))
        if rng.random() > often or first < 1 or first + count + 6 > end:
            continue
        state[first : first + count] = STATES["idle"]
        since = np.arange(count)
        for c in courses:
            if c.kind == "current":
                c.values[first : first + count], c.off[first : first + count] = np.nan, True
            elif c.kind == "line":
                level = float(np.nan_to_num(c.values[first - 1]))
                target = max(min(room, melts), level)
                c.values[first : first + count] = level + (target - level) * (1.0 - np.exp(-since / slow))
                after = np.arange(end - first - count)
                far = np.nan_to_num(c.values[first + count - 1] - c.values[min(first + count, end - 1)])
                c.values[first + count : end] += far * np.exp(-after / back)
            else:
                c.values[first : min(first + count + 60, end)] = np.nan
    return courses


def touched(
    courses: Sequence[shown.Course], state: np.ndarray, rng: np.random.Generator
) -> list[shown.Course]:
    """`courses` of which a hand warms a clip now and then, where a current beside it shows that the freeze goes on."""
    kinds = {c.kind for c in courses}
    freeze = np.flatnonzero(state == STATES["freeze"])
    if not {"line", "current"} <= kinds or len(freeze) == 0:
        return list(courses)
    bump = np.zeros(len(state))
    for at in rng.choice(freeze, int(rng.integers(1, 7))).tolist():
        count, high = int(rng.integers(2, 20)), rng.uniform(2.0, 22.0)
        since = np.arange(len(state) - at)
        held = high * (1.0 - np.exp(-np.minimum(since, count) / rng.uniform(1.0, 5.0)))
        bump[at:] += held * np.exp(-np.maximum(since - count, 0) / rng.uniform(2.0, 15.0))
    one = next(c for c in courses if c.kind == "line")
    return [replace(c, values=c.values + bump) if c is one else c for c in courses]


def of_another_machine(
    course: shown.Course, harvests: np.ndarray, beside_line: bool, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """What a clamp shows where a harvest does something else to what it is on: the compressor stands, or draws more or less, and pumps and fans
    start and stop about it."""
    values, usual = course.values.copy(), float(np.nanmedian(course.values))
    if beside_line and rng.random() < 0.4:  # alone, it would look like a thermostat
        return {"values": np.where(harvests, np.nan, values), "off": course.off | harvests}
    edge = np.diff(harvests.astype(int), prepend=0)
    since = np.arange(len(values)) - np.maximum.accumulate(np.where(edge == 1, np.arange(len(values)), 0))
    lasts = max(float(harvests.sum()) / max((edge == 1).sum(), 1), 1.0)
    course_of_it = rng.uniform(0.6, 1.5) + rng.normal(0, 0.15) * np.minimum(since / lasts, 2.0)
    for_s = usual * (course_of_it if rng.random() < 0.7 else np.where(since < 0.3 * lasts, course_of_it, 1.0))
    within = harvests & np.isfinite(values)
    values[within] = for_s[within]
    for _ in range(
        int(rng.integers(0, 3))
    ):  # a pump or a fan, from some time after a harvest's begin to another
        begin, end = np.sort(rng.uniform(-0.5, 2.5, 2) * lasts)
        on = (since >= begin) & (since < end) & (since < 4 * lasts)
        values = values + on * usual * rng.normal(0, 0.1)
    return {"values": np.maximum(values, 0.2 * usual)}


def otherwise(
    course: shown.Course, harvests: np.ndarray, beside_line: bool, rng: np.random.Generator
) -> tuple[shown.Course, float]:
    """`course` as another clip, clamp or logger would show it, and by how much more it shall move."""
    values, louder = course.values, float(np.exp(rng.normal(0, 0.2)))
    if course.kind == "current" and rng.random() < OTHERWISE and harvests.any() and np.isfinite(values).any():
        course = replace(course, **of_another_machine(course, harvests, beside_line, rng))
        values = course.values
    if course.kind == "current":
        if rng.random() < WITH_LOAD and np.isfinite(values).any():
            # A fan or a heater that comes and goes by itself, in harvests or not.
            most_s = LOAD_S[1] if harvests.any() else LONG_LOAD_S
            turns = np.cumsum(rng.exponential(rng.uniform(LOAD_S[0], most_s), len(values)) / shown.STEP_S)
            on = np.searchsorted(turns, np.arange(len(values))) % 2 == 1
            on &= ~harvests | (rng.random() < 0.5)
            values = values + on * np.nanmedian(values) * rng.uniform(*LOAD_PART)
        louder *= -1.0 if rng.random() < 0.3 else 1.0
    elif course.kind == "line":
        middle = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
        values = middle + (values - middle) * np.exp(rng.normal(0, 0.2)) + rng.normal(0, 3.0)
        if rng.random() < 0.15:  # it comes off its pipe, more or less, for a while or for good
            at = np.sort(rng.integers(0, len(values), 2))
            loose = slice(at[0], at[1] if rng.random() < 0.5 else None)
            room = rng.uniform(18.0, 32.0)
            values[loose] = room + (values[loose] - room) * np.exp(rng.uniform(np.log(0.05), np.log(0.6)))
        if rng.random() < 0.3:  # a clip in the wind: it swings with something else
            at = np.arange(0, len(values) + 60, 60)
            values = values + rng.uniform(0, 3.0) * np.interp(
                np.arange(len(values)), at, rng.normal(0, 1, len(at))
            )
    read = np.isfinite(values)
    if course.kind != "current" and rng.random() < 0.4:  # a slower clip
        a = np.exp(-shown.STEP_S / rng.uniform(5.0, 60.0))
        filled = np.where(
            read,
            values,
            np.interp(np.arange(len(values)), np.flatnonzero(read), values[read]) if read.any() else 0.0,
        )
        slow = lfilter([1 - a], [1, -a], filled, zi=[a * filled[0]])[0]
        values = np.where(read, slow, np.nan)
    noise, interval_s = course.noise, course.interval_s
    if rng.random() < 0.4 and read.any():
        more = float(np.nanstd(values)) * np.exp(rng.uniform(np.log(0.003), np.log(0.1)))
        values = values + rng.normal(0, more, len(values))
        noise = float(np.hypot(noise, more))
    if rng.random() < 0.15:  # a slower logger
        every = int(rng.integers(2, 13))
        at = np.arange(0, len(values), every)
        if every * shown.STEP_S > interval_s and np.isfinite(values[at]).any():
            drawn = np.interp(
                np.arange(len(values)), at[np.isfinite(values[at])], values[at][np.isfinite(values[at])]
            )
            values = np.where(np.isfinite(values), drawn, np.nan)
            interval_s = every * shown.STEP_S
    return replace(course, values=values, noise=noise, interval_s=interval_s), louder
