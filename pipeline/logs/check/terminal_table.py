"""What `icelogs check` prints: an understanding as tables and sentences that fit a terminal of 80 columns.

What stands in a log is shown as it is, never as markup.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.language.text import show
from pipeline.logs.check.understanding import (
    NO,
    PARTLY,
    YES,
    ChannelUnderstood,
    FileUnderstood,
    Understanding,
)

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table


def print_understanding(
    understanding: Understanding, console: Console | None = None, *, units: str = "si"
) -> None:
    """Print what was understood of a unit's files. console: the terminal where None; units: "si" or "us", for the readings shown."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text as Plain

    console = console or Console()
    read = [f for f in understanding.files if not f.error]
    if read:
        console.print(_files(understanding, read))
        for file in read:
            console.print(Plain(f"{file.name}: {_layout(file.dialect or {})}", style="dim"))
        console.print()
    unread = [f for f in understanding.files if f.error]
    for file in unread:
        console.print(Plain(f"not read: {file.error}", style="red"))
    if unread:
        console.print()
    if understanding.error:
        console.print(Plain(understanding.error, style="red"))
        return
    files = list(dict.fromkeys(c.file for c in understanding.channels))
    for file in files:
        channels = [c for c in understanding.channels if c.file == file]
        console.print(_channels("Channels" if len(files) == 1 else f"Channels of {file}", channels, units))
        for c in channels:
            if c.objections:
                why = ", ".join(f"{name} × {count}" for name, count in c.objections.items())
                console.print(Plain(f"{c.label}: {why}\n"))
    if understanding.doubts:
        doubts = _table("What is doubtful", ("from, to",), "what")
        for d in understanding.doubts:
            doubts.add_row(f"{_short(d['start'])}\n{_short(d['end'])}", Plain(d["what"]))
        console.print(doubts)
    for can, heading in _HEADINGS.items():
        said = [f"{a.question}: {a.why}." for a in understanding.answers if a.can == can]
        if said:
            console.print(Plain(heading, style="bold"))
            for sentence in said:
                console.print(Padding(Plain(sentence[:1].upper() + sentence[1:]), (0, 0, 0, 2)))
            console.print()
    for file in understanding.files:
        for note in file.notes:
            console.print(Plain(f"{file.name}: {note}"))


_HEADINGS = {
    YES: "A report on this will tell",
    PARTLY: "In part only",
    NO: "What it cannot tell as it is",
}


def _table(title: str, whole: Sequence[str], *folded: str) -> Table:
    """whole: columns that are never broken; folded: those that take what is left."""
    from rich import box
    from rich.table import Table
    from rich.text import Text as Plain

    table = Table(
        title=Plain(title),
        title_justify="left",
        title_style="bold",
        header_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    for column in whole:
        table.add_column(column, no_wrap=True)
    for column in folded:
        table.add_column(column, overflow="fold")
    return table


def _files(understanding: Understanding, read: Sequence[FileUnderstood]) -> Table:
    from rich.text import Text as Plain

    table = _table(f"Files of {understanding.unit}", ())
    table.add_column("file", overflow="fold")
    for column in ("rows", "every", "from", "to"):
        table.add_column(column, no_wrap=True, justify="right" if column == "rows" else "left")
    for file in read:
        every = "–" if file.interval_s is None else f"{file.interval_s:g} s"
        table.add_row(Plain(file.name), str(file.rows), every, _short(file.start), _short(file.end))
    return table


def _channels(title: str, channels: Sequence[ChannelUnderstood], units: str) -> Table:
    from rich.text import Text as Plain

    table = _table(title, ("role",), "column")
    for column in ("as", "lowest", "highest", "trust", "how sure"):
        table.add_column(column, no_wrap=True)
    for c in channels:
        table.add_row(
            Plain("not used" if c.role == "other" else c.role if c.used else f"({c.role})"),
            Plain(c.label),
            c.unit_read or "–",
            _shown(c, c.lowest, units),
            _shown(c, c.highest, units),
            f"{c.trusted_pct:.0f} %" if c.trusted_pct in (0.0, 100.0) else f"{c.trusted_pct:.1f} %",
            Plain(_sure(c)),
        )
    return table


def _shown(channel: ChannelUnderstood, value: float | None, units: str) -> str:
    names = {"": "", "°C": "t_c", "A": "i_a", "W": "p_w", "V": "u_v", "kPa": "p_kpa", "kWh": "e_kwh"}
    return show(names[channel.unit], value, units=units)


def _sure(channel: ChannelUnderstood) -> str:
    if channel.role == "other":
        return "–"
    if channel.role_by == "unit.toml":
        return channel.role_by
    return f"{channel.role_by} {100 * channel.role_confidence:.0f} %"


def _short(moment: str) -> str:
    """Date and time to the minute, in the unit's time zone."""
    return moment[:16].replace("T", " ")


def _layout(dialect: Mapping[str, Any]) -> str:
    parts = [
        dialect.get("encoding"),
        dialect.get("delimiter"),
        f"decimal {dialect.get('decimal')}",
        dialect.get("clock"),
    ]
    parts += [dialect.get("date_format"), dialect.get("zone")]
    if dialect.get("preamble_lines"):
        parts.append(f"{dialect['preamble_lines']} lines before the header")
    if not dialect.get("header_rows"):
        parts.append("no header")
    return ", ".join(str(p) for p in parts if p)
