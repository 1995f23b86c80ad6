"""One logger file as it was read: numbers in the logger's own units on the UTC clock, before roles and trust.

This is what a store keeps, so that an unchanged file is never parsed twice: `to_arrow` and `from_arrow` are exact
inverses.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.language.text import Text
from pipeline.logs.timeline import Doubt, SourceFile

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True, kw_only=True)
class LoggedColumn:
    """One column of readings, as logged."""

    label: str  # the header as written; "column 3" where there was none
    unit: (
        str | None
    )  # a key of pipeline.logs.vocabulary.units.UNITS; "" a bare number; None: the file doesn't say
    unit_by: str  # "header", "units row", "units column", "preamble", "cells" or ""
    values: np.ndarray  # float64 (n,), in `unit`; NaN is "no reading"
    error: np.ndarray | None = (
        None  # bool (n,): the cell held an error word or an overflow constant; None: none did
    )
    error_words: Mapping[str, int] = field(default_factory=dict)  # which words, how often


@dataclass(frozen=True, kw_only=True)
class FileTable:
    """One log of one file (an archive may hold several)."""

    name: str  # "probes.csv", or "export.zip/probes.csv"
    logger: str  # serial number where the file tells it, else ""
    time_ns: np.ndarray  # int64 (n,), UTC, strictly increasing
    columns: tuple[LoggedColumn, ...]
    source: SourceFile
    doubts: tuple[Doubt, ...] = ()  # what only the reader could see: a clock that was reset
    other_order: str = (
        ""  # zone of times whose dates may as well be in the other order; "" where there is one order only
    )
    same_clock: str = ""  # tables that share this name were written by one clock

    def to_arrow(self) -> pa.Table:
        """Everything in one Arrow table: `time_ns`, `v0`…, `e0`… (only where errors are), the rest as metadata."""
        import pyarrow as pa

        arrays: dict[str, Any] = {"time_ns": pa.array(self.time_ns)}
        for i, column in enumerate(self.columns):
            arrays[f"v{i}"] = pa.array(column.values)
            if column.error is not None:
                arrays[f"e{i}"] = pa.array(column.error)
        about = {
            "name": self.name,
            "logger": self.logger,
            "same_clock": self.same_clock,
            "other_order": self.other_order,
            "columns": [
                {
                    "label": c.label,
                    "unit": c.unit,
                    "unit_by": c.unit_by,
                    "error_words": dict(c.error_words),
                }
                for c in self.columns
            ],
            "source": asdict(self.source),
            "doubts": [asdict(d) for d in self.doubts],
        }
        return pa.table(arrays).replace_schema_metadata({"icelogs": json.dumps(about)})

    @classmethod
    def from_arrow(cls, table: pa.Table) -> FileTable:
        """The inverse of `to_arrow`. Raises KeyError or ValueError for a table that `to_arrow` did not make."""
        about = json.loads(table.schema.metadata[b"icelogs"])

        def numbers(name: str) -> np.ndarray | None:
            return _to_numpy(table[name]) if name in table.column_names else None

        columns = tuple(
            LoggedColumn(**entry, values=numbers(f"v{i}"), error=numbers(f"e{i}"))
            for i, entry in enumerate(about["columns"])
        )
        source = about["source"]
        return cls(
            name=about["name"],
            logger=about["logger"],
            same_clock=about["same_clock"],
            other_order=about["other_order"],
            time_ns=numbers("time_ns"),
            columns=columns,
            source=SourceFile(**source | {"notes": tuple(Text(**n) for n in source["notes"])}),
            doubts=tuple(Doubt(**d | {"what": Text(**d["what"])}) for d in about["doubts"]),
        )


_DTYPES = {"int64": np.int64, "double": np.float64}


def _to_numpy(column: pa.ChunkedArray) -> np.ndarray:
    """A null-free Arrow column as an array, without a copy where it is one chunk (`to_numpy` would import pandas)."""
    import pyarrow as pa

    parts = []
    for chunk in column.chunks:
        if str(chunk.type) == "bool":
            bits = np.frombuffer(chunk.buffers()[1], np.uint8)
            parts.append(np.unpackbits(bits, bitorder="little")[chunk.offset :][: len(chunk)].view(bool))
        else:
            numbers = np.frombuffer(chunk.buffers()[1], _DTYPES[str(chunk.type)])
            parts.append(numbers[chunk.offset :][: len(chunk)])
    if len(parts) == 1:
        return parts[0]
    if parts:
        return np.concatenate(parts)
    return np.empty(0, bool if column.type == pa.bool_() else _DTYPES[str(column.type)])
