"""What a message says, in the client's language, units and time zone: plain strings, ready for the templates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from types import MappingProxyType
from zoneinfo import ZoneInfo

from pipeline.delivery.mail.addresses import file_name, one_line
from pipeline.delivery.mail.clients import Recipient
from pipeline.delivery.mail.parcels import Parcel
from pipeline.language.catalogue import catalogue
from pipeline.report import Reader, UnitSummary
from pipeline.report.summary import LEVELS, text_from

STEPS_SAID = 6
"""The message names the first steps for a unit, and of each finding the likeliest cause; the report has all (common
practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A still picture in the body."""

    cid: str  # without angle brackets
    png: bytes
    alt: str


@dataclass(frozen=True, kw_only=True)
class SaidFinding:
    severity: str
    severity_word: str
    title: str
    cause: str  # "" where none is known, or an earlier finding has said it


@dataclass(frozen=True, kw_only=True)
class SaidUnit:
    title: str
    place: str
    logged: str
    level: str
    verdict: str
    output: str  # "" where it can't be said
    findings: tuple[SaidFinding, ...]
    unsaid: tuple[str, ...] = ()  # why nothing could be said; () where something could
    todo: tuple[str, ...]  # in order
    unread: tuple[str, ...]
    pictures: tuple[Picture, ...]


@dataclass(frozen=True, kw_only=True)
class Attachment:
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
    cautions: tuple[str, ...]
    attached: str
    zipped: bool


@cache
def words_in(language: str) -> Mapping[str, str]:
    """Everything that a message says of its own, in `language`."""
    mine = {
        key.removeprefix("mail."): text
        for key, text in catalogue(language).items()
        if key.startswith("mail.")
    }
    return MappingProxyType(mine)


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
    titles = [one_line(parcel.summary.title or parcel.unit) for parcel in parcels]
    return Letter(
        language=recipient.language,
        subject=_subject(words, titles, [parcel.summary.level for parcel in parcels], part),
        greeting=words["greeting"].format(name=one_line(recipient.name))
        if recipient.name
        else words["greeting_nobody"],
        intro=_counted(words, "intro", titles),
        units=tuple(
            _said_unit(
                parcel.summary, title, reader, words, recipient.time_zone, pictures.get(parcel.unit, ())
            )
            for parcel, title in zip(parcels, titles, strict=True)
        ),
        cautions=_cautions(parcels, reader),
        attached=words["attached_one"].format(file=attachments[0].name)
        if len(attachments) == 1
        else words["attached_many"].format(count=len(attachments)),
        zipped=any(attachment.kind[1] == "zip" for attachment in attachments),
    )


def attachment_name(parcel: Parcel, ending: str) -> str:
    """The name under which a client saves the report: the unit and the day on which its log ends."""
    return file_name(f"{parcel.unit} {parcel.summary.log_end[:10]}", ending)


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


def _said_unit(
    summary: UnitSummary, title: str, reader: Reader, words, zone: str | None, pictures: Sequence[Picture]
) -> SaidUnit:
    texts = summary.texts
    output = ""
    if summary.ice_kg_per_day is not None:
        output = words["output"].format(amount=reader.show("ice_kg_per_day", summary.ice_kg_per_day))
    return SaidUnit(
        title=title,
        place=one_line(summary.place),
        logged=words["logged"].format(
            start=_moment(summary.log_start, zone), end=_moment(summary.log_end, zone)
        ),
        level=summary.level if summary.level in LEVELS else "cannot-tell",
        verdict=reader.say(text_from(texts["verdict_client"])),
        output=output,
        findings=_said_findings(texts.get("findings", ()), reader, words),
        unsaid=tuple(reader.say(text_from(text)) for text in texts.get("unsaid", ())),
        todo=tuple(reader.say(text_from(text)) for text in texts.get("steps", ()))
        or _todo(texts.get("findings", ()), reader),
        unread=tuple(summary.problems),
        pictures=tuple(pictures),
    )


def _said_findings(findings: Sequence[Mapping], reader: Reader, words) -> tuple[SaidFinding, ...]:
    said, causes = [], set()
    for finding in findings:
        cause = next((reader.say(text_from(text)) for text in finding["likely_causes"]), "")
        said.append(
            SaidFinding(
                severity=finding["severity"],
                severity_word=words[f"severity.{finding['severity']}"],
                title=_capital(reader.say(text_from(finding["title"]))),
                cause="" if cause in causes else cause,
            )
        )
        causes.add(cause)
    return tuple(said)


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _todo(findings: Sequence[Mapping], reader: Reader) -> tuple[str, ...]:
    """The checks of the worst finding, then what the others add."""
    steps = (reader.say(text_from(text)) for finding in findings for text in finding["next_checks"])
    return tuple(dict.fromkeys(steps))[:STEPS_SAID]


def _cautions(parcels: Sequence[Parcel], reader: Reader) -> tuple[str, ...]:
    said = (
        reader.say(text_from(text)) for parcel in parcels for text in parcel.summary.texts.get("cautions", ())
    )
    return tuple(dict.fromkeys(said))


def _moment(iso: str, zone: str | None) -> str:
    """ISO 8601 to the minute, with the offset from UTC: "2026-05-04 08:00 (UTC+02:00)"."""
    moment = datetime.fromisoformat(iso)
    if zone is not None:
        moment = moment.astimezone(ZoneInfo(zone))
    text = moment.isoformat(sep=" ", timespec="minutes")
    return f"{text[:16]} (UTC{text[16:]})"
