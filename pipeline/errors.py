"""What can go wrong, by what a caller does about it.

IceLogError
├── LogFileError     one logger file cannot be read: the unit's other files go on
├── UnitConfigError  a unit.toml (or clients.toml) is wrong: that unit is not reported
├── UnitError        nothing of a unit can be reported: the other units go on
├── DeliveryError    a report or message could not be written or sent
└── UsageError       the command line asks for something that cannot be done (exit status 2)

A message names the file and line, what was found there, and what to do about it. Bad *data* is no exception: it is
a note or a finding.
"""

from __future__ import annotations

import errno
import re
from pathlib import Path


class IceLogError(Exception):
    """An error that the user can mend.

    file: name of the file as the user knows it (never a path of this machine), or "".
    line: 1-based line in that file, or None.
    found: what is wrong.
    remedy: what to do about it.
    """

    def __init__(self, found: str, *, remedy: str = "", file: str = "", line: int | None = None) -> None:
        self.found = found
        self.remedy = remedy
        self.file = file
        self.line = line
        super().__init__(found, remedy, file, line)

    def __str__(self) -> str:
        where = self.file + (f", line {self.line}" if self.line is not None else "")
        text = f"{where}: {self.found}" if where else self.found
        return f"{text}; {self.remedy}" if self.remedy else text

    def __reduce__(self):
        return (_rebuild, (type(self), self.found, self.remedy, self.file, self.line))


def _rebuild(kind, found, remedy, file, line):
    return kind(found, remedy=remedy, file=file, line=line)


class LogFileError(IceLogError):
    """One logger file cannot be read."""


class UnitConfigError(IceLogError):
    """A unit.toml or clients.toml is wrong."""


class UnitError(IceLogError):
    """Nothing of a unit can be reported."""


class DeliveryError(IceLogError):
    """A report or a message could not be written or sent."""


class UsageError(IceLogError):
    """The command line asks for something that cannot be done."""


# What is said of errors of the system -----------------------------------------------------------------------------------


def remedy_of(error: Exception) -> str:
    """What to do about something that could not be written."""
    number = error.errno if isinstance(error, OSError) else None
    if number in (errno.EINVAL, errno.ENAMETOOLONG):
        return "give the unit's folder or files a shorter, plainer name, for the drive of the reports does not take this one"
    if number in (errno.EISDIR, errno.ENOTDIR, errno.EEXIST):
        return "something else lies in its place among the reports; move that away and run again"
    return "see whether the disk is full or may not be written to, and run again"


def reason_of(error: BaseException) -> str:
    """Why, without a path of this machine."""
    if isinstance(error, OSError) and error.strerror:
        return _without_paths(error.strerror)
    return _without_paths(str(error)) or type(error).__name__


def _without_paths(text: str) -> str:
    return re.sub(r"(?:[A-Za-z]:)?[/\\](?:[^\s'\"/\\]+[/\\])+", "", text)


def fault_of(error: Exception) -> str:
    """What to say of an error that should not have happened, and where in the program it did."""
    frame = error.__traceback__
    while frame is not None and frame.tb_next is not None:
        frame = frame.tb_next
    where = f"{Path(frame.tb_frame.f_code.co_filename).name}:{frame.tb_lineno}" if frame is not None else "?"
    return (
        f"a fault of this program ({type(error).__name__} at {where}: {_without_paths(str(error))}); the unit's files are "
        "untouched; please send them to whoever maintains it"
    )
