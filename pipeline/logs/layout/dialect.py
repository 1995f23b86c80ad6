"""How a file is laid out: delimiter, decimal mark, where the head ends and the rows begin and end.

Decided from a sample of the bytes (head, middle, tail), by what makes the cells come out as times and numbers, not by
counting delimiters: a semicolon file with decimal commas holds more commas than semicolons.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.errors import LogFileError
from pipeline.logs.layout.head_rows import Layout, head_of, is_row, split_row, with_first_label
from pipeline.logs.source.large_text import LargeText
from pipeline.logs.vocabulary.cell_kinds import kind_of
from pipeline.logs.vocabulary.units import unit_of_word

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", "^": "caret"}
HEAD_BYTES, MIDDLE_BYTES, TAIL_BYTES = 65536, 16384, 16384
SAMPLE_ROWS = 240
WINDOW_ROWS = 50


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """The layout of one file. Byte positions are into `Content.text`."""

    name: str  # of the file
    delimiter: str
    decimal: str
    quoted: bool  # rows hold quote characters that mean something
    fields: int  # cells in a row, a last empty one from a trailing delimiter included
    preamble: tuple[str, ...]  # lines before the header
    header: tuple[tuple[str, ...], ...]  # header rows, none, one or two
    units_row: tuple[str, ...]  # () where there is none
    data_at: int  # byte where the first row begins
    data_end: int  # byte past the last row
    first_line: int  # 1-based line of the first row
    tail: tuple[str, ...]  # lines after the last row: statistics, a farewell
    sample: tuple[tuple[str, ...], ...]  # rows of the sample, cells stripped
    words_seen: bool  # the sample holds error words
    header_line: bytes  # as it stands in the file, to find it again where files were joined
    units_line: bytes
    first_row: tuple[str, ...] = ()
    widths: frozenset[int] = frozenset()  # of more than the odd row of the sample
    spaced: bool = False  # the tabs were blanks: see `fixed_width`


_QUOTED = re.compile(rb'[,;\t|]"[^"\n]*"[,;\t|\r\n]')


def sniff(text: bytes, name: str, *, quotes: bool) -> Dialect:
    """The layout of the log in `text`; quotes: a quotation mark stands in it. Raises LogFileError where no rows of times and
    numbers are found."""
    body = _sample_lines(text)
    if not body:
        raise _too_wide(text, name)
    best = max((_fit(body, d) for d in DELIMITERS), key=lambda f: f.score)
    if best.score <= 0:
        raise _no_rows(text, name)
    delimiter, fields = best.delimiter, best.fields
    decimal = _decimal_mark(best.rows, delimiter)
    rows = tuple(tuple(r) for r in best.rows[:SAMPLE_ROWS])
    layout = Layout(
        delimiter=delimiter, fields=fields, decimal=decimal, clocks=_clocks(rows), words=_words(rows)
    )
    head = head_of(text, layout)
    if head is None:
        raise _no_rows(text, name)
    head = with_first_label(head, rows)
    tail, data_end = _tail(text, layout, head.data_at, rows)
    quoted = quotes and (any('"' in line for line in body) or _holds_quoted(text, head.data_at, data_end))
    return Dialect(
        name=name,
        delimiter=delimiter,
        decimal=decimal,
        quoted=quoted,
        fields=fields,
        preamble=head.preamble,
        header=head.header,
        units_row=head.units_row,
        data_at=head.data_at,
        data_end=data_end,
        first_line=head.first_line,
        tail=tail,
        sample=rows,
        words_seen=any(kind_of(c).word for r in rows for c in r if c),
        header_line=head.header_line,
        units_line=head.units_line,
        first_row=head.first_row,
        widths=best.widths,
    )


def _sample_lines(text: bytes) -> list[str]:
    """Lines that are likely rows: the whole of a small file, else windows from its head, middle and end."""
    if len(text) <= HEAD_BYTES:
        whole = text[:].decode("utf-8", "replace")
        return [line for line in whole.splitlines() if line.strip()][-SAMPLE_ROWS:]
    lines = []
    for at in (len(text) // 16, len(text) // 2, len(text) - 2 * TAIL_BYTES):
        window = text[at : at + MIDDLE_BYTES]
        whole = window[window.find(b"\n") + 1 : window.rfind(b"\n") + 1]
        lines += [line for line in whole.decode("utf-8", "replace").splitlines() if line.strip()][
            :WINDOW_ROWS
        ]
    if (
        not lines and max(map(len, every := text[:].split(b"\n"))) < MIDDLE_BYTES
    ):  # blank lines by the thousand
        lines = [line.decode("utf-8", "replace") for line in every if line.strip()][-SAMPLE_ROWS:]
    return lines


@dataclass(frozen=True, kw_only=True)
class _Fit:
    delimiter: str
    fields: int
    score: float
    rows: list[list[str]]
    widths: frozenset[int] = frozenset()  # of more than the odd row


def _fit(lines: list[str], delimiter: str) -> _Fit:
    """How well the lines come out as rows of times and numbers with this delimiter."""
    split = [split_row(line, delimiter) for line in lines if delimiter in line]
    scored = [(row, _row_score(row)) for row in split]
    by_width: Counter[int] = Counter()
    for row, score in scored:
        by_width[len(row)] += score
    if not by_width:
        return _Fit(delimiter=delimiter, fields=0, score=0.0, rows=[])
    fields = max(by_width, key=lambda k: (by_width[k], k))
    rows = [row for row, score in scored if len(row) == fields and score > 0]
    count = Counter(len(row) for row, score in scored if score > 0)
    widths = frozenset(w for w, n in count.items() if n >= max(3, 0.1 * len(scored)))
    return _Fit(delimiter=delimiter, fields=fields, score=by_width[fields], rows=rows, widths=widths)


def _row_score(row: list[str]) -> float:
    """0 for a line that is no row; else the share of its cells that are times, numbers, units, error words or blank."""
    clean = values = 0
    for cell in row:
        if not cell:
            clean += 1
            continue
        kind = kind_of(cell)
        if kind.reads:
            clean += 1
            values += 1
        elif kind.word or unit_of_word(cell) is not None:
            clean += 1
    share = clean / len(row)
    if values >= 2 and share >= 0.5:
        return share
    # a row whose probes are all open still has its time
    return 0.5 * share if values == 1 and any(kind_of(c).shape for c in row[:3] if c) else 0.0


def _decimal_mark(rows: list[list[str]], delimiter: str) -> str:
    dots = commas = lone_commas = 0
    leading_zero = False
    for row in rows:
        for cell in row:
            dot, comma = "." in cell, "," in cell
            if not (dot or comma):
                continue
            kind = kind_of(cell)
            if kind.shape:
                continue
            if dot and comma:
                commas += 3 * (kind.comma and cell.rfind(",") > cell.rfind("."))
                dots += 3 * (kind.point and cell.rfind(".") > cell.rfind(","))
            elif comma and kind.comma:
                if kind.grouped_point:
                    lone_commas += 1
                    leading_zero |= cell.lstrip("+-").startswith("0")
                else:
                    commas += 1
            elif dot and kind.point and not kind.grouped_comma:
                dots += 1
    if commas or dots:
        return "," if commas > dots else "."
    # nothing but "1,234": thousands in a comma-separated file, three decimals in any other
    return "," if lone_commas and (delimiter != "," or leading_zero) else "."


def _holds_quoted(text: bytes, data_at: int, data_end: int) -> bool:
    """Whether the odd cell stands in quotes, as a remark with a delimiter in it does."""
    first = text.find(b'"', data_at, data_end)
    if first < 0:
        return False
    if isinstance(text, LargeText):  # the odd remark in quotes is looked for where the first mark is
        return _QUOTED.search(text[max(data_at, first - 1) : min(first + MIDDLE_BYTES, data_end)]) is not None
    return _QUOTED.search(text, max(data_at, first - 1), data_end) is not None


def _clocks(rows: tuple[tuple[str, ...], ...]) -> frozenset[int]:
    timed: Counter[int] = Counter()
    for row in rows:
        timed.update(i for i, cell in enumerate(row) if cell and kind_of(cell).shape)
    return frozenset(i for i, count in timed.items() if count > 0.5 * len(rows))


def _words(rows: tuple[tuple[str, ...], ...]) -> frozenset[int]:
    named: Counter[int] = Counter()
    for row in rows:
        named.update(
            i for i, cell in enumerate(row) if cell and not (kind_of(cell).reads or kind_of(cell).word)
        )
    return frozenset(i for i, count in named.items() if count > 0.5 * len(rows))


def _tail(
    text: bytes, layout: Layout, data_at: int, sample: tuple[tuple[str, ...], ...]
) -> tuple[tuple[str, ...], int]:
    """(lines after the last row, byte past the last row)."""
    start = max(data_at, len(text) - TAIL_BYTES)
    if start > data_at:
        start = text.find(b"\n", start) + 1
    window = text[start:]
    lines = window.split(b"\n")
    end = len(window)
    tail: list[str] = []
    for raw in reversed(lines):
        line = raw.decode("utf-8", "replace").rstrip("\r")
        cells = split_row(line, layout.delimiter)
        cut_off = (
            raw is lines[-1] and bool(raw) and len(lines) > 1 and _is_cut_off(cells, layout.decimal, sample)
        )
        if is_row(cells, layout) and not cut_off:
            return tuple(reversed(tail)), start + end
        if line.strip():
            tail.append(line)
        end -= len(raw) + 1
    return (), len(text)


def _is_cut_off(cells: list[str], decimal: str, sample: tuple[tuple[str, ...], ...]) -> bool:
    """A last line without a line end whose last number is shorter, or has fewer decimals, than all others of its column: the file was
    cut there, and what is left of the number is another number."""
    if len(cells) != len(sample[0]):
        return False
    full = [r[-1] for r in sample[:-1] if r[-1] and kind_of(r[-1]).number(decimal)]
    if not full:
        return False
    if not cells[-1]:
        return len(full) == len(sample) - 1
    places = min(len(c.partition(decimal)[2]) for c in full)
    return len(cells[-1].partition(decimal)[2]) < places or len(cells[-1]) < min(map(len, full))


_OTHER_TEXT = (
    (re.compile(rb"\s*[\[{]\s*[\"{\[]"), "this is JSON"),
    (
        re.compile(rb"\s*<(!doctype html|html|head|body|table|style)", re.IGNORECASE),
        "this is a web page (HTML)",
    ),
    (re.compile(rb"\s*<(\?xml|[a-z]+[ >])", re.IGNORECASE), "this is XML"),
    (re.compile(rb"\s*BEGIN:V"), "this is a calendar or a contact"),
)


def _too_wide(text: bytes, name: str) -> LogFileError:
    """No line ends within a window of the sample: the first of the longest lines is named."""
    lines = text[:].split(b"\n")
    longest = max(range(len(lines)), key=lambda i: len(lines[i]))
    cells = 1 + max(lines[longest].count(d.encode()) for d in DELIMITERS)
    return LogFileError(
        f"the line has {cells} cells ({len(lines[longest])} bytes), more than any logger writes",
        file=name,
        line=longest + 1,
        remedy="export fewer channels a file; where it should be one reading a line, export the log again",
    )


def no_readings(dialect: Dialect, name: str) -> LogFileError:
    """What is said of a log with times and no column of readings."""
    return LogFileError(
        "there are times but no column of readings",
        file=name,
        line=dialect.first_line,
        remedy="export the log with its readings",
    )


_DURATION = re.compile(
    r"(?<![\w.])(?:\d{1,4} ?(?:h|hrs?|hours?|m|mins?|minutes?) ?\d{1,2} ?(?:m|mins?|minutes?|s|secs?|seconds?)|PT\d{1,4}[HMS])(?![^\W\d])",
    re.IGNORECASE,
)


def _refuse_durations(lines: Sequence[str], name: str) -> None:
    """Raises LogFileError where most lines hold a time such as "5m 30s"."""
    found = [(n, m) for n, line in enumerate(lines) if (m := _DURATION.search(line[:400]))]
    if len(found) > 0.5 * len(lines):
        raise LogFileError(
            f'the times are durations in words ("{found[-1][1][0]}")',
            file=name,
            line=1 + found[0][0],
            remedy="export the log with a date and time in every row, or with elapsed times such as 0:05:30 or 330 under a label that says so",
        )


def _no_rows(text: bytes, name: str) -> LogFileError:
    what = next((what for pattern, what in _OTHER_TEXT if pattern.match(text[:4096])), "")
    if what:
        return LogFileError(
            f"{what}, not a table of times and readings",
            file=name,
            remedy="export the log as CSV: a time and at least one reading a row, with a label over each column"
            + (
                ", or as JSON with a row a line, in a file of at most 32 MB that ends in .jsonl"
                if "JSON" in what
                else ""
            ),
        )
    lines = [line for line in text[:HEAD_BYTES].decode("utf-8", "replace").splitlines() if line.strip()]
    _refuse_durations(lines[:SAMPLE_ROWS], name)
    wide = [line for line in lines if any(line.count(d) >= 1 for d in DELIMITERS)]
    if len(wide) == len(lines) and 0 < len(lines) <= 3:
        return LogFileError(
            "there is a header but no row of readings under it",
            file=name,
            line=len(lines),
            remedy="export the log again; where it stays empty, the logger recorded nothing",
        )
    return LogFileError(
        "no rows of times and readings were found in this text",
        file=name,
        remedy="export the log from the logger's software as CSV: a time and at least one reading a row",
    )
