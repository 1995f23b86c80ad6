"""A column as Arrow parsed it → numbers and words: thousands marks, units inside the cells, error words."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from pipeline.logs.rows.column_blocks import CellBlock
from pipeline.logs.vocabulary.cell_kinds import ERROR_WORDS, THOUSANDS, grouped_by, split_unit
from pipeline.logs.vocabulary.units import unit_of_word


@dataclass(frozen=True, kw_only=True)
class NumberColumn:
    """One column of readings; NaN where there is none."""

    values: np.ndarray
    words: dict[str, np.ndarray] = field(default_factory=dict)  # error word -> rows that hold it
    unit: str | None = None  # where the cells carry it

    def only(self, rows: np.ndarray) -> NumberColumn:
        """The same numbers of the rows `rows` (m,) alone: their indices, rising."""
        words = {word: np.flatnonzero(np.isin(rows, at)) for word, at in self.words.items()}
        return NumberColumn(
            values=self.values[rows], words={w: a for w, a in words.items() if len(a)}, unit=self.unit
        )


def joined(column: pa.ChunkedArray, dtype: type) -> np.ndarray:
    """The numbers (n,) of pieces that follow each other, as `dtype`; without a copy where there is one piece."""
    parts = [np.frombuffer(c.buffers()[1], dtype)[c.offset :][: len(c)] for c in column.chunks if len(c)]
    return parts[0] if len(parts) == 1 else np.concatenate(parts) if parts else np.empty(0, dtype)


def floats(column: pa.ChunkedArray) -> tuple[np.ndarray, np.ndarray | None, bool]:
    """(values (n,) with NaN for null, mask of the nulls, bool (n,), or None, whether all values are finite where none is null)."""
    if column.null_count:
        values = joined(column, np.float64)
        missing = np.concatenate([_nulls(c) for c in column.chunks if len(c)])
        values = values.copy() if not values.flags.writeable else values
        values[missing] = np.nan
        return values, missing, False
    values, total, at = np.empty(len(column)), 0.0, 0
    for chunk in column.chunks:  # each is looked at while it is in the processor's cache
        part = (
            np.frombuffer(chunk.buffers()[1], np.float64)[chunk.offset :][: len(chunk)] if len(chunk) else ()
        )
        values[at : at + len(chunk)] = part
        total += float(np.sum(part))
        at += len(chunk)
    return values, None, bool(np.isfinite(total) or np.isfinite(values).all())


def _nulls(chunk: pa.Array) -> np.ndarray:
    bitmap = chunk.buffers()[0]
    if bitmap is None:
        return np.zeros(len(chunk), bool)
    bits = np.unpackbits(np.frombuffer(bitmap, np.uint8), bitorder="little")
    return bits[chunk.offset :][: len(chunk)] == 0


def cells_of(column: pa.ChunkedArray) -> list[CellBlock]:
    """A text column as the bytes that Arrow keeps it in, without a copy."""
    blocks = []
    for chunk in column.chunks:
        if not len(chunk):
            continue
        offsets = np.frombuffer(chunk.buffers()[1], np.int32)[chunk.offset :][: len(chunk) + 1]
        raw = chunk.buffers()[2]
        ends = offsets[1:]
        if chunk.null_count:
            ends = np.where(_nulls(chunk), offsets[:-1], ends)
        blocks.append(CellBlock(data=np.frombuffer(raw or b"", np.uint8), starts=offsets[:-1], ends=ends))
    return blocks


def with_words(values: np.ndarray, cells: list[CellBlock]) -> NumberColumn:
    """The same numbers, now `values` (n,), with the cells that hold an error word told apart from the blank ones."""
    return NumberColumn(values=values, words=texts_of(cells, np.isnan(values)))


def texts_of(cells: list[CellBlock], wanted: np.ndarray | None = None) -> dict[str, np.ndarray]:
    """text -> the rows whose cell holds it, ascending; of the rows `wanted` (bool), None: of all. Blank cells are left out."""
    words: dict[str, list[np.ndarray]] = {}
    at = 0
    for block in cells:
        n = len(block.starts)
        missing = np.arange(n) if wanted is None else np.flatnonzero(wanted[at : at + n])
        starts, lengths = block.starts[missing], (block.ends - block.starts)[missing]
        for length in np.unique(lengths).tolist():
            if length == 0:
                continue
            here = np.flatnonzero(lengths == length)
            text = np.stack([block.data[starts[here] + k] for k in range(length)], axis=1)
            kinds, which = np.unique(np.ascontiguousarray(text).view(f"V{length}")[:, 0], return_inverse=True)
            for code, kind in enumerate(kinds):
                word = kind.tobytes().decode("utf-8", "replace").strip()
                if word:
                    words.setdefault(word, []).append(missing[here[which == code]] + at)
        at += n
    return {word: np.sort(np.concatenate(rows)) for word, rows in words.items()}


def numbers_of(column: pa.ChunkedArray, decimal: str) -> NumberColumn:
    """A column of text → numbers; what is none is counted as an error word, whatever it says."""
    import pyarrow.compute as pc

    cells = pc.utf8_trim_whitespace(column.combine_chunks())
    if isinstance(cells, pa.ChunkedArray):
        cells = cells.combine_chunks()
    point = re.escape(decimal)
    plain = pc.match_substring_regex(
        cells, rf"^[+-]?([0-9]+{point}?[0-9]*|{point}[0-9]+)([eE][+-]?[0-9][0-9]?[0-9]?)?$"
    )
    left = pc.invert(plain)
    unit = None
    if pc.any(left).as_py():
        odd = cells.filter(left)
        tidy = {c: _tidy(c, decimal) for c in pc.unique(odd).to_pylist()}
        if len(tidy) > 50_000:
            return _numbers_by_mark(cells, plain, decimal)
        with_unit = [c for c in tidy if c and split_unit(c)[1]]
        if (
            with_unit and pc.sum(plain).as_py()
        ):  # a unit stands behind all numbers of a column or is a damaged digit
            tidy |= dict.fromkeys(with_unit, (None, ""))
        unit = next((u for u, _count in Counter(u for _number, u in tidy.values() if u).most_common(1)), None)
        tidy |= {c: (None, "") for c, (_number, u) in tidy.items() if u and u != unit}
        grouped = [
            c
            for c, (number, _unit) in tidy.items()
            if number is not None and grouped_by(split_unit(c)[0], decimal)
        ]
        if len(grouped) == 1:  # one number with a mark in it among plain ones is a damaged number
            tidy[grouped[0]] = (None, "")
        mended = pa.array([tidy[c][0] for c in odd.to_pylist()], pa.string())
        cells_plain = pc.replace_with_mask(cells, left, mended)
    else:
        cells_plain = cells
    if decimal == ",":
        cells_plain = pc.replace_substring(cells_plain, ",", ".")
    values, _, _ = floats(pa.chunked_array([pc.cast(cells_plain, pa.float64())]))
    return _with_unreadable(values, cells, unit)


def _numbers_by_mark(cells: pa.Array, plain: pa.Array, decimal: str) -> NumberColumn:
    """The same for a long column of grouped numbers ("1,234.5"), a thousands mark at a time."""
    import pyarrow.compute as pc

    result, fits = cells, plain
    for mark in THOUSANDS[decimal]:
        grouped = pc.match_substring_regex(
            cells,
            rf"^[+-]?[0-9][0-9]?[0-9]?({re.escape(mark)}[0-9][0-9][0-9])+({re.escape(decimal)}[0-9]*)?$",
        )
        result = pc.if_else(grouped, pc.replace_substring(result, mark, ""), result)
        fits = pc.or_(fits, grouped)
    result = pc.if_else(fits, result, pa.scalar(None, pa.string()))
    if decimal == ",":
        result = pc.replace_substring(result, ",", ".")
    values, _, _ = floats(pa.chunked_array([pc.cast(result, pa.float64())]))
    return _with_unreadable(values, cells, None)


def _with_unreadable(values: np.ndarray, cells: pa.Array, unit: str | None) -> NumberColumn:
    finite = np.isfinite(values)
    if finite.all():
        return NumberColumn(values=values, unit=unit)
    values = np.where(finite, values, np.nan)
    numbers = with_words(values, cells_of(pa.chunked_array([cells])))
    return NumberColumn(values=values, words=numbers.words, unit=unit)


def _tidy(cell: str, decimal: str) -> tuple[str | None, str]:
    """(the number as the parser takes it, or None; the unit that stood in the cell)."""
    if not cell or cell.lower() in ERROR_WORDS:
        return None, ""
    bare, unit = split_unit(cell)
    bare = bare.replace("−", "-")
    for mark in ("", *THOUSANDS[decimal]):
        point = re.escape(decimal)
        if mark and re.fullmatch(rf"[+-]?[0-9]{{1,3}}({re.escape(mark)}[0-9]{{3}})+({point}[0-9]*)?", bare):
            return bare.replace(mark, ""), unit_of_word(unit) or ""
        if not mark and re.fullmatch(
            rf"[+-]?([0-9]+{point}?[0-9]*|{point}[0-9]+)([eE][+-]?[0-9]{{1,3}})?", bare
        ):
            return bare, unit_of_word(unit) or ""
    return None, ""
