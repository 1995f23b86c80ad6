"""Rows in the order of the file → strictly increasing times: resets undone, rows sorted, repeats dropped."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.clock.stamp_parser import DAY_NS, SECOND_NS
from pipeline.logs.rows.column_blocks import steps_between
from pipeline.logs.timeline import Doubt

RESET_JUMP_DAYS = 60
"""A step of this much backwards is a clock that was reset, not rows out of order. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Sequence:
    """rows: which row of the input stands at each time (None: all, in their order)."""

    time_ns: np.ndarray
    rows: np.ndarray | None
    interval_s: float
    notes: tuple[Text, ...]
    doubts: tuple[Doubt, ...]


_AT_ONCE = 1 << 18
"""Rows that are looked at at once where copies of a long log would fill the memory."""


def in_sequence(time_ns: np.ndarray, *, resolution_ns: int) -> Sequence:
    """`time_ns` int64 (n,), UTC, in the order of the file."""
    shortest, longest = steps_between(time_ns)
    if shortest > 0 and longest < RESET_JUMP_DAYS * DAY_NS:
        return Sequence(time_ns=time_ns, rows=None, interval_s=usual_interval_s(time_ns), notes=(), doubts=())
    if newest_first(time_ns):
        flipped = in_sequence(time_ns[::-1], resolution_ns=resolution_ns)
        rows = np.arange(len(time_ns))[::-1]
        note = Text(
            key="logs.note.newest_first", english="the rows stand newest first; they were turned round"
        )
        return replace(
            flipped,
            time_ns=np.ascontiguousarray(flipped.time_ns),
            rows=rows if flipped.rows is None else rows[flipped.rows],
            notes=(note, *flipped.notes),
        )
    notes: list[Text] = []
    kept = _well_dated(time_ns)
    if kept is not None:
        notes.append(
            Text(
                key="logs.note.misdated",
                english="{count} rows stand days away from the rows before and after them: their date is damaged, and they were left out",
                values={"count": len(time_ns) - len(kept)},
            )
        )
        rest = in_sequence(time_ns[kept], resolution_ns=resolution_ns)
        rows = kept if rest.rows is None else kept[rest.rows]
        return replace(rest, rows=rows, notes=(*notes, *rest.notes))
    steps = np.diff(time_ns)
    time_ns, doubts, n = _without_resets(time_ns, steps)
    if n:
        notes.append(
            Text(
                key="logs.note.clock_reset",
                english="the logger's clock was reset {count} times (an old date after the battery failed); these rows were placed next to the rest, as if no time had passed",
                values={"count": n},
            )
        )
        steps = np.diff(time_ns)
    if len(steps) and steps.min() == 0:
        time_ns, spread = _spread(time_ns, resolution_ns)
        if spread:
            notes.append(
                Text(
                    key="logs.note.seconds_missing",
                    english="the times are written to the minute only, with several readings a minute; these were spread evenly over it",
                )
            )
            steps = np.diff(time_ns)
    if not len(steps) or steps.min() > 0:
        return Sequence(
            time_ns=time_ns,
            rows=None,
            interval_s=usual_interval_s(time_ns),
            notes=tuple(notes),
            doubts=doubts,
        )
    backwards = int(np.count_nonzero(steps < 0))
    del steps  # of a long log as large as its times
    if backwards:
        order: np.ndarray | None = np.argsort(time_ns, kind="stable")
        time_ns = time_ns[order]
        notes.append(
            Text(
                key="logs.note.out_of_order",
                english="the rows step back in time at {count} places; they were sorted",
                values={"count": backwards},
            )
        )
    else:
        order = None
    first = np.ones(len(time_ns), bool)
    np.greater(time_ns[1:], time_ns[:-1], out=first[1:])
    repeats = int(len(first) - np.count_nonzero(first))
    if repeats:
        notes.append(
            Text(
                key="logs.note.repeats",
                english="{count} rows repeat a time that was already there; the first of each was kept",
                values={"count": repeats},
            )
        )
        time_ns, order = time_ns[first], np.flatnonzero(first) if order is None else order[first]
    return Sequence(
        time_ns=time_ns,
        rows=order,
        interval_s=usual_interval_s(time_ns),
        notes=tuple(notes),
        doubts=doubts,
    )


def newest_first(time_ns: np.ndarray) -> bool:
    """Whether most steps of `time_ns` (n,) lead back in time, and so does the whole."""
    if len(time_ns) < 3 or time_ns[0] <= time_ns[-1]:
        return False
    steps = np.diff(time_ns)
    back, forth = int(np.count_nonzero(steps < 0)), int(np.count_nonzero(steps > 0))
    return back > 2 and back > 4 * forth


def _well_dated(time_ns: np.ndarray) -> np.ndarray | None:
    """Rows whose time can be; None where all can. A row or two that leap a day or more away between neighbours that follow
    each other closely were never taken then."""
    n = len(time_ns)
    if n < 5:
        return None
    usual = max(usual_interval_s(time_ns) * SECOND_NS, 1.0)
    bad = np.zeros(n, bool)
    for width in (1, 2):
        for a in range(0, n - width - 1, _AT_ONCE):
            stop = min(a + _AT_ONCE, n - width - 1)
            before, after = time_ns[a:stop], time_ns[a + width + 1 : stop + width + 1]
            close = (after > before) & (after - before < 20 * (width + 1) * usual)
            for k in range(1, width + 1):
                middle = time_ns[a + k : stop + k]
                far = np.minimum(np.abs(middle - before), np.abs(middle - after)) > DAY_NS
                bad[a + k : stop + k] |= close & far
    edge = min(2, n // 4)
    for end, inner in ((slice(0, 1), edge), (slice(n - 1, n), n - 1 - edge)):
        leap = abs(int(time_ns[end][0]) - int(time_ns[inner]))
        steady = abs(int(time_ns[inner]) - int(time_ns[1 if inner == edge else n - 2])) < 20 * usual
        if steady and leap > 366 * DAY_NS:
            bad[end] = True
    return None if not bad.any() or bad.sum() > max(1, 0.1 * n) else np.flatnonzero(~bad)


def usual_interval_s(time_ns: np.ndarray) -> float:
    """The interval that the logger was set to [s]: the median step of `time_ns` (n,), of up to some thousand steps spread over the log."""
    if len(time_ns) < 2:
        return float("nan")
    at = np.arange(0, len(time_ns) - 1, max(1, (len(time_ns) - 1) // 4000))
    return float(np.median(time_ns[at + 1] - time_ns[at])) / SECOND_NS


def _without_resets(time_ns: np.ndarray, steps: np.ndarray) -> tuple[np.ndarray, tuple[Doubt, ...], int]:
    """Stretches whose clock stood on an old date, moved next to the stretch before (or after) them."""
    jumps = np.flatnonzero(np.abs(steps) > RESET_JUMP_DAYS * DAY_NS)
    if not len(jumps) or len(jumps) > 20:
        return time_ns, (), 0
    edges = [0, *(jumps + 1).tolist(), len(time_ns)]
    stretches = [(a, b) for a, b in pairwise(edges) if b > a]
    latest = max(range(len(stretches)), key=lambda k: int(time_ns[stretches[k][0] : stretches[k][1]].max()))
    newest = int(time_ns[stretches[latest][0] : stretches[latest][1]].max())
    old = [
        int(time_ns[a:b].max()) < newest - RESET_JUMP_DAYS * DAY_NS
        and _begins_a_year(int(time_ns[a]), slack_days=2)
        for a, b in stretches
    ]
    if not any(old):
        return time_ns, (), 0
    usual = max(int(np.median(np.abs(steps))), 1)
    result = time_ns.copy()
    doubts = []
    good = [k for k, is_old in enumerate(old) if not is_old]
    for k, (a, b) in enumerate(stretches):
        if not old[k]:
            continue
        if k > 0:
            shift = int(result[a - 1]) + usual - int(time_ns[a])
        else:
            after = stretches[good[0]][0]
            shift = int(time_ns[after]) - usual * (after - b + 1) - int(time_ns[b - 1])
        result[a:b] = time_ns[a:b] + shift
        doubts.append(
            Doubt(
                code="log-gap",
                start_ns=int(result[a]),
                end_ns=int(result[b - 1]),
                what=Text(
                    key="logs.doubt.clock_reset",
                    english="the logger's clock was reset: when these readings were taken is not known, only that they follow one another",
                ),
                evidence={"shift_days": round(shift / DAY_NS, 3)},
                confidence=0.9,
            )
        )
    return result, tuple(doubts), len(doubts)


def _begins_a_year(ns: int, *, slack_days: int) -> bool:
    """Clocks fall back to the first of January of some year."""
    moment = np.datetime64(ns, "ns")
    day_of_year = int((moment.astype("M8[D]") - moment.astype("M8[Y]").astype("M8[D]")).astype(int))
    return day_of_year < slack_days or day_of_year >= 365 - 1


def _spread(time_ns: np.ndarray, resolution_ns: int) -> tuple[np.ndarray, bool]:
    """Several rows with the same time, the same number nearly every time: the export dropped the seconds."""
    if resolution_ns < 60 * SECOND_NS and np.any(time_ns % (60 * SECOND_NS)):
        return time_ns, False
    change = np.flatnonzero(np.diff(time_ns)) + 1
    if len(change) < 2:
        return time_ns, False
    starts = np.concatenate([[0], change])
    counts = np.diff(np.concatenate([starts, [len(time_ns)]]))
    usual = int(np.median(counts))
    if usual < 2 or np.mean(np.abs(counts[1:-1] - usual) <= 1) < 0.9 or np.min(np.diff(time_ns)) < 0:
        return time_ns, False
    place = np.arange(len(time_ns)) - np.repeat(starts, counts)
    step = 60 * SECOND_NS // np.maximum(np.repeat(counts, counts), usual)
    first_late = np.where(np.repeat(starts, counts) == 0, np.maximum(usual - counts[0], 0), 0)
    return time_ns + (place + first_late) * step, True


UNEVEN = 4.0  # times its quick step that the slow ones of a logger take that writes changes only; common practice, no source


def longest_silence(steps: np.ndarray) -> float:
    """The longest step that comes again and again, in the unit of `steps` (n,): the sign of life of a logger that writes
    changes only. Three alike within a fifth are no chance; lone longer ones are holes."""
    longest = np.sort(steps)[::-1][:200].astype(np.float64)
    again = np.flatnonzero(longest[2:] >= 0.8 * longest[:-2])
    return float(longest[again[0]]) if len(again) else float(np.quantile(steps, 0.995))
