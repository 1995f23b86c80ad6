"""The sheets of a spreadsheet workbook as text with tabs, one after the other."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta

from pipeline.errors import LogFileError
from pipeline.logs.source.archives import DAMAGE

MOST_UNPACKED_BYTES = 512 * 1024**2
"""A workbook that unpacks to more is refused: a full sheet of eight columns is under 400 MB. Common practice, no source."""
_AS_CSV = "export the log from the logger's software as CSV and put that file here"


def sheets_of(raw: bytes, name: str) -> Iterator[tuple[str, bytes]]:
    """(name of the sheet, its rows as UTF-8 with tabs between the cells) of each sheet that holds any. Raises LogFileError."""
    if raw[:2] == b"PK":
        _refuse_too_large_or_damaged(raw, name)
    from python_calamine import CalamineWorkbook

    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(raw))
        names = list(book.sheet_names)
    except BaseException as error:  # the library's own panics are no Exception
        raise _damaged(error, name) from error
    for sheet in names:
        try:
            rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=True)
        except BaseException as error:
            raise _damaged(error, name) from error
        text = "\n".join("\t".join(map(_cell, row)) for row in rows)
        if text.strip():
            yield sheet, text.encode("utf-8", "replace") + b"\n"


def _damaged(error: BaseException, name: str) -> LogFileError:
    if isinstance(error, KeyboardInterrupt | SystemExit | MemoryError):
        raise error
    return LogFileError(
        "the spreadsheet workbook is damaged, has a password, or is of a kind that cannot be read",
        file=name,
        remedy=_AS_CSV,
    )


def _refuse_too_large_or_damaged(raw: bytes, name: str) -> None:
    """Each part of the workbook is checked against its checksum: a number with a bit turned is a number all the same."""
    damaged = LogFileError(
        "the workbook is damaged or cut off", file=name, remedy=f"copy it again, or {_AS_CSV}"
    )
    try:
        archive = zipfile.ZipFile(io.BytesIO(raw))
        size = sum(m.file_size for m in archive.infolist())
        if size <= MOST_UNPACKED_BYTES and archive.testzip() is not None:
            raise damaged
    except DAMAGE as error:
        raise damaged from error
    if size > MOST_UNPACKED_BYTES:
        raise LogFileError(
            f"the workbook unpacks to {size // 1024**2} MB, more than {MOST_UNPACKED_BYTES // 1024**2}",
            file=name,
            remedy=_AS_CSV,
        )


def _cell(value: object) -> str:
    """One cell as a logger would write it. A time is a fraction of a day: it is rounded to the millisecond."""
    if isinstance(value, datetime):
        value = _rounded(value)
        return f"{value:%Y-%m-%d %H:%M:%S}" + (
            f".{value.microsecond // 1000:03d}" if value.microsecond else ""
        )
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        moment = _rounded(datetime.combine(date(2001, 1, 1), value))
        return f"{moment:%H:%M:%S}" + (f".{moment.microsecond // 1000:03d}" if moment.microsecond else "")
    if isinstance(value, timedelta):
        seconds = round(value.total_seconds(), 3)
        hours, rest = divmod(seconds, 3600)
        return f"{int(hours)}:{int(rest // 60):02d}:{rest % 60:06.3f}"
    if isinstance(value, float):
        return f"{value:.0f}" if value.is_integer() and abs(value) < 1e15 else repr(value)
    return " ".join(str(value).split())


def _rounded(moment: datetime) -> datetime:
    whole = moment.replace(microsecond=0)
    return whole + timedelta(milliseconds=round(moment.microsecond / 1000))
