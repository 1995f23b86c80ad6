"""What was assumed of a file's columns, gathered by the name of the file."""

from __future__ import annotations

from pipeline.language.text import Text

Notes = dict[str, list[Text]]
UNIT_IN_TOML = 'set unit for "{label}" under [channels] in unit.toml if that is wrong'


def note(notes: Notes, file: str, key: str, english: str, /, **values: object) -> None:
    """One more sentence about `file`."""
    notes.setdefault(file, []).append(Text(key=key, english=english, values=values))
