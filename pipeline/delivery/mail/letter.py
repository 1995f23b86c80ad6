"""What a message says, in the client's language, units and time zone: plain strings, ready for the templates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType

from pipeline.delivery.mail.addresses import file_name, one_line
from pipeline.delivery.mail.clients import Recipient
from pipeline.delivery.mail.parcels import Parcel
from pipeline.language.catalogue import catalogue
from pipeline.report.given import Given, read_given
from pipeline.report.page.client import ClientView, client_view, firm_view
from pipeline.report.summary import LEVELS
from pipeline.report.wording import Reader


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A still picture in the body."""

    cid: str  # without angle brackets
    png: bytes
    alt: str
    note: str  # how to read it


@dataclass(frozen=True, kw_only=True)
class SaidUnit:
    """One unit of a message: what its page for the client says, and pictures."""

    title: str
    place: str
    view: ClientView
    pictures: tuple[Picture, ...]
    safe: tuple[str, ...]  # what the client may do; () where the message says it once for all units


@dataclass(frozen=True, kw_only=True)
class Attachment:
    """A file that goes along with a message."""

    name: str
    kind: tuple[str, str]  # MIME type and subtype
    data: bytes


@dataclass(frozen=True, kw_only=True)
class Letter:
    """One message, said but not yet encoded."""

    language: str
    subject: str
    greeting: str
    intro: str
    units: tuple[SaidUnit, ...]
    safe: tuple[str, ...]  # what the client may do with any of several units
    closed: str
    limits: str
    firm: Mapping[str, str]  # who writes: its name, telephone and address, "" where not given
    attached: str
    zipped: bool


@cache
def words_in(language: str) -> Mapping[str, str]:
    """Everything that a message says of its own, in `language`."""
    said = catalogue(language)
    mine = {key.removeprefix("mail."): text for key, text in said.items() if key.startswith("mail.")}
    shared = {name: said[f"client.{name}"] for name in ("doing", "waiting", "safe", "telephone")}
    return MappingProxyType(shared | mine | {"whose": said["visits.whose"]})


def write_letter(
    recipient: Recipient,
    parcels: Sequence[Parcel],
    *,
    pictures: Mapping[str, Sequence[Picture]],
    attachments: Sequence[Attachment],
    part: tuple[int, int] = (1, 1),
) -> Letter:
    """The message about `parcels` to `recipient`. pictures: by unit. part: which of how many messages this is."""
    words = words_in(recipient.language)
    reader = Reader(language=recipient.language, units=recipient.units)
    given = {parcel.unit: read_given(parcel.folder) for parcel in parcels}
    titles = [one_line(parcel.summary.title or parcel.unit) for parcel in parcels]
    views = [client_view(parcel.summary, given[parcel.unit], reader) for parcel in parcels]
    lists = {view.safe for view in views if view.safe}
    once = len(lists) == 1 and len(parcels) > 1
    return Letter(
        language=recipient.language,
        subject=_subject(words, titles, [parcel.summary.level for parcel in parcels], part),
        greeting=words["greeting"].format(name=one_line(recipient.name))
        if recipient.name
        else words["greeting_nobody"],
        intro=_counted(words, "intro", titles),
        units=tuple(
            SaidUnit(
                title=title,
                place=one_line(parcel.summary.place),
                view=view,
                pictures=_noted_once(pictures, [p.unit for p in parcels], n),
                safe=() if once else view.safe,
            )
            for n, (parcel, title, view) in enumerate(zip(parcels, titles, views, strict=True))
        ),
        safe=next(iter(lists)) if once else (),
        closed=reader.t("client.closed"),
        limits=reader.t("client.limits"),
        firm=next((firm_view(g) for p in parcels if (g := given[p.unit]).firm), firm_view(Given())),
        attached=words["attached_one"].format(file=attachments[0].name)
        if len(attachments) == 1
        else words["attached_many"].format(count=len(attachments)),
        zipped=any(attachment.kind[1] == "zip" for attachment in attachments),
    )


def _noted_once(
    pictures: Mapping[str, Sequence[Picture]], units: Sequence[str], n: int
) -> tuple[Picture, ...]:
    """The pictures of the `n`-th unit; how to read one is said where it stands for the first time."""
    before = {picture.note for unit in units[:n] for picture in pictures.get(unit, ())}
    mine = pictures.get(units[n], ())
    return tuple(replace(picture, note="") if picture.note in before else picture for picture in mine)


def attachment_name(parcel: Parcel, ending: str, of: str = "") -> str:
    """The name under which a client saves the report: the unit, the day on which its log ends, and whose page it is."""
    return file_name(f"{parcel.unit} {parcel.summary.log_end[:10]} {of}".strip(), ending)


def _subject(
    words: Mapping[str, str], titles: Sequence[str], levels: Sequence[str], part: tuple[int, int]
) -> str:
    worst = min(levels, key=LEVELS.index)
    level = words[f"level.{worst}"]
    due = sum(found == worst for found in levels)
    if len(titles) == 1:
        subject = words["subject_one"].format(title=titles[0], level=level)
    elif worst in ("act", "watch"):
        subject = words["subject_many_due"].format(due=due, count=len(titles), level=level)
    else:
        subject = words["subject_many"].format(count=len(titles), level=level)
    if part[1] > 1:
        subject = words["part"].format(subject=subject, part=part[0], parts=part[1])
    return subject


def _counted(words: Mapping[str, str], key: str, titles: Sequence[str]) -> str:
    if len(titles) == 1:
        return words[f"{key}_one"].format(title=titles[0])
    return words[f"{key}_many"].format(count=len(titles))
