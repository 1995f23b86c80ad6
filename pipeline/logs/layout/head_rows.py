"""The lines of a file above its rows: which are labels, units, sampling words, and which the preamble."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import pairwise

from pipeline.logs.vocabulary.cell_kinds import is_number, kind_of
from pipeline.logs.vocabulary.stamp_patterns import TIME_WORDS, shape_of
from pipeline.logs.vocabulary.units import unit_of_word


def split_row(line: str, delimiter: str) -> list[str]:
    """The cells of one line, stripped; quotes taken off."""
    if '"' not in line:
        return [c.strip() for c in line.split(delimiter)]
    cells, cell, inside, blank, i = [], [], False, True, 0
    while i < len(line):
        character = line[i]
        if inside:
            if character == '"' and line[i + 1 : i + 2] == '"':
                cell.append('"')
                i += 1
            elif character == '"':
                inside = False
            else:
                cell.append(character)
        elif character == '"' and blank:
            inside, blank, cell = True, False, []
        elif character == delimiter:
            cells.append("".join(cell).strip())
            blank, cell = True, []
        else:
            blank = blank and character.isspace()
            cell.append(character)
        i += 1
    return [*cells, "".join(cell).strip()]


@dataclass(frozen=True, kw_only=True)
class HeadRows:
    """What stands above the rows, and where they begin: `data_at` in bytes, `first_line` counted from 1."""

    preamble: tuple[str, ...]
    header: tuple[tuple[str, ...], ...]
    units_row: tuple[str, ...]
    data_at: int
    first_line: int
    header_line: bytes
    units_line: bytes
    first_row: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What a line must look like to be a row."""

    delimiter: str
    fields: int
    decimal: str
    clocks: frozenset[int]  # columns in which dates and times stand
    words: frozenset[int]  # columns of remarks, names, units


def is_row(cells: list[str], layout: Layout) -> bool:
    """Whether a line's cells are a row of data of this file."""
    if len(cells) != layout.fields:
        return False
    kinds = [kind_of(c) for i, c in enumerate(cells) if c and i not in layout.words]
    timed = sum(k.shape is not None for k in kinds)
    numbers = sum(k.number(layout.decimal) for k in kinds)
    clean = sum(k.shape is not None or k.number(layout.decimal) or k.word for k in kinds)
    if not (timed or numbers >= 2) or clean < max(1, 0.5 * len(kinds)):
        return False
    where = [kind_of(cells[i]) for i in layout.clocks if cells[i]]
    if where and not any(k.reads or k.word for k in where):
        return False  # "First reading" where the times stand: statistics over the rows
    # statistics lines begin with a word instead
    return (
        kinds[0].shape is not None
        or kinds[0].number(layout.decimal)
        or any(k.shape for k in kinds[1:3])
        or any(cells[i] and kind_of(cells[i]).shape for i in layout.clocks)
    )


def head_of(text: bytes, layout: Layout) -> HeadRows | None:
    """What stands over the rows of `text` (bytes of the log's beginning); None where no line is a row of `layout`."""
    delimiter, fields = layout.delimiter, layout.fields
    lines: list[tuple[int, str, list[str]]] = []  # (byte, line, cells)
    at = number = 0
    while at < len(text):
        if text[at : at + 1] in (b"\n", b"\r"):  # blank lines, maybe by the thousand
            piece = text[at : at + 65536]
            blank = piece[: len(piece) - len(piece.lstrip(b"\r\n"))]
            number += blank.count(b"\n")
            at += len(blank)
            continue
        end = text.find(b"\n", at)
        end = len(text) if end < 0 else end
        line = text[at:end].decode("utf-8", "replace").rstrip("\r")
        cells = split_row(line, delimiter)
        number += 1
        if is_row(cells, layout) and _next_is_row(text, end + 1, layout):
            break
        lines.append((at, line, cells))
        at = end + 1
    else:
        return None
    filled = [entry for entry in lines if entry[1].strip(' \t,;|"-=+:_')]
    remarks = []  # between the labels and the rows
    while len(filled) > 1 and _is_remark(filled[-1][1], delimiter) and is_header(filled[-2][2], layout):
        remarks.append(filled.pop()[1])
    units_row: tuple[str, ...] = ()
    units_line = b""
    sampled = filled.pop()[2] if filled and _is_sampling_row(filled[-1][2], fields) else []
    if len(filled) >= 3 and _names_the_clock_alone(filled[-1][2], fields):
        above = filled[-2][2]
        if len(above) == fields and (_is_units_row(above, layout) or is_header(above, layout)):
            filled.pop()
    if len(filled) >= 2 and is_header(filled[-2][2], layout):
        at_line, line, above = filled[-1]
        over_clock = len(above) == fields - 1 and 0 in layout.clocks and unit_of_word(above[0]) is not None
        if (
            1 < len(above) < fields - 1 or over_clock
        ):  # blanks between the columns: nothing stands over the clock
            filled[-1] = (at_line, line, [""] * (fields - len(above)) + above)
    if len(filled) >= 2 and _is_units_row(filled[-1][2], layout) and is_header(filled[-2][2], layout):
        _at, line, above = filled.pop()
        units_row, units_line = tuple(above), line.encode()
    header: list[tuple[str, ...]] = []
    header_line = b""
    if filled and is_header(filled[-1][2], layout):
        _at, line, above = filled.pop()
        header = [_told_apart(above, sampled)]
        header_line = line.encode()
        if fields >= 3 and filled and not sampled and _is_upper_header(filled[-1][2], fields):
            header.insert(0, tuple(filled.pop()[2]))
    return HeadRows(
        preamble=(*(line for _at, line, _cells in filled), *remarks),
        header=tuple(header),
        units_row=units_row,
        data_at=at,
        first_line=number,
        header_line=header_line,
        units_line=units_line,
        first_row=tuple(cells),
    )


def _is_remark(line: str, delimiter: str) -> bool:
    return line.lstrip().startswith(("#", "//")) and delimiter not in line


def with_first_label(head: HeadRows, rows: tuple[tuple[str, ...], ...]) -> HeadRows:
    """A label less than there are columns, and the first column counts, or holds the times: it has none."""
    fields = len(rows[0])
    if not head.header or len(head.header[-1]) != fields - 1 or len(rows) < 3:
        return head
    counts = [int(r[0]) if r[0].isascii() and r[0].isdigit() else None for r in rows]
    ups = sum(a is not None and b == a + 1 for a, b in pairwise(counts))
    timed = all(kind_of(r[0]).shape for r in rows if r[0]) and not any(
        map(TIME_WORDS.search, head.header[-1])
    )
    if not timed and (None in counts or ups < len(rows) - 4):
        return head
    wide = [("", *row) if len(row) == fields - 1 else row for row in (*head.header, head.units_row)]
    return replace(head, header=tuple(wide[:-1]), units_row=wide[-1])


def _next_is_row(text: bytes, at: int, layout: Layout) -> bool:
    """A line of the preamble may look like a row; the first row is followed by another (or by the end)."""
    window = text[at : at + 8192]
    for line in window.decode("utf-8", "replace").splitlines()[:4]:
        if line.strip():
            return len(split_row(line, layout.delimiter)) == layout.fields or not window.strip()
    return True


def is_header(cells: list[str], layout: Layout) -> bool:
    """As wide as the rows (a delimiter more or less at the end is forgiven), and words in it; or wider, with a word over each column
    and more. A row that was cut at its beginning holds a time or a number with a decimal mark: it is none."""
    fields = layout.fields
    filled = [c for c in cells if c]
    if filled and _COMMENT.match(cells[0]) and len(filled) != fields:
        return False  # "# column 2: plate, °C" is a remark with a comma in it
    if not filled or not (
        _as_wide(cells, fields) or (fields + 1 < len(cells) <= fields + _MORE_LABELS and all(cells[:fields]))
    ):
        return False
    words = [c for c in filled if re.search(r"[^\W\d_]|#|°", c)]
    if any(_CUT_ROW.search(c) for c in filled) and any(_MARKED_NUMBER.fullmatch(c) for c in filled):
        return False
    return len(filled) >= max(1, fields // 2) and len(words) >= 1 and not shape_of(filled[-1])


_COMMENT = re.compile(r"(#|//)[^:=]*[^\W_]\s*[:=]\s")
_MORE_LABELS = 6
"""More labels than columns by up to so many are labels of columns that were never logged. Common practice, no source."""


_CUT_ROW = re.compile(r"[0-9]:[0-9][0-9]")


_MARKED_NUMBER = re.compile(r"[+-]?[0-9]+[.,][0-9]+")


_SAMPLING = re.compile(
    r"(avg|average|mean|smp|sample|inst\w*|max\w*|min\w*|std|tot|total|sum|rms|actual|current value|mittel\w*|media|moy\w*)",
    re.IGNORECASE,
)


def _is_sampling_row(cells: list[str], fields: int) -> bool:
    """How the logger made each reading of many: "", "Avg", "Smp"."""
    filled = [c for c in cells if c]
    return _as_wide(cells, fields) and bool(filled) and all(_SAMPLING.fullmatch(c) for c in filled)


def _told_apart(labels: list[str], sampled: list[str]) -> tuple[str, ...]:
    """Labels that stand over several columns, with how each was sampled: "Evap" over "min" and "avg"."""
    if len(sampled) != len(labels):
        return tuple(labels)
    return tuple(
        f"{label} {how}".strip() if labels.count(label) > 1 else label
        for label, how in zip(labels, sampled, strict=True)
    )


def _names_the_clock_alone(cells: list[str], fields: int) -> bool:
    """ "Time,,," under a block that describes the channels."""
    return (
        fields > 2
        and len(cells) == fields
        and bool(cells[0])
        and not any(cells[1:])
        and not shape_of(cells[0])
    )


def _as_wide(cells: list[str], fields: int) -> bool:
    return len(cells) == fields or (len(cells) == fields + 1 and not cells[-1]) or (len(cells) == fields - 1)


def _is_upper_header(cells: list[str], fields: int) -> bool:
    filled = [c for c in cells if c]
    if len(cells) != fields or len(filled) < 2:
        return False
    return (
        not any(shape_of(c) or is_number(c, ".") or is_number(c, ",") for c in filled)
        and ":" not in filled[0]
    )


_UNIT_WORDS = re.compile(
    r"""[\[(]?\s*(?:[x×*]\s?)?(?:(?:0[.,]0{0,3}1|1/10{1,4})\s?[x×*·]?\s?)?(°\s*[cf]|º\s*[cf]|℃|℉|deg\.?\s*[cfk]|degrees?\s*[cf]|m[avwk]|[µμu][avw]|[cfk]|celsius|fahrenheit|kelvin|ma|a|amps?|amperes?|w|kw|watts?|v|volts?|kwh|wh
    |k?ohms?|k?ω|k?Ω|%|%\s*rh|pf|cos.?(phi|φ)|bar|psi[g]?|kpa|mpa|s|sec|seconds|ms|min|h|hh:mm(:ss)?(\.s+|\.0+)?|h:m(:s)?|m?s\s+since.*|[ymdjat.\-/]{5,10}
    |[ymdjat.\-/]{6,10}[\st]hh:mm(:ss)?.*|utc.*|gmt.*|local.*|date|time|rn|n[or]\.?|\#|-|n/?a|iso\s?8601)?\s*[\])]?""",
    re.VERBOSE | re.IGNORECASE,
)


_NO_UNITS = ("date", "time", "rn", "no", "no.", "nr", "nr.", "#", "-")
"""Words of a units row over columns without a unit."""
_UNIT_TITLE = re.compile(r"units?|unidad(es)?|einheit(en)?|unités?|engineering units?", re.IGNORECASE)


def _is_units_row(cells: list[str], layout: Layout) -> bool:
    """Nothing but units; over a clock, any short word ("TS")."""
    fields = layout.fields
    if cells and _UNIT_TITLE.fullmatch(cells[0].rstrip(": ")):
        cells = ["", *cells[1:]]
    cells = ["" if i in layout.clocks and c.isalpha() and len(c) <= 3 else c for i, c in enumerate(cells)]
    filled = [c for c in cells if c]
    return (
        _as_wide(cells, fields)
        and bool(filled)
        and all(_UNIT_WORDS.fullmatch(c) for c in cells)
        and sum(c.lower().strip("[]() ") not in _NO_UNITS for c in filled) >= 1
    )
