"""Which files belong to which unit.

A sub-folder is a unit. Of the loose files, everything before the first double underscore is the unit; a loose file
without one is a unit of its own, named by its stem.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

LOG_ENDINGS = frozenset({".csv", ".txt", ".tsv", ".log", ".dat"})
PACKED_ENDINGS = frozenset({".gz"})  # one log inside: probes.csv.gz
ARCHIVE_ENDINGS = frozenset({".zip"})  # any number of logs inside


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
            logs = [p for p in inside if is_log_name(p.name)]
            files.setdefault(entry.name, []).extend(logs)
            toml = entry / "unit.toml"
            if toml.is_file():
                tomls[entry.name] = toml
            if not logs:
                problems[entry.name] = _no_logs(entry.name, inside)
        elif is_log_name(entry.name):
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
