"""Where the record itself is in doubt: a judgement of the machine must not rest on a boundary that was misread.

A harvest that the record missed makes one freeze of two; one that it invented makes two of one; a probe that fell off
makes anything. Each leaves a mark that a fault of the machine does not leave.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.logs.timeline import Channel

if TYPE_CHECKING:
    from pipeline.findings.case import Case

# Common practice, no source.
_NEAR = 0.08  # of the usual freeze: how near lengths must be to add up
_FEW_SPLITS, _SPLIT_SHARE = 2, 0.02  # invented harvests are rare; a fault that halves freezes is not
_SCRAP = 0.1  # of the usual freeze: shorter ones are no freezes
_INCREDIBLE_MIN = 20.0  # a harvest: controls give up long before
_TWICE = 1.6  # times the usual freeze from which a missed harvest is looked for
_HUMP_K = 1.2  # least rise within a freeze that is no noise
_HUMP_NOISE = 8.0  # … in multiples of the noise from one reading to the next
_HUMP_MIN = 12.0  # a harvest that does not warm is given up, or over, by then
_COMPARED = 6  # usual freezes whose own unevenness a hump must exceed twice
_WHOLE_RISE = 0.6  # of the usual harvest's rise: what rises so far was a harvest
_WARM = 0.6  # of the usual harvest's rise above the usual end of freeze: a hump begins colder
_IDLE_SHARE = 0.25  # part of a freeze that is warmer than a usual harvest ends: an idle lies in it
_SMOOTH_S = 30.0


def under_doubt(case: Case) -> np.ndarray:
    """Cycles during which the cold trace could not be believed, bool (n,)."""
    mask = np.zeros(case.n, bool)
    cold = case.timeline.get("evaporator", "suction")
    for doubt in case.timeline.doubts:
        if doubt.code in ("probe-fault", "probe-loose") and cold is not None and doubt.role == cold.role:
            mask |= (case.start_ns < doubt.end_ns) & (case.end_ns > doubt.start_ns)
    return mask


def beside_unclear(case: Case) -> np.ndarray:
    """Cycles that touch a stretch that the record calls unclear, or a gap: their ends are guesses, bool (n,)."""
    mask = np.zeros(case.n, bool)
    for phase in case.record.phases:
        if phase.kind in (PhaseKind.UNCLEAR, PhaseKind.GAP):
            mask |= (case.start_ns <= phase.end_ns) & (case.end_ns >= phase.start_ns)
    return mask


def scraps(case: Case, usual_min: float) -> np.ndarray:
    """Freezes so short that they are none, bool (n,)."""
    return case.freeze_min < _SCRAP * usual_min


def splits(case: Case, usual_min: float, no_harvest: np.ndarray) -> np.ndarray:
    """Pairs of short freezes that make a usual one with the harvest between them: it was hardly one, bool (n,).

    no_harvest: harvests that are doubtful by themselves, bool (n,). Where they are not, only a few such pairs are
    believed to be the record's fault.
    """
    mask = np.zeros(case.n, bool)
    if case.n < 2:
        return mask
    first, second, between = case.freeze_min[:-1], case.freeze_min[1:], case.harvest_min[:-1]
    adds_up = np.abs(first + between + second - usual_min) < _NEAR * usual_min
    short = (first < 0.85 * usual_min) & (second < 0.85 * usual_min)
    pairs = np.flatnonzero(adds_up & short & ~case.flag("after_idle")[1:])
    plain = pairs[no_harvest[pairs]]
    pairs = pairs[~no_harvest[pairs]]
    if len(pairs) > max(_FEW_SPLITS, _SPLIT_SHARE * case.n):
        pairs = pairs[:0]
    for k in (plain, pairs):
        mask[k] = mask[k + 1] = True
    return mask


def misplaced(case: Case, usual_min: float, usual_harvest_min: float) -> np.ndarray:
    """Cycles of usual length whose harvest is long by what their freeze is short: a boundary in the wrong place; and
    harvests longer than any control lets one be, bool (n,)."""
    cycle = usual_min + usual_harvest_min
    whole = np.abs(case.freeze_min + case.harvest_min - cycle) < _NEAR * cycle
    moved = whole & (case.harvest_min > 2 * usual_harvest_min) & (case.freeze_min < 0.9 * usual_min)
    return moved | (case.harvest_min > _INCREDIBLE_MIN)


def multiples(case: Case, usual_min: float, usual_harvest_min: float) -> np.ndarray:
    """Freezes as long as two usual ones with the harvest between them, or longer than that by far, bool (n,): without a
    probe on the cold side, harvests that the record missed look like this."""
    cycle = usual_min + (usual_harvest_min if np.isfinite(usual_harvest_min) else 0.0)
    whole = np.abs(case.freeze_min - usual_min - cycle) < 2 * _NEAR * usual_min
    return whole | (case.freeze_min > 2.9 * usual_min)


@dataclass(frozen=True, kw_only=True)
class Inside:
    """What very long freezes hold, by the cold trace, which should only fall in them; one value a cycle, bool (n,)."""

    cold: np.ndarray  # a harvest that was begun and did not warm
    missed: np.ndarray  # a harvest like any other, or an idle, which the record does not have


def inside(case: Case, usual_min: float, usual_rise_k: float) -> Inside:
    """Which freezes of more than 1.6 times the usual length hold a harvest or an idle."""
    cold, missed = np.zeros(case.n, bool), np.zeros(case.n, bool)
    channel = case.timeline.get("evaporator", "suction")
    long = np.flatnonzero(case.freeze_min > _TWICE * usual_min)
    if channel is None or len(long) == 0 or not np.isfinite(usual_rise_k):
        return Inside(cold=cold, missed=missed)
    cold_c = case.level("freeze_end_c")
    warm_c, peak_c = cold_c + _WARM * usual_rise_k, cold_c + usual_rise_k
    like_usual = np.abs(case.freeze_min - usual_min) < 0.2 * usual_min
    least_k = max(
        [
            _HUMP_K,
            *(
                2 * _course(channel, case, i, warm_c, peak_c).rise_k
                for i in np.flatnonzero(like_usual)[:_COMPARED]
            ),
        ]
    )
    for i in long:
        course = _course(channel, case, i, warm_c, peak_c)
        if course.warm_share > _IDLE_SHARE:
            missed[i] = True
        elif course.rise_k > max(least_k, _HUMP_NOISE * course.noise_k):
            missed[i] = course.rise_k > _WHOLE_RISE * usual_rise_k
            cold[i] = not missed[i]
    return Inside(cold=cold, missed=missed)


@dataclass(frozen=True, kw_only=True)
class _Course:
    """The cold trace within the middle of a freeze."""

    rise_k: float  # its largest rise from where it was cold
    noise_k: float  # from reading to reading
    warm_share: float  # part of it that is as warm as in harvest


def _course(channel: Channel, case: Case, i: int, warm_c: float, peak_c: float) -> _Course:
    start, end = case.start_ns[i], case.harvest_ns[i]
    a, b = np.searchsorted(channel.time_ns, [start + 0.2 * (end - start), end - 0.05 * (end - start)])
    values = channel.values[a:b][channel.trusted[a:b]]
    width = max(round(_SMOOTH_S / channel.interval_s), 1)
    if len(values) < 2 * width + 3:
        return _Course(rise_k=0.0, noise_k=0.0, warm_share=0.0)
    noise = float(np.median(np.abs(np.diff(values)))) / np.sqrt(width)
    smooth = np.convolve(values, np.ones(width) / width, "valid")
    return _Course(
        rise_k=_hump(smooth, warm_c, math.ceil(_HUMP_MIN * 60 / channel.interval_s)),
        noise_k=noise,
        warm_share=float(np.mean(values > peak_c)),
    )


def _hump(trace: np.ndarray, warm_c: float, within: int) -> float:
    """The largest rise of a trace from where it was cold, within so many readings, that it then loses again by half:
    hot gas does that, and a slow change of superheat does not. 0 where there is none."""
    padded = np.concatenate([np.full(within, np.inf), trace])
    lowest = np.lib.stride_tricks.sliding_window_view(padded, within + 1).min(axis=1)
    rise = np.where(lowest < warm_c, trace - lowest, 0.0)
    top = int(np.argmax(rise))
    falls_back = float(trace[top:].min()) <= trace[top] - 0.5 * rise[top]
    return float(rise[top]) if falls_back else 0.0
