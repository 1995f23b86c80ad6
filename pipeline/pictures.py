"""The pictures that a `unit.toml` may name: they lie beside it."""

from __future__ import annotations

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
    return tuple(p for p in names if p.suffix.lower() in PICTURE_ENDINGS and p.name.startswith(prefix))
