"""What the command line shows while it works and when it is done."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.fleet.run import Progress, RunOutcome

QUIET_SECONDS = 5.0
"""Where standard error is not a terminal, a progress line comes no more often than this."""


@contextmanager
def shown_progress() -> Iterator[Callable[[Progress], None]]:
    """A function to hand progress to: a moving line on a terminal, a plain line now and then in a log file."""
    if sys.stderr.isatty():
        yield from _moving_line()
    else:
        yield from _plain_lines()


def _moving_line() -> Iterator[Callable[[Progress], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = [
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rest]}"),
    ]
    with Progress(*columns, console=Console(stderr=True), transient=True) as line:
        task = line.add_task("Reading units", total=None, rest="")
        yield lambda p: line.update(task, completed=p.done, total=p.units, rest=_rest(p))


def _plain_lines() -> Iterator[Callable[[Progress], None]]:
    said = time.monotonic()

    def say(progress: Progress) -> None:
        nonlocal said
        if time.monotonic() - said >= QUIET_SECONDS:
            said = time.monotonic()
            print(f"{progress.done} of {progress.units} units, {_rest(progress)}", file=sys.stderr)

    yield say


def _rest(progress: Progress) -> str:
    text = f"{progress.rows:,} rows".replace(",", " ")
    if progress.unread:
        text += f", {progress.unread} not reported"
    if progress.seconds_left is not None and progress.done < progress.units:
        text += f", about {_duration(progress.seconds_left)} left"
    return text


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"


SHOWN_UNITS = 40
"""A larger fleet is shown by its worst units; the fleet page has them all."""


CLIPS_SHOWN = 5
"""Of so many units, worst first, it is said what to clip next."""


def _next_clip(texts: Mapping[str, Any], units: str) -> str:
    """What to clip next and which reading speaks for what, in one line; "" where a report has none."""
    from pipeline.language.text import say
    from pipeline.report.summary import text_from

    clip = texts.get("next_clip")
    if not clip:
        return ""
    speaks: dict[str, list[str]] = {}  # reading -> the causes that it speaks for
    for reading, cause in (
        tuple(say(text_from(text), units=units) for text in pair) for pair in clip["speaks"]
    ):
        speaks.setdefault(reading[:1].upper() + reading[1:], []).append(cause)
    told = (f"{reading}: {'; '.join(causes)}" for reading, causes in speaks.items())
    return ". ".join((say(text_from(clip["text"]), units=units), *told))


def show_outcome(outcome: RunOutcome, *, units: str, page: str) -> None:
    """The table of units on standard output, worst first, and where to look next: `page`, as the user named it."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text as Styled

    from pipeline.language.catalogue import catalogue
    from pipeline.language.text import plain, show

    words = catalogue("en")
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("unit", "says", "days", "cycles", "ice", "found"):
        table.add_column(heading, justify="right" if heading in ("days", "cycles", "ice") else "left")
    worst_first = sorted(outcome.units, key=lambda u: u.summary.order if u.summary else (-1, u.name))
    for unit in worst_first[:SHOWN_UNITS]:
        summary = unit.summary
        if summary is None:
            table.add_row(Styled(plain(unit.name)), "not reported", "–", "–", "–", "see below")
            continue
        table.add_row(
            Styled(plain(unit.name)),
            summary.level,
            f"{summary.days:.1f}",
            str(summary.cycles),
            show("made_ice_kg_per_day", summary.made_ice_kg_per_day, units=units),
            ", ".join(words.get(f"named.{code}", code) for code in summary.codes) or "–",
        )
    console = Console()
    console.print(table)
    if len(worst_first) > SHOWN_UNITS:
        console.print(f"… and {len(worst_first) - SHOWN_UNITS} more")
    for unit in worst_first[:CLIPS_SHOWN]:
        if unit.summary is not None and (said := _next_clip(unit.summary.texts, units)):
            console.print(Styled(plain(f"{unit.name}: {said}")))
    console.print(Styled(f"Open {page}"))
