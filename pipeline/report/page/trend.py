"""What changed since the report before this one."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from pipeline.report.summary import LEVELS, UnitSummary
from pipeline.report.wording import Reader

SAME_FREEZE_PCT = 3.0  # a smaller change of the middle freeze is none (common practice, no source)


@dataclass(frozen=True, kw_only=True)
class TrendSinceLast:
    """direction: "worse", "better", "same" or "first". freeze_pct: change of the middle freeze [%], None where it can't
    be said. words: the same for people."""

    direction: str
    freeze_pct: float | None
    words: Markup


def trend_of(summary: UnitSummary, reader: Reader) -> TrendSinceLast:
    """`summary` against what it keeps of the report before."""
    before = summary.previous
    if not before:
        return TrendSinceLast(direction="first", freeze_pct=None, words=reader.t_html("fleet.first_report"))
    words = []
    was, now = (LEVELS.index(x) if x in LEVELS else None for x in (before.get("level"), summary.level))
    direction = "same"
    if was is not None and now is not None and was != now:
        direction = "worse" if now < was else "better"
        words.append(reader.t_html(f"fleet.{direction}", level=reader.t(f"level.{before['level']}")))
    change = None
    if before.get("freeze_min") and summary.freeze_min:
        change = 100 * (summary.freeze_min / before["freeze_min"] - 1)
        if abs(change) >= SAME_FREEZE_PCT:
            words.append(
                reader.t_html(f"fleet.freeze_{'longer' if change > 0 else 'shorter'}", change_pct=abs(change))
            )
            if direction == "same":
                direction = "worse" if change > 0 else "better"
    return TrendSinceLast(
        direction=direction, freeze_pct=change, words=Markup(", ").join(words) or reader.t_html("fleet.same")
    )
