"""A load that comes and goes in mid-freeze, taken out of the current.

A condenser fan on a pressure switch (or a second fan, a pump that pauses) makes steps of one height, down and up in turn,
in every freeze. Beside them the one step that ends a harvest is hard to tell. Where a first search finds such steps in most
freezes, to their ends, the load's course, on or off, is drawn through the whole log so that what is left of the current steps
as little as can be, and is subtracted.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np

from pipeline.cycles.load import sharp
from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.signals import Cells, Trace, noise_of, sampled
from pipeline.cycles.states import FREEZE, HARVEST

# Common practice, no source, all of them.
CLEAR = 4.0  # a load's step is so many times its own noise
SLIGHT = 1.0  # so many times what lies between most readings is every step that is sought …
LEAST = 0.02  # … and this part of the usual current, at least
MOST = 0.5  # of the usual current: no fan draws more beside a compressor that runs
TRIED = 16  # heights of a load
ENOUGH = 1500  # steps, to tell it
BETWEEN = 0.2  # of the readings, at least, have no step beside them
LEAST_NOISE = 0.5  # of the resolution: what rounding does to a steady load
NOTED = 0.4  # of a load: a step of so much may be its …
ALIKE = 0.25  # steps of a load differ by less than this part of them …
BETWEEN_TWO = 1.0  # … and there are, for each of them, no more than so many between them and noise
STEPS = 3  # in a freeze: a load goes, comes and goes …
SHARE = 0.5  # … in so many of the freezes …
LEAST_FREEZES = 3  # … of so many, at least
MARGIN_S = 30.0  # off the ends of a freeze, in which it may not have begun, or may be over
PIECE_S = 1200.0  # of a log, where no freezes are known
RUNS = 0.35  # of the usual current: under this the compressor is off
HELD = 2.0  # steps, against a load that is not, through a whole harvest, as it is in the others
RATHER_OFF = 0.4  # of a step for every harvest: what is explained so much better by a load that is on through all of them


def steady(trace: Trace, runs: Runs | None, cells: Cells, through: bool | None = None) -> Trace | None:
    """The current `trace` of a whole unit without the load that comes and goes in mid-freeze; None where there is none. runs:
    of a first search; None: it found nothing. through: the load is on through harvests, or off; None: as leaves less."""
    over = sharp.readings_beside(trace.interval_s)
    if len(trace.values) < 8 * over:
        return None
    some = sampled(trace.values)
    usual = float(np.median(some[some >= RUNS * np.quantile(some, 0.99)]))
    noise = max(_between(trace.values), LEAST_NOISE * trace.channel.resolution)
    steps = sharp.steps_of(
        trace.values, max(SLIGHT * noise * np.sqrt(2.0 / over), LEAST * usual), over, RUNS * usual
    )
    load = _load(steps, usual)
    part = np.abs(steps.height[steps.before & steps.after]) / load
    if np.sum((part >= NOTED) & (part < 1.0 - ALIKE)) > BETWEEN_TWO * np.sum(np.abs(part - 1.0) < ALIKE):
        return None
    steps = steps.some(np.abs(steps.height) > NOTED * load)
    on = _course(steps, load, _harvests(trace.time_ns[steps.at], runs, cells), through)
    change = np.zeros(len(trace.values) + 1)
    np.add.at(change, steps.at + 1, np.diff(on) * steps.part)
    np.add.at(change, steps.at + 2, np.diff(on) * (1.0 - steps.part))
    values = trace.values - load * (on[0] + np.cumsum(change[:-1]))
    noise = noise_of(values, trace.channel.resolution)
    if load < CLEAR * noise * np.sqrt(2.0 / over) or not _comes_and_goes(
        trace.time_ns[steps.at], np.diff(on), runs, cells
    ):
        return None
    return replace(trace, values=values, noise=noise)


def _between(values: np.ndarray) -> float:
    """Standard deviation of one reading where the readings beside it show no step, from the least differences."""
    least = sampled(np.abs(np.diff(values)))
    return float(np.quantile(least, BETWEEN)) / NormalDist().inv_cdf((1.0 + BETWEEN) / 2.0) / np.sqrt(2.0)


def _load(steps: sharp.Steps, usual: float) -> float:
    """How high the steps are that, taken out, leave the least."""
    loads = np.geomspace(2.0 * LEAST, MOST, TRIED) * usual
    some = steps.some(slice(ENOUGH))
    stay = np.abs(some.height)
    up, down = np.abs(some.height[:, None] - loads), np.abs(some.height[:, None] + loads)
    off, on = np.zeros(TRIED), np.zeros(TRIED)
    for i, (before, after) in enumerate(zip(some.before.tolist(), some.after.tolist(), strict=True)):
        if before and after:
            off, on = np.minimum(off + stay[i], on + down[i]), np.minimum(on + stay[i], off + up[i])
        elif before:
            off, on = np.minimum(off, on), np.full(TRIED, np.inf)
        elif after:
            on = off
    best = float(loads[np.argmin(np.minimum(off, on))])
    like = np.abs(stay - best) < ALIKE * best
    return float(np.median(stay[like])) if like.any() else best


def _comes_and_goes(when_ns: np.ndarray, change: np.ndarray, runs: Runs | None, cells: Cells) -> bool:
    """Whether a load that changes so at these moments does it within most freezes. What a machine does as each freeze begins is
    over then; what comes and goes does so to the end."""
    begin_ns, end_ns = _freezes(runs, cells)
    when_ns = when_ns[change != 0]
    first, middle, stop = (
        np.searchsorted(when_ns, x) for x in (begin_ns, begin_ns // 2 + end_ns // 2, end_ns)
    )
    return bool(
        len(begin_ns) >= LEAST_FREEZES and np.mean((stop - first >= STEPS) & (stop > middle)) >= SHARE
    )


def _freezes(runs: Runs | None, cells: Cells) -> tuple[np.ndarray, np.ndarray]:
    """Between what times [ns] freezes surely go on, short ones left out; where none are known, pieces of the log."""
    if runs is None:
        piece = max(1, round(PIECE_S / cells.step_s))
        first = np.concatenate(
            [np.arange(a, b - piece, piece) for a, b in zip(cells.span_first, cells.span_stop, strict=True)]
        )
        return cells.start_ns[first], cells.start_ns[first + piece]
    freeze = runs.state == FREEZE
    begin_ns, end_ns = cells.start_ns[runs.first[freeze]], cells.start_ns[runs.stop[freeze] - 1]
    margin_ns = round(MARGIN_S * 1e9)
    begin_ns, end_ns = begin_ns + margin_ns, end_ns - margin_ns
    long = end_ns - begin_ns > 0.5 * np.median(end_ns - begin_ns) if freeze.any() else freeze[freeze]
    return begin_ns[long], end_ns[long]


def _harvests(when_ns: np.ndarray, runs: Runs | None, cells: Cells) -> np.ndarray:
    """How much of harvests lies before, between and after these moments [harvests], (n,) in, (n + 1,) out."""
    harvest = runs.state == HARVEST if runs is not None else np.zeros(0, dtype=bool)
    if not harvest.any():
        return np.zeros(len(when_ns) + 1)
    begin_ns, last_ns = cells.start_ns[runs.first[harvest]], cells.start_ns[runs.stop[harvest] - 1]
    edges_ns = np.ravel([begin_ns, last_ns + round(0.9e9 * cells.step_s)], order="F")
    past = np.interp(when_ns, edges_ns, (np.arange(len(edges_ns)) + 1) // 2)
    return np.diff(past, prepend=0.0, append=float(len(begin_ns)))


def _course(steps: sharp.Steps, load: float, harvests: np.ndarray, through: bool | None) -> np.ndarray:
    """The load on (1) or off (0) before, between and after the steps, (n + 1,). harvests: (n + 1,), how much of them lies there;
    through all of them the load is off, as most fans are, or on."""
    ways = ((0.0, 1.0), (1.0, 0.0)) if through is None else ((float(through), float(not through)),)
    off, *on = (_cheapest(steps, load, HELD * load * np.outer(harvests, x)) for x in ways)
    better = on and on[0][1] < off[1] - RATHER_OFF * load * harvests.sum()
    return (on[0] if better else off)[0]


def _cheapest(steps: sharp.Steps, load: float, against: np.ndarray) -> tuple[np.ndarray, float]:
    """The course of the load that leaves the least height of steps, and how much that is, with what speaks `against` off and on,
    (n + 1, 2), counted as height. While the compressor stands the load is off."""
    stay = np.abs(steps.height)
    up, down = np.abs(steps.height - load), np.abs(steps.height + load)
    off, on = against[0].tolist()
    came = np.zeros((len(stay), 2), dtype=np.int8)  # from which of the two
    rows = zip(*(x.tolist() for x in (stay, up, down, steps.before, steps.after, against[1:])), strict=True)
    for i, (still, comes, goes, before, after, (no_off, no_on)) in enumerate(rows):
        if before and after:
            came[i] = int(on + goes < off + still), int(on + still <= off + comes)
            off, on = min(off + still, on + goes), min(on + still, off + comes)
        elif before:
            came[i] = int(on < off)
            off, on = min(off, on), np.inf
        else:
            off, on = off, off if after else np.inf
        off, on = off + no_off, on + no_on
    course = np.empty(len(stay) + 1)
    course[-1] = last = int(on < off)
    for i in range(len(stay) - 1, -1, -1):
        course[i] = last = int(came[i, last])
    return course, min(off, on)
