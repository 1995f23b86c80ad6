"""A message that is due, made: pictures drawn, reports attached, its letter encoded.

Structure (RFC 2046, RFC 2387): mixed( alternative( plain, related( html, pictures ) ), reports ). The same letter always
makes the same bytes: boundaries and Message-ID come from its content.
"""

from __future__ import annotations

import hashlib
import io
import textwrap
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from email import policy
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from functools import cache

from pipeline.delivery.mail.addresses import one_line
from pipeline.delivery.mail.clients import Recipient
from pipeline.delivery.mail.letter import Attachment, Letter, Picture, attachment_name, words_in, write_letter
from pipeline.delivery.mail.outstanding import Due
from pipeline.delivery.mail.parcels import PAGE, Parcel
from pipeline.errors import DeliveryError
from pipeline.store import Locked, StorePlace

PICTURES_OF = 4
"""So many units of a message get their pictures, the worst first (common practice, no source)."""
ZIPPED_OVER_BYTES = 3_000_000
"""A larger page travels zipped (common practice, no source)."""

TECHNICIAN = "technician"
"""In the name of the page that is attached only when asked for."""

_POLICY = policy.SMTP.clone(max_line_length=76, cte_type="7bit")
# RFC 5322 section 2.1.1 allows 998 and recommends 78; RFC 2047 wants 76 where a line holds an encoded word.


def attach_client_page(parcel: Parcel, language: str, units: str, written: date) -> Attachment:
    """The client's page of the unit, in the language and units of whoever gets it. Raises OSError."""
    from pipeline.report.given import read_given
    from pipeline.report.page.client import client_page
    from pipeline.report.wording import Reader

    reader = Reader(language=language, units=units)
    page = client_page(parcel.summary, read_given(parcel.folder), reader, written=written)
    return Attachment(name=attachment_name(parcel, ".html"), kind=("text", "html"), data=page)


def attach_technician_page(parcel: Parcel) -> Attachment:
    """The unit's page for a technician, zipped where it is large. Raises OSError."""
    from pipeline.report.payload.plotting import plotting_script

    page = plotting_script().made_whole((parcel.folder / PAGE).read_bytes())
    if len(page) <= ZIPPED_OVER_BYTES:
        return Attachment(name=attachment_name(parcel, ".html", TECHNICIAN), kind=("text", "html"), data=page)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        inside = zipfile.ZipInfo(
            attachment_name(parcel, ".html", TECHNICIAN), date_time=(1980, 1, 1, 0, 0, 0)
        )
        inside.compress_type = zipfile.ZIP_DEFLATED
        inside.external_attr = 0o644 << 16
        archive.writestr(inside, page)
    return Attachment(
        name=attachment_name(parcel, ".zip", TECHNICIAN), kind=("application", "zip"), data=packed.getvalue()
    )


def encode(
    letter: Letter,
    *,
    sender: Address,
    to: Sequence[str],
    name: str,
    reply_to: str | None,
    now: datetime,
    identifier: str,
    attachments: Sequence[Attachment],
) -> EmailMessage:
    """The message to send. to: checked addresses; name: the client's, for display; identifier: its Message-ID."""
    message = EmailMessage(policy=_POLICY)
    message["From"] = sender
    shown = one_line(name, longest=60)
    message["To"] = [Address(display_name=shown, addr_spec=address) for address in to]
    if reply_to:
        message["Reply-To"] = Address(addr_spec=reply_to)
    message["Subject"] = one_line(letter.subject)
    message["Date"] = format_datetime(now)
    message["Message-ID"] = identifier
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps out-of-office answers away
    message.set_content(plain_body(letter), cte="quoted-printable")
    message.add_alternative(html_body(letter), subtype="html", cte="quoted-printable")
    html = message.get_payload()[1]
    for unit in letter.units:
        for number, picture in enumerate(unit.pictures, start=1):
            html.add_related(
                picture.png,
                "image",
                "png",
                cid=f"<{picture.cid}>",
                disposition="inline",
                filename=f"picture-{number}.png",
            )
    for attachment in attachments:
        params = {"charset": "utf-8"} if attachment.kind == ("text", "html") else None
        message.add_attachment(attachment.data, *attachment.kind, filename=attachment.name, params=params)
    message["Content-Language"] = letter.language  # the parts above would take it along when they were added
    _name_boundaries(message, identifier)
    return message


def html_body(letter: Letter) -> str:
    """For people whose program shows HTML; everything from a log or a name is escaped."""
    return _template("message.html").render(letter=letter, words=words_in(letter.language))


def plain_body(letter: Letter) -> str:
    """For everyone else: lines of at most 72 characters."""
    text = _template("message.txt").render(letter=letter, words=words_in(letter.language))
    return "\n".join(line if line == "-- " else line.rstrip() for line in text.strip().split("\n")) + "\n"


def _fold(text: str, first: str = "", others: str | None = None) -> str:
    rest = first if others is None else others
    folded = textwrap.fill(text, 72, initial_indent=first, subsequent_indent=rest, break_long_words=False)
    return folded.replace("\N{NO-BREAK SPACE}", " ")  # kept a number and its unit on one line until here


@cache
def _template(name: str):
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("pipeline.delivery.mail", "pages"),
        autoescape=jinja2.select_autoescape(["html"]),
        undefined=jinja2.StrictUndefined,
        trim_blocks=name.endswith(".txt"),
    )
    environment.filters["fold"] = _fold
    return environment.get_template(name)


def _name_boundaries(message: EmailMessage, identifier: str) -> None:
    """Boundaries out of the Message-ID: unlike random ones they make the same message the same bytes."""
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        digest = hashlib.sha256(f"{identifier} {number}".encode()).hexdigest()
        part.set_boundary(f"=_{digest[:40]}")


@dataclass(frozen=True, kw_only=True)
class SenderAddress:
    """Whom the messages come from."""

    address: Address
    reply_to: str | None = None


class Unmade(DeliveryError):
    """A message could not be made; the others can."""


def make(due: Due, sender: SenderAddress, now: datetime) -> bytes:
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
    from pipeline.report.charts.email_charts import email_charts

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
