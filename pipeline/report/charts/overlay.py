"""Freezes (or harvests) laid over each other from their start: the band that the usual ones keep to, and the others."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from pipeline.cycles.record import CycleRecord
from pipeline.logs.timeline import Channel, Timeline, holes
from pipeline.report.clock import S
from pipeline.report.numbers.columns import columns_of
from pipeline.report.numbers.levels import trusted_readings

MOST_SINGLE = 40  # abnormal ones that are drawn one by one
POINTS = 180  # moments at which the band is taken
BAND_PCT = (5.0, 50.0, 95.0)
AT_ONCE = 100  # of them are drawn at once: the readings of a year, once more, would fill the memory
REACH = 8.0  # times the usual length: one that went on for hours would leave the others no room
LEAST_IN_BAND = 5
"""Where fewer usual ones are left, or fewer than half of them, the band ends: what is left would be the slow ones alone."""


EDGES = {
    "freeze": ("freeze_start_ns", "harvest_start_ns"),
    "harvest": ("harvest_start_ns", "harvest_end_ns"),
}
"""Phase -> the columns in which it begins and ends."""


@dataclass(frozen=True, kw_only=True)
class Overlay:
    """minute: float64 (m,) from the start; low, middle, high: the 5th, 50th and 95th percentile of the usual ones
    [channel unit], NaN where fewer than five, or half of them, go on; there are `usual` of them, `usual_min` long as a
    rule; `cycles` and `curves` (k, m): the abnormal ones."""

    role: str
    unit: str
    minute: np.ndarray
    low: np.ndarray
    middle: np.ndarray
    high: np.ndarray
    usual: int
    of_all: bool  # next to none is usual: the band is that of all
    usual_min: float
    cut: bool  # the longest go on past the last minute
    cycles: tuple[int, ...]
    curves: np.ndarray


def cold_trace(timeline: Timeline) -> Channel | None:
    """The channel that shows a freeze best."""
    return timeline.get("evaporator", "suction", "current_compressor", "current", "power")


def overlay(
    timeline: Timeline,
    record: CycleRecord,
    phase: str,
    *,
    abnormal: set[int],
    beside: Collection[int] = (),
    channel: Channel | None = None,
) -> Overlay | None:
    """Every freeze (or harvest: `phase`) of the cycles, over `channel` (None: the cold trace).

    abnormal: numbers of the cycles that are drawn one by one (at most `MOST_SINGLE`, spread over the log) and stay out of the
    band. beside: numbers of those that follow something abnormal; they, broken ones and freezes that a compressor start
    began are not drawn, and stay out of the band where enough others are left. None where no channel shows anything, no cycle is whole, or too few are for a band and none
    is abnormal.
    """
    channel = channel or cold_trace(timeline)
    table = columns_of(record)
    if channel is None or not len(table["cycle"]):
        return None
    begin, stop = (table[column] for column in EDGES[phase])
    numbers = table["cycle"]
    whole = (begin >= 0) & (stop > begin)
    aside = table["broken"] | np.isin(numbers, list(beside))
    if phase == "freeze":
        aside = aside | table["after_idle"]
    begin, stop, numbers, aside = begin[whole], stop[whole], numbers[whole], aside[whole]
    if not len(begin):
        return None
    odd = np.isin(numbers, list(abnormal))
    plain = ~odd & ~aside
    if plain.sum() < LEAST_IN_BAND:
        plain = ~odd
    of_all = plain.sum() < LEAST_IN_BAND <= odd.sum()
    if of_all:
        plain = np.ones(len(odd), bool)
    if plain.sum() < LEAST_IN_BAND and not odd.any():
        return None
    length_min = (stop - begin) / S / 60
    usual_min = float(np.median(length_min[plain])) if plain.any() else float("nan")
    longest_min = float(length_min.max())
    minute = np.linspace(0, min(longest_min, np.nan_to_num(REACH * usual_min, nan=longest_min)), POINTS)
    time_ns, values = trusted_readings(channel)
    if not len(values):
        return None
    curves = _curves(time_ns, values, begin, length_min, minute, channel.interval_s)
    going = (length_min[plain][:, None] >= minute[None, :]).sum(axis=0)
    bands = (np.where(2 * going >= plain.sum(), band, np.nan) for band in percentiles(curves[plain]))
    low, middle, high = bands
    drawn = np.flatnonzero(odd)
    if len(drawn) > MOST_SINGLE:
        drawn = drawn[np.linspace(0, len(drawn) - 1, MOST_SINGLE).astype(int)]
    return Overlay(
        role=channel.role,
        unit=channel.unit,
        minute=minute,
        low=low,
        middle=middle,
        high=high,
        usual=int(plain.sum()),
        of_all=bool(of_all),
        usual_min=usual_min,
        cut=bool(longest_min > minute[-1]),
        cycles=tuple(int(n) for n in numbers[drawn]),
        curves=curves[drawn],
    )


def _curves(time_ns, values, begin, length_min, minute, interval_s) -> np.ndarray:
    """One row a stretch: the readings at each of `minute`, NaN past its end and inside holes of the log."""
    at = begin[:, None] + (minute * 60 * S).astype(np.int64)[None, :]
    curves = np.empty(at.shape)
    for k in range(0, len(at), AT_ONCE):
        rows = at[k : k + AT_ONCE]
        first, stop = np.searchsorted(time_ns, (rows.min(), rows.max()))
        some = slice(max(int(first) - 2, 0), int(stop) + 2)
        curves[k : k + AT_ONCE] = np.interp(
            (rows - time_ns[0]) / S, (time_ns[some] - time_ns[0]) / S, values[some]
        )
    silent = holes(time_ns, max(4 * interval_s, 20) * S)
    if len(silent):
        last = np.searchsorted(time_ns[silent], at) - 1
        curves[(last >= 0) & (at <= time_ns[silent + 1][last])] = np.nan
    curves[minute[None, :] > length_min[:, None]] = np.nan
    return curves


def percentiles(curves: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """BAND_PCT down each column of `curves` (cycles, points), over what is not NaN (linear between ranks, as numpy.percentile does by default)."""
    blank = np.full(curves.shape[1], np.nan)
    if len(curves) < LEAST_IN_BAND:
        return blank, blank, blank
    ranked = np.sort(curves, axis=0)  # NaN goes last
    count = np.isfinite(ranked).sum(axis=0)
    columns = np.arange(curves.shape[1])
    bands = []
    for pct in BAND_PCT:
        rank = np.maximum(count - 1, 0) * pct / 100
        under = np.floor(rank).astype(int)
        over = np.minimum(under + 1, np.maximum(count - 1, 0))
        value = ranked[under, columns] + (rank - under) * (ranked[over, columns] - ranked[under, columns])
        bands.append(np.where(count >= LEAST_IN_BAND, value, np.nan))
    return bands[0], bands[1], bands[2]
