"""The page to send: what the client asks, and nothing of the technician's work.

Made from the summary and what the technician gave, so that it can be made again in any client's language and units without
reading a log. No script, no drawing library: it stands whole in a mail program's viewer and on paper.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from markupsafe import Markup

from pipeline.report.charts.strips import day_ribbons, icicles, ribbons_note, ribbons_title
from pipeline.report.given import Given
from pipeline.report.numbers.hours import MOST_DAYS, Day, days_from
from pipeline.report.payload.rendering import render
from pipeline.report.summary import LEAST_ICICLES, LEVELS, UnitSummary, icicles_note, icicles_title, text_from
from pipeline.report.wording import Reader

STYLES = ("base.css", "strips.css", "client.css")
NEED_SOMEBODY = ("act", "watch", "cannot-tell")
SAFE = ("grilles", "water", "bin")
"""What anybody may do, whatever was found (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class VisitView:
    """A visit in the reader's language; what the technician wrote stays as written."""

    when: str
    done: tuple[str, ...]
    parts: tuple[str, ...]
    readings: tuple[str, ...]
    note: str
    beside: tuple[str, ...]  # lengths before and after it, where the log holds both
    photos: tuple[Mapping[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class ClientView:
    """All that a client is told of one unit: plain strings, for a page as for a message."""

    level: str
    word: str  # the level in words
    verdict: str
    also: str  # what else was found, or what is left open; "" where nothing was
    logged: str
    ice: str  # "" where it cannot be said
    doing: tuple[str, ...]  # what is being done, what comes next
    waiting: tuple[str, ...]  # what it costs to wait, figures first; () where nothing does
    safe: tuple[str, ...]  # what the client may do; () where nothing has to be done, or to the logger alone
    closed: str  # that the panels stay closed
    visits: tuple[VisitView, ...]
    limits: str  # what a log cannot tell


def client_view(summary: UnitSummary, given: Given, reader: Reader) -> ClientView:
    """What the client of `summary` is told."""
    t = reader.t
    level = summary.level if summary.level in LEVELS else "cannot-tell"
    texts = summary.texts
    ice = ""
    if summary.made_ice_kg_per_day is not None:
        ice = t("client.ice", made_whole_kg=summary.made_ice_kg_per_day)
    return ClientView(
        level=level,
        word=t(f"level.{level}"),
        verdict=reader.say(text_from(texts["verdict_client"])) if texts else "",
        also=_also(summary, reader),
        logged=_logged(summary, reader),
        ice=ice,
        doing=_doing(level, summary, given, reader),
        waiting=_waiting(level, summary, reader),
        safe=_safe(level, summary, given, reader),
        closed=t("client.closed"),
        visits=visit_views(given, summary, reader),
        limits=t("client.limits"),
    )


def _logged(summary: UnitSummary, reader: Reader) -> str:
    first, last = (datetime.fromisoformat(iso).date() for iso in (summary.log_start, summary.log_end))
    if first == last:
        return reader.t("client.logged_day", span=reader.length(summary.days), day=reader.day(first))
    return reader.t(
        "client.logged",
        span=reader.length(summary.days),
        first=reader.day(first, year=first.year != last.year),
        last=reader.day(last),
    )


def _doing(level: str, summary: UnitSummary, given: Given, reader: Reader) -> tuple[str, ...]:
    said = [reader.t(f"client.doing_{level}")]
    after = datetime.fromisoformat(summary.log_start).date()
    due = [
        day for visit in given.visits if visit["next"] and (day := date.fromisoformat(visit["next"])) >= after
    ]
    if due:
        said.append(reader.t("client.next_visit", day=reader.day(due[-1])))
    elif level == "act":
        said.append(reader.t("client.no_visit_yet"))
    return tuple(said)


def _also(summary: UnitSummary, reader: Reader) -> str:
    also = [reader.say(text_from(text)) for text in summary.texts.get("also", ())]
    key = "client.open" if summary.level == "note" else "client.also"
    return reader.t(key, found="; ".join(also)) if also else ""


def _waiting(level: str, summary: UnitSummary, reader: Reader) -> tuple[str, ...]:
    if level not in NEED_SOMEBODY:
        return ()
    cost, t = summary.waiting, reader.t
    if "of_the_logger" in cost:
        return (t("client.waiting_logger"),)
    said = []
    for name, key in (
        ("none_h", "without"),
        ("usual_min", "slower"),
        ("kind_min", "slower_kind"),
        ("high_whole_kg", "ice"),
        ("high_kwh", "energy"),
        ("more_pct", "current"),
    ):
        if name in cost and not (key == "current" and "high_kwh" in cost):
            said.append(t(f"client.waiting_{key}", **cost))
    if not said:
        return (t(f"client.waiting_{level}"),)
    return " ".join(said), t("client.waiting_watch_more" if level == "watch" else f"client.waiting_{level}")


def _safe(level: str, summary: UnitSummary, given: Given, reader: Reader) -> tuple[str, ...]:
    if level not in NEED_SOMEBODY or "of_the_logger" in summary.waiting:
        return ()
    said = [reader.t(f"client.safe_{step}") for step in SAFE]
    firm = given.firm
    if firm.get("telephone"):
        whom = firm.get("name") or reader.t("client.us")
        telephone = firm["telephone"].replace(" ", "\N{NO-BREAK SPACE}")
        said.append(reader.t("client.safe_call", firm=whom, telephone=telephone))
    elif level == "act":  # who waits for the next visit need not call
        said.append(reader.t("client.safe_call_nobody"))
    return tuple(said)


def visit_views(given: Given, summary: UnitSummary, reader: Reader) -> tuple[VisitView, ...]:
    """The visits as pages tell them, oldest first."""
    places = summary.visits if len(summary.visits) == len(given.visits) else [{}] * len(given.visits)
    return tuple(_visit_view(visit, place, reader) for visit, place in zip(given.visits, places, strict=True))


def _visit_view(visit: Mapping[str, Any], place: Mapping[str, Any], reader: Reader) -> VisitView:
    beside = place.get("beside", {}).items()
    when = reader.day(date.fromisoformat(visit["on"]))
    return VisitView(
        when=f"{when}, {visit['at']}" if visit["at"] else when,
        done=tuple(visit["done"]),
        parts=tuple(visit["parts"]),
        readings=tuple(visit["readings"]),
        note=visit["note"],
        beside=tuple(
            reader.t(f"visits.beside_{name}", before_min=before, after_min=after)
            for name, (before, after) in beside
        ),
        photos=tuple(visit["photos"]),
    )


def firm_view(given: Given) -> dict[str, str]:
    """The firm's fields, "" where nothing was given; dial: the telephone as a link calls it, "" where it is no bare number."""
    firm = dict.fromkeys(("name", "telephone", "email", "author", "logo"), "") | dict(given.firm)
    dial = re.sub(r"[ ().\-/\xa0]", "", firm["telephone"])
    return firm | {"dial": dial if re.fullmatch(r"\+?[0-9]{3,15}", dial) else ""}


def client_page(summary: UnitSummary, given: Given, reader: Reader, *, written: date) -> bytes:
    """The page as UTF-8. written: the day that it carries."""
    days = days_from(summary.hours)[-MOST_DAYS:]
    view = client_view(summary, given, reader)
    return render(
        "client.html",
        reader=reader,
        styles=STYLES,
        scripts=(),
        foot=f"{summary.title}, {reader.day(written)}",
        view=view,
        title=summary.title,
        place=summary.place,
        firm=firm_view(given),
        written=reader.day(written),
        icicles=freezes_of(summary, reader),
        icicles_note=icicles_note(summary, reader),
        ribbons_note=ribbons_note(days, reader),
        ribbons=ribbons_of(days, summary, reader) if view.level != "cannot-tell" else None,
    ).encode()


def freezes_of(summary: UnitSummary, reader: Reader) -> Markup | None:
    """The freezes as icicles; None where fewer than three stretches of the log hold one."""
    if summary.stretches_with_ice < LEAST_ICICLES:
        return None
    odd = [bool(flag) for flag in summary.trace_flags]
    visits = [place["share"] for place in summary.visits_within]
    return icicles(
        summary.trace, odd, width=760.0, height=56.0, title=icicles_title(summary, reader), visits=visits
    )


def ribbons_of(days: Sequence[Day], summary: UnitSummary, reader: Reader) -> Markup | None:
    """The days as ribbons, with the cycles of each; None where nothing was logged."""
    if not days:
        return None
    said = [reader.t("client.day_cycles", count=d.cycles) if d.cycles else "" for d in days]
    visits = [(place["date"], place["minute"]) for place in summary.visits_within]
    return day_ribbons(days, reader, title=ribbons_title(days, reader), said=said, visits=visits)
