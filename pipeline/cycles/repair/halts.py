"""Harvests that are none: a line that warms up in mid-freeze because the compressor stands, not because of hot gas, what a start does to a
line or to a current, what a hand does to a clip, and ice that forms at a stroke; and rests that were named harvest or freeze.

All of these warm the line. Hot gas does so at once, far, and from where freezes end; a standing compressor slowly, from wherever the
freeze happened to be. Told apart by the log's own harvests.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import percentile_filter

from pipeline.cycles.label.moves import Scales
from pipeline.cycles.segment.runs import Runs, rejoined
from pipeline.cycles.signal.features import SlopeCells
from pipeline.cycles.signal.signals import Cells
from pipeline.cycles.states import FREEZE, HARVEST, IDLE

# Common practice, no source, all of them.
LEAST_HARVESTS = 4  # fewer have no usual rise
RISE_S = 40.0  # hot gas shows its steepest rise within this time
SLOW_RISE = 0.5  # of the usual one: too slow for hot gas
SLOWER = 0.8  # likewise, before a stop
WARM_START = 0.06  # of a swing above where freezes end there and then: the freeze was not at its end
# A second harvest on the heels of the first starts warm and has less to climb, but it gets as warm, and soon.
LOW_PEAK = 0.85  # of the usual one
LONG = 1.8  # times the usual harvest
LEAST_SHOWN = 6  # harvests by which it is known how the current shows one
BESIDE_S = 60.0  # of a freeze's end and beginning
CLEAR = 6.0  # times the noise of a cell
HALFWAY = 0.2  # of the usual freeze on either side: not one of two harvests in a row
UNREAD_C = -273.15  # stands for no reading
WARMS = 0.5  # of the usual rise
SILENT = 0.2  # of what it usually does: nothing
STILL = 0.1  # of how far it usually climbs: so is this, close upon another harvest
NEARLY_ALL = 0.75  # of the others
NEIGHBOURS, SMALL = 25, 0.25  # harvests, and the part of what a quarter of those warm the line by at least
HABIT = 0.05  # so many of the harvests are small, where ice forms at a stroke in many a freeze
STARTS, MOST = 2, 0.6  # so many starts, and that part of the log's, that open with a harvest are a habit
COOLS = 0.25  # of its climb by which a line falls again after its top: the gas is off
ENDLESS, RESTED = 3.0, 2  # times the usual freeze; stops that show how warm a standing machine's line is …
NEAR_K = 2.0  # … within the span of their levels, and so much about it
SOON_S = 180.0  # after a start: no freeze is over by then


def without_small_rises(runs: Runs, line: SlopeCells, *, clamped: bool) -> Runs:
    """`runs` without harvests that warm the line far less than most of their neighbours do: sub-cooled water that turns to ice
    at a stroke lifts it by a few kelvin in every freeze, and so does a door. clamped: a clamp shows them too; then it must be
    a habit."""
    at = np.flatnonzero(runs.state == HARVEST)
    rows = [line.level[max(a - 1, 0) : b + 1] for a, b in zip(runs.first[at], runs.stop[at], strict=True)]
    rise = np.array([climb_of(row[np.isfinite(row)]) for row in rows])
    known = np.isfinite(rise)
    if known.sum() < LEAST_HARVESTS:
        return runs
    usual = percentile_filter(rise[known], 75, size=NEIGHBOURS, mode="mirror")
    small = at[known][rise[known] < SMALL * usual]
    if len(small) == 0 or (clamped and len(small) < HABIT * len(at)):
        return runs
    state = runs.state.copy()
    state[small] = FREEZE
    return rejoined(replace(runs, state=state))


def unseen_stops(runs: Runs, line: SlopeCells, scales: Scales, cells: Cells) -> Runs:
    """`runs` with every "harvest" after a freeze that warms slowly, from too warm a start, and not far or
    not soon, called idle; and every one before a stop that warms more slowly than most, and not far."""
    at = np.flatnonzero((runs.state == HARVEST) & (np.r_[-1, runs.state[:-1]] == FREEZE) & ~runs.opens_span)
    if len(at) < LEAST_HARVESTS:
        return runs
    width = max(2, round(RISE_S / cells.step_s))
    within = int(np.median(runs.stop[at] - runs.first[at])) + width
    rise, start, peak = np.full((3, len(at)), np.nan)
    for i, (first, stop) in enumerate(zip(runs.first[at].tolist(), runs.stop[at].tolist(), strict=True)):
        level = line.level[first - 1 : stop + 1]
        if len(level) >= 3 and np.isfinite(level).all():
            over = min(width, len(level) - 1)
            rise[i] = (level[over:] - level[:-over])[:within].max()
            start[i], peak[i] = (np.array([level.min(), level.max()]) - scales.cold[first]) / scales.swing
    known = np.isfinite(rise)
    if known.sum() < LEAST_HARVESTS:
        return runs
    slow = rise < SLOW_RISE * np.median(rise[known])
    length = runs.stop[at] - runs.first[at]
    other = (peak < LOW_PEAK * np.median(peak[known])) | (length > LONG * np.median(length[known]))
    stopped = known & slow & other & (start > WARM_START)
    # Before a stop, one that stays colder than all others was no harvest: the ice melts in the standing machine.
    after = np.r_[runs.state[1:], -1][at]
    cold = peak < LOW_PEAK * np.median(peak[known])
    slower = cold & (rise < SLOWER * np.median(rise[known]))
    stopped |= known & (slower | (slow & (start > WARM_START))) & (after == IDLE)
    stops = at[stopped]
    if len(stops) == 0:
        return runs
    state = runs.state.copy()
    state[stops] = IDLE
    return rejoined(replace(runs, state=state))


def rests_after_harvests(runs: Runs, line: SlopeCells, cells: Cells) -> Runs:
    """`runs` with "harvests" longer than any ended where the line is warmest, if it cools again after that: the machine rests with
    a full bin, and its line creeps back towards the room."""
    most = round(60.0 * cells.limits["harvest_most_min"] / cells.step_s)
    tops = {}
    for i in np.flatnonzero((runs.state == HARVEST) & (runs.stop - runs.first > most)).tolist():
        level = line.level[runs.first[i] : runs.stop[i]]
        if not np.isfinite(level).all():
            continue
        top = int(np.argmax(level[:most]))
        if level[top] - level[top:].min() > COOLS * (level[top] - level[0]):
            tops[i] = int(runs.first[i]) + top + 1
    if not tops:
        return runs
    at = np.array(list(tops)) + 1
    split = np.array(list(tops.values()))
    stop = runs.stop.copy()
    stop[at - 1] = split
    return rejoined(
        Runs(
            state=np.insert(runs.state, at, IDLE),
            first=np.insert(runs.first, at, split),
            stop=np.insert(stop, at, runs.stop[at - 1]),
            margin=np.insert(runs.margin, at, runs.margin[at - 1]),
            opens_span=np.insert(runs.opens_span, at, False),
        )
    )


def rests_like_others(runs: Runs, line: SlopeCells) -> Runs:
    """`runs` with endless "freezes" called idle in which the line stays as warm as in the log's other stops, and never gets as cold
    as in its freezes: it cooled after the harvest as it does then too, and the log ends before it tells more."""
    freeze, idle = (np.flatnonzero(runs.state == kind) for kind in (FREEZE, IDLE))
    length = runs.stop - runs.first
    if len(freeze) == 0:
        return runs
    usual = int(np.median(length[freeze]))
    rested = np.array([_usual(line.level[runs.first[i] : runs.stop[i]]) for i in idle])
    rested = rested[np.isfinite(rested)]
    if len(rested) < RESTED:
        return runs
    freezing = [_usual(line.level[runs.first[i] : runs.stop[i]]) for i in freeze.tolist()]
    least = max(rested.min() - NEAR_K, 0.5 * (np.median(rested) + np.nanmedian(freezing)))
    endless = []
    for i in freeze[length[freeze] > ENDLESS * usual].tolist():
        level = line.level[runs.first[i] : runs.stop[i]]
        coldest = np.min(level[np.isfinite(level)], initial=np.inf)
        if least <= coldest and _usual(level[usual:]) <= rested.max() + NEAR_K:
            endless.append(i)
    if not endless:
        return runs
    state = runs.state.copy()
    state[endless] = IDLE
    return rejoined(replace(runs, state=state))


def without_odd_ones(runs: Runs, cells: Cells) -> Runs:
    """`runs` without a harvest that seems to open a run here and there, but not most of them: what a start does to a line and to a
    current, not hot gas."""
    state = runs.state
    before = np.r_[-1, state[:-1]]
    starts = np.flatnonzero((before == IDLE) & (state != IDLE) & ~runs.opens_span)
    length_s = (runs.stop - runs.first) * cells.step_s
    soon = (state[starts] == FREEZE) & (length_s[starts] < SOON_S)
    at = starts + soon
    at = at[at + 1 < len(state)]
    joined = ~runs.opens_span[at] & ~runs.opens_span[at + 1]
    at = at[(state[at] == HARVEST) & (state[at + 1] == FREEZE) & joined]
    if len(at) == 0 or len(at) >= max(STARTS, MOST * len(starts)):
        return runs
    state = state.copy()
    state[at] = FREEZE
    return rejoined(replace(runs, state=state))


def unseen_by_current(runs: Runs, line: SlopeCells, running: SlopeCells, cells: Cells) -> Runs:
    """`runs` without harvests in which the line warms well and of which the current knows nothing, where it shows nearly all
    others: a hand warmed the clip, or the clip was moved. One that hardly warms may be a harvest without hot gas."""
    before = np.r_[-1, runs.state[:-1]]
    after = np.r_[runs.state[1:], -1]
    opens_next = np.r_[runs.opens_span[1:], True]
    at = np.flatnonzero(
        (runs.state == HARVEST) & (before == FREEZE) & (after == FREEZE) & ~runs.opens_span & ~opens_next
    )
    if len(at) < LEAST_SHOWN:
        return runs
    first, stop = runs.first[at], runs.stop[at]
    beside = max(2, round(BESIDE_S / cells.step_s))
    total = np.r_[0.0, np.cumsum(np.nan_to_num(running.level))]
    known = np.r_[0, np.cumsum(np.isfinite(running.level))]

    def mean(a, b):
        a, b = np.clip(a, 0, len(running.level)), np.clip(b, 0, len(running.level))
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(known[b] - known[a] == b - a, (total[b] - total[a]) / (b - a), np.nan)

    lead = mean(first - 1 - beside, first - 1)
    rise, climb = mean(first + 1, stop) - lead, mean(stop + 1, stop + 1 + beside) - lead
    seen = np.isfinite(rise) & np.isfinite(climb)
    if seen.sum() < LEAST_SHOWN:
        return runs
    usual_rise, usual_climb = float(np.median(rise[seen])), float(np.median(climb[seen]))
    noise = running.slope_noise * np.sqrt(2) * cells.step_s / 60.0
    if min(abs(usual_rise), abs(usual_climb)) < CLEAR * noise:
        return runs
    length = runs.stop - runs.first
    apart = np.minimum(length[at - 1], length[at + 1]) > HALFWAY * np.median(length[runs.state == FREEZE])
    level = np.append(np.where(np.isfinite(line.level), line.level, UNREAD_C), UNREAD_C)
    warmed = np.maximum.reduceat(level, np.ravel([first, stop], "F"))[::2] - level[first - 1]
    warm = seen & (warmed > WARMS * np.median(warmed[seen])) & (level[first - 1] > UNREAD_C)
    silent = apart & (np.abs(rise) < SILENT * abs(usual_rise)) & (np.abs(climb) < SILENT * abs(usual_climb))
    # Close upon another one the current falls anyway; while the gas is on it climbs.
    way = np.sign(usual_climb)
    inner = np.array([climb_of(way * running.level[a - 1 : b + 2]) for a, b in zip(first, stop, strict=True)])
    silent |= ~apart & (inner < STILL * np.median(inner[seen]))
    silent &= warm
    shown = seen & (rise / usual_rise > 0.5) & (climb / usual_climb > 0.5)
    if (
        not silent.any()
        or shown.sum() < NEARLY_ALL * (seen & ~silent).sum()
        or silent.mean() > 1 - NEARLY_ALL
    ):
        return runs
    state = runs.state.copy()
    state[at[silent]] = FREEZE
    return rejoined(replace(runs, state=state))


def _usual(row: np.ndarray) -> float:
    """The middle of what is known of a course; NaN where nothing is."""
    known = row[np.isfinite(row)]
    return float(np.median(known)) if len(known) else np.nan


def climb_of(row: np.ndarray) -> float:
    """How far a course `row` (k,) climbs at most, in its unit; NaN where it is empty."""
    return float((row - np.minimum.accumulate(row)).max()) if len(row) else np.nan
