"""One message that is due, made: pictures drawn, reports attached, words in the client's language."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from email.headerregistry import Address

from pipeline.delivery.mail.clients import Recipient
from pipeline.delivery.mail.letter import Attachment, Picture, write_letter
from pipeline.delivery.mail.message import attach_client_page, attach_technician_page, encode
from pipeline.delivery.mail.outstanding import Due
from pipeline.delivery.mail.parcels import Parcel
from pipeline.errors import DeliveryError
from pipeline.store import Locked, StorePlace

PICTURES_OF = 4
"""So many units of a message get their pictures, the worst first (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Sender:
    """Whom the messages come from."""

    address: Address
    reply_to: str | None = None


class Unmade(DeliveryError):
    """A message could not be made; the others can."""


def make(due: Due, sender: Sender, now: datetime) -> bytes:
    """The whole message. Raises Unmade where a report can't be read, or was made anew since this message fell due."""
    identifier = due.identifier(sender.address.domain)
    try:
        with StorePlace(
            due.parcels[0].folder.parent
        ).for_one_run():  # no run writes while its files are taken
            renewed = [parcel.unit for parcel in due.parcels if not parcel.still_says_so()]
            if renewed:
                raise Unmade(
                    f"{renewed[0]} has just been reported anew", remedy="the next run sends that report"
                )
            recipient, day = due.recipient, now.date()
            attached = [attach_client_page(p, recipient.language, recipient.units, day) for p in due.parcels]
            if due.technician:
                attached += [attach_technician_page(parcel) for parcel in due.parcels]
            attachments = _named_apart(attached)
            pictures = {
                parcel.unit: _pictures(parcel, due.recipient, identifier)
                for parcel in due.parcels[:PICTURES_OF]
            }
    except Locked as error:
        raise Unmade(error.found, remedy=error.remedy) from error
    except OSError as error:
        raise Unmade(
            f"a report can't be read ({error.strerror})", remedy="run `icelogs report` again"
        ) from error
    letter = write_letter(
        due.recipient,
        due.parcels,
        pictures=pictures,
        attachments=attachments,
        part=due.part,
    )
    message = encode(
        letter,
        sender=sender.address,
        to=due.addresses,
        name=due.recipient.name,
        reply_to=sender.reply_to,
        now=now,
        identifier=identifier,
        attachments=attachments,
    )
    return message.as_bytes()


def _pictures(parcel: Parcel, recipient: Recipient, identifier: str) -> tuple[Picture, ...]:
    from pipeline.report import email_charts

    drawn = email_charts(parcel.folder, language=recipient.language, units=recipient.units)
    mark = identifier.strip("<>").replace("@", f".{parcel.digest[:8]}@")
    return tuple(
        Picture(cid=f"{n}.{mark}", png=still.png, alt=still.alt, note=still.note)
        for n, still in enumerate(drawn.values(), start=1)
    )


def _named_apart(attachments: Sequence[Attachment]) -> list[Attachment]:
    """Attachments whose names differ, whatever the units are called."""
    seen: dict[str, int] = {}
    named = []
    for attachment in attachments:
        folded = attachment.name.casefold()
        count = seen[folded] = seen.get(folded, 0) + 1
        stem, dot, ending = attachment.name.rpartition(".")
        named.append(attachment if count == 1 else replace(attachment, name=f"{stem} ({count}){dot}{ending}"))
    return named
