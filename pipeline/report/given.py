"""What the technician gives for the pages, made fit to stand in them: the firm, the visits, the photographs.

Photographs and logo are decoded and encoded anew, small: no position, date or name of a camera goes with them, and nothing of
the file but its picture can reach a page.
"""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from pipeline.logs.timeline import Problem
from pipeline.report.numbers.visits import in_order
from pipeline.unit import Firm, Unit, Visit

FILE = "given.json"
PHOTO_BYTES = 200_000
"""What all photographs of a report may weigh together, encoded: the client's page stays under 400 kB (the project's own limit)."""
LOGO_BYTES = 24_000
MOST_PHOTOS = 6  # the latest
SIDES_PX = (900, 760, 620, 480, 360, 260)  # longest side, the largest that fits is taken
MOST_PIXELS = 80_000_000  # a camera's largest picture; more is refused unopened


@dataclass(frozen=True, kw_only=True)
class Given:
    """firm: the fields of `[firm]`, `logo` as a data URI. visits: the fields of `[[visits]]`, oldest first, dates as ISO 8601,
    `photos` a list of {"src": data URI, "alt": text}. Survives JSON."""

    firm: Mapping[str, str] = field(default_factory=dict)
    visits: tuple[Mapping[str, Any], ...] = ()

    def __bool__(self) -> bool:
        return bool(self.firm or self.visits)

    def to_json(self) -> str:
        """What `read_given` reads."""
        return json.dumps(asdict(self), ensure_ascii=False, indent=1) + "\n"


def read_given(folder: Path) -> Given:
    """What was given for the report in `folder`; nothing where the file is missing or not ours."""
    try:
        table = json.loads((folder / FILE).read_text(encoding="utf-8"))
        return Given(firm=table["firm"], visits=tuple(table["visits"]))
    except (OSError, ValueError, KeyError, TypeError):
        return Given()


def given_of(unit: Unit, pictures: Sequence[Path] = ()) -> tuple[Given, tuple[Problem, ...]]:
    """What `unit` gives, and what is wrong with its pictures: a picture that cannot be used is left out and told.

    pictures: the files that may be named.
    """
    visits = in_order(unit.visits)
    chosen = [(n, photo) for n, visit in enumerate(visits) for photo in visit.photos][-MOST_PHOTOS:]
    by_name = {path.name.rpartition("__")[2]: path for path in pictures} | {p.name: p for p in pictures}
    problems: list[Problem] = []

    def encoded(name: str, room: int, *, transparent: bool = False) -> str:
        try:
            return _encoded(by_name.get(name), room, transparent)
        except _UnusableError as error:
            message = f'{unit.name}/{name}: {error}; correct "file" in unit.toml, or put the picture beside the logs'
            problems.append(Problem(unit_name=unit.name, file=name, message=message))
            return ""

    room = PHOTO_BYTES // max(len(chosen), 1)
    photos: dict[int, list[dict[str, str]]] = {}
    for n, photo in chosen:
        if src := encoded(photo.file, room):
            photos.setdefault(n, []).append({"src": src, "alt": photo.alt})
    logo = encoded(unit.firm.logo, LOGO_BYTES, transparent=True) if unit.firm.logo else ""
    given = Given(
        firm=_firm(unit.firm, logo),
        visits=tuple(_visit(visit, photos.get(n, [])) for n, visit in enumerate(visits)),
    )
    return given, tuple(problems)


def _firm(firm: Firm, logo: str) -> dict[str, str]:
    fields = {name: getattr(firm, name) for name in ("name", "telephone", "email", "author")}
    return {name: value for name, value in (fields | {"logo": logo}).items() if value}


def _visit(visit: Visit, photos: list[dict[str, str]]) -> dict[str, Any]:
    return {
        "on": visit.on.isoformat(),
        "at": visit.at.isoformat(timespec="minutes") if visit.at is not None else "",
        "done": [text for text in (visit.what, *visit.done) if text],
        "parts": list(visit.parts),
        "readings": list(visit.readings),
        "note": visit.note,
        "next": visit.next.isoformat() if visit.next is not None else "",
        "photos": photos,
    }


class _UnusableError(Exception):
    """Why a picture cannot be used."""


def _encoded(path: Path | None, room: int, transparent: bool) -> str:
    """The picture as a data URI of at most `room` characters, without anything that the camera wrote beside it."""
    if path is None:
        raise _UnusableError("there is no such picture")
    from PIL import Image, ImageOps

    try:
        with Image.open(path, formats=("JPEG", "PNG")) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise _UnusableError("the picture is too large to be opened")
            opened.draft("RGB", (2 * SIDES_PX[0], 2 * SIDES_PX[0]))
            turned = ImageOps.exif_transpose(opened)
            keep = transparent and "A" in turned.convert("RGBA").getbands() and opened.format == "PNG"
            picture = turned.convert("RGBA" if keep else "RGB")
    except _UnusableError:
        raise
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise _UnusableError("the picture cannot be opened") from error
    for side in SIDES_PX:
        small = picture.copy()
        small.thumbnail((side, side), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        if keep:
            small.save(out, format="PNG", optimize=True)
        else:
            small.save(out, format="JPEG", quality=74, optimize=True)
        kind = "png" if keep else "jpeg"
        uri = f"data:image/{kind};base64,{base64.b64encode(out.getvalue()).decode()}"
        if len(uri) <= room:
            return uri
    raise _UnusableError("the picture cannot be made small enough")
