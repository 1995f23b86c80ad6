"""Cycles in doubt: a judgement of the machine must not rest on a boundary that was misread.

A harvest that the record missed makes one freeze of two; one that it invented makes two of one; a probe that fell off
makes anything. Each leaves a mark that a fault of the machine does not leave.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import PhaseKind
from pipeline.findings.masks.columns import NS_PER_MIN, Columns, following, of_the_next
from pipeline.findings.methods import statistics
from pipeline.logs.timeline import Channel

# How the trace is looked at; what is made of it stands in the table of thresholds.
_COMPARED = 6  # usual freezes that are looked at for their own unevenness …
_LIKE_USUAL = 0.2  # … and how near to the usual length they must be, as a share
_SMOOTH_S = 30.0
_FROM = 0.2  # of a freeze: what is before is its start


def under_doubt(columns: Columns) -> np.ndarray:
    """Cycles during which the cold trace could not be trusted, bool (n,)."""
    mask = np.zeros(columns.n, bool)
    cold = columns.timeline.get("evaporator", "suction")
    for doubt in columns.timeline.doubts:
        if doubt.code in ("probe-fault", "probe-loose") and cold is not None and doubt.role == cold.role:
            mask |= (columns.start_ns < doubt.end_ns) & (columns.end_ns > doubt.start_ns)
    return mask


def beside_unclear(columns: Columns) -> np.ndarray:
    """Cycles that touch a stretch that the record calls unclear, or a gap: their ends are guesses, bool (n,)."""
    mask = np.zeros(columns.n, bool)
    for phase in columns.record.phases:
        if phase.kind in (PhaseKind.UNCLEAR, PhaseKind.GAP):
            mask |= (columns.start_ns <= phase.end_ns) & (columns.end_ns >= phase.start_ns)
    return mask


def broken(columns: Columns) -> np.ndarray:
    """Cycles that a trip, a gap or a probe that cannot be trusted lies in, bool (n,)."""
    return columns.flag("broken") | under_doubt(columns)


def usual_freeze(columns: Columns, broken: np.ndarray) -> float:
    """The middle of all whole freezes [min], those in `broken` (bool (n,)) left out; NaN where fewer than three were seen."""
    lengths = columns.freeze_min[np.isfinite(columns.freeze_min) & ~broken]
    return float(np.median(lengths)) if len(lengths) >= 3 else math.nan


def repeats(columns: Columns, usual_min: float, broken: np.ndarray, spells: np.ndarray) -> np.ndarray:
    """Cycles whose freeze is so short that their harvest repeats the one before, bool (n,).

    Shorter still where the harvest before was no longer than usual: then the length alone has to say it. usual_min: the usual
    freeze [min]; broken, spells: cycles that tell nothing, bool (n,).
    """
    none = np.zeros(columns.n, bool)
    if not math.isfinite(usual_min):
        return none
    t, usual_harvest = columns.thresholds, columns.level("harvest_min", ~broken)
    after_long = following(columns.harvest_min > t["ran_long_pct"] / 100 * usual_harvest)
    share = np.where(after_long, t["repeat_after_long_share"], t["repeat_freeze_share"])
    real = columns.harvest_min > t["whole_harvest_pct"] / 100 * usual_harvest
    short = (columns.freeze_min < share * usual_min) & real & following(real) & ~columns.flag("after_idle")
    nothing = spells | under_doubt(columns)
    short &= ~beside_unclear(columns) & ~impossibly_short(columns, usual_min) & ~nothing & ~following(nothing)
    short &= ~_add_up(columns, usual_min)  # after a harvest that was repeated the next freeze is a whole one
    return short if 100 * short.mean() < t["repeats_most_pct"] else none


def harvests(columns: Columns, broken: np.ndarray, spells: np.ndarray) -> np.ndarray:
    """Harvests whose length may be judged, bool (n,): whole, timed, and in no cycle that tells nothing (`broken`, `spells`, bool (n,))."""
    if not columns.record.harvests_timed:
        return np.zeros(columns.n, bool)
    whole = np.isfinite(columns.harvest_min) & columns.flag("complete")
    return whole & ~broken & ~beside_unclear(columns) & ~spells


def cut_off(columns: Columns, usual_min: float) -> np.ndarray:
    """Short freezes whose harvest a stop followed, where no clamp shows stops, bool (n,): it was the stop that warmed the line."""
    if columns.clamped:
        return np.zeros(columns.n, bool)
    stopped = (PhaseKind.IDLE, PhaseKind.GAP, PhaseKind.UNCLEAR)
    ends = [
        a.end_ns
        for a, b in itertools.pairwise(columns.record.phases)
        if a.kind is PhaseKind.HARVEST and b.kind in stopped
    ]
    short = columns.freeze_min < columns.thresholds["split_short_pct"] / 100 * usual_min
    return short & np.isin(columns.end_ns, ends)


def impossibly_short(columns: Columns, usual_min: float) -> np.ndarray:
    """Freezes so short that they are none, bool (n,)."""
    return columns.freeze_min < columns.thresholds["scrap_pct"] / 100 * usual_min


def runs_of_short_freezes(columns: Columns, usual_min: float) -> np.ndarray:
    """Cycles in a row whose freezes are all far too short for ice, and the one that they cut off, bool (n,).

    A line that turns every few minutes is a compressor that stops and starts, whatever the record calls its turns; a
    harvest that is repeated makes one such freeze, or two. In a log that has longer rows, and no clamp to see stops by, two
    are no repeat either.
    """
    t, mask = columns.thresholds, np.zeros(columns.n, bool)
    brief = statistics.episodes(columns.freeze_min < t["spell_freeze_pct"] / 100 * usual_min)
    most = max((last - first + 1 for first, last in brief), default=0)
    blind = not columns.clamped
    for first, last in brief:
        if last - first + 1 >= (
            t["spell_blind"] if blind and most >= t["starts_needed"] else t["starts_needed"]
        ):
            mask[max(first - 1, 0) : last + 1] = True
    return mask


def stops_in_freeze(columns: Columns, usual_min: np.ndarray, cold: np.ndarray) -> np.ndarray:
    """Cycles whose harvest was none, bool (n,): it stayed cold (`cold`, bool (n,)) and came in mid-freeze.

    The compressor stood, and there was no clamp to see it by. A harvest that stalls comes after a whole freeze, or after
    another one that stalled; so of cold ones in a row the first one tells. usual_min: the usual freeze round each (n,).
    """
    whole_min = columns.thresholds["split_short_pct"] / 100 * usual_min
    mid_freeze = (columns.freeze_min < whole_min) & ~columns.flag("after_idle")
    mask = np.zeros(columns.n, bool)
    for first, last in statistics.episodes(cold):
        mask[first : last + 1] = mid_freeze[first]
    return mask


def cut_in_two(columns: Columns, usual_min: float, no_harvest: np.ndarray) -> np.ndarray:
    """Pairs of short freezes that make a usual one with the harvest between them: it was hardly one, bool (n,).

    no_harvest: harvests that are doubtful by themselves, bool (n,). Where they are not, only a few such pairs are
    taken to be the record's fault.
    """
    t, mask = columns.thresholds, np.zeros(columns.n, bool)
    pairs = np.flatnonzero(_add_up(columns, usual_min))
    plain = pairs[no_harvest[pairs]]
    pairs = pairs[~no_harvest[pairs]]
    if len(pairs) > max(t["splits_few"], t["splits_few_pct"] / 100 * columns.n):
        pairs = pairs[:0]
    for k in (plain, pairs):
        mask[k] = mask[k + 1] = True
    return mask


def _add_up(columns: Columns, usual_min: float) -> np.ndarray:
    """Short freezes that make a usual one with their harvest and the short freeze after it, bool (n,)."""
    t, first, second = columns.thresholds, columns.freeze_min, of_the_next(columns.freeze_min)
    whole = np.abs(first + columns.harvest_min + second - usual_min) < t["adds_up_pct"] / 100 * usual_min
    short = np.fmax(first, second) < t["split_short_pct"] / 100 * usual_min
    return whole & short & ~of_the_next(columns.flag("after_idle"))


def misplaced(columns: Columns, usual_min: float, usual_harvest_min: float) -> np.ndarray:
    """Cycles of usual length whose harvest is long by what their freeze is short: a boundary in the wrong place; and
    harvests longer than any control lets one be, bool (n,)."""
    t, cycle = columns.thresholds, usual_min + usual_harvest_min
    whole = np.abs(columns.freeze_min + columns.harvest_min - cycle) < t["adds_up_pct"] / 100 * cycle
    long = columns.harvest_min > t["misplaced_harvest_pct"] / 100 * usual_harvest_min
    short = columns.freeze_min < t["misplaced_freeze_pct"] / 100 * usual_min
    return (whole & long & short) | (columns.harvest_min > t["harvest_never_min"])


def multiples(columns: Columns, usual_min: np.ndarray, usual_harvest_min: float) -> np.ndarray:
    """Freezes as long as two usual ones with the harvest between them, or longer than that by far, bool (n,): without a
    probe on the cold side, harvests that the record missed look like this. usual_min: the usual freeze round each (n,)."""
    t, cycle = columns.thresholds, usual_min + (usual_harvest_min if np.isfinite(usual_harvest_min) else 0.0)
    whole = np.abs(columns.freeze_min - usual_min - cycle) < 2 * t["adds_up_pct"] / 100 * usual_min
    return whole | (columns.freeze_min > t["sewn_pct"] / 100 * usual_min)


@dataclass(frozen=True, kw_only=True)
class Within:
    """What very long freezes hold, by the cold trace, which should only fall in them; one value a cycle, bool (n,)."""

    cold: np.ndarray  # a harvest that was begun and did not warm
    missed: np.ndarray  # a harvest like any other, or an idle, which the record does not have
    stopped: np.ndarray  # a stop, which no clamp was there to see


def within_long_freezes(columns: Columns, usual_min: float, usual_rise_k: float) -> Within:
    """Which freezes of far more than the usual length hold a harvest or an idle."""
    t = columns.thresholds
    cold, missed, stopped = np.zeros((3, columns.n), bool)
    blind = not columns.clamped  # else a clamp tells of stops
    channel = columns.timeline.get("evaporator", "suction")
    long = np.flatnonzero(columns.freeze_min > t["hump_from_pct"] / 100 * usual_min)
    if channel is None:
        missed[long] = leaves_and_returns(
            columns, columns.start_ns[long], columns.harvest_ns[long], usual_min
        )
    if channel is None or not np.isfinite(usual_rise_k):
        return Within(cold=cold, missed=missed, stopped=stopped)
    cold_c = columns.level("freeze_end_c")
    warm_c, peak_c = cold_c + t["hump_begins_pct"] / 100 * usual_rise_k, cold_c + usual_rise_k
    uneven_k = max(
        (_trace(channel, columns, i, warm_c, peak_c).rise_k for i in _like_usual(columns, usual_min)),
        default=0.0,
    )
    least_k = max(t["hump_k"], t["hump_uneven"] * uneven_k)
    longer = np.flatnonzero(columns.freeze_min > (1 + t["run_out_pct"] / 100) * usual_min)
    for i in longer if blind else ():
        begun, over = stood(columns, columns.start_ns[i], columns.harvest_ns[i], usual_min)
        too_long_ns = (columns.freeze_min[i] - usual_min) * NS_PER_MIN
        missed[i] = over - begun > t["stood_share_pct"] / 100 * too_long_ns
    for i in long[~missed[long]]:
        trace = _trace(channel, columns, i, warm_c, peak_c)
        if 100 * trace.warm_share > t["idle_inside_pct"]:
            missed[i] = True
        elif trace.rise_k > max(least_k, t["hump_noise"] * trace.noise_k):
            missed[i] = trace.rise_k > t["whole_rise_pct"] / 100 * usual_rise_k
            # A stop comes at any time, a harvest when the freeze is done.
            cold[i] = not missed[i] and trace.rises_at_min > t["split_short_pct"] / 100 * usual_min
            stopped[i] = blind and not missed[i] and not cold[i]
    return Within(cold=cold, missed=missed, stopped=stopped)


def leaves_and_returns(
    columns: Columns, start_ns: np.ndarray, end_ns: np.ndarray, usual_min: float
) -> np.ndarray:
    """In which freezes, from `start_ns` to `end_ns` (m,), the clamp's current leaves what it is in usual ones, for half a harvest or longer,
    and returns to it, bool (m,).

    A freeze that goes on goes on as it was; a harvest, or a stop, comes and goes. usual_min: the usual freeze [min].
    """
    clamp, left = (
        columns.timeline.get("current_compressor", "current", "power"),
        np.zeros(len(start_ns), bool),
    )
    if clamp is None or not left.size:
        return left
    usual = _like_usual(columns, usual_min)
    traces = [_smooth_middle(clamp, columns.start_ns[i], columns.harvest_ns[i])[0] for i in usual]
    known = np.concatenate([np.empty(0), *traces])
    if not known.size:
        return left
    margin = columns.thresholds["leaves_pct"] / 100 * np.ptp(known)
    low, high = known.min() - margin, known.max() + margin
    least = columns.level("harvest_min") / 2 * 60 / clamp.interval_s
    for k in range(len(left)):
        trace, _ = _smooth_middle(clamp, start_ns[k], end_ns[k])
        outside = statistics.episodes((trace < low) | (trace > high))
        left[k] = any(a > 0 and b < len(trace) - 1 and b - a + 1 >= least for a, b in outside)
    return left


def _like_usual(columns: Columns, usual_min: float) -> np.ndarray:
    """The first few freezes of about the usual length [min], indices."""
    return np.flatnonzero(np.abs(columns.freeze_min - usual_min) < _LIKE_USUAL * usual_min)[:_COMPARED]


def stood(columns: Columns, start_ns: int, end_ns: int, usual_min: float) -> tuple[int, int]:
    """The longest part of a span in which the cold trace shows that the compressor stood: from, to [ns], the same twice where there is none.

    It stood at the melting point of ice after it had been colder, as in a freeze, in which it only falls, it never does; or it was warmer than
    freezes are for longer than one takes, and then fell at once, as after a start: a freeze that takes long falls slowly. usual_min: the usual freeze [min].
    """
    t, channel, none = columns.thresholds, columns.timeline.get("evaporator", "suction"), (start_ns, start_ns)
    cold_c = columns.level("freeze_end_c")
    rise_k = columns.level("harvest_peak_c") - cold_c
    if channel is None or not rise_k > 0 or not usual_min > 0:
        return none
    a, b = np.searchsorted(channel.time_ns, [start_ns, end_ns])
    use = channel.trusted[a:b]
    values, time_ns = channel.values[a:b][use], channel.time_ns[a:b][use]
    width = max(round(_SMOOTH_S / channel.interval_s), 1)
    if len(values) < 2 * width + 3:
        return none
    smooth = np.convolve(np.pad(values, width, mode="edge"), np.ones(width) / width, "same")[width:-width]
    melts = (smooth > np.minimum.accumulate(smooth) + t["hump_k"]) & (np.abs(smooth) < t["melting_c"])
    found = statistics.episodes(melts, bridge=width)
    near = max(math.ceil(t["stood_near_pct"] / 100 * usual_min * 60 / channel.interval_s), 1)
    warm = smooth > cold_c + t["stood_warm_pct"] / 100 * rise_k
    for first, last in statistics.episodes(warm, bridge=width):
        fell_k = smooth[max(last - near, first)] - smooth[min(last + near, len(smooth) - 1)]
        lasts_min = (time_ns[last] - time_ns[first]) / NS_PER_MIN
        if lasts_min > usual_min and fell_k > t["stood_falls_pct"] / 100 * rise_k:
            found.append((first, last))
    first, last = max(found, key=lambda e: e[1] - e[0], default=(0, 0))
    return (int(time_ns[first]), int(time_ns[last])) if last > first else none


@dataclass(frozen=True, kw_only=True)
class _Trace:
    """The cold trace within the middle of a freeze."""

    rise_k: float  # its largest rise from where it was cold …
    rises_at_min: float  # … and how long after the freeze's start that began
    noise_k: float  # from reading to reading
    warm_share: float  # part of it that is as warm as in harvest


def _smooth_middle(channel: Channel, start_ns: int, end_ns: int) -> tuple[np.ndarray, float]:
    """The trusted readings within the middle of a freeze, smoothed over half a minute, and their noise from one to the next; none where there
    are too few."""
    length = end_ns - start_ns
    # (floats would make a copy of all times)
    ends_ns = [
        start_ns + int(_FROM * length),
        end_ns - int(0.05 * length),
    ]
    a, b = np.searchsorted(channel.time_ns, ends_ns)
    values = channel.values[a:b][channel.trusted[a:b]]
    width = max(round(_SMOOTH_S / channel.interval_s), 1)
    if len(values) < 2 * width + 3:
        return np.empty(0), 0.0
    noise = float(np.median(np.abs(np.diff(values)))) / np.sqrt(width)
    return np.convolve(values, np.ones(width) / width, "valid"), noise


def _trace(channel: Channel, columns: Columns, i: int, warm_c: float, peak_c: float) -> _Trace:
    smooth, noise = _smooth_middle(channel, columns.start_ns[i], columns.harvest_ns[i])
    if not len(smooth):
        return _Trace(rise_k=0.0, rises_at_min=0.0, noise_k=0.0, warm_share=0.0)
    t = columns.thresholds
    within = math.ceil(t["hump_min"] * 60 / channel.interval_s)
    rise_k, foot = _hump(smooth, warm_c, within, lost=t["hump_falls_pct"] / 100)
    return _Trace(
        rise_k=rise_k,
        rises_at_min=_FROM * columns.freeze_min[i] + (foot * channel.interval_s + _SMOOTH_S / 2) / 60,
        noise_k=noise,
        warm_share=float(np.mean(smooth > peak_c)),
    )


def _hump(trace: np.ndarray, warm_c: float, within: int, lost: float) -> tuple[float, int]:
    """The largest rise of a trace from where it was cold, within so many readings, of which it then loses the share `lost`
    again: hot gas does that, and a slow change of superheat does not. With it the reading from which the first rise of
    at least half of that began. (0, 0) where there is none."""
    padded = np.concatenate([np.full(within, np.inf), trace])
    lowest = np.lib.stride_tricks.sliding_window_view(padded, within + 1).min(axis=1)
    rise = np.where(lowest < warm_c, trace - lowest, 0.0)
    top = int(np.argmax(rise))
    if float(trace[top:].min()) > trace[top] - lost * rise[top]:
        return 0.0, 0
    risen = int(np.argmax(rise >= rise[top] / 2))
    before = max(risen - within, 0)
    return float(rise[top]), before + int(np.argmin(trace[before : risen + 1]))
