"""Which files belong to which unit.

A sub-folder is a unit. Of the loose files, everything before the first double underscore is the unit; a loose file
without one is a unit of its own, named by its stem.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

LOG_ENDINGS = frozenset({".csv", ".txt", ".tsv", ".log", ".dat"})
PACKED_ENDINGS = frozenset({".gz"})  # one log inside: probes.csv.gz
ARCHIVE_ENDINGS = frozenset({".zip"})  # any number of logs inside
WORKBOOK_ENDINGS = frozenset({".xlsx", ".xls", ".xlsm", ".xlsb", ".ods", ".numbers"})
"""Not read, but a log saved as one of these must not be passed over without a word."""
DATA_ENDINGS = WORKBOOK_ENDINGS | {
    ".pdf",
    ".rar",
    ".7z",
    ".db",
    ".sqlite",
    ".parquet",
    ".json",
    ".xml",
    ".html",
}
"""The same for `icelogs check`, which says of more files what they are."""

_NOTE_NAMES = re.compile(
    r"(read[ _-]?me|liesmich|l[eé]eme|lisez[ _-]?moi|notes?|notas?|notizen?|licen[cs]e|about|todo)(?![^\W\d_])",
    re.IGNORECASE,
)
_LIKE_A_ROW = re.compile(rb"(?m)^[^\n]*\d[-/.:]\d\d[^\n]*[,;\t| ][^\n]*\d")
_MOST_NOTE_BYTES = 65536


@dataclass(frozen=True, kw_only=True)
class UnitFiles:
    """The files of one unit. `files` is sorted by name and may be empty: then `problem` says what to do."""

    name: str
    files: tuple[Path, ...]
    toml: Path | None
    problem: str = ""  # what is wrong with the folder as such, with the remedy; "" where nothing is


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
    path = Path(name)
    return path.suffix.lower() in (".txt", ".log") and _NOTE_NAMES.match(path.name) is not None


def is_note(path: Path) -> bool:
    """Whether a text file is a person's note (README.txt) and no log: by its name, unless it is full of rows."""
    if not names_a_note(path.name):
        return False
    try:
        with open(path, "rb") as file:
            text = file.read(_MOST_NOTE_BYTES + 1)
    except (OSError, TypeError):  # a file at a URL is not opened here
        return True
    return len(text) <= _MOST_NOTE_BYTES and len(_LIKE_A_ROW.findall(text)) < 5


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

    A sub-folder is listed even when it holds no log, with its `problem`. A unit met both as a sub-folder and as loose
    files is one unit. Raises FileNotFoundError or NotADirectoryError.
    """
    files: dict[str, list[Path]] = {}
    tomls: dict[str, Path] = {}
    problems: dict[str, str] = {}
    for entry in sorted(folder.iterdir(), key=lambda p: p.name):
        if entry.name.startswith((".", "~")):
            continue
        if entry.is_dir():
            try:
                inside = sorted((p for p in entry.iterdir() if p.is_file()), key=lambda p: p.name)
            except FileNotFoundError:  # taken away while we looked
                continue
            except OSError as error:
                files.setdefault(entry.name, [])
                problems[entry.name] = (
                    f"{entry.name}: the folder cannot be opened ({error.strerror or error}); "
                    "give this account the right to read it"
                )
                continue
            logs = logs_in(inside)
            if not any(is_log_name(p.name) for p in logs):
                logs = []
            files.setdefault(entry.name, []).extend(logs)
            toml = entry / "unit.toml"
            if toml.is_file():
                tomls[entry.name] = toml
            if not logs:
                problems[entry.name] = _no_logs(entry.name, inside)
        elif is_log_name(entry.name) and not is_note(entry):
            unit, underscores, _rest = entry.name.partition("__")
            files.setdefault(unit if underscores and unit else stem_of(entry.name), []).append(entry)
        elif entry.name.endswith("__unit.toml") and entry.is_file():
            tomls.setdefault(entry.name.partition("__")[0], entry)
    return tuple(
        UnitFiles(
            name=name,
            files=tuple(files[name]),
            toml=tomls.get(name),
            problem="" if files[name] else problems.get(name, ""),
        )
        for name in sorted(files)
    )


def _no_logs(name: str, inside: list[Path]) -> str:
    endings = ", ".join(sorted(LOG_ENDINGS))
    visible = [p.name for p in inside if not p.name.startswith(".")]
    if not visible:
        seen = "the folder is empty"
    else:
        shown = ", ".join(visible[:3]) + (" …" if len(visible) > 3 else "")
        seen = f"the folder holds no logger file (found {shown})"
    return f"{name}: {seen}; put the logger's export there ({endings}, .gz of these, or .zip) or remove the folder"
