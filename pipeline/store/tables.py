"""Logs as they were read, in Parquet: exact, small, and quicker to load than a CSV is to parse."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import atomic
from pipeline.store.sealed import Damaged

if TYPE_CHECKING:
    from pipeline.logs.table import FileTable


@dataclass(frozen=True, kw_only=True)
class Part:
    """One Parquet file and what it must look like."""

    file: str
    size: int
    crc32: int


def keep(folder: Path, stem: str, tables: Sequence[FileTable]) -> tuple[Part, ...]:
    """Write each of `tables` to `folder` as `<stem>-<n>.parquet`. Raises OSError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    parts = []
    for number, table in enumerate(tables):
        sink = pa.BufferOutputStream()
        arrow = table.to_arrow()
        # Steady steps and slowly moving readings: a quarter of the write time of the defaults, half of the size.
        encodings = {pa.int64(): "DELTA_BINARY_PACKED", pa.float64(): "BYTE_STREAM_SPLIT", pa.bool_(): "RLE"}
        pq.write_table(
            arrow,
            sink,
            compression="lz4",
            use_dictionary=False,
            column_encoding={field.name: encodings[field.type] for field in arrow.schema},
            write_statistics=False,
        )
        data = sink.getvalue()
        name = f"{stem}-{number}.parquet"
        with atomic.beside(folder / name) as path:
            path.write_bytes(data)
        parts.append(Part(file=name, size=data.size, crc32=zlib.crc32(data)))
    return tuple(parts)


def load(folder: Path, parts: Sequence[Part]) -> tuple[FileTable, ...]:
    """The inverse of `keep`. Raises Damaged, with the name of the piece, where a file is missing or altered."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from pipeline.logs.table import FileTable

    tables = []
    for part in parts:
        try:
            data = (folder / part.file).read_bytes()
        except OSError as error:
            raise Damaged(part.file) from error
        if len(data) != part.size or zlib.crc32(data) != part.crc32:
            raise Damaged(part.file)
        try:
            tables.append(FileTable.from_arrow(pq.read_table(pa.BufferReader(data))))
        except (pa.ArrowException, KeyError, ValueError, TypeError) as error:
            raise Damaged(part.file) from error
    return tuple(tables)
