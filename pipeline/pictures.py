"""The pictures that a `unit.toml` may name: they lie beside it."""

from __future__ import annotations

import tomllib
from pathlib import Path

PICTURE_ENDINGS = frozenset({".jpg", ".jpeg", ".png"})


def pictures_beside(toml: Path | None) -> tuple[Path, ...]:
    """Those in the folder of `toml`; beside a loose `UNIT__unit.toml`, those named alike."""
    if not isinstance(toml, Path):
        return ()
    prefix = toml.name.removesuffix("unit.toml")
    try:
        names = sorted(toml.parent.iterdir(), key=lambda p: p.name)
    except OSError:
        return ()
    return tuple(p for p in names if is_picture(p.name) and p.name.startswith(prefix))


def is_picture(name: str) -> bool:
    """Whether a file of this name is a picture that a page can show."""
    return Path(name).suffix.lower() in PICTURE_ENDINGS and not name.startswith((".", "~"))


def pictures_named(toml: Path) -> tuple[str, ...]:
    """The files of the pictures that `toml` names, to be brought along with it; none where it cannot be read (who reads it
    says why). Beside a loose `UNIT__unit.toml`, they are named alike."""
    try:
        table = tomllib.loads(toml.read_text(encoding="utf-8-sig"))
        photos = [photo["file"] for visit in table.get("visits", ()) for photo in visit.get("photos", ())]
        named = [table.get("firm", {}).get("logo"), *photos]
    except (OSError, ValueError, AttributeError, KeyError, TypeError):
        return ()
    prefix = toml.name.removesuffix("unit.toml")
    plain = (n.removeprefix(prefix) for n in named if isinstance(n, str) and is_picture(n) and "/" not in n)
    return tuple(dict.fromkeys(prefix + name for name in plain))
