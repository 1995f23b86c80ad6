"""Logs with one reading a row and the channel's name beside it: each channel's rows are read as a log of their own, then put
side by side."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipeline.errors import LogFileError
from pipeline.language.text import Text
from pipeline.logs.clock.clock_columns import ClockPlan
from pipeline.logs.layout.dialect import Dialect
from pipeline.logs.layout.preamble import Head
from pipeline.logs.rows.columns import Grid
from pipeline.logs.rows.numbers import texts_of
from pipeline.logs.table import FileTable, LoggedColumn
from pipeline.logs.vocabulary.calendar_words import WEEKDAYS
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.logs.vocabulary.quantities import quantity_of_header, says_nothing
from pipeline.logs.vocabulary.units import unit_of_header, unit_of_word

MOST_CHANNELS = 64

_NAMES = re.compile(
    r"(channel|ch|sensor|probe|input|tag|point|variable|parameter|measurement|quantity|name|series|metric|field|item"
    r"|kanal|fühler|messstelle|messgröße|größe|canal|sonda|variable|magnitud|parámetro|voie|sonde|capteur|grandeur)"
    r"(\W*(name|id|no\.?|nr\.?|number|nummer|nombre|nom))?",
    re.IGNORECASE,
)


@dataclass(frozen=True, kw_only=True)
class TallPlan:
    """Column numbers: of the channel's name, of its unit (None: no such column), of the reading."""

    name: int
    unit: int | None
    value: int

    @property
    def texts(self) -> tuple[int, ...]:
        """The columns that hold words: names, and units where there are any."""
        return (self.name,) if self.unit is None else (self.name, self.unit)


def plan_tall(dialect: Dialect, head: Head, plan: ClockPlan, readings: tuple[int, ...]) -> TallPlan | None:
    """None for a log with a column a channel. That rows are of several channels is told by the label over their names, by times that come
    again with another name, or by a unit that changes from row to row."""
    words = [i for i in range(dialect.fields) if i not in plan.columns and i not in readings]
    readings = tuple(i for i in readings if len(set(_column(dialect, i))) > 1) or readings
    units = [i for i in words if _all(dialect, i, lambda c: unit_of_word(c) is not None)]
    names = [i for i in words if i not in units and _few(dialect, i) and _is_text(dialect, i)]
    in_many = any(len({unit_of_word(c) for c in _column(dialect, i)}) > 1 for i in units)
    if in_many:  # what the radio says beside each reading is none
        readings = tuple(i for i in readings if quantity_of_header(head.labels[i]) != "other") or readings
    else:
        _refuse_mixed(dialect, head, plan, names, readings)
    titled = [
        i
        for i in (*names, *readings)
        if head.named and _NAMES.fullmatch(head.labels[i].replace("_", " ").strip()) and _few(dialect, i)
    ]
    by_rows = bool(names) and (
        in_many or _times_repeat(dialect, plan, names[0]) or _in_turn(dialect, names[0])
    )
    name = titled[0] if titled else names[0] if by_rows else None
    values = [i for i in readings if i != name]
    if name is None or len(values) != 1 or (name in readings and not _times_repeat(dialect, plan, name)):
        return None
    return TallPlan(name=name, unit=units[0] if units else None, value=values[0])


def _refuse_mixed(
    dialect: Dialect, head: Head, plan: ClockPlan, names: list[int], readings: tuple[int, ...]
) -> None:
    """Several machines in one file, told apart by a word: their rows must not become one log."""
    if len(readings) < 2:
        return
    for i in names:
        if _times_repeat(dialect, plan, i) or _in_turn(dialect, i):
            words = sorted(set(_column(dialect, i)))
            raise LogFileError(
                f'rows of several sources stand among each other: "{head.labels[i]}" says {", ".join(words[:4])}',
                file=dialect.name,
                line=dialect.first_line,
                remedy="export each of them into a file of its own",
            )


def _column(dialect: Dialect, i: int) -> list[str]:
    return [row[i] for row in dialect.sample if row[i]]


def _all(dialect: Dialect, i: int, holds) -> bool:
    cells = set(_column(dialect, i))
    return bool(cells) and all(holds(c) for c in cells)


def _few(dialect: Dialect, i: int) -> bool:
    cells = _column(dialect, i)
    return len(cells) == len(dialect.sample) and len(set(cells)) <= min(
        MOST_CHANNELS, max(2, len(cells) // 3)
    )


def _is_text(dialect: Dialect, i: int) -> bool:
    cells = set(_column(dialect, i))
    return not any(kind_of(c).reads or kind_of(c).word for c in cells) and not all(
        c.lower().rstrip(".") in WEEKDAYS for c in cells
    )


def _times_repeat(dialect: Dialect, plan: ClockPlan, name: int) -> bool:
    """Rows next to each other show one time and two names, again and again."""
    rows = dialect.sample
    pairs = list(pairwise(rows))
    same = sum(all(a[i] == b[i] for i in plan.columns) and a[name] != b[name] for a, b in pairs)
    return len(pairs) >= 3 and same >= 0.3 * len(pairs)


def _in_turn(dialect: Dialect, name: int) -> bool:
    """Names that come round and round, one after the other, each at moments of its own: no word for how a machine stands does so."""
    cells = [row[name] for row in dialect.sample]
    turn = len(set(cells))
    rounds = [len(set(cells[i : i + turn])) == turn for i in range(len(cells) - turn + 1)]
    return turn > 1 and len(cells) >= 4 * turn and sum(rounds) >= 0.9 * len(rounds)


def channels_of(grid: Grid, tall: TallPlan, file: str) -> list[tuple[str, str | None, np.ndarray]]:
    """(name, unit or None, its rows ascending) of each channel, in the order in which they first come. Frees the texts.

    Raises LogFileError where there are more names than any logger has channels.
    """
    names = texts_of(grid.text.pop(tall.name))
    if len(names) > MOST_CHANNELS:
        raise LogFileError(
            f"the rows name {len(names)} channels, more than any logger has",
            file=file,
            remedy="export the log with a column for each channel",
        )
    units = texts_of(grid.text.pop(tall.unit)) if tall.unit is not None else {}
    found = []
    for name, rows in names.items():
        unit = next((u for u, at in units.items() if np.isin(rows[:50], at).mean() > 0.5), "")
        found.append((name, unit_of_word(unit), rows))
    return sorted(found, key=lambda f: int(f[2][0]))


def labelled(column: LoggedColumn, name: str, unit: str | None, *, told: str, alone: bool) -> LoggedColumn:
    """The reading's column under its channel's name. told: what the head of the file says of that name ("B7 = suction, °C"). alone: the
    file holds one channel only, which its header may name better."""
    if alone and not says_nothing(column.label):
        return column
    if name.isdigit():
        name = f"channel {name}"
    if told:
        name = f"{name} {told}"
    if unit is not None:
        return replace(column, label=name, unit=unit, unit_by="units column")
    written = unit_of_header(name)
    return replace(
        column, label=name, unit=written or column.unit, unit_by="header" if written else column.unit_by
    )


def side_by_side(tables: Sequence[FileTable]) -> tuple[FileTable, ...]:
    """Channels that were read at the same moments are one table; the others stay tables of their own, on one clock."""
    groups: list[list[FileTable]] = []
    for table in tables:
        home = next((g for g in groups if _share_times(g[0], table)), None)
        if home is None:
            groups.append([table])
        else:
            home.append(table)
    note = Text(
        key="logs.note.tall",
        english="each row holds one reading of one channel; the {count} channels were put side by side",
        values={"count": len(tables)},
    )
    made = []
    for group in groups:
        first = group[0]
        time_ns = first.time_ns
        if any(not np.array_equal(t.time_ns, time_ns) for t in group):
            time_ns = np.unique(np.concatenate([t.time_ns for t in group]))
        name = first.name if len(groups) == 1 else f"{first.name}/{group[0].columns[0].label}"
        notes = [n for t in group for n in t.source.notes]
        source = replace(
            first.source,
            name=name,
            rows=len(time_ns),
            start_ns=int(time_ns[0]),
            end_ns=int(time_ns[-1]),
            notes=(note, *_once(notes)),
        )
        columns = tuple(_at(t, time_ns) for t in group)
        doubts = tuple(replace(d, file=name) for d in first.doubts)
        made.append(
            replace(
                first,
                name=name,
                time_ns=time_ns,
                columns=columns,
                source=source,
                doubts=doubts,
                same_clock=first.name,
                other_order="",
            )
        )
    return tuple(made)


def _once(notes: Sequence[Text]) -> tuple[Text, ...]:
    """Each kind of note once: every channel's rows made the same ones."""
    return tuple({n.key: n for n in reversed(notes)}.values())


def _share_times(one: FileTable, other: FileTable) -> bool:
    a, b = one.time_ns, other.time_ns
    if len(a) == len(b):
        return bool(np.array_equal(a, b)) or np.isin(a, b).mean() > 0.98
    short, long = (a, b) if len(a) < len(b) else (b, a)
    return len(short) > 0.98 * len(long) and np.isin(short, long).mean() > 0.98


def _at(table: FileTable, time_ns: np.ndarray) -> LoggedColumn:
    """The table's column at these moments, NaN where it was not read then."""
    (column,) = table.columns
    if np.array_equal(table.time_ns, time_ns):
        return column
    _common, mine, there = np.intersect1d(table.time_ns, time_ns, assume_unique=True, return_indices=True)
    values = np.full(len(time_ns), np.nan)
    values[there] = column.values[mine]
    error = None
    if column.error is not None:
        error = np.zeros(len(time_ns), bool)
        error[there] = column.error[mine]
    return replace(column, values=values, error=error)
