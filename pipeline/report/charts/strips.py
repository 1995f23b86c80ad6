"""Small still pictures that need no script: the freezes of a log as icicles, its days as ribbons of 24 hours."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
from markupsafe import Markup

from pipeline.report.charts import svg
from pipeline.report.numbers.hours import Day
from pipeline.report.wording import Reader

MOST_ICICLES = 160
_SHORTEST = 0.04  # of the height: a freeze of a minute is still seen


def icicles(
    lengths_min: Sequence[float | None],
    odd: Sequence[bool],
    *,
    width: float,
    height: float,
    title: str,
    at: Sequence[float] | None = None,
    longest_min: float | None = None,
    visits: Sequence[float] = (),
) -> Markup:
    """An icicle a freeze, hanging from a line: the longer the freeze, the longer the icicle; None leaves its place empty.

    lengths_min: of the freezes [min]. odd: which are abnormal. at: where each hangs, as a share of the width; None: side by
    side. longest_min: what the whole height stands for [min]; None: the longest there is. visits: where one
    lies, as a share of the width.
    """
    n = max(len(lengths_min), 1)
    seen = [v for v in lengths_min if v is not None and v == v]
    top = longest_min or max(seen, default=1.0)
    where = [(k + 0.5) / n for k in range(n)] if at is None else list(at)
    apart = float(np.median(np.diff(where))) if len(where) > 1 else 1.0
    half = min(0.46 * width * apart, 4.5)
    # A broad root, a long thin tip.
    shape = f"M%.1f 1q{half * 0.65:.1f} %.1f {half:.1f} %.1fq{half * 0.35:.1f} %.1f {half:.1f} %.1fZ"
    figures: tuple[list[float], list[float]] = ([], [])
    for k, value in enumerate(lengths_min):
        if value is None or value != value:
            continue
        tall = (height - 2) * min(max(value / top, _SHORTEST), 1.0)
        figures[k < len(odd) and bool(odd[k])].extend(
            (where[k] * width - half, tall * 0.55, tall, tall * -0.45, -tall)
        )
    parts = [svg.line(0, 1, width, 1, "eave")]
    parts += [
        svg.path(css, shape * (len(some) // 5) % tuple(some))
        for css, some in zip(("icicle", "icicle odd"), figures, strict=True)
    ]
    parts += [svg.line(share * width, 1, share * width, height, "visit") for share in visits]
    picture = svg.picture(width, height, parts, title=title, css="icicles")
    return Markup(str(picture).replace("xMidYMid meet", "none"))  # as wide as its place, as high as its row


def by_time(
    start_ns: np.ndarray, lengths_min: np.ndarray, odd: np.ndarray, span_ns: tuple[int, int]
) -> tuple[list[float], list[bool], list[float]]:
    """The freezes of a row over the log: lengths [min], whether each is odd, where it hangs (share of the row). Of more than
    MOST_ICICLES the longest of a place, odd where one of it is. start_ns, lengths_min, odd: (n,) a freeze, none of them NaN.
    """
    first, last = span_ns
    where = (start_ns - first) / max(last - first, 1)
    if len(where) <= MOST_ICICLES:
        return lengths_min.tolist(), odd.tolist(), where.tolist()
    place = np.clip((where * MOST_ICICLES).astype(int), 0, MOST_ICICLES - 1)
    longest, marked = np.full(MOST_ICICLES, np.nan), np.zeros(MOST_ICICLES, bool)
    np.fmax.at(longest, place, lengths_min)
    np.logical_or.at(marked, place[odd], True)
    held = np.flatnonzero(np.isfinite(longest))
    return longest[held].tolist(), marked[held].tolist(), ((held + 0.5) / MOST_ICICLES).tolist()


def ribbons_note(
    days: Sequence[Day], reader: Reader, key: str = "client.ribbons_note", *, visits: Sequence = ()
) -> str:
    """What stands under the ribbons: `key`, and what a ribbon of an unclear stretch and the line of a visit mean where they are
    drawn."""
    unclear = any(state == "unclear" for day in days for _, _, state in day.runs)
    notes = [
        key,
        *(["client.ribbons_unclear"] if unclear else []),
        *(["client.visit_line"] if visits else []),
    ]
    return " ".join(map(reader.t, notes))


def ribbons_title(days: Sequence[Day], reader: Reader) -> str:
    """What ribbons show, for whoever cannot see them."""
    making = sum(b - a for d in days for a, b, state in d.runs if state == "ice")
    seen = sum(b - a for d in days for a, b, state in d.runs if state != "gap") or 1
    return reader.t("client.ribbons_alt", days=len(days), making_pct=100 * making / seen)


LEFT, ROW, WIDE = 82.0, 21.0, 480.0
_TALL = {"ice": 9.0, "off": 1.4, "unclear": 5.0}


def day_ribbons(
    days: Sequence[Day],
    reader: Reader,
    *,
    title: str,
    said: Sequence[str] = (),
    visits: Sequence[tuple[str, int]] = (),
    right: float = 48.0,
) -> Markup:
    """One ribbon a day over 24 hours: broad where ice was made, a thin line where it rested, nothing without readings.

    said: what stands at the end of each day's ribbon. visits: local date (ISO 8601) and minute of the day of each.
    """
    scale = (WIDE - LEFT - right) / (24 * 60)
    top, parts = 20.0, []
    bottom = top + ROW * len(days)
    for hour in range(0, 25, 6):
        x = LEFT + hour * 60 * scale
        parts.append(svg.line(x, top - 4, x, bottom, "grid"))
        parts.append(svg.label(x, 11, f"{hour % 24:02d}:00", "tick", "middle"))
    paths: dict[str, list[str]] = {}
    for n, day in enumerate(days):
        middle = top + ROW * (n + 0.5)
        at = date.fromisoformat(day.date)
        parts.append(svg.label(LEFT - 8, middle + 5, reader.weekday(at), "tick", "end"))
        for begin, stop, state in day.runs:
            if state in _TALL:
                tall = _TALL[state]
                paths.setdefault(state, []).append(
                    f"M{LEFT + begin * scale:.1f} {middle - tall / 2:.1f}h{(stop - begin) * scale:.1f}v{tall:g}h{-(stop - begin) * scale:.1f}z"
                )
        for minute in (m for day_of, m in visits if day_of == day.date):
            x = LEFT + minute * scale
            parts.append(svg.line(x, middle - ROW * 0.6, x, middle + ROW * 0.6, "visit"))
        if n < len(said) and said[n]:
            parts.append(svg.label(WIDE - right + 10, middle + 5, said[n], "tick", "start"))
    parts += [svg.path(f"run-{state}", "".join(path)) for state, path in paths.items()]
    return svg.picture(WIDE, bottom + 4, parts, title=title, css="ribbons")
