"""What a lone current repeats: the change that recurs most evenly is one act of every cycle; the course laid upon itself there shows
the other, and which stretch between them is the harvest: the short one, in which things happen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cycles.segment.runs import Runs
from pipeline.cycles.signal.signals import Cells, Trace
from pipeline.cycles.states import FREEZE, HARVEST, IDLE
from pipeline.cycles.template import superpose
from pipeline.cycles.template.onsets import onsets

CHANGE_S = 15.0  # a change is sought over so long on either side
APART_S = 60.0  # two of one kind lie further apart
LEAST_EVENTS = 4
EVEN = 0.25  # part of the usual time by which one from act to act may differ
LEAST_EVEN = 0.7
LEAST_PERIOD_S, MOST_PERIOD_S = 300.0, 3 * 3600.0
AROUND = 0.3  # of a period on either side, within which the other act lies
FOR_LENGTH = 2.0  # what a harvest of a whole period would cost, in changes of full sharpness
STANDS_OUT = 0.1  # part of the sharpest change of a template below which another is none
LEAST_HARVEST_S, MOST_PART = 25.0, 0.4


@dataclass(frozen=True, kw_only=True)
class Recurring:
    """Harvests that a current shows again and again."""

    start_ns: np.ndarray  # int64 (k,)
    end_ns: np.ndarray
    even: float  # share of the times between them that are alike
    share: float  # of the running time that lies in such cycles


def recurring(trace: Trace, level: np.ndarray, cells: Cells) -> Recurring | None:
    """Harvests of the running current `level` (cells,), NaN where it stands; None where nothing recurs."""
    found = events(level, cells)
    if found is None:
        return None
    at, even, share = found
    at_ns = cells.start_ns[at]
    usual_s = float(np.median(np.diff(at_ns))) * 1e-9
    reach = AROUND * usual_s
    offsets = superpose.even_grid(reach, reach, [trace])
    laid = superpose.laid([trace], at_ns, offsets, 3 * cells.step_s)
    near, template = laid.near_ns, laid.templates[0]
    spans = [
        span_of(offsets, template.values[w], template.noise, trace.interval_s, usual_s)
        for w in range(len(template.values))
    ]
    known = np.array([s is not None for s in spans])
    if not known.any():
        return None
    start, end = (np.median([s[i] for s in spans if s is not None]) for i in (0, 1))
    return Recurring(
        start_ns=near + round(start * 1e9), end_ns=near + round(end * 1e9), even=even, share=share
    )


def events(level: np.ndarray, cells: Cells) -> tuple[np.ndarray, float, float] | None:
    """Cells (m,) of the changes of `level` (cells,) that recur most evenly and stand out most; how even they are, and of how much
    of the running time, 0…1."""
    w = max(1, round(CHANGE_S / cells.step_s))
    total = np.r_[0.0, np.cumsum(np.nan_to_num(level))]
    count = np.r_[0, np.cumsum(np.isfinite(level))]
    n = len(level)
    if n < 6 * w:
        return None
    change = np.full(n, np.nan)
    i = np.arange(w, n - w)
    full = (count[i + w] - count[i - w]) == 2 * w
    change[i] = np.where(full, (total[i + w] - 2 * total[i] + total[i - w]) / w, np.nan)
    span = np.searchsorted(cells.span_stop, np.arange(n), side="right")
    change[w:-w] = np.where(span[2 * w :] == span[: -2 * w], change[w:-w], np.nan)
    apart = max(2, round(APART_S / cells.step_s))
    running_s = float(np.isfinite(level).sum()) * cells.step_s
    off = np.r_[0, np.cumsum(~np.isfinite(level))]
    noise = 1.4826 * np.nanmedian(np.abs(change - np.nanmedian(change)))
    best, best_score = None, 0.0
    for sign in (1.0, -1.0):
        peaks = _peaks(np.nan_to_num(sign * change), apart)
        size = np.nan_to_num(sign * change)[peaks]
        keep = size > 2 * noise
        peaks, size = peaks[keep], size[keep]
        order = np.argsort(-size)
        if len(order) < LEAST_EVENTS:
            continue
        counts = np.unique(np.r_[np.geomspace(LEAST_EVENTS, len(order), 40).round().astype(int), len(order)])
        for k in counts:
            at = np.sort(peaks[order[:k]])
            gap_s = np.diff(at) * cells.step_s
            whole = off[at[1:]] == off[at[:-1]]
            if whole.sum() < LEAST_EVENTS - 1:
                continue
            usual = superpose.running_median(gap_s[whole], 8)
            if not LEAST_PERIOD_S <= np.median(usual) <= MOST_PERIOD_S:
                continue
            alike = np.abs(gap_s[whole] / usual - 1) < EVEN
            share = float(gap_s[whole][alike].sum()) / max(running_s, 1.0)
            even = float(alike.mean())
            nxt = size[order[k : k + max(2, k // 3)]]
            stands = 1.0 - float(np.median(nxt)) / float(size[order[k // 2]]) if len(nxt) else 1.0
            score = even**2 * min(share, 1.0) * (0.3 + 0.7 * max(stands, 0.0))
            if score > best_score:
                best, best_score = (at, even, share), score
    if best is None or best[1] < LEAST_EVEN or best[2] < 0.3:
        return None
    return best


def _peaks(values: np.ndarray, apart: int) -> np.ndarray:
    """Indices of values that are the greatest within `apart` on either side."""
    from scipy.ndimage import maximum_filter1d

    return np.flatnonzero((values == maximum_filter1d(values, 2 * apart + 1, mode="nearest")) & (values > 0))


def span_of(offsets, course, noise, interval_s, usual_s) -> tuple[float, float] | None:
    """Start and end of the harvest in a template about a recurring change [s]."""
    found = onsets(offsets, course, noise, interval_s)
    if not found:
        return None
    # Freezing goes smoothly: what is sharp lies in the harvest, its first and its last are the two acts.
    most = max(c.steep for c in found)
    found = [c for c in found if c.steep >= STANDS_OUT * most]
    best, best_score = None, 0.0
    for i, a in enumerate(found):
        for b in found[i + 1 :]:
            length = b.at - a.at
            if not LEAST_HARVEST_S <= length <= MOST_PART * usual_s:
                continue
            inside = sum(np.sqrt(c.steep / most) for c in found if a.at <= c.at <= b.at)
            score = inside - FOR_LENGTH * length / usual_s
            if score > best_score:
                best, best_score = (a.at, b.at), score
    return best


def runs_of(
    start_ns: np.ndarray, end_ns: np.ndarray, off: np.ndarray, cells: Cells, *, standing: bool = False
) -> Runs:
    """Phases by the harvests (k,) alone, int64 [ns]. off: (cells,) of bool, where the compressor stands; standing: in harvests too."""
    state = np.where(off, IDLE, FREEZE)
    for a, b in zip(*(np.searchsorted(cells.start_ns, x) for x in (start_ns, end_ns)), strict=True):
        state[a:b] = np.where(off[a:b] & (not standing), IDLE, HARVEST)
    opens = np.zeros(len(cells), dtype=bool)
    opens[cells.span_first] = True
    first = np.flatnonzero(np.r_[True, state[1:] != state[:-1]] | opens)
    return Runs(
        state=state[first],
        first=first,
        stop=np.append(first[1:], len(cells)),
        margin=np.full(len(first), 2.0),
        opens_span=opens[first],
    )
