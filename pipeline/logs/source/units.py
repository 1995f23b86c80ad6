"""Which files belong to which unit.

A sub-folder is a unit. Of the loose files, everything before the first double underscore is the unit; a loose file
without one is a unit of its own, named by its stem. Nothing but regular files is ever opened: a pipe or a device would
hold up every unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.logs.timeline import Problem

LOG_ENDINGS = frozenset({".csv", ".txt", ".tsv", ".log", ".dat", ".jsonl"})
PACKED_ENDINGS = frozenset({".gz"})  # one log inside: probes.csv.gz
ARCHIVE_ENDINGS = frozenset({".zip"})  # any number of logs inside
WORKBOOK_ENDINGS = frozenset({".xlsx", ".xls", ".xlsm", ".xlsb", ".ods", ".numbers"})
"""Not read, but a log saved as one of these must not be passed over without a word."""
_NO_LOG_ENDINGS = frozenset({".pdf", ".rar", ".7z", ".db", ".sqlite"})
DATA_ENDINGS = WORKBOOK_ENDINGS | _NO_LOG_ENDINGS | {".parquet", ".json", ".xml", ".html"}
"""The same for `icelogs check`, which says of more files what they are."""
PICTURE_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".gif", ".bmp", ".tif", ".tiff", ".heic", ".webp"})
_LISTED_WHEN_LOOSE = _NO_LOG_ENDINGS | PICTURE_ENDINGS
"""A loose file of these is named as not read, unless it lies beside logs of its unit, as a picture of the machine may."""

_NOTE_NAMES = re.compile(
    r"(read[ _-]?me|liesmich|l[eé]eme|lisez[ _-]?moi|notes?|notas?|notizen?|licen[cs]e|about|todo)(?![^\W\d_])",
    re.IGNORECASE,
)
_DATE_LIKE, _BETWEEN, _DIGIT = (
    re.compile(rb"\d[-/.:]\d\d"),
    re.compile(rb"[,;\t| ]"),
    re.compile(rb"\d"),
)
_MOST_NOTE_BYTES = 65536


@dataclass(frozen=True, kw_only=True)
class UnitFiles:
    """The files of one unit. `files` is sorted by name and may be empty: then `problem` says what to do."""

    name: str
    files: tuple[Path, ...]
    toml: Path | None
    problem: str = ""  # what is wrong with the folder as such, with the remedy; "" where nothing is
    refused: tuple[Problem, ...] = ()  # files of the unit that are not opened, or were damaged in an archive


def is_log_name(name: str) -> bool:
    """Whether a file of this name may be a log: by its ending, and not hidden."""
    path = Path(name)
    if path.name.startswith((".", "~")):
        return False
    ending = path.suffix.lower()
    if ending in PACKED_ENDINGS:
        return Path(path.stem).suffix.lower() in LOG_ENDINGS
    return ending in LOG_ENDINGS or ending in ARCHIVE_ENDINGS


def names_a_note(name: str) -> bool:
    """Whether a text file's name is that of a person's note (README.txt)."""
    path = Path(name)
    return path.suffix.lower() in (".txt", ".log") and _NOTE_NAMES.match(path.name) is not None


def is_note(path: Path) -> bool:
    """Whether a text file is a person's note (README.txt) and no log: by its name, unless it is full of rows."""
    if not names_a_note(path.name) or not path.is_file():
        return False
    try:
        with open(path, "rb") as file:
            text = file.read(_MOST_NOTE_BYTES + 1)
    except (OSError, TypeError):  # a file at a URL is not opened here
        return True
    return len(text) <= _MOST_NOTE_BYTES and sum(map(_is_like_a_row, text.split(b"\n"))) < 5


def _is_like_a_row(line: bytes) -> bool:
    """Whether something like a date or a time stands in `line`, and after a delimiter a number. Linear in its length."""
    date = _DATE_LIKE.search(line)
    between = date and _BETWEEN.search(line, date.end())
    return bool(between and _DIGIT.search(line, between.end()))


def logs_in(files: Iterable[Path], *, more: frozenset[str] = WORKBOOK_ENDINGS) -> list[Path]:
    """The logs among the files of one folder, and beside them those that end in `more`: they may hold readings, and are
    listed as not read."""
    files = list(files)
    logs = [p for p in files if is_log_name(p.name) and not is_note(p)]
    hidden = (".", "~")
    others = [p for p in files if Path(p.name).suffix.lower() in more and not p.name.startswith(hidden)]
    return sorted((*logs, *others), key=lambda p: p.name)


def stem_of(name: str) -> str:
    """File name without its endings: "bar.csv.gz" -> "bar"."""
    path = Path(name)
    return Path(path.stem).stem if path.suffix.lower() in PACKED_ENDINGS else path.stem


def find_units(folder: Path) -> tuple[UnitFiles, ...]:
    """Every unit of `folder`, sorted by name. Reads names only.

    A sub-folder is listed even when it holds no log, with its `problem`, and so is a loose picture, workbook or unit.toml
    to which no log belongs. A unit met both as a sub-folder and as loose files is one unit.
    Raises FileNotFoundError or NotADirectoryError.
    """
    units: dict[str, UnitFiles] = {}
    others: list[UnitFiles] = []  # loose files that count only where their unit has logs
    for entry in sorted(folder.iterdir(), key=lambda p: p.name):
        if entry.name.startswith((".", "~")):
            continue
        if entry.is_dir():
            found = _sub_folder(entry, folder)
        elif is_log_name(entry.name) and not is_note(entry):
            found = _with_files(unit_of(entry.name), [entry])
        elif entry.name.endswith("__unit.toml") and entry.is_file():
            name = entry.name.partition("__")[0]
            problem = f'{entry.name}: there is no log of "{name}"; put its files there, or remove this one'
            others.append(UnitFiles(name=name, files=(), toml=entry, problem=problem))
            continue
        elif Path(entry.name).suffix.lower() in WORKBOOK_ENDINGS:
            found = _with_files(unit_of(entry.name), [entry])
        elif Path(entry.name).suffix.lower() in _LISTED_WHEN_LOOSE:
            problem = f"{entry.name}: this is no log; put it into its unit's folder, or remove it"
            others.append(UnitFiles(name=unit_of(entry.name), files=(), toml=None, problem=problem))
            continue
        else:
            continue
        if found is not None:
            units[found.name] = joined(units.get(found.name), found)
    for other in others:
        units[other.name] = joined(units.get(other.name), other)
    return tuple(units[name] for name in sorted(units))


def own_unit(folder: Path, name: str) -> UnitFiles | None:
    """`folder` as one unit called `name`, where its unit.toml lies beside its logs; None where it is a folder of units.

    It is a folder of units all the same where a sub-folder of it holds logs, or its files name several units
    (UNIT__LOGGER.csv). Raises FileNotFoundError or NotADirectoryError.
    """
    toml = folder / "unit.toml"
    if not toml.is_file():
        return None
    entries = sorted(folder.iterdir(), key=lambda p: p.name)
    found = _with_files(name, logs_in(p for p in entries if not p.is_dir()), toml=toml)
    named = {p.name.partition("__")[0] for p in found.files if "__" in p.name}
    below = (_sub_folder(p, folder) for p in entries if p.is_dir() and not p.name.startswith((".", "~")))
    if len(named) > 1 or not found.files or any(unit is not None and unit.files for unit in below):
        return None
    return found


def joined(before: UnitFiles | None, new: UnitFiles, *, toml: Path | None = None) -> UnitFiles:
    """The files of both as one unit. toml: the one to go by; None: that of `before`, else of `new`."""
    if before is None:
        return new
    files = (*before.files, *new.files)
    return UnitFiles(
        name=new.name,
        files=files,
        toml=toml or before.toml or new.toml,
        problem="" if files else before.problem or new.problem,
        refused=(*before.refused, *new.refused),
    )


def why_not_regular(path: Path) -> str:
    """What `path` is, with the remedy, where it is no regular file and must not be opened; else ""."""
    if path.is_file():
        return ""
    if path.is_symlink() and not path.exists():
        return "is a link that leads nowhere; put the file itself there"
    return "is a pipe or a device, not a file; put a copy of the log itself there"


def _sub_folder(entry: Path, folder: Path) -> UnitFiles | None:
    """The unit that the sub-folder `entry` of `folder` is; None where it is gone by now."""
    if _leads_up(entry, folder):
        problem = f"{entry.name}: the link leads to a folder that holds this one; put the unit's files there themselves"
        return UnitFiles(name=entry.name, files=(), toml=None, problem=problem)
    try:
        inside = sorted((p for p in entry.iterdir() if not p.is_dir()), key=lambda p: p.name)
    except FileNotFoundError:  # taken away while we looked
        return None
    except OSError as error:
        problem = (
            f"{entry.name}: the folder cannot be opened ({error.strerror or error}); "
            "give this account the right to read it"
        )
        return UnitFiles(name=entry.name, files=(), toml=None, problem=problem)
    logs = logs_in(inside)
    if not any(is_log_name(p.name) for p in logs):
        logs = []
    toml = next((p for p in inside if p.name == "unit.toml"), None)
    return _with_files(entry.name, logs, toml=toml, problem="" if logs else _no_logs(entry.name, inside))


def _with_files(name: str, paths: list[Path], *, toml: Path | None = None, problem: str = "") -> UnitFiles:
    """A unit of those of `paths` that are regular files; the others are refused."""
    if toml is not None and (why := why_not_regular(toml)):
        return UnitFiles(name=name, files=(), toml=None, problem=f"{name}/{toml.name}: {why}")
    files, refused = [], []
    for path in paths:
        if why := why_not_regular(path):
            refused.append(Problem(unit_name=name, file=path.name, message=f"{path.name}: {why}"))
        else:
            files.append(path)
    return UnitFiles(name=name, files=tuple(files), toml=toml, problem=problem, refused=tuple(refused))


def _leads_up(entry: Path, folder: Path) -> bool:
    """Whether `entry` is a link to `folder` or to a folder above it: walking it would never end."""
    if not isinstance(entry, Path) or not (entry.is_symlink() or getattr(entry, "is_junction", bool)()):
        return False
    target, home = entry.resolve(), folder.resolve()
    return target == home or target in home.parents


def unit_of(name: str) -> str:
    """The unit that a loose file of this name belongs to."""
    unit, underscores, _rest = name.partition("__")
    return unit if underscores and unit else stem_of(name)


def _no_logs(name: str, inside: list[Path]) -> str:
    endings = ", ".join(sorted(LOG_ENDINGS))
    visible = [p.name for p in inside if not p.name.startswith(".")]
    if not visible:
        seen = "the folder is empty"
    else:
        shown = ", ".join(visible[:3]) + (" …" if len(visible) > 3 else "")
        seen = f"the folder holds no logger file (found {shown})"
    return f"{name}: {seen}; put the logger's export there ({endings}, .gz of these, or .zip) or remove the folder"
